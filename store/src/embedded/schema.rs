//! The tables, as a list of steps from each schema to the next. A step that was ever released is
//! never changed; a new one is added below it.

use super::fault::Fault;
use crate::StoreError;
use rusqlite::{Connection, TransactionBehavior};
use std::path::Path;

/// Step `n` (counted from 1) leads from schema `n - 1` to schema `n`.
const STEPS: &[&str] = &[
    include_str!("schema/0001.sql"),
    include_str!("schema/0002.sql"),
];

/// The newest schema that this version knows.
pub(super) const KNOWN: i64 = STEPS.len() as i64;

/// The schema of an open database.
pub(super) fn found(db: &Connection) -> Result<i64, Fault> {
    Ok(db.pragma_query_value(None, "user_version", |row| row.get(0))?)
}

/// Brings a database to the newest schema, one step in one transaction each.
pub(super) fn migrate(db: &mut Connection, dir: &Path) -> Result<(), StoreError> {
    let told = |fault: Fault| fault.told(dir, "bring the store to this version");
    let found = found(db).map_err(told)?;
    refuse_newer(found, dir)?;
    for (step, sql) in STEPS.iter().enumerate().skip(found.max(0) as usize) {
        let run = |db: &mut Connection| -> Result<(), Fault> {
            let step_tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            step_tx.execute_batch(sql)?;
            step_tx.pragma_update(None, "user_version", step as i64 + 1)?;
            Ok(step_tx.commit()?)
        };
        run(db).map_err(told)?;
    }
    Ok(())
}

/// A store of a newer version is left alone.
pub(super) fn refuse_newer(found: i64, dir: &Path) -> Result<(), StoreError> {
    if found > KNOWN {
        return Err(StoreError::Newer {
            dir: dir.to_owned(),
            found,
            known: KNOWN,
        });
    }
    Ok(())
}

/// Whether the tables are what this version made: a flipped bit in their description may change what
/// is read from them.
pub(super) fn compare(db: &Connection) -> Result<(), Fault> {
    let fresh = Connection::open_in_memory()?;
    super::seal::register(&fresh)?;
    for sql in STEPS {
        fresh.execute_batch(sql)?;
    }
    if described(db)? != described(&fresh)? {
        return Err(Fault::Damaged(
            "the description of the tables is not the one that was written".into(),
        ));
    }
    Ok(())
}

fn described(db: &Connection) -> Result<Vec<(String, String, String, Option<String>)>, Fault> {
    Ok(db
        .prepare("SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY type, name")?
        .query_map([], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
        })?
        .collect::<Result<_, _>>()?)
}
