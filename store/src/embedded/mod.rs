//! The embedded store: one data directory with one SQLite database, nothing else to install.

mod backup;
mod check;
mod connections;
mod desk;
mod fault;
mod folder;
pub(crate) mod readings;
mod records;
mod repair;
mod salvage;
mod schema;
mod seal;
#[cfg(test)]
mod trouble;
mod wal;

pub use check::Damages;
pub use desk::Desk;
pub use folder::{Access, Durability};
pub use repair::Repaired;

use crate::StoreError;
use connections::Connections;
use fault::Fault;
use folder::Lock;
use larder_domain::Apiary;
use readings::Memory;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, RwLock};

/// Readings and everything else in one data directory.
pub struct EmbeddedStore {
    dir: PathBuf,
    connections: Connections,
    /// What of the readings is not (only) on disk. Whoever takes both takes the writing
    /// connection first.
    memory: RwLock<Memory>,
    /// The apiary as it was last read, and its revision then: it is asked for more often than it
    /// changes, and reading it takes long where there are many hives.
    apiary: Mutex<Option<(i64, Apiary)>>,
    /// What devices said that is not written yet.
    heard: Mutex<records::LastSeen>,
    /// Held so that no other process writes; `None` where opened to read. Dropped last.
    _lock: Option<Lock>,
}

impl EmbeddedStore {
    /// Opens the store in `dir`, with commits that outlive a power cut. See [`Access`] for who may
    /// open what at the same time.
    pub fn open(dir: &Path, access: Access) -> Result<Self, StoreError> {
        Self::open_with(dir, access, Durability::default())
    }

    /// Opens the store in `dir`. `durability` matters to writers only.
    pub fn open_with(
        dir: &Path,
        access: Access,
        durability: Durability,
    ) -> Result<Self, StoreError> {
        match access {
            Access::Create | Access::Existing => {
                let lock = folder::claim(dir, access)?;
                repair::finish(dir).map_err(|e| Fault::from(e).told(dir, "finish a repair"))?;
                wal::refuse_damaged(dir)?;
                Self::over(
                    dir,
                    Connections::open_to_write(dir, durability)?,
                    Some(lock),
                )
            }
            Access::Read => Self::open_to_read(dir),
        }
    }

    fn open_to_read(dir: &Path) -> Result<Self, StoreError> {
        if !folder::database_in(dir).exists() {
            return Err(StoreError::Missing(dir.to_owned()));
        }
        repair::finish_to_read(dir)?;
        wal::refuse_damaged_to_read(dir)?;
        let connections = match Connections::open_snapshot(dir)? {
            Some(connections) => connections,
            None => {
                drop(Self::open(dir, Access::Existing)?);
                Connections::open_snapshot(dir)?.ok_or_else(|| StoreError::InUse(dir.to_owned()))?
            }
        };
        Self::over(dir, connections, None)
    }

    fn over(dir: &Path, connections: Connections, lock: Option<Lock>) -> Result<Self, StoreError> {
        let memory = connections.read("read the log", Memory::load)?;
        Ok(Self {
            dir: dir.to_owned(),
            connections,
            memory: RwLock::new(memory),
            apiary: Mutex::default(),
            heard: Mutex::default(),
            _lock: lock,
        })
    }

    /// The data directory.
    pub fn dir(&self) -> &Path {
        &self.dir
    }
}

impl Drop for EmbeddedStore {
    fn drop(&mut self) {
        if let Err(error) = self.write_heard() {
            tracing::warn!(%error, "when devices were last heard is not written down");
        }
    }
}

impl std::fmt::Debug for EmbeddedStore {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("EmbeddedStore")
            .field("dir", &self.dir)
            .finish_non_exhaustive()
    }
}
