//! From SQLite's many codes to the few errors that someone acts on.

use crate::StoreError;
use rusqlite::ErrorCode;
use std::io;
use std::path::Path;

/// What went wrong inside the embedded store, before it is known to the outside.
#[derive(Debug)]
pub(super) enum Fault {
    /// SQLite says so.
    Sqlite(rusqlite::Error),
    /// The system says so.
    Io(io::Error),
    /// Something stored does not read; what, as words.
    Damaged(String),
    /// A thread panicked while it held the writer, so memory and disk may differ.
    Poisoned,
}

impl From<rusqlite::Error> for Fault {
    fn from(error: rusqlite::Error) -> Self {
        Self::Sqlite(error)
    }
}

impl From<io::Error> for Fault {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

/// SQLite could not lengthen its shared memory file: on a full disk it says so by this code.
const IOERR_SHMSIZE: i32 = rusqlite::ffi::SQLITE_IOERR_SHMSIZE;

impl Fault {
    /// The error for the outside. `attempted` says what was tried, as `read the apiary`.
    pub(super) fn told(self, dir: &Path, attempted: &str) -> StoreError {
        let other = |source: Box<dyn std::error::Error + Send + Sync>| StoreError::Other {
            attempted: format!("could not {attempted}"),
            source,
        };
        match self {
            Self::Damaged(what) => StoreError::Damaged {
                dir: dir.to_owned(),
                what,
            },
            Self::Io(error) => match error.kind() {
                io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                    StoreError::Full(dir.to_owned())
                }
                io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
                    StoreError::ReadOnly(dir.to_owned())
                }
                _ => other(error.into()),
            },
            Self::Poisoned => other("an earlier failure left the store in doubt; restart".into()),
            Self::Sqlite(error) => {
                let extended = error.sqlite_extended_error_code();
                match error.sqlite_error_code() {
                    Some(ErrorCode::DiskFull) => StoreError::Full(dir.to_owned()),
                    Some(ErrorCode::SystemIoFailure) if extended == Some(IOERR_SHMSIZE) => {
                        StoreError::Full(dir.to_owned())
                    }
                    Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => {
                        StoreError::ReadOnly(dir.to_owned())
                    }
                    Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
                        StoreError::InUse(dir.to_owned())
                    }
                    Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
                        StoreError::Damaged {
                            dir: dir.to_owned(),
                            what: error.to_string(),
                        }
                    }
                    _ => other(error.into()),
                }
            }
        }
    }
}
