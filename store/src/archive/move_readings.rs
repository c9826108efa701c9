//! Moving all readings from the embedded store to an archive, and back. A move that was cut off
//! goes on where it was; nothing is taken out anywhere before everything was found at the other
//! end, day by day.

use super::readings::{ArchivedReadings, SendError};
use super::{ArchiveReader, ArchiveWriter, WriteFault};
use crate::embedded::readings::merge_into;
use crate::{EmbeddedStore, Readings, Records, SeriesInfo, StoreError};
use larder_domain::{ChannelRef, Sample, Span, Timestamp};
use std::collections::BTreeMap;

/// How far a move has come, in the embedded store's own words.
const MOVED: &str = "move_readings";

/// How much of a series is held in memory at a time: whole days of UTC.
const WINDOW_MS: i64 = 90 * DAY_MS;
const DAY_MS: i64 = 86_400_000;

/// Readings sent together.
const PORTION: usize = 5_000;

/// How far a move has come.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Progress {
    /// Channels done.
    pub series: u64,
    /// Channels in all.
    pub of_series: u64,
    /// Readings looked at in this run.
    pub readings: u64,
}

/// What a move did.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Moved {
    /// Channels that are at the other end now.
    pub series: u64,
    /// Readings that this run carried and found again.
    pub readings: u64,
    /// Channel days of which number and checksum agree.
    pub days: u64,
    /// The run went on where an earlier one was cut off.
    pub resumed: bool,
    /// Readings older than the archive is set up to keep, which it forgot at once.
    pub expired: u64,
}

/// Why a move ended early. It can be run again.
#[derive(Debug, thiserror::Error)]
pub enum MoveError {
    /// A store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The server takes nothing.
    #[error(transparent)]
    Server(#[from] WriteFault),
    /// The two ends differ.
    #[error(
        "{series} of {day}: {here} readings went and {there} were found again with the same \
         values; nothing was taken out, run it again"
    )]
    Differs {
        /// Which channel.
        series: ChannelRef,
        /// The day of UTC, 2026-09-01.
        day: String,
        /// Readings that were carried.
        here: u64,
        /// Carried readings that were found again.
        there: u64,
    },
}

/// Number and checksum of the readings of one day.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
struct Tally {
    n: u64,
    sum: u64,
}

fn tallies<'a>(samples: impl IntoIterator<Item = &'a Sample>) -> BTreeMap<i64, Tally> {
    let mut days: BTreeMap<i64, Tally> = BTreeMap::new();
    for sample in samples {
        let day = days.entry(sample.time.0.div_euclid(DAY_MS)).or_default();
        day.n += 1;
        day.sum = day.sum.wrapping_add(mixed(sample));
    }
    days
}

/// The finalizer of splitmix64 (Steele, Lea, Flood: Fast splittable pseudorandom number generators,
/// 2014) over time and value, so that sums of different readings differ.
fn mixed(sample: &Sample) -> u64 {
    let mut z = sample.value.to_bits() ^ sample.time.0.cast_unsigned().rotate_left(32);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// The first day on which `expected` is not found again.
fn compare(series: &ChannelRef, expected: &[Sample], found: &[Sample]) -> Result<u64, MoveError> {
    let is_ours = |sample: &&Sample| {
        expected
            .binary_search_by_key(&sample.time, |ours| ours.time)
            .is_ok_and(|at| expected[at].value.to_bits() == sample.value.to_bits())
    };
    let (here, there) = (tallies(expected), tallies(found.iter().filter(is_ours)));
    for (day, tally) in &here {
        let other = there.get(day).copied().unwrap_or_default();
        if *tally != other {
            return Err(MoveError::Differs {
                series: series.clone(),
                day: Timestamp(day * DAY_MS).to_rfc3339()[..10].to_owned(),
                here: tally.n,
                there: other.n,
            });
        }
    }
    Ok(here.len() as u64)
}

/// Windows of whole days that cover a series.
fn windows(info: &SeriesInfo) -> impl Iterator<Item = Span> + use<> {
    let start = info.first.0.div_euclid(DAY_MS) * DAY_MS;
    let end = info.last.0;
    (start..=end).step_by(WINDOW_MS as usize).map(|start| Span {
        start: Timestamp(start),
        end: Timestamp(start + WINDOW_MS),
    })
}

/// Where a move stands: windows of series before this are done.
struct Position<'a> {
    store: &'a EmbeddedStore,
    direction: String,
    done: Option<(String, i64)>,
}

