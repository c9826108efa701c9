//! A copy of the whole store, taken while it is in use.

use super::EmbeddedStore;
use super::connections::open_on_any_medium;
use super::fault::Fault;
use super::folder::{self, database_in};
use super::readings::WHOLE_FROM;
use crate::StoreError;
use rusqlite::Connection;
use std::fs::{self, File};
use std::io;
use std::path::Path;

impl EmbeddedStore {
    /// Writes everything that is committed now into `dest`, a folder that holds no store yet. What
    /// lies there afterwards is a store like this one, so restoring is to open it or to copy it
    /// back. Until it is whole and on disk it has another name, so half a copy is never taken for
    /// one.
    pub fn backup_to(&self, dest: &Path) -> Result<(), StoreError> {
        let attempted = format!("write a backup to {}", dest.display());
        copy(&database_in(self.dir()), dest).map_err(|fault| fault.told(dest, &attempted))
    }
}

/// Where readings go on to an archive it may have newer ones by the time the copy is used: from
/// which moment on all of them are here is then no longer known.
fn forget_what_an_archive_lacks(part: &Path) -> Result<(), Fault> {
    let copy = Connection::open(part)?;
    let wanted = "SELECT count(*) FROM position WHERE name = ?1";
    let n: i64 = copy.query_row(wanted, [WHOLE_FROM], |row| row.get(0))?;
    if n > 0 {
        copy.execute("DELETE FROM position WHERE name = ?1", [WHOLE_FROM])?;
    }
    Ok(())
}

fn copy(database: &Path, dest: &Path) -> Result<(), Fault> {
    if database_in(dest).exists() {
        let taken = "a store is there already; give a folder that holds none";
        return Err(io::Error::new(io::ErrorKind::AlreadyExists, taken).into());
    }
    let made = missing(dest);
    folder::make(dest)?;
    let copied = copy_into(database, dest);
    if copied.is_err() {
        // What a failed copy leaves behind would stand in the way of the next one.
        remove_part(dest)?;
        for folder in made {
            let _ = fs::remove_dir(folder);
        }
    }
    copied
}

/// The folder and the ones above it that are not there, the innermost first.
fn missing(dest: &Path) -> Vec<&Path> {
    let folders = dest.ancestors();
    let missing = folders.take_while(|folder| !folder.as_os_str().is_empty() && !folder.exists());
    missing.collect()
}

/// The copy while it is made, and what SQLite may put beside it.
const PART: &str = "larder.sqlite.part";

fn remove_part(dest: &Path) -> Result<(), Fault> {
    for beside in ["", "-journal", "-wal", "-shm"] {
        match fs::remove_file(dest.join(format!("{PART}{beside}"))) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e.into()),
            _ => {}
        }
    }
    Ok(())
}

fn copy_into(database: &Path, dest: &Path) -> Result<(), Fault> {
    let part = dest.join(PART);
    remove_part(dest)?;
    folder::make_file(&part)?;
    let name = part.to_str().ok_or_else(|| {
        io::Error::new(
            io::ErrorKind::InvalidInput,
            "the folder's name is not UTF-8",
        )
    })?;
    open_on_any_medium(database)?.execute("VACUUM INTO ?1", [name])?;
    forget_what_an_archive_lacks(&part)?;
    File::open(&part)?.sync_all()?;
    fs::rename(&part, database_in(dest))?;
    Ok(File::open(dest)?.sync_all()?)
}
