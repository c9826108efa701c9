//! A copy of the whole store, taken while it is in use.

use super::EmbeddedStore;
use super::connections::open_on_any_medium;
use super::fault::Fault;
use super::folder::database_in;
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
    let whole = database_in(dest);
    if whole.exists() {
        let taken = "a store is there already; give a folder that holds none";
        return Err(io::Error::new(io::ErrorKind::AlreadyExists, taken).into());
    }
    fs::create_dir_all(dest)?;
    let part = dest.join("larder.sqlite.part");
    match fs::remove_file(&part) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e.into()),
        _ => {}
    }
    let name = part.to_str().ok_or_else(|| {
        io::Error::new(
            io::ErrorKind::InvalidInput,
            "the folder's name is not UTF-8",
        )
    })?;
    open_on_any_medium(database)?.execute("VACUUM INTO ?1", [name])?;
    forget_what_an_archive_lacks(&part)?;
    File::open(&part)?.sync_all()?;
    fs::rename(&part, &whole)?;
    Ok(File::open(dest)?.sync_all()?)
}
