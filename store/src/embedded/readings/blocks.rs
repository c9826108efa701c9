//! The table of closed days: one row for each series and day, with the summary that day-scale
//! charts are drawn from.

use super::block;
use super::day::{Day, SeriesId};
use super::hot;
use super::memory::Extent;
use crate::embedded::check;
use crate::embedded::fault::Fault;
use crate::embedded::records::row;
use crate::embedded::seal;
use larder_domain::{Sample, Timestamp};
use rusqlite::{Connection, OptionalExtension, Row, params};
use std::collections::{HashMap, HashSet};
use std::ops::RangeInclusive;

/// One day of one series; empty where nothing is kept.
pub(super) fn load(db: &Connection, series: SeriesId, day: Day) -> Result<Vec<Sample>, Fault> {
    let samples = db
        .prepare_cached("SELECT readings FROM block WHERE id = ?1")?
        .query_row([day.block(series)], |row| {
            Ok(decode(row, 0, day.block(series)))
        })
        .optional()?;
    samples.unwrap_or(Ok(Vec::new()))
}

fn decode(row: &Row<'_>, column: usize, id: i64) -> Result<Vec<Sample>, Fault> {
    let bytes = row
        .get_ref(column)?
        .as_blob()
        .map_err(rusqlite::Error::from)?;
    block::decode(bytes, id)
}

/// Writes one day of one series, in place of what was there. `samples` is not empty.
pub(super) fn store(
    db: &Connection,
    series: SeriesId,
    day: Day,
    samples: &[Sample],
) -> Result<(), Fault> {
    let Some(summary) = Summary::of(samples) else {
        return Ok(());
    };
    let bits = |sample: Sample| sample.value.to_bits().cast_signed();
    db.prepare_cached(
        "INSERT OR REPLACE INTO block (id, n, least, least_at, most, most_at, total, readings)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )?
    .execute(params![
        day.block(series),
        samples.len() as i64,
        bits(summary.least),
        Day::offset(summary.least.time),
        bits(summary.most),
        Day::offset(summary.most.time),
        samples.iter().map(|sample| sample.value).sum::<f64>(),
        block::encode(samples, day.block(series))?,
    ])?;
    Ok(())
}

/// What a day's row says without being unpacked.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Summary {
    /// Number of samples.
    pub(super) n: usize,
    /// The least value, where it first occurs.
    pub(super) least: Sample,
    /// The greatest value, where it first occurs.
    pub(super) most: Sample,
}

impl Summary {
    /// Of samples in order of time; `None` of none.
    pub(super) fn of(samples: &[Sample]) -> Option<Self> {
        let first = *samples.first()?;
        let start = Self {
            n: samples.len(),
            least: first,
            most: first,
        };
        Some(samples.iter().fold(start, |so_far, &sample| Self {
            least: least(so_far.least, sample),
            most: most(so_far.most, sample),
            ..so_far
        }))
    }

    fn is_of(&self, samples: &[Sample]) -> bool {
        let same =
            |a: Sample, b: Sample| a.time == b.time && a.value.to_bits() == b.value.to_bits();
        Self::of(samples).is_some_and(|of| {
            of.n == self.n && same(of.least, self.least) && same(of.most, self.most)
        })
    }

    /// Of this and a later one together.
    pub(super) fn and(self, later: Self) -> Self {
        Self {
            n: self.n + later.n,
            least: least(self.least, later.least),
            most: most(self.most, later.most),
        }
    }
}

fn least(earlier: Sample, later: Sample) -> Sample {
    if later.value.total_cmp(&earlier.value).is_lt() {
        later
    } else {
        earlier
    }
}

fn most(earlier: Sample, later: Sample) -> Sample {
    if later.value.total_cmp(&earlier.value).is_gt() {
        later
    } else {
        earlier
    }
}

/// A row met on a walk through the days.
pub(super) struct Met<'a, 'b> {
    pub(super) day: Day,
    id: i64,
    row: &'a Row<'b>,
}

impl Met<'_, '_> {
    pub(super) fn samples(&self) -> Result<Vec<Sample>, Fault> {
        decode(self.row, 6, self.id)
    }

    pub(super) fn summary(&self) -> Result<Summary, Fault> {
        let sample = |value, at| -> Result<Sample, Fault> {
            Ok(Sample {
                time: self.day.at(self.row.get(at)?),
                value: f64::from_bits(self.row.get::<_, i64>(value)?.cast_unsigned()),
            })
        };
        Ok(Summary {
            n: self.row.get::<_, u32>(1)? as usize,
            least: sample(2, 3)?,
            most: sample(4, 5)?,
        })
    }
}

/// Hands the rows of one series to `meet`, day by day. Days lie side by side in the table, so this
/// asks for the next row at or after the one wanted and leaps over days that have none.
pub(super) fn walk(
    db: &Connection,
    series: SeriesId,
    days: RangeInclusive<Day>,
    mut meet: impl FnMut(Met<'_, '_>) -> Result<(), Fault>,
) -> Result<(), Fault> {
    let mut select = db.prepare_cached(
        "SELECT id, n, least, least_at, most, most_at, readings FROM block
         WHERE id >= ?1 ORDER BY id LIMIT 1",
    )?;
    let mut wanted = *days.start();
    while wanted <= *days.end() {
        let mut rows = select.query([wanted.block(series)])?;
        let Some(row) = rows.next()? else { break };
        let id = row.get(0)?;
        let (day, found) = Day::of_block(id);
        if found == series && day <= *days.end() {
            meet(Met { day, id, row })?;
        }
        // A greater series of the same day means that this series has none that day.
        wanted = if found >= series { Day(day.0 + 1) } else { day };
    }
    Ok(())
}

