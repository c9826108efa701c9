//! Readings out of a damaged store.

use super::block;
use super::blocks::{self, Names};
use super::day::{Day, SeriesId};
use super::memory::{self, Memory};
use super::{hot, put_change};
use crate::Change;
use crate::embedded::check;
use crate::embedded::fault::Fault;
use crate::embedded::records::row;
use larder_domain::{Sample, Span};
use rusqlite::{Connection, Row};
use std::collections::BTreeMap;

/// Hands each row of a table that reads to the second.
type Walk<'a> =
    &'a mut dyn FnMut(&str, &mut dyn FnMut(&Row<'_>) -> Result<(), Fault>) -> Result<(), Fault>;

/// Puts what verifies of days and log into `target`, which has the series already.
pub(in crate::embedded) fn save(
    target: &Connection,
    walk: Walk<'_>,
    mended: &mut dyn FnMut(String),
    gone: &mut dyn FnMut(String),
) -> Result<(), Fault> {
    let names = names(target)?;
    walk("block", &mut |row| {
        let id: i64 = row.get(0)?;
        let (day, series) = Day::of_block(id);
        let name = blocks::day_of(&names, series, day);
        let bytes = row
            .get_ref("readings")
            .map(|value| value.as_blob().unwrap_or_default());
        let samples = match bytes
            .map_err(Fault::from)
            .and_then(|bytes| block::decode(bytes, id))
        {
            Ok(samples) if in_order(&samples) => samples,
            Ok(_) => {
                gone(format!("{name}: they are out of order"));
                return Ok(());
            }
            Err(fault) => {
                gone(format!("{name}: {}", check::damage(fault)?));
                return Ok(());
            }
        };
        if !names.contains_key(&series) {
            gone(format!("{name}: {} readings", samples.len()));
            return Ok(());
        }
        if !blocks::summary_fits(row, day, &samples) {
            mended(format!("{name}: the day's summary"));
        }
        blocks::store(target, series, day, &samples)
    })?;
    walk("hot", &mut |row| {
        let id: i64 = row.get(0)?;
        let bytes = row.get_ref(1)?.as_blob().unwrap_or_default();
        save_row(target, &names, id, bytes, gone)
    })?;
    if !super::replication::is_leaving(target)? {
        target.execute(
            "UPDATE series SET first_time = NULL, last_time = NULL, last_bits = NULL",
            [],
        )?;
        for (id, extent) in blocks::extents(target)? {
            super::replication::put_extent(target, id, extent)?;
        }
    }
    Ok(())
}

/// Rows of the log from behind damage, by their number. Says how many of them are in now, and how many are
/// missing before the last of them: rows are numbered without gaps.
pub(in crate::embedded) fn save_behind(
    target: &Connection,
    rows: &BTreeMap<i64, Vec<u8>>,
) -> Result<(u64, u64), Fault> {
    let names = names(target)?;
    let last: Option<i64> = target.query_row("SELECT max(id) FROM hot", [], |row| row.get(0))?;
    let last = last
        .unwrap_or(0)
        .max(memory::position(target, memory::COMPACTED)?)
        .max(memory::position(target, memory::SETTLED)?);
    let (mut saved, mut newest) = (0, last);
    for (&id, bytes) in rows.range(last.saturating_add(1)..) {
        let mut lost = false;
        save_row(target, &names, id, bytes, &mut |_| lost = true)?;
        if !lost {
            saved += 1;
            newest = id;
        }
    }
    let missing = (newest - last).unsigned_abs().saturating_sub(saved);
    Ok((saved, missing))
}

/// Whether days are as blocks keep them.
fn in_order(samples: &[Sample]) -> bool {
    !samples.is_empty() && samples.windows(2).all(|pair| pair[0].time < pair[1].time)
}

/// One row of the log, without series that are not known.
fn save_row(
    target: &Connection,
    names: &Names,
    id: i64,
    bytes: &[u8],
    gone: &mut dyn FnMut(String),
) -> Result<(), Fault> {
    let (mut entries, mut strays) = (Vec::new(), 0_usize);
    let decoded = hot::decode(bytes, id, |series, samples| {
        if names.contains_key(&series) {
            entries.extend(samples.iter().map(|sample| (series, *sample)));
        } else {
            strays += samples.len();
        }
        Ok(())
    });
    if let Err(fault) = decoded {
        gone(format!(
            "one delivery of readings (row {id} of the log): {}",
            check::damage(fault)?
        ));
        return Ok(());
    }
    if strays > 0 {
        gone(format!(
            "{strays} readings of unknown series in row {id} of the log"
        ));
    }
    let known: Option<i64> =
        target.query_row("SELECT max(id) FROM hot WHERE id = ?1", [id], |row| {
            row.get(0)
        })?;
    if known.is_none() && !entries.is_empty() {
        hot::put(target, id, &entries)?;
    }
    Ok(())
}

fn names(db: &Connection) -> Result<Names, Fault> {
    let mut names = Names::new();
    let mut select = db.prepare("SELECT * FROM series")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        names.insert(SeriesId(row.get("id")?), row::series(row)?.to_string());
    }
    Ok(names)
}

/// Has every series estimated again from its first reading on.
pub(in crate::embedded) fn have_all_estimated(db: &Connection) -> Result<(), Fault> {
    let memory = Memory::load(db)?;
    for (series, _, state) in memory.all() {
        if let Some(extent) = state.extent() {
            let span = Span {
                start: extent.first,
                end: extent.last.time.plus_ms(1),
            };
            put_change(db, &Change { series, span })?;
        }
    }
    Ok(())
}
