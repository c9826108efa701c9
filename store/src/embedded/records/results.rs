//! Daily results and fill events.

use super::row;
use crate::ResultsPatch;
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use chrono::NaiveDate;
use larder_domain::{
    FeederId, FillEvent, FillSource, HiveId, Span, Timestamp, UptakeDay, WeightDay, WeightQuality,
};
use larder_syrup::Estimate;
use rusqlite::{Connection, Row, params};

pub(super) fn replace(db: &Connection, patch: &ResultsPatch) -> Result<(), Fault> {
    if let Some((from, to)) = patch.dates {
        let (from, to) = (from.to_string(), to.to_string());
        let mut forget =
            db.prepare_cached("DELETE FROM uptake WHERE feeder = ?1 AND date BETWEEN ?2 AND ?3")?;
        for feeder in &patch.feeders {
            forget.execute(params![feeder.as_str(), from, to])?;
        }
        let mut forget =
            db.prepare_cached("DELETE FROM weight WHERE hive = ?1 AND date BETWEEN ?2 AND ?3")?;
        for hive in &patch.hives {
            forget.execute(params![hive.as_str(), from, to])?;
        }
    }
    if let Some(span) = patch.fills_span {
        let mut forget = db.prepare_cached(
            "DELETE FROM fill_event WHERE feeder = ?1 AND time >= ?2 AND time < ?3",
        )?;
        for feeder in &patch.feeders {
            forget.execute(params![feeder.as_str(), span.start.0, span.end.0])?;
        }
    }
    patch
        .uptake
        .iter()
        .try_for_each(|day| put_uptake(db, day))?;
    patch
        .weight
        .iter()
        .try_for_each(|day| put_weight(db, day))?;
    patch.fills.iter().try_for_each(|fill| put_fill(db, fill))
}

/// An estimate's three columns.
fn columns(estimate: Option<Estimate>) -> [Option<f64>; 3] {
    estimate.map_or([None; 3], |e| [Some(e.value), Some(e.lo), Some(e.hi)])
}

fn put_uptake(db: &Connection, day: &UptakeDay) -> Result<(), Fault> {
    let ([taken, taken_lo, taken_hi], [left, left_lo, left_hi]) =
        (columns(day.uptake_l), columns(day.remaining_l));
    db.prepare_cached(
        "INSERT OR REPLACE INTO uptake (feeder, date, uptake_l, uptake_lo_l, uptake_hi_l,
             remaining_l, remaining_lo_l, remaining_hi_l, sugar_kg, sensed_share, sum)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10,
             row_sum('uptake', ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10))",
    )?
    .execute(params![
        day.feeder.as_str(),
        day.date.to_string(),
        taken,
        taken_lo,
        taken_hi,
        left,
        left_lo,
        left_hi,
        day.sugar_kg,
        day.sensed_share,
    ])?;
    Ok(())
}

fn put_weight(db: &Connection, day: &WeightDay) -> Result<(), Fault> {
    let ([weight, weight_lo, weight_hi], [net, net_lo, net_hi]) =
        (columns(day.weight_kg), columns(day.net_change_kg));
    db.prepare_cached(
        "INSERT OR REPLACE INTO weight (hive, date, weight_kg, weight_lo_kg, weight_hi_kg,
             net_change_kg, net_change_lo_kg, net_change_hi_kg, handling_kg, quality, sum)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10,
             row_sum('weight', ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10))",
    )?
    .execute(params![
        day.hive.as_str(),
        day.date.to_string(),
        weight,
        weight_lo,
        weight_hi,
        net,
        net_lo,
        net_hi,
        day.handling_kg,
        day.quality.name(),
    ])?;
    Ok(())
}

fn put_fill(db: &Connection, fill: &FillEvent) -> Result<(), Fault> {
    let [volume, volume_lo, volume_hi] = columns(fill.volume_l);
    db.prepare_cached(
        "INSERT OR REPLACE INTO fill_event (feeder, time, volume_l, volume_lo_l, volume_hi_l,
             strength, source)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?
    .execute(params![
        fill.feeder.as_str(),
        fill.time.0,
        volume,
        volume_lo,
        volume_hi,
        fill.strength.map(|strength| strength.to_string()),
        fill.source.name(),
    ])?;
    Ok(())
}

