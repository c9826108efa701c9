//! The data directory: its files, and the lock that lets one process at a time write.

use super::fault::Fault;
use crate::StoreError;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};

/// How a store is opened.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Access {
    /// To read and write; made where there is none. One process at a time.
    Create,
    /// To read and write what is there already. One process at a time.
    Existing,
    /// To read, also beside a process that writes. What is read is the store as it was when it was
    /// opened, whole and consistent; open again to see what came later. Close it soon: the
    /// write-ahead log cannot be shortened while it is open.
    Read,
}

/// What an acknowledged reading must outlive.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Durability {
    /// A power cut, where the disk honours syncs: every commit is synced.
    #[default]
    PowerCut,
    /// The end of the process, in whatever way. A power cut may take the last seconds; the store
    /// stays whole. Spares slow media (SD cards) most of their syncs.
    ProcessEnd,
}

/// The database's file in the data directory. SQLite puts `-wal` and `-shm` beside it.
pub(super) fn database_in(dir: &Path) -> PathBuf {
    dir.join("larder.sqlite")
}

/// Holds the data directory for this process until dropped. The system lets go of it when the
/// process ends in whatever way, so a lock is never left over.
#[derive(Debug)]
pub(super) struct Lock(#[expect(dead_code, reason = "held, not read")] File);

/// Makes a folder that only its owner may look into, and those above it that are missing.
pub(super) fn make(dir: &Path) -> std::io::Result<()> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(dir)
}

/// Makes an empty file that only its owner may read and write; one that is there is left alone. SQLite
/// gives the files beside its database the same rights.
pub(super) fn make_file(file: &Path) -> std::io::Result<()> {
    // One that is there is not even opened: closing it would take away the locks that SQLite holds on it.
    if file.exists() {
        return Ok(());
    }
    let mut options = OpenOptions::new();
    options.create(true).truncate(false).write(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(file).map(drop)
}

/// Makes the folder where `Create` asks for it, and takes its lock.
pub(super) fn claim(dir: &Path, access: Access) -> Result<Lock, StoreError> {
    let told = |error: std::io::Error, attempted| Fault::from(error).told(dir, attempted);
    if access == Access::Create {
        make(dir).map_err(|e| told(e, "make the store's folder"))?;
    } else if !database_in(dir).exists() {
        return Err(StoreError::Missing(dir.to_owned()));
    }
    lock(dir)
}

/// Takes the folder's lock.
pub(super) fn lock(dir: &Path) -> Result<Lock, StoreError> {
    let told = |error: std::io::Error, attempted| Fault::from(error).told(dir, attempted);
    let path = dir.join("larder.lock");
    let file = make_file(&path).and_then(|()| OpenOptions::new().write(true).open(&path));
    let file = file.map_err(|e| told(e, "open the store's lock file"))?;
    match file.try_lock() {
        Ok(()) => Ok(Lock(file)),
        Err(TryLockError::WouldBlock) => Err(StoreError::InUse(dir.to_owned())),
        Err(TryLockError::Error(e)) => Err(told(e, "lock the store")),
    }
}
