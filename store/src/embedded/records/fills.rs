//! Fills that a keeper wrote down.

use super::row;
use crate::Appended;
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use larder_domain::{FeederId, RecordedFill, Span, Timestamp};
use rusqlite::{Connection, OptionalExtension, Row, params};

pub(super) fn record(db: &Connection, fills: &[RecordedFill]) -> Result<Appended, Fault> {
    let mut appended = Appended::default();
    for fill in fills {
        match one(db, &fill.feeder, fill.time)? {
            Some(known) if known == *fill => {
                appended.repeated += 1;
                continue;
            }
            Some(_) => appended.replaced += 1,
            None => appended.new += 1,
        }
        db.prepare_cached(
            "INSERT OR REPLACE INTO recorded_fill (feeder, time, volume_l, strength)
             VALUES (?1, ?2, ?3, ?4)",
        )?
        .execute(params![
            fill.feeder.as_str(),
            fill.time.0,
            fill.volume_l,
            fill.strength.map(|strength| strength.to_string()),
        ])?;
    }
    Ok(appended)
}

fn one(db: &Connection, feeder: &FeederId, time: Timestamp) -> Result<Option<RecordedFill>, Fault> {
    db.prepare_cached("SELECT * FROM recorded_fill WHERE feeder = ?1 AND time = ?2")?
        .query_row(params![feeder.as_str(), time.0], |row| Ok(read(row)))
        .optional()?
        .transpose()
}

pub(super) fn load(
    db: &Connection,
    feeder: Option<&FeederId>,
    span: Span,
) -> Result<Vec<RecordedFill>, Fault> {
    db.prepare_cached(
        "SELECT * FROM recorded_fill
         WHERE (?1 IS NULL OR feeder = ?1) AND time >= ?2 AND time < ?3 ORDER BY feeder, time",
    )?
    .query_and_then(
        params![feeder.map(FeederId::as_str), span.start.0, span.end.0],
        read,
    )?
    .collect()
}

fn read(row: &Row<'_>) -> Result<RecordedFill, Fault> {
    seal::verify(row, "recorded_fill")?;
    Ok(RecordedFill {
        feeder: row::name(row, "feeder")?,
        time: Timestamp(row.get("time")?),
        volume_l: row.get("volume_l")?,
        strength: row::strength(row)?,
    })
}

pub(super) fn remove(db: &Connection, feeder: &FeederId, time: Timestamp) -> Result<bool, Fault> {
    let removed = db
        .prepare_cached("DELETE FROM recorded_fill WHERE feeder = ?1 AND time = ?2")?
        .execute(params![feeder.as_str(), time.0])?;
    Ok(removed > 0)
}
