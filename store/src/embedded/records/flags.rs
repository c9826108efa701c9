//! Flags.

use super::{care, evidence_record, row};
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use larder_domain::{
    Care, CareEntry, Flag, FlagId, FlagKind, KeptFlag, Severity, Span, Timestamp, YardId,
};
use rusqlite::{Connection, OptionalExtension, Row, params};
use std::collections::HashMap;

pub(super) fn keep(db: &Connection, flags: &[KeptFlag]) -> Result<(), Fault> {
    flags.iter().try_for_each(|flag| put(db, flag))
}

fn put(db: &Connection, kept: &KeptFlag) -> Result<(), Fault> {
    let flag = &kept.flag;
    db.prepare_cached(
        "INSERT OR REPLACE INTO flag (id, kind, opened_at, closed_at, known_at, changed_at,
             withdrawn_at, yard, hive, feeder, device, severity, probability, evidence)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)",
    )?
    .execute(params![
        kept.id.as_str(),
        flag.kind.name(),
        flag.opened_at.0,
        flag.closed_at.map(|at| at.0),
        kept.known_at.map(|at| at.0),
        kept.changed_at.0,
        kept.withdrawn_at.map(|at| at.0),
        flag.yard.as_ref().map(|id| id.as_str()),
        flag.hive.as_ref().map(|id| id.as_str()),
        flag.feeder.as_ref().map(|id| id.as_str()),
        flag.device.as_ref().map(|id| id.as_str()),
        flag.severity.name(),
        flag.probability,
        evidence_record::write(&flag.evidence),
    ])?;
    Ok(())
}

pub(super) fn load(
    db: &Connection,
    yard: Option<&YardId>,
    span: Span,
) -> Result<Vec<KeptFlag>, Fault> {
    // A flag that closed at the moment when the span starts was not open in it.
    let chosen = "(?1 IS NULL OR yard = ?1) AND opened_at < ?3
         AND (closed_at IS NULL OR closed_at > ?2 OR opened_at >= ?2)";
    let which = params![yard.map(YardId::as_str), span.start.0, span.end.0];
    let mut acts: HashMap<String, Vec<CareEntry>> = HashMap::new();
    let sql = format!("SELECT c.* FROM flag_care c JOIN flag f ON f.id = c.flag WHERE {chosen}");
    let mut statement = db.prepare_cached(&sql)?;
    let mut rows = statement.query(which)?;
    while let Some(row) = rows.next()? {
        acts.entry(row.get("flag")?)
            .or_default()
            .push(care::read(row)?);
    }
    let sql = format!("SELECT * FROM flag WHERE {chosen} ORDER BY opened_at, kind, id");
    db.prepare_cached(&sql)?
        .query_and_then(which, |row| {
            let kept = read(row)?;
            let acts = acts.remove(kept.id.as_str()).unwrap_or_default();
            Ok(KeptFlag {
                care: Care::of(acts),
                ..kept
            })
        })?
        .collect()
}

pub(super) fn one(db: &Connection, id: &FlagId) -> Result<Option<KeptFlag>, Fault> {
    let found = db
        .prepare_cached("SELECT * FROM flag WHERE id = ?1")?
        .query_row([id.as_str()], |row| Ok(read(row)))
        .optional()?
        .transpose()?;
    let Some(kept) = found else { return Ok(None) };
    let care = Care::of(care::acts(db, id)?);
    Ok(Some(KeptFlag { care, ..kept }))
}

fn read(row: &Row<'_>) -> Result<KeptFlag, Fault> {
    seal::verify(row, "flag")?;
    let time = |column| -> Result<Option<Timestamp>, Fault> {
        Ok(row.get::<_, Option<i64>>(column)?.map(Timestamp))
    };
    Ok(KeptFlag {
        id: row::name(row, "id")?,
        known_at: time("known_at")?,
        changed_at: Timestamp(row.get("changed_at")?),
        withdrawn_at: time("withdrawn_at")?,
        care: Care::default(),
        flag: Flag {
            kind: row::word(row, "kind", FlagKind::from_name)?,
            yard: row::optional_name(row, "yard")?,
            hive: row::optional_name(row, "hive")?,
            feeder: row::optional_name(row, "feeder")?,
            device: row::optional_name(row, "device")?,
            opened_at: Timestamp(row.get("opened_at")?),
            closed_at: time("closed_at")?,
            severity: row::word(row, "severity", Severity::from_name)?,
            probability: row.get("probability")?,
            evidence: evidence_record::read(&row.get::<_, String>("evidence")?)?,
        },
    })
}
