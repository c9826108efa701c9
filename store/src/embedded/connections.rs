//! The connections to the database: one that writes, a few that read, each call in one transaction.

use super::fault::Fault;
use super::folder::{self, Durability, database_in};
use super::schema;
use super::seal;
use crate::StoreError;
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::Duration;

/// Connections for reading that are kept open between calls. When more calls run at once the
/// surplus ones open their own and close it again.
const KEPT_READERS: usize = 8;

/// How long to wait for a lock that another process (a backup tool, a database shell) holds.
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);

/// Prepared statements kept by each connection: more than there are in this crate.
const KEPT_STATEMENTS: usize = 64;

#[derive(Debug)]
pub(super) struct Connections {
    /// Told in errors.
    dir: PathBuf,
    /// Closed before the writer: the last connection to close empties the write-ahead log, and one
    /// that only reads could not.
    readers: Readers,
    /// The one that writes; `None` where the store was opened to read.
    writer: Option<Mutex<Connection>>,
}

#[derive(Debug)]
enum Readers {
    /// Any number, each seeing what is committed when its call starts.
    Fresh(Mutex<Vec<Connection>>),
    /// One, held in the transaction in which it was opened.
    Snapshot(Mutex<Connection>),
}

impl Connections {
    /// Opens to read and write, and brings the tables to this version. The caller holds the lock.
    pub(super) fn open_to_write(dir: &Path, durability: Durability) -> Result<Self, StoreError> {
        let told = |fault: Fault| match fault {
            Fault::Sqlite(e) if cannot_open(&e) => StoreError::ReadOnly(dir.to_owned()),
            fault => fault.told(dir, "open the store"),
        };
        let mut writer = open_writer(&database_in(dir), durability).map_err(told)?;
        schema::migrate(&mut writer, dir)?;
        Ok(Self {
            dir: dir.to_owned(),
            writer: Some(Mutex::new(writer)),
            readers: Readers::Fresh(Mutex::default()),
        })
    }

    /// Opens to write beside the process that holds the lock; the tables must be as they are known
    /// here.
    pub(super) fn open_beside(dir: &Path) -> Result<Self, StoreError> {
        let told = |fault: Fault| fault.told(dir, "open the store beside a running service");
        let writer = open_writer(&database_in(dir), Durability::default()).map_err(told)?;
        let found = schema::found(&writer).map_err(told)?;
        schema::refuse_newer(found, dir)?;
        if found < schema::KNOWN {
            return Err(StoreError::InUse(dir.to_owned()));
        }
        schema::compare(&writer).map_err(told)?;
        Ok(Self {
            dir: dir.to_owned(),
            writer: Some(Mutex::new(writer)),
            readers: Readers::Fresh(Mutex::default()),
        })
    }

    /// Opens to read what is committed now. `Ok(None)`: an older version wrote it, and it must be
    /// brought to this version first.
    pub(super) fn open_snapshot(dir: &Path) -> Result<Option<Self>, StoreError> {
        let told = |fault: Fault| match fault {
            Fault::Sqlite(e) if cannot_open(&e) => StoreError::ReadOnly(dir.to_owned()),
            fault => fault.told(dir, "open the store for reading"),
        };
        let (reader, found) = begin_snapshot(&database_in(dir)).map_err(told)?;
        schema::refuse_newer(found, dir)?;
        if found == schema::KNOWN {
            schema::compare(&reader).map_err(told)?;
        }
        Ok((found == schema::KNOWN).then(|| Self {
            dir: dir.to_owned(),
            writer: None,
            readers: Readers::Snapshot(Mutex::new(reader)),
        }))
    }

    /// Runs `work` in one reading transaction.
    pub(super) fn read<T>(
        &self,
        attempted: &str,
        work: impl FnOnce(&Connection) -> Result<T, Fault>,
    ) -> Result<T, StoreError> {
        self.try_read(work)
            .map_err(|fault| fault.told(&self.dir, attempted))
    }