/// From the first to the last reading that blocks have, of every series.
pub(super) fn extents(db: &Connection) -> Result<HashMap<SeriesId, Extent>, Fault> {
    let mut extents: HashMap<SeriesId, Extent> = HashMap::new();
    let mut select = db.prepare("SELECT id, readings FROM block ORDER BY id")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let id = row.get(0)?;
        let samples = decode(row, 1, id)?;
        let (Some(first), Some(last)) = (samples.first(), samples.last()) else {
            continue;
        };
        let (first, last) = (first.time, *last);
        let known = extents.entry(Day::of_block(id).1);
        known.or_insert(Extent { first, last }).last = last;
    }
    Ok(extents)
}

/// A block's row, unpacked and compared with its summary. Of the columns that [`walk`] selects.
pub(super) fn sound(met: &Met<'_, '_>) -> Result<Vec<Sample>, Fault> {
    let samples = met.samples()?;
    let in_order = samples.windows(2).all(|pair| pair[0].time < pair[1].time);
    if !in_order || !met.summary()?.is_of(&samples) {
        let what = "the day's summary is not that of its readings";
        return Err(Fault::Damaged(what.into()));
    }
    Ok(samples)
}

/// Whether a row of `SELECT *` sums up these samples.
pub(super) fn summary_fits(row: &Row<'_>, day: Day, samples: &[Sample]) -> bool {
    let id = 0;
    let met = Met { day, id, row };
    met.summary().is_ok_and(|summary| summary.is_of(samples))
}

/// Every block, unpacked and compared with its summary, every series with its blocks, and the log.
/// What is wrong goes to `tell`.
pub(in crate::embedded) fn check_all(
    db: &Connection,
    tell: &mut dyn FnMut(String),
) -> Result<(), Fault> {
    let (names, kept) = listed(db)?;
    let mut extents: HashMap<SeriesId, (Timestamp, Sample)> = HashMap::new();
    let mut unsure = HashSet::new();
    let mut select = db
        .prepare("SELECT id, n, least, least_at, most, most_at, readings FROM block ORDER BY id")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let id = row.get(0)?;
        let (day, series) = Day::of_block(id);
        match sound(&Met { day, id, row }) {
            Ok(samples) => {
                if let (Some(first), Some(last)) = (samples.first(), samples.last()) {
                    let extent = extents.entry(series).or_insert((first.time, *last));
                    extent.1 = *last;
                }
            }
            Err(fault) => {
                unsure.insert(series);
                let why = check::damage(fault)?;
                tell(format!("{}: {why}", day_of(&names, series, day)));
            }
        }
    }
    // Where an archive has the rest of a series, what is here says nothing of its extent.
    if super::replication::is_leaving(db)? {
        unsure.extend(names.keys());
    }
    for (series, name) in &names {
        let found = extents.get(series).map(|(first, last)| {
            [first.0, last.time.0, last.value.to_bits().cast_signed()].map(Some)
        });
        if !unsure.contains(series) && kept[series] != found.unwrap_or_default() {
            tell(format!(
                "the readings of {name} do not reach from the first to the last one that were noted"
            ));
        }
    }
    for stray in extents.keys().filter(|series| !names.contains_key(series)) {
        tell(format!(
            "readings of series {} belong to no known series",
            stray.0
        ));
    }
    hot::check_all(db, &names, tell)
}

/// A series' name, by its number.
pub(super) type Names = HashMap<SeriesId, String>;

/// Names of all series that read, and from when to when they reach.
#[expect(clippy::type_complexity, reason = "two maps with the same keys")]
fn listed(db: &Connection) -> Result<(Names, HashMap<SeriesId, [Option<i64>; 3]>), Fault> {
    let (mut names, mut kept) = (Names::new(), HashMap::new());
    let mut select = db.prepare("SELECT * FROM series")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        if seal::verify(row, "series").is_err() {
            continue;
        }
        let series = SeriesId(row.get("id")?);
        names.insert(series, row::series(row)?.to_string());
        kept.insert(
            series,
            [
                row.get("first_time")?,
                row.get("last_time")?,
                row.get("last_bits")?,
            ],
        );
    }
    Ok((names, kept))
}

/// A day of one series in words.
pub(super) fn day_of(names: &Names, series: SeriesId, day: Day) -> String {
    let date = day.at(0).to_rfc3339();
    let date = date.get(..10).unwrap_or(&date);
    match names.get(&series) {
        Some(name) => format!("readings of {name} on {date} (UTC)"),
        None => format!(
            "readings of the unknown series {} on {date} (UTC)",
            series.0
        ),
    }
}

/// The first and the last moment that any block of these days can hold.
pub(super) fn days_between(first: Timestamp, last: Timestamp) -> RangeInclusive<Day> {
    Day::of(first)..=Day::of(last)
}
