//! What can go wrong in a store, told apart only where someone acts differently.

use std::path::PathBuf;

/// Why a store could not do what it was asked to. Nothing is lost by any of these.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Another process holds the store.
    #[error("the store in {} is in use by another process; stop that one first, or give another --data", .0.display())]
    InUse(PathBuf),
    /// A newer version wrote it.
    #[error("the store in {} was written by a newer version (schema {found}, this one knows {known}); use that version or a newer one", dir.display())]
    Newer {
        /// Where it is.
        dir: PathBuf,
        /// The schema found there.
        found: i64,
        /// The newest schema that this version knows.
        known: i64,
    },
    /// The folder or its files can't be written.
    #[error("the store in {} cannot be written; check the folder's owner and permissions, and that the disk is not mounted read-only", .0.display())]
    ReadOnly(PathBuf),
    /// No room left.
    #[error("the disk that holds the store in {} is full; free some space: nothing acknowledged is lost", .0.display())]
    Full(PathBuf),
    /// There is no store here.
    #[error("there is no store in {}; start `larder serve` or import something first", .0.display())]
    Missing(PathBuf),
    /// The file is damaged.
    #[error("the store in {} is damaged: {what}; restore a backup, or let `larder check --repair` save what can be read", dir.display())]
    Damaged {
        /// Where it is.
        dir: PathBuf,
        /// What was found.
        what: String,
    },
    /// A server that keeps the readings does not answer, for now.
    #[error("the readings' store is unavailable: {0}")]
    Unavailable(String),
    /// The readings of this data directory are in another place than was said.
    #[error("{0}")]
    Elsewhere(String),
    /// Anything else.
    #[error("{attempted}")]
    Other {
        /// What was attempted.
        attempted: String,
        /// Why it failed.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}