impl<'a> Position<'a> {
    /// A move goes on only where nothing was appended since: what came late would be missed.
    fn read(store: &'a EmbeddedStore, direction: String) -> Result<Self, StoreError> {
        let direction = format!("{} {direction}", store.last_append()?);
        let found = store.setting(MOVED)?.unwrap_or_default();
        let mut parts = found.splitn(3, ' ');
        let done = match (parts.next(), parts.next(), parts.next()) {
            (Some(window), Some(series), Some(of)) if of == direction => window
                .parse()
                .ok()
                .map(|window| (series.to_owned(), window)),
            _ => None,
        };
        Ok(Self {
            store,
            direction,
            done,
        })
    }

    fn has(&self, series: &str, window: Span) -> bool {
        self.done.as_ref().is_some_and(|(done, through)| {
            series < done.as_str() || (series == done && window.start.0 <= *through)
        })
    }

    fn note(&self, series: &str, window: Span) -> Result<(), StoreError> {
        let text = format!("{} {series} {}", window.start.0, self.direction);
        self.store.set_setting(MOVED, &text)
    }

    fn clear(&self) -> Result<(), StoreError> {
        self.store.set_setting(MOVED, "")
    }
}

/// All series in the order in which they are moved: by their names as text.
fn in_order(store: &EmbeddedStore) -> Result<Vec<(String, SeriesInfo)>, StoreError> {
    let named = |info: SeriesInfo| (info.series.to_string(), info);
    let mut all: Vec<_> = store.series()?.into_iter().map(named).collect();
    all.sort_by(|a, b| a.0.cmp(&b.0));
    Ok(all)
}

/// Moves all readings of an embedded store to an archive, which keeps them from then on.
pub fn move_out(
    store: &EmbeddedStore,
    reader: &dyn ArchiveReader,
    writer: &dyn ArchiveWriter,
    identity: &str,
    progress: impl FnMut(Progress),
) -> Result<Moved, MoveError> {
    if let Some(place) = ArchivedReadings::place_of(store)? {
        let message = format!("the readings of this data directory are in {place} already");
        return Err(StoreError::Elsewhere(message).into());
    }
    let (moved, position) = each_window(
        store,
        format!("to {identity}"),
        progress,
        |info, window, moved| {
            let samples = store.range(&info.series, window)?;
            let expired = write(writer, info, &samples)?;
            let there = reader.range(&info.series, &info.unit, window)?;
            if expired == 0 {
                moved.days += compare(&info.series, &samples, &there)?;
            }
            moved.expired += expired;
            moved.readings += samples.len() as u64;
            Ok(())
        },
    )?;
    take_over(store, reader)?;
    ArchivedReadings::note_place(store, identity)?;
    position.clear()?;
    Ok(moved)
}

/// Carries every window of every series that is not done yet, and writes down how far it is.
fn each_window<'a>(
    store: &'a EmbeddedStore,
    direction: String,
    mut progress: impl FnMut(Progress),
    carry: impl Fn(&SeriesInfo, Span, &mut Moved) -> Result<(), MoveError>,
) -> Result<(Moved, Position<'a>), MoveError> {
    let position = Position::read(store, direction)?;
    let all = in_order(store)?;
    let mut moved = Moved {
        resumed: position.done.is_some(),
        ..Moved::default()
    };
    let told = |moved: &Moved| Progress {
        series: moved.series,
        of_series: all.len() as u64,
        readings: moved.readings,
    };
    for (name, info) in &all {
        for window in windows(info).filter(|window| !position.has(name, *window)) {
            carry(info, window, &mut moved)?;
            position.note(name, window)?;
            progress(told(&moved));
        }
        moved.series += 1;
        progress(told(&moved));
    }
    Ok((moved, position))
}

