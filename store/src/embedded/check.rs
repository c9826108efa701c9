//! Reading everything once: what does not match its checksum, does not read, or does not fit together.

use super::fault::Fault;
use super::seal::{self, Sealed};
use super::{Access, Connections, EmbeddedStore, folder, readings, records, repair, schema, wal};
use crate::StoreError;
use rusqlite::{Connection, ErrorCode};
use std::path::Path;

/// Damages named one by one; more are counted only.
const MOST_NAMED: usize = 200;

/// What is wrong with a store.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Damages {
    /// In words, the first few hundred.
    pub named: Vec<String>,
    /// How many more there are.
    pub more: u64,
}

impl Damages {
    /// The store is sound.
    pub fn is_empty(&self) -> bool {
        self.named.is_empty()
    }

    pub(super) fn add(&mut self, what: String) {
        if self.named.contains(&what) {
            return;
        }
        if self.named.len() < MOST_NAMED {
            self.named.push(what);
        } else {
            self.more += 1;
        }
    }

    /// Takes up what is damage; anything else (a full disk, a lock) is handed back.
    pub(super) fn note<T>(&mut self, result: Result<T, Fault>) -> Result<Option<T>, Fault> {
        match result {
            Ok(done) => Ok(Some(done)),
            Err(fault) => {
                self.add(damage(fault)?);
                Ok(None)
            }
        }
    }
}

/// The words for damage; `Err`: it is something else.
pub(super) fn damage(fault: Fault) -> Result<String, Fault> {
    match fault {
        Fault::Damaged(what) => Ok(what),
        Fault::Sqlite(error) => match error.sqlite_error_code() {
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => Ok(error.to_string()),
            // No code of SQLite: a column that has another type or another name.
            None => Ok(format!("a row does not read: {error}")),
            // No such table or column.
            Some(ErrorCode::Unknown) => Ok(error.to_string()),
            _ => Err(Fault::Sqlite(error)),
        },
        other => Err(other),
    }
}

/// Damage apart from everything else.
pub(super) fn damage_or<T>(result: Result<T, Fault>) -> Result<Result<T, String>, Fault> {
    match result {
        Ok(done) => Ok(Ok(done)),
        Err(fault) => damage(fault).map(Err),
    }
}

impl EmbeddedStore {
    /// Reads everything once and compares it with its checksums and summaries.
    pub fn check(&self) -> Result<(), StoreError> {
        let damages = self.connections.read("check the store", look_over)?;
        match damages.named.len() as u64 + damages.more {
            0 => Ok(()),
            n => {
                let first = &damages.named[0];
                let what = match n {
                    1 => first.clone(),
                    n => format!("{first}; and {} more damages", n - 1),
                };
                Err(Fault::Damaged(what).told(self.dir(), "check the store"))
            }
        }
    }

    /// Everything that is wrong with the store in `dir`, also where it is too damaged to be opened.
    pub fn damages(dir: &Path) -> Result<Damages, StoreError> {
        if !folder::database_in(dir).exists() {
            return Err(StoreError::Missing(dir.to_owned()));
        }
        repair::finish_to_read(dir)?;
        let found = wal::refuse_damaged_to_read(dir).and_then(|()| {
            match Connections::open_snapshot(dir)? {
                Some(connections) => Ok(connections),
                None => {
                    // An older version wrote it: it is brought to this one, as far as it reads.
                    match Self::open(dir, Access::Existing) {
                        Ok(_) | Err(StoreError::Damaged { .. }) => {}
                        Err(error) => return Err(error),
                    }
                    Connections::open_snapshot(dir)?
                        .ok_or_else(|| StoreError::InUse(dir.to_owned()))
                }
            }
        });
        match found.and_then(|connections| connections.read("check the store", look_over)) {
            Err(StoreError::Damaged { what, .. }) => Ok(Damages {
                named: vec![what],
                more: 0,
            }),
            looked => looked,
        }
    }
}

/// Reads everything.
pub(super) fn look_over(db: &Connection) -> Result<Damages, Fault> {
    let mut damages = Damages::default();
    // Where the tables are not what they should be, nothing in them can be told.
    if damages.note(schema::compare(db))?.is_none() {
        return Ok(damages);
    }
    let pages = integrity(db, &mut damages);
    damages.note(pages)?;
    for table in seal::TABLES {
        let read = verify_table(db, table, &mut damages);
        let read = read.map_err(|fault| in_table(fault, table));
        damages.note(read)?;
    }
    let read = readings::check_all(db, &mut |what| damages.add(what));
    damages.note(read)?;
    if damages.is_empty() {
        damages.note(records::check_all(db))?;
    }
    Ok(damages)
}

fn in_table(fault: Fault, table: &Sealed) -> Fault {
    match damage(fault) {
        Ok(what) => Fault::Damaged(format!("the table {} does not read: {what}", table.name)),
        Err(fault) => fault,
    }
}

fn integrity(db: &Connection, damages: &mut Damages) -> Result<(), Fault> {
    let mut select = db.prepare("PRAGMA integrity_check")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let found: String = row.get(0)?;
        if found != "ok" {
            damages.add(format!("the file's structure: {found}"));
        }
    }
    Ok(())
}

fn verify_table(db: &Connection, table: &Sealed, damages: &mut Damages) -> Result<(), Fault> {
    let mut select = db.prepare(&format!("SELECT * FROM {}", table.name))?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let verified = seal::verify(row, table.name);
        damages.note(verified)?;
    }
    Ok(())
}
