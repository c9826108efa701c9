//! The operation's own settings.

use crate::embedded::fault::Fault;
use rusqlite::{Connection, OptionalExtension};

pub(super) fn read(db: &Connection, name: &str) -> Result<Option<String>, Fault> {
    Ok(db
        .prepare_cached("SELECT value FROM setting WHERE name = ?1")?
        .query_row([name], |row| row.get(0))
        .optional()?)
}

pub(super) fn write(db: &Connection, name: &str, value: &str) -> Result<(), Fault> {
    db.prepare_cached("INSERT OR REPLACE INTO setting (name, value) VALUES (?1, ?2)")?
        .execute([name, value])?;
    Ok(())
}
