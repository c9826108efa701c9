//! What people did to flags.

use super::row;
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use larder_domain::{Act, CareEntry, FlagId, Said, Timestamp, Verdict};
use rusqlite::{Connection, Row, params};

/// Most acts kept of one flag: the oldest go. Nobody writes so many notes by hand.
const MOST_ACTS: i64 = 500;

/// Says whether it is new.
pub(super) fn write_down(db: &Connection, id: &FlagId, entry: &CareEntry) -> Result<bool, Fault> {
    let (act, value) = columns(&entry.act);
    let (who, at) = (&entry.said.who, entry.said.at.0);
    let written = db
        .prepare_cached(
            "INSERT INTO flag_care (flag, act, value, who, at) SELECT ?1, ?2, ?3, ?4, ?5
             WHERE NOT EXISTS (SELECT 1 FROM flag_care WHERE flag = ?1 AND act = ?2
                 AND value IS ?3 AND who = ?4 AND at = ?5)",
        )?
        .execute(params![id.as_str(), act, value, who, at])?;
    db.prepare_cached(
        "DELETE FROM flag_care WHERE flag = ?1 AND id NOT IN
             (SELECT id FROM flag_care WHERE flag = ?1 ORDER BY at DESC, id DESC LIMIT ?2)",
    )?
    .execute(params![id.as_str(), MOST_ACTS])?;
    Ok(written > 0)
}

fn columns(act: &Act) -> (&'static str, Option<String>) {
    match act {
        Act::Acknowledge(given) => ("acknowledge", given.then(|| "yes".to_owned())),
        Act::Snooze(until) => ("snooze", until.map(|until| until.0.to_string())),
        Act::Note(text) => ("note", Some(text.clone())),
        Act::Judge(verdict) => ("judge", verdict.map(|verdict| verdict.name().to_owned())),
    }
}

pub(super) fn acts(db: &Connection, id: &FlagId) -> Result<Vec<CareEntry>, Fault> {
    db.prepare_cached("SELECT * FROM flag_care WHERE flag = ?1 ORDER BY id")?
        .query_and_then([id.as_str()], read)?
        .collect()
}

pub(super) fn read(row: &Row<'_>) -> Result<CareEntry, Fault> {
    seal::verify(row, "flag_care")?;
    let value: Option<String> = row.get("value")?;
    let damaged = || Fault::Damaged("an act on a flag does not read".to_owned());
    let act = row::word(row, "act", |word| Some(word.to_owned()))?;
    let act = match (act.as_str(), value) {
        ("acknowledge", value) => Act::Acknowledge(value.is_some()),
        ("snooze", None) => Act::Snooze(None),
        ("snooze", Some(until)) => {
            let until = until.parse().map_err(|_| damaged())?;
            Act::Snooze(Some(Timestamp(until)))
        }
        ("note", Some(text)) => Act::Note(text),
        ("judge", None) => Act::Judge(None),
        ("judge", Some(word)) => Act::Judge(Some(Verdict::from_name(&word).ok_or_else(damaged)?)),
        _ => return Err(damaged()),
    };
    Ok(CareEntry {
        act,
        said: Said {
            who: row.get("who")?,
            at: Timestamp(row.get("at")?),
        },
    })
}
