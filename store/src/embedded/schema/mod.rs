//! The tables, as a list of steps from each schema to the next. A step that was ever released is
//! never changed; a new one is added below it.

use super::fault::Fault;
use super::seal::{self, Cell};
use crate::StoreError;
use rusqlite::{Connection, TransactionBehavior};
use std::path::Path;
use std::sync::OnceLock;

/// Step `n` (counted from 1) leads from schema `n - 1` to schema `n`.
const STEPS: &[&str] = &[
    include_str!("0001.sql"),
    include_str!("0002.sql"),
    include_str!("0003.sql"),
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
    compare(db).map_err(told)
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
    static RIGHT: OnceLock<Vec<Described>> = OnceLock::new();
    let right = match RIGHT.get() {
        Some(right) => right,
        None => {
            let right = described(&fresh()?)?;
            RIGHT.get_or_init(|| right)
        }
    };
    // What someone added (statistics, an index of their own) does no harm.
    let found = described(db)?;
    if !right.iter().all(|one| found.contains(one)) {
        return Err(Fault::Damaged(
            "the description of the tables is not the one that was written".into(),
        ));
    }
    Ok(())
}

fn fresh() -> Result<Connection, Fault> {
    let fresh = Connection::open_in_memory()?;
    seal::register(&fresh)?;
    for sql in STEPS {
        fresh.execute_batch(sql)?;
    }
    Ok(fresh)
}

/// Writes the description of the tables anew where it is damaged, as far as it says which is which. The
/// database must be opened again afterwards.
pub(super) fn describe_again(db: &Connection) -> Result<(), Fault> {
    // Lets SQLite open what it cannot parse.
    db.pragma_update(None, "writable_schema", true)?;
    let mut wanted = described(&fresh()?)?;
    let mut select = db.prepare("SELECT rowid, name, sql FROM sqlite_schema ORDER BY rowid")?;
    let mut rows = select.query([])?;
    let mut unknown = Vec::new();
    while let Some(row) = rows.next()? {
        let cells = Cell::row(row)?;
        let text = |i: usize| match cells.get(i) {
            Some(Cell::Text(text)) => String::from_utf8(text.clone()).ok(),
            _ => None,
        };
        let (name, sql) = (text(1), text(2));
        let known = wanted
            .iter()
            .position(|one| Some(&one.1) == name.as_ref())
            .or_else(|| wanted.iter().position(|one| sql.is_some() && one.3 == sql));
        match known {
            Some(known) => put_description(db, row.get(0)?, &wanted.swap_remove(known))?,
            None => unknown.push(row.get(0)?),
        }
    }
    match (&unknown[..], &wanted[..]) {
        ([], []) => Ok(()),
        ([one], [left]) => put_description(db, *one, left),
        _ => Err(Fault::Damaged("the list of tables does not read".into())),
    }
}

fn put_description(db: &Connection, id: i64, of: &Described) -> Result<(), Fault> {
    let (kind, name, table, sql) = of;
    db.execute(
        "UPDATE sqlite_schema SET type = ?2, name = ?3, tbl_name = ?4, sql = ?5 WHERE rowid = ?1",
        rusqlite::params![id, kind, name, table, sql],
    )?;
    Ok(())
}

/// Type, name, table and SQL.
type Described = (String, String, String, Option<String>);

fn described(db: &Connection) -> Result<Vec<Described>, Fault> {
    Ok(db
        .prepare("SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY type, name")?
        .query_map([], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
        })?
        .collect::<Result<_, _>>()?)
}
