//! Flags.

use super::row;
use crate::embedded::fault::Fault;
use larder_domain::{Flag, FlagKind, Severity, Span, Timestamp, YardId};
use rusqlite::{Connection, Row, params};

pub(super) fn replace(
    db: &Connection,
    yard: Option<&YardId>,
    span: Span,
    flags: &[Flag],
) -> Result<(), Fault> {
    db.prepare_cached("DELETE FROM flag WHERE yard IS ?1 AND opened_at >= ?2 AND opened_at < ?3")?
        .execute(params![yard.map(YardId::as_str), span.start.0, span.end.0])?;
    flags.iter().try_for_each(|flag| put(db, flag))
}

fn put(db: &Connection, flag: &Flag) -> Result<(), Fault> {
    db.prepare_cached(
        "INSERT OR REPLACE INTO flag (kind, subject, opened_at, closed_at, yard, hive, feeder,
             device, severity, probability, evidence)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
    )?
    .execute(params![
        flag.kind.name(),
        subject(flag),
        flag.opened_at.0,
        flag.closed_at.map(|at| at.0),
        flag.yard.as_ref().map(|id| id.as_str()),
        flag.hive.as_ref().map(|id| id.as_str()),
        flag.feeder.as_ref().map(|id| id.as_str()),
        flag.device.as_ref().map(|id| id.as_str()),
        flag.severity.name(),
        flag.probability,
        flag.evidence,
    ])?;
    Ok(())
}

/// The most particular of device, feeder, hive and yard, with its kind, as no id contains a space.
fn subject(flag: &Flag) -> String {
    if let Some(device) = &flag.device {
        format!("device {device}")
    } else if let Some(feeder) = &flag.feeder {
        format!("feeder {feeder}")
    } else if let Some(hive) = &flag.hive {
        format!("hive {hive}")
    } else if let Some(yard) = &flag.yard {
        format!("yard {yard}")
    } else {
        String::new()
    }
}

pub(super) fn load(db: &Connection, yard: Option<&YardId>, span: Span) -> Result<Vec<Flag>, Fault> {
    // A flag that closed at the moment when the span starts was not open in it.
    db.prepare_cached(
        "SELECT * FROM flag WHERE (?1 IS NULL OR yard = ?1) AND opened_at < ?3
         AND (closed_at IS NULL OR closed_at > ?2 OR opened_at >= ?2)
         ORDER BY opened_at, kind, subject",
    )?
    .query_and_then(
        params![yard.map(YardId::as_str), span.start.0, span.end.0],
        read,
    )?
    .collect()
}

fn read(row: &Row<'_>) -> Result<Flag, Fault> {
    Ok(Flag {
        kind: row::word(row, "kind", FlagKind::from_name)?,
        yard: row::optional_name(row, "yard")?,
        hive: row::optional_name(row, "hive")?,
        feeder: row::optional_name(row, "feeder")?,
        device: row::optional_name(row, "device")?,
        opened_at: Timestamp(row.get("opened_at")?),
        closed_at: row.get::<_, Option<i64>>("closed_at")?.map(Timestamp),
        severity: row::word(row, "severity", Severity::from_name)?,
        probability: row.get("probability")?,
        evidence: row.get("evidence")?,
    })
}
