//! Readings and the backlog of what they changed.

use super::EmbeddedStore;
use super::fault::Fault;
use super::records::row;
use crate::{Appended, Change, LatestSample, Readings, SeriesInfo, StoreError};
use larder_domain::{ChannelName, ChannelRef, Reading, Sample, Span, Timestamp, Unit};
use rusqlite::{Connection, OptionalExtension, Row, params};
use std::collections::BTreeMap;

impl Readings for EmbeddedStore {
    fn append_durable(&self, readings: &[Reading]) -> Result<Appended, StoreError> {
        self.connections
            .write("write readings", |tx| append(tx, readings))
    }

    fn series(&self) -> Result<Vec<SeriesInfo>, StoreError> {
        self.connections.read("list the series", |db| {
            db.prepare_cached(
                "SELECT device, channel, unit, (SELECT min(time) FROM reading WHERE series = id),
                    (SELECT max(time) FROM reading WHERE series = id)
                 FROM series ORDER BY device, channel",
            )?
            .query_and_then([], |row| {
                Ok(SeriesInfo {
                    series: series_of(row)?,
                    unit: unit_of(row)?,
                    first: Timestamp(row.get(3)?),
                    last: Timestamp(row.get(4)?),
                })
            })?
            .collect()
        })
    }

    fn range(&self, series: &ChannelRef, span: Span) -> Result<Vec<Sample>, StoreError> {
        self.connections.read("read readings", |db| {
            db.prepare_cached(
                "SELECT time, bits FROM reading WHERE series =
                     (SELECT id FROM series WHERE device = ?1 AND channel = ?2)
                 AND time >= ?3 AND time < ?4 ORDER BY time",
            )?
            .query_and_then(
                params![
                    series.device.as_str(),
                    series.channel.as_str(),
                    span.start.0,
                    span.end.0
                ],
                |row| {
                    Ok(Sample {
                        time: Timestamp(row.get(0)?),
                        value: value_of(row, 1)?,
                    })
                },
            )?
            .collect()
        })
    }

    fn reduced(
        &self,
        series: &ChannelRef,
        span: Span,
        points: usize,
    ) -> Result<Vec<Sample>, StoreError> {
        Ok(reduce(self.range(series, span)?, points))
    }

    fn latest(&self) -> Result<Vec<LatestSample>, StoreError> {
        self.connections.read("read the latest readings", |db| {
            db.prepare_cached(
                "SELECT device, channel, unit, time, bits FROM series JOIN reading
                 ON series = id AND time = (SELECT max(time) FROM reading WHERE series = id)
                 ORDER BY device, channel",
            )?
            .query_and_then([], |row| {
                Ok(LatestSample {
                    series: series_of(row)?,
                    unit: unit_of(row)?,
                    sample: Sample {
                        time: Timestamp(row.get(3)?),
                        value: value_of(row, 4)?,
                    },
                })
            })?
            .collect()
        })
    }
}

fn series_of(row: &Row<'_>) -> Result<ChannelRef, Fault> {
    let channel: String = row.get("channel")?;
    Ok(ChannelRef {
        device: row::name(row, "device")?,
        channel: ChannelName::new(&channel).map_err(|_| row::unreadable("a channel", &channel))?,
    })
}

fn unit_of(row: &Row<'_>) -> Result<Unit, Fault> {
    let unit: String = row.get("unit")?;
    Unit::new(&unit).map_err(|_| row::unreadable("a unit", &unit))
}

fn value_of(row: &Row<'_>, column: usize) -> Result<f64, Fault> {
    Ok(f64::from_bits(row.get::<_, i64>(column)?.cast_unsigned()))
}

fn append(db: &Connection, readings: &[Reading]) -> Result<Appended, Fault> {
    let mut appended = Appended::default();
    let mut changed: BTreeMap<ChannelRef, Span> = BTreeMap::new();
    for reading in readings {
        let (series, unit) = series_id(db, reading)?;
        let value = reading
            .unit
            .convert(reading.value, &unit)
            .unwrap_or(reading.value);
        let bits = value.to_bits().cast_signed();
        let known: Option<i64> = db
            .prepare_cached("SELECT bits FROM reading WHERE series = ?1 AND time = ?2")?
            .query_row(params![series, reading.time.0], |row| row.get(0))
            .optional()?;
        match known {
            Some(same) if same == bits => {
                appended.repeated += 1;
                continue;
            }
            Some(_) => appended.replaced += 1,
            None => appended.new += 1,
        }
        db.prepare_cached(
            "INSERT OR REPLACE INTO reading (series, time, bits) VALUES (?1, ?2, ?3)",
        )?
        .execute(params![series, reading.time.0, bits])?;
        let moment = Span {
            start: reading.time,
            end: reading.time.plus_ms(1),
        };
        changed
            .entry(reading.series())
            .and_modify(|span| *span = hull(*span, moment))
            .or_insert(moment);
    }
    for (series, span) in changed {
        add_change(db, &Change { series, span })?;
    }
    Ok(appended)
}

