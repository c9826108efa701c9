//! Taking readings out: what a clock that was off, or a sensor on the kitchen table, has left among the
//! others. They go to the quarantine in the same transaction, so at every moment they are in one of
//! the two.

use super::blocks;
use super::compact;
use super::day::{Day, SeriesId};
use super::memory::{Extent, Memory};
use crate::embedded::fault::Fault;
use crate::embedded::records::keep_refused;
use crate::{Change, MOST_REMOVED, READING_LINE, Refused, Removal, Removed};
use larder_domain::{ChannelRef, Sample, Span, Timestamp, Unit};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::sync::RwLock;

/// Bytes of one quarantine entry: as much as a message may have.
const ENTRY_BYTES: usize = 60 * 1024;

/// Takes the readings of one series in a span out. The caller holds the only writing connection.
pub(super) fn remove(
    db: &mut Connection,
    memory: &RwLock<Memory>,
    removal: &Removal<'_>,
) -> Result<Removed, Fault> {
    // In blocks a reading stands once; in the log it may stand several times.
    compact::run_whole(db, memory)?;
    let found = {
        let memory = memory.read().map_err(|_| Fault::Poisoned)?;
        let state = memory.find(removal.series);
        state.and_then(|(id, state)| Some((id, state.unit.clone(), state.stored()?)))
    };
    let Some((id, unit, stored)) = found else {
        return Ok(Removed::Nothing);
    };
    let Some(span) = removal.span.intersect(whole(stored)) else {
        return Ok(Removed::Nothing);
    };
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let days = days_in(&tx, id, span)?;
    let n: usize = days.iter().map(|day| day.gone.len()).sum();
    if n == 0 {
        return Ok(Removed::Nothing);
    }
    if n > MOST_REMOVED {
        return Ok(Removed::TooMany(n as u64));
    }
    for day in &days {
        match day.kept.is_empty() {
            true => drop(
                tx.prepare_cached("DELETE FROM block WHERE id = ?1")?
                    .execute([day.day.block(id)])?,
            ),
            false => blocks::store(&tx, id, day.day, &day.kept)?,
        }
    }
    let gone: Vec<Sample> = days.into_iter().flat_map(|day| day.gone).collect();
    let left = what_is_left(&tx, id, stored)?;
    write_extent(&tx, id, left)?;
    let change = Change {
        series: removal.series.clone(),
        span: Span {
            start: gone[0].time,
            end: gone[gone.len() - 1].time.plus_ms(1),
        },
    };
    super::extend_change(&tx, &change)?;
    keep_refused(&tx, &entries(removal, &unit, &gone))?;
    tx.commit()?;
    let mut memory = memory.write().map_err(|_| Fault::Poisoned)?;
    memory.has_left(id, left);
    memory.backlog.add_tabled(change);
    Ok(Removed::Readings(n as u64))
}

/// One day's readings, parted.
struct Parted {
    day: Day,
    kept: Vec<Sample>,
    gone: Vec<Sample>,
}

fn days_in(db: &Connection, id: SeriesId, span: Span) -> Result<Vec<Parted>, Fault> {
    let mut days = Vec::new();
    let wanted = blocks::days_between(span.start, span.end.plus_ms(-1));
    blocks::walk(db, id, wanted, |met| {
        let is_gone = |sample: &Sample| span.contains(sample.time);
        let (gone, kept) = met.samples()?.into_iter().partition(is_gone);
        days.push(Parted {
            day: met.day,
            kept,
            gone,
        });
        Ok(())
    })?;
    days.retain(|day| !day.gone.is_empty());
    Ok(days)
}

fn whole(stored: Extent) -> Span {
    Span {
        start: stored.first,
        end: stored.last.time.plus_ms(1),
    }
}

/// From the first to the last reading that blocks have now.
fn what_is_left(db: &Connection, id: SeriesId, before: Extent) -> Result<Option<Extent>, Fault> {
    let mut left: Option<Extent> = None;
    let days = blocks::days_between(before.first, before.last.time);
    blocks::walk(db, id, days, |met| {
        let samples = met.samples()?;
        if let (Some(first), Some(last)) = (samples.first(), samples.last()) {
            let first = left.map_or(first.time, |left| left.first);
            left = Some(Extent { first, last: *last });
        }
        Ok(())
    })?;
    Ok(left)
}

fn write_extent(tx: &Transaction<'_>, id: SeriesId, left: Option<Extent>) -> Result<(), Fault> {
    tx.prepare_cached(
        "UPDATE series SET first_time = ?2, last_time = ?3, last_bits = ?4 WHERE id = ?1",
    )?
    .execute(params![
        id.0,
        left.map(|left| left.first.0),
        left.map(|left| left.last.time.0),
        left.map(|left| left.last.value.to_bits().cast_signed()),
    ])?;
    Ok(())
}

/// What was taken out, as lines of a readings file, a quarantine entry for as many as a message may be
/// long.
fn entries(removal: &Removal<'_>, unit: &Unit, gone: &[Sample]) -> Vec<Refused> {
    let ChannelRef { device, channel } = removal.series;
    let mut entries: Vec<Refused> = Vec::new();
    for sample in gone {
        let time = sample.time.to_rfc3339();
        let line = format!("{time},{device},{channel},{unit},{}\n", sample.value);
        match entries.last_mut() {
            Some(entry) if entry.bytes.len() + line.len() <= ENTRY_BYTES => {
                entry.bytes.extend_from_slice(line.as_bytes());
            }
            _ => entries.push(entry(removal, sample.time, line)),
        }
    }
    entries
}

