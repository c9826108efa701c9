//! The operation's own settings.

use crate::embedded::fault::Fault;
use crate::embedded::seal;
use rusqlite::Connection;

pub(super) fn read(db: &Connection, name: &str) -> Result<Option<String>, Fault> {
    db.prepare_cached("SELECT * FROM setting WHERE name = ?1")?
        .query_and_then([name], |row| {
            seal::verify(row, "setting")?;
            Ok(row.get("value")?)
        })?
        .next()
        .transpose()
}

pub(super) fn write(db: &Connection, name: &str, value: &str) -> Result<(), Fault> {
    db.prepare_cached("INSERT OR REPLACE INTO setting (name, value) VALUES (?1, ?2)")?
        .execute([name, value])?;
    Ok(())
}