fn series_id(db: &Connection, reading: &Reading) -> Result<(i64, Unit), Fault> {
    let (device, channel) = (reading.device.as_str(), reading.channel.as_str());
    let known = db
        .prepare_cached("SELECT id, unit FROM series WHERE device = ?1 AND channel = ?2")?
        .query_row([device, channel], |row| Ok((row.get(0)?, unit_of(row))))
        .optional()?;
    match known {
        Some((id, unit)) => Ok((id, unit?)),
        None => {
            db.prepare_cached("INSERT INTO series (device, channel, unit) VALUES (?1, ?2, ?3)")?
                .execute([device, channel, reading.unit.as_str()])?;
            Ok((db.last_insert_rowid(), reading.unit.clone()))
        }
    }
}

fn hull(a: Span, b: Span) -> Span {
    Span {
        start: a.start.min(b.start),
        end: a.end.max(b.end),
    }
}

fn reduce(samples: Vec<Sample>, points: usize) -> Vec<Sample> {
    let (Some(first), Some(last)) = (samples.first().copied(), samples.last().copied()) else {
        return samples;
    };
    if samples.len() <= points.max(4) {
        return samples;
    }
    let buckets = (points.max(4) / 2 - 1) as i128;
    let length = i128::from(last.time.0) - i128::from(first.time.0) + 1;
    let bucket =
        |sample: &Sample| (i128::from(sample.time.0) - i128::from(first.time.0)) * buckets / length;
    let mut kept = vec![first];
    for group in samples.chunk_by(|a, b| bucket(a) == bucket(b)) {
        let by_value = |a: &&Sample, b: &&Sample| a.value.total_cmp(&b.value);
        let ends = group
            .iter()
            .min_by(by_value)
            .zip(group.iter().max_by(by_value));
        let (least, most) = ends.unwrap_or((&first, &first));
        kept.extend([*least, *most]);
    }
    kept.push(last);
    kept.sort_by_key(|sample| sample.time);
    kept.dedup_by_key(|sample| sample.time);
    kept
}

impl EmbeddedStore {
    pub(super) fn changes_waiting(&self, limit: usize) -> Result<(Vec<Change>, i64), StoreError> {
        self.connections.read("read the backlog", |db| {
            let waiting: Vec<(Change, i64)> = db
                .prepare_cached("SELECT * FROM change ORDER BY mark LIMIT ?1")?
                .query_and_then([i64::try_from(limit).unwrap_or(i64::MAX)], read_change)?
                .collect::<Result<_, Fault>>()?;
            let mark = waiting.last().map_or(0, |(_, mark)| *mark);
            Ok((
                waiting.into_iter().map(|(change, _)| change).collect(),
                mark,
            ))
        })
    }

    pub(super) fn add_changes(&self, changes: &[Change]) -> Result<(), StoreError> {
        self.connections.write("note changes", |tx| {
            changes.iter().try_for_each(|change| add_change(tx, change))
        })
    }

    pub(super) fn settle_changes(&self, mark: i64) -> Result<(), StoreError> {
        self.connections.write("settle changes", |tx| {
            tx.prepare_cached("DELETE FROM change WHERE mark <= ?1")?
                .execute([mark])?;
            Ok(())
        })
    }
}

fn read_change(row: &Row<'_>) -> Result<(Change, i64), Fault> {
    let change = Change {
        series: series_of(row)?,
        span: Span {
            start: Timestamp(row.get("start_time")?),
            end: Timestamp(row.get("end_time")?),
        },
    };
    Ok((change, row.get("mark")?))
}

/// Merges a change into the backlog, at its end.
fn add_change(db: &Connection, change: &Change) -> Result<(), Fault> {
    let (device, channel) = (
        change.series.device.as_str(),
        change.series.channel.as_str(),
    );
    let waiting = db
        .prepare_cached("SELECT * FROM change WHERE device = ?1 AND channel = ?2")?
        .query_row([device, channel], |row| Ok(read_change(row)))
        .optional()?
        .transpose()?;
    let span = waiting.map_or(change.span, |(known, _)| hull(known.span, change.span));
    db.prepare_cached("DELETE FROM change WHERE device = ?1 AND channel = ?2")?
        .execute([device, channel])?;
    db.prepare_cached(
        "INSERT INTO change (device, channel, start_time, end_time) VALUES (?1, ?2, ?3, ?4)",
    )?
    .execute(params![device, channel, span.start.0, span.end.0])?;
    Ok(())
}