fn entry(removal: &Removal<'_>, first: Timestamp, line: String) -> Refused {
    Refused {
        received_at: removal.at,
        topic: format!("{}/{}", removal.series.device, removal.series.channel),
        bytes: line.into_bytes(),
        content_type: Some(READING_LINE.into()),
        retained: false,
        reason: removal.reason.to_owned(),
        record: None,
        impossible: None,
        // It comes back by itself once the clock has passed it, where that is why it was taken out.
        measured_at: removal.comes_back.then_some(first),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::embedded::{Access, Durability, EmbeddedStore};
    use crate::{Readings, Records};
    use larder_domain::{ChannelName, DeviceId, Reading};
    use std::path::Path;

    const START: i64 = 1_788_238_800_000;
    const MINUTE: i64 = 60_000;

    fn open(dir: &Path) -> EmbeddedStore {
        EmbeddedStore::open_with(dir, Access::Create, Durability::ProcessEnd).unwrap()
    }

    fn series(device: &str) -> ChannelRef {
        ChannelRef {
            device: DeviceId::new(device).unwrap(),
            channel: ChannelName::new("weight").unwrap(),
        }
    }

    fn reading(device: &str, at: i64) -> Reading {
        let ChannelRef { device, channel } = series(device);
        Reading {
            device,
            channel,
            unit: Unit::new("kg").unwrap(),
            time: Timestamp(at),
            value: 40.0 + (at / MINUTE % 997) as f64 / 7.0,
        }
    }

    fn take_out(store: &EmbeddedStore, from: i64, to: i64) -> Removed {
        let removal = Removal {
            series: &series("sc-1"),
            span: Span {
                start: Timestamp(from),
                end: Timestamp(to),
            },
            reason: "taken out by hand",
            comes_back: false,
            at: Timestamp(START),
        };
        store.remove(&removal).unwrap()
    }

    /// A store with five days of two series, as it is while it takes readings in and after reopening.
    fn filled(dir: &Path) -> EmbeddedStore {
        let store = open(dir);
        for n in 0..720 {
            let at = START + n * 10 * MINUTE;
            let both = [reading("sc-1", at), reading("sc-2", at)];
            store.append_durable(&both).unwrap();
        }
        store
    }

    #[test]
    fn what_is_taken_out_is_gone_and_the_rest_stays() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = filled(dir.path());
        let other = store.range(&series("sc-2"), Span::ALWAYS).unwrap();
        let mut expected = store.range(&series("sc-1"), Span::ALWAYS).unwrap();
        // From the middle over a midnight, at the start, at the end, where nothing is, and twice.
        let cuts = [
            (700, 2_500),
            (-10, 95),
            (7_000, 99_999),
            (90_000, 99_999),
            (700, 2_500),
        ];
        for (i, (from, to)) in cuts.into_iter().enumerate() {
            let (from, to) = (START + from * MINUTE, START + to * MINUTE);
            let before = expected.len();
            expected.retain(|sample| !(from..to).contains(&sample.time.0));
            let removed = match before - expected.len() {
                0 => Removed::Nothing,
                n => Removed::Readings(n as u64),
            };
            assert_eq!(take_out(&store, from, to), removed);
            if i % 2 == 1 {
                drop(store);
                store = open(dir.path());
            }
            assert_eq!(
                store.range(&series("sc-1"), Span::ALWAYS).unwrap(),
                expected
            );
            assert_eq!(store.range(&series("sc-2"), Span::ALWAYS).unwrap(), other);
            let info = store
                .series()
                .unwrap()
                .into_iter()
                .find(|info| info.series == series("sc-1"));
            let info = info.unwrap();
            assert_eq!(
                (info.first, info.last),
                (expected[0].time, expected[expected.len() - 1].time)
            );
            store.check().unwrap();
        }
        assert_eq!(
            take_out(&store, 0, i64::MAX),
            Removed::Readings(expected.len() as u64)
        );
        assert!(
            store
                .series()
                .unwrap()
                .iter()
                .all(|info| info.series != series("sc-1"))
        );
        store.append_durable(&[reading("sc-1", START)]).unwrap();
        assert_eq!(store.range(&series("sc-1"), Span::ALWAYS).unwrap().len(), 1);
        store.check().unwrap();
    }

    #[test]
    fn it_is_in_the_quarantine_and_noted_as_changed() {
        let dir = tempfile::tempdir().unwrap();
        let store = filled(dir.path());
        let all = store.range(&series("sc-1"), Span::ALWAYS).unwrap();
        let (_, mark) = store.changes(1000).unwrap();
        store.acknowledge_changes(mark).unwrap();
        take_out(&store, START, START + 7_200 * MINUTE);
        let entries = store.quarantined(0, 100).unwrap();
        let lines: Vec<String> = entries
            .iter()
            .flat_map(|entry| std::str::from_utf8(&entry.refused.bytes).unwrap().lines())
            .map(str::to_owned)
            .collect();
        assert_eq!(lines.len(), all.len());
        for (line, sample) in lines.iter().zip(&all) {
            let value: f64 = line.rsplit(',').next().unwrap().parse().unwrap();
            assert_eq!(value.to_bits(), sample.value.to_bits());
            assert!(line.starts_with(&sample.time.to_rfc3339()), "{line}");
        }
        let (changes, _) = store.changes(1000).unwrap();
        assert_eq!(changes.len(), 1);
        assert_eq!(changes[0].span.start, all[0].time);
    }

    #[test]
    fn a_reading_from_2106_does_not_hold_the_days_open() {
        let dir = tempfile::tempdir().unwrap();
        let store = filled(dir.path());
        let ahead = START + 80 * 365 * 1440 * MINUTE;
        store.append_durable(&[reading("sc-1", ahead)]).unwrap();
        assert_eq!(take_out(&store, ahead, ahead + 1), Removed::Readings(1));
        let memory = store.memory.read().unwrap();
        assert!(memory.newest.0 < ahead && memory.closed <= memory.day_over());
    }
}
