//! What was learned of instruments.

use super::row;
use crate::ResultsPatch;
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use larder_domain::{DeviceId, Learned, Timestamp, Trait};
use larder_syrup::Estimate;
use rusqlite::{Connection, Row, params};

pub(super) fn replace(db: &Connection, patch: &ResultsPatch) -> Result<(), Fault> {
    if let Some((from, to)) = patch.dates {
        let mut forget =
            db.prepare_cached("DELETE FROM learned WHERE hive = ?1 AND date BETWEEN ?2 AND ?3")?;
        for hive in &patch.hives {
            forget.execute(params![hive.as_str(), from.to_string(), to.to_string()])?;
        }
    }
    let mut put = db.prepare_cached(
        "INSERT OR REPLACE INTO learned (hive, device, channel, trait, date, since, value, lo, hi, sum)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9,
             row_sum('learned', ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9))",
    )?;
    for learned in &patch.learned {
        put.execute(params![
            learned.hive.as_str(),
            learned.source.device.as_str(),
            learned.source.channel.as_str(),
            learned.what.name(),
            learned.date.to_string(),
            learned.since.0,
            learned.value.value,
            learned.value.lo,
            learned.value.hi,
        ])?;
    }
    Ok(())
}

pub(super) fn of(db: &Connection, device: &DeviceId) -> Result<Vec<Learned>, Fault> {
    db.prepare_cached(
        "SELECT * FROM learned WHERE device = ?1 ORDER BY channel, date, since, trait",
    )?
    .query_and_then(params![device.as_str()], read)?
    .collect()
}

/// The newest of each channel and trait.
pub(super) fn newest(db: &Connection) -> Result<Vec<Learned>, Fault> {
    db.prepare_cached(
        "SELECT * FROM (SELECT *, row_number() OVER
             (PARTITION BY device, channel, trait ORDER BY date DESC, since DESC) AS age FROM learned)
         WHERE age = 1 ORDER BY device, channel, trait",
    )?
    .query_and_then([], read)?
    .collect()
}

fn read(row: &Row<'_>) -> Result<Learned, Fault> {
    seal::verify(row, "learned")?;
    Ok(Learned {
        hive: row::name(row, "hive")?,
        source: row::series(row)?,
        what: row::word(row, "trait", Trait::from_name)?,
        date: row::date(row, "date")?,
        since: Timestamp(row.get("since")?),
        value: Estimate {
            value: row.get("value")?,
            lo: row.get("lo")?,
            hi: row.get("hi")?,
        },
    })
}
