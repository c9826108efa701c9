//! The embedded store: one data directory with one SQLite database, nothing else to install.

mod connections;
mod fault;
mod folder;
mod readings;
mod records;
mod schema;

pub use folder::Access;

use crate::StoreError;
use connections::Connections;
use folder::Lock;
use std::path::{Path, PathBuf};

/// Readings and everything else in one data directory.
#[derive(Debug)]
pub struct EmbeddedStore {
    dir: PathBuf,
    connections: Connections,
    /// Held so that no other process writes; `None` where opened to read. Dropped last.
    _lock: Option<Lock>,
}

impl EmbeddedStore {
    /// Opens the store in `dir`. See [`Access`] for who may open what at the same time.
    pub fn open(dir: &Path, access: Access) -> Result<Self, StoreError> {
        match access {
            Access::Create | Access::Existing => {
                let lock = folder::claim(dir, access)?;
                let connections = Connections::open_to_write(dir)?;
                Ok(Self {
                    dir: dir.to_owned(),
                    connections,
                    _lock: Some(lock),
                })
            }
            Access::Read => Self::open_to_read(dir),
        }
    }

    fn open_to_read(dir: &Path) -> Result<Self, StoreError> {
        if !folder::database_in(dir).exists() {
            return Err(StoreError::Missing(dir.to_owned()));
        }
        let connections = match Connections::open_snapshot(dir)? {
            Some(connections) => connections,
            None => {
                drop(Self::open(dir, Access::Existing)?);
                Connections::open_snapshot(dir)?.ok_or_else(|| StoreError::InUse(dir.to_owned()))?
            }
        };
        Ok(Self {
            dir: dir.to_owned(),
            connections,
            _lock: None,
        })
    }

    /// The data directory.
    pub fn dir(&self) -> &Path {
        &self.dir
    }
}