pub(super) fn uptake(
    db: &Connection,
    feeders: &[FeederId],
    from: Option<NaiveDate>,
    to: Option<NaiveDate>,
) -> Result<Vec<UptakeDay>, Fault> {
    let feeders = list(feeders.iter().map(FeederId::as_str));
    db.prepare_cached(
        "SELECT * FROM uptake WHERE feeder IN (SELECT value FROM json_each(?1))
         AND date >= coalesce(?2, date) AND date <= coalesce(?3, date) ORDER BY date, feeder",
    )?
    .query_and_then(params![feeders, text(from), text(to)], read_uptake)?
    .collect()
}

pub(super) fn weight(
    db: &Connection,
    hives: &[HiveId],
    from: Option<NaiveDate>,
    to: Option<NaiveDate>,
) -> Result<Vec<WeightDay>, Fault> {
    let hives = list(hives.iter().map(HiveId::as_str));
    db.prepare_cached(
        "SELECT * FROM weight WHERE hive IN (SELECT value FROM json_each(?1))
         AND date >= coalesce(?2, date) AND date <= coalesce(?3, date) ORDER BY date, hive",
    )?
    .query_and_then(params![hives, text(from), text(to)], read_weight)?
    .collect()
}

pub(super) fn fill_events(
    db: &Connection,
    feeders: &[FeederId],
    span: Span,
) -> Result<Vec<FillEvent>, Fault> {
    let feeders = list(feeders.iter().map(FeederId::as_str));
    db.prepare_cached(
        "SELECT * FROM fill_event WHERE feeder IN (SELECT value FROM json_each(?1))
         AND time >= ?2 AND time < ?3 ORDER BY feeder, time",
    )?
    .query_and_then(params![feeders, span.start.0, span.end.0], read_fill)?
    .collect()
}

/// Names as a JSON array: one bound value for a list of any length.
fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    serde_json::Value::from_iter(names).to_string()
}

fn text(date: Option<NaiveDate>) -> Option<String> {
    date.map(|date| date.to_string())
}

fn read_uptake(row: &Row<'_>) -> Result<UptakeDay, Fault> {
    seal::verify(row, "uptake")?;
    Ok(UptakeDay {
        date: row::date(row, "date")?,
        feeder: row::name(row, "feeder")?,
        uptake_l: row::estimate(row, ["uptake_l", "uptake_lo_l", "uptake_hi_l"])?,
        remaining_l: row::estimate(row, ["remaining_l", "remaining_lo_l", "remaining_hi_l"])?,
        sugar_kg: row.get("sugar_kg")?,
        sensed_share: row.get("sensed_share")?,
    })
}

fn read_weight(row: &Row<'_>) -> Result<WeightDay, Fault> {
    seal::verify(row, "weight")?;
    Ok(WeightDay {
        date: row::date(row, "date")?,
        hive: row::name(row, "hive")?,
        weight_kg: row::estimate(row, ["weight_kg", "weight_lo_kg", "weight_hi_kg"])?,
        net_change_kg: row::estimate(
            row,
            ["net_change_kg", "net_change_lo_kg", "net_change_hi_kg"],
        )?,
        handling_kg: row.get("handling_kg")?,
        quality: row::word(row, "quality", |word| {
            use WeightQuality::{Good, Missing, Poor};
            [Good, Poor, Missing]
                .into_iter()
                .find(|quality| quality.name() == word)
        })?,
    })
}

fn read_fill(row: &Row<'_>) -> Result<FillEvent, Fault> {
    seal::verify(row, "fill_event")?;
    Ok(FillEvent {
        feeder: row::name(row, "feeder")?,
        time: Timestamp(row.get("time")?),
        volume_l: row::estimate(row, ["volume_l", "volume_lo_l", "volume_hi_l"])?,
        strength: row::strength(row)?,
        source: row::word(row, "source", |word| {
            use FillSource::{Both, Detected, Recorded};
            [Recorded, Detected, Both]
                .into_iter()
                .find(|source| source.name() == word)
        })?,
    })
}