    fn try_read<T>(&self, work: impl FnOnce(&Connection) -> Result<T, Fault>) -> Result<T, Fault> {
        match &self.readers {
            Readers::Snapshot(reader) => work(&*reader.lock().map_err(|_| Fault::Poisoned)?),
            Readers::Fresh(kept) => {
                let reader = kept.lock().map_err(|_| Fault::Poisoned)?.pop();
                let reader = match reader {
                    Some(reader) => reader,
                    None => open_reader(&database_in(&self.dir))?,
                };
                let done = {
                    let at_one_moment = reader.unchecked_transaction()?;
                    work(&at_one_moment)?
                };
                let mut kept = kept.lock().map_err(|_| Fault::Poisoned)?;
                if kept.len() < KEPT_READERS {
                    kept.push(reader);
                }
                Ok(done)
            }
        }
    }

    /// Runs `work` in one writing transaction. It is on disk when this returns `Ok`, and has left
    /// no trace when it returns `Err`.
    pub(super) fn write<T>(
        &self,
        attempted: &str,
        work: impl FnOnce(&Transaction<'_>) -> Result<T, Fault>,
    ) -> Result<T, StoreError> {
        self.with_writer(attempted, |db| {
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let done = work(&tx)?;
            tx.commit()?;
            Ok(done)
        })
    }

    /// Runs `work` with the writing connection to itself.
    pub(super) fn with_writer<T>(
        &self,
        attempted: &str,
        work: impl FnOnce(&mut Connection) -> Result<T, Fault>,
    ) -> Result<T, StoreError> {
        let run = || {
            let message = "the store was opened for reading only";
            let opened_to_read = || Fault::Io(std::io::Error::other(message));
            let writer = self.writer.as_ref().ok_or_else(opened_to_read)?;
            work(&mut *writer.lock().map_err(|_| Fault::Poisoned)?)
        };
        run().map_err(|fault: Fault| fault.told(&self.dir, attempted))
    }
}

pub(super) fn open_writer(file: &Path, durability: Durability) -> Result<Connection, Fault> {
    folder::make_file(file)?;
    let db = Connection::open_with_flags(
        file,
        OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    prepare(&db)?;
    db.pragma_update(None, "journal_mode", "wal")?;
    let synchronous = match durability {
        Durability::PowerCut => "full",
        Durability::ProcessEnd => "normal",
    };
    db.pragma_update(None, "synchronous", synchronous)?;
    db.pragma_update(None, "wal_autocheckpoint", 8000)?;
    db.pragma_update(None, "journal_size_limit", 64 << 20)?;
    Ok(db)
}

pub(super) fn open_reader(file: &Path) -> Result<Connection, Fault> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(file, flags)?;
    prepare(&db)?;
    Ok(db)
}

pub(super) fn prepare(db: &Connection) -> Result<(), Fault> {
    seal::register(db)?;
    db.busy_timeout(BUSY_TIMEOUT)?;
    db.set_prepared_statement_cache_capacity(KEPT_STATEMENTS);
    Ok(())
}

/// A reading connection inside a transaction, and the schema that it sees.
fn begin_snapshot(file: &Path) -> Result<(Connection, i64), Fault> {
    let db = open_on_any_medium(file)?;
    db.execute_batch("BEGIN")?;
    let found = schema::found(&db)?;
    Ok((db, found))
}

/// A reading connection. On a medium that cannot be written SQLite cannot make its shared memory
/// file; the database is then read as it lies there, which is right as long as no log stands
/// beside it.
pub(super) fn open_on_any_medium(file: &Path) -> Result<Connection, Fault> {
    let try_out = |db: Connection| -> Result<Connection, Fault> {
        schema::found(&db)?;
        Ok(db)
    };
    match open_reader(file).and_then(try_out) {
        Err(Fault::Sqlite(e)) if cannot_open(&e) && !has_log(file) => {
            let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
                | OpenFlags::SQLITE_OPEN_NO_MUTEX
                | OpenFlags::SQLITE_OPEN_URI;
            try_out(Connection::open_with_flags(immutable_uri(file), flags)?)
        }
        opened => opened,
    }
}

fn cannot_open(error: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode::{CannotOpen, ReadOnly};
    matches!(error.sqlite_error_code(), Some(CannotOpen | ReadOnly))
}

fn has_log(file: &Path) -> bool {
    let mut log = file.as_os_str().to_owned();
    log.push("-wal");
    std::fs::metadata(log).is_ok_and(|log| log.len() > 0)
}

fn immutable_uri(file: &Path) -> String {
    let path = file.to_string_lossy();
    let escaped = path
        .replace('%', "%25")
        .replace('?', "%3f")
        .replace('#', "%23");
    format!("file:{escaped}?immutable=1")
}