/// Gives how many of them the archive forgot at once.
fn write(
    writer: &dyn ArchiveWriter,
    info: &SeriesInfo,
    samples: &[Sample],
) -> Result<u64, MoveError> {
    let mut expired = 0;
    for part in samples.chunks(PORTION) {
        let portion = (info.series.clone(), info.unit.clone(), part.to_vec());
        let written = writer.write_durable(&[portion])?;
        expired += written.expired;
        if let Some(refused) = written.refused.first() {
            let what = format!("{}: {}", refused.series, refused.reason);
            return Err(StoreError::Unavailable(what).into());
        }
    }
    Ok(expired)
}

/// The archive may have had readings before: those are taken over, too.
fn take_over(store: &EmbeddedStore, reader: &dyn ArchiveReader) -> Result<(), StoreError> {
    let there = reader.series()?;
    let mut is_foreign = false;
    for one in &there {
        let extent = store.info(&one.series)?.map(|info| (info.first, info.last));
        is_foreign |= extent.is_none_or(|(first, last)| one.first < first || last < one.last.time);
    }
    let newest = there.iter().map(|one| one.last.time).max();
    let whole_from = match newest {
        Some(newest) if is_foreign => newest.plus_ms(1),
        _ => Timestamp(i64::MIN),
    };
    store.begin_leaving(&there, whole_from)
}

/// Moves all readings from an archive back into the embedded store, which keeps them from then on.
/// The archive stays as it is.
pub fn move_back(
    store: &EmbeddedStore,
    reader: &dyn ArchiveReader,
    identity: &str,
    progress: impl FnMut(Progress),
) -> Result<Moved, MoveError> {
    match ArchivedReadings::place_of(store)? {
        Some(place) if place == identity => {}
        found => {
            let place = found.unwrap_or_else(|| "itself".into());
            let message = format!("the readings of this data directory are in {place}");
            return Err(StoreError::Elsewhere(message).into());
        }
    }
    let (moved, position) = each_window(
        store,
        format!("from {identity}"),
        progress,
        |info, window, moved| {
            let mut samples = reader.range(&info.series, &info.unit, window)?;
            let (newer, _) = store.range_here(&info.series, window)?;
            store.put_back(&info.series, &samples)?;
            merge_into(&mut samples, &newer);
            let (here, _) = store.range_here(&info.series, window)?;
            moved.days += compare(&info.series, &samples, &here)?;
            moved.readings += samples.len() as u64;
            Ok(())
        },
    )?;
    store.end_leaving()?;
    ArchivedReadings::note_place(store, "")?;
    position.clear()?;
    Ok(moved)
}

impl From<SendError> for MoveError {
    fn from(error: SendError) -> Self {
        match error {
            SendError::Server(fault) => Self::Server(fault),
            SendError::Store(error) => Self::Store(error),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::{ChannelName, DeviceId};

    fn sample(day: i64, value: f64) -> Sample {
        Sample {
            time: Timestamp(day * DAY_MS + 5),
            value,
        }
    }

    #[test]
    fn a_day_that_is_not_found_again_is_named() {
        let series = ChannelRef {
            device: DeviceId::new("sc-1").unwrap(),
            channel: ChannelName::new("weight").unwrap(),
        };
        let ours = [sample(0, 1.0), sample(1, 2.0), sample(2, -0.0)];
        assert_eq!(compare(&series, &ours, &ours).unwrap(), 3);
        let more = [ours[0], ours[1], ours[2], sample(3, 4.0)];
        assert_eq!(compare(&series, &ours, &more).unwrap(), 3);
        for wrong in [&ours[..2], &[ours[0], ours[1], sample(2, 0.0)]] {
            let error = compare(&series, &ours, wrong).unwrap_err().to_string();
            assert!(
                error.contains("1970-01-03: 1 readings went and 0"),
                "{error}"
            );
        }
    }

    #[test]
    fn sums_of_different_readings_differ() {
        let swapped = [
            [sample(0, 1.0), sample(1, 2.0)],
            [sample(0, 2.0), sample(1, 1.0)],
        ];
        let sum = |samples: &[Sample]| samples.iter().map(mixed).fold(0, u64::wrapping_add);
        assert_ne!(sum(&swapped[0]), sum(&swapped[1]));
    }
}
