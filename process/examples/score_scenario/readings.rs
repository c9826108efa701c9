//! Readings and recorded fills, sorted into series.

use flate2::read::GzDecoder;
use larder_domain::{
    ChannelName, ChannelRef, DeviceId, FeederId, Reading, RecordedFill, Sample, Span, Timestamp,
    Unit,
};
use larder_syrup::Strength;
use std::collections::{BTreeMap, BTreeSet};
use std::error::Error;
use std::fs::File;
use std::path::Path;

/// All series of a scenario.
pub struct Archive {
    series: BTreeMap<ChannelRef, Vec<Sample>>,
    devices: BTreeMap<DeviceId, (Vec<Timestamp>, Vec<Timestamp>)>,
    span: Span,
}

/// When a device was heard.
pub struct Heard<'a> {
    pub id: &'a DeviceId,
    pub reported_at: &'a [Timestamp],
    pub impossible: &'a [Timestamp],
}

/// Sorts readings into series; later ones replace earlier ones.
#[derive(Default)]
pub struct ArchiveBuilder {
    series: BTreeMap<ChannelRef, BTreeMap<Timestamp, f64>>,
    devices: BTreeMap<DeviceId, (BTreeSet<Timestamp>, BTreeSet<Timestamp>)>,
}

/// One row of a file of readings.
pub struct ReadingRow<'a> {
    pub time: Timestamp,
    pub device: &'a str,
    pub channel: &'a str,
    pub unit: &'a str,
    pub value: f64,
}

impl ArchiveBuilder {
    /// Takes in one reading.
    pub fn take(&mut self, row: &ReadingRow<'_>) -> Result<(), Box<dyn Error>> {
        let time = row.time;
        let device = DeviceId::new(row.device)?;
        let reported_at = self.devices.entry(device.clone()).or_default();
        reported_at.0.insert(time);
        let checked = Reading::check(
            device,
            ChannelName::new(row.channel)?,
            Some(Unit::new(row.unit)?),
            time,
            row.value,
            time,
        );
        match checked {
            Ok(reading) => {
                let series = self.series.entry(reading.series()).or_default();
                series.insert(reading.time, reading.value);
            }
            Err(_) => {
                reported_at.1.insert(time);
            }
        }
        Ok(())
    }

    /// All that was taken in.
    pub fn finish(self) -> Archive {
        let first = self.devices.values().filter_map(|d| d.0.first()).min();
        let last = self.devices.values().filter_map(|d| d.0.last()).max();
        let sorted = |times: BTreeSet<Timestamp>| times.into_iter().collect::<Vec<_>>();
        let span = Span {
            start: first.copied().unwrap_or_default(),
            end: last.copied().unwrap_or_default().plus_ms(1),
        };
        Archive {
            series: self
                .series
                .into_iter()
                .map(|(channel, values)| {
                    let samples = values.into_iter();
                    let samples = samples.map(|(time, value)| Sample { time, value });
                    (channel, samples.collect())
                })
                .collect(),
            devices: self
                .devices
                .into_iter()
                .map(|(id, (reported_at, impossible))| {
                    (id, (sorted(reported_at), sorted(impossible)))
                })
                .collect(),
            span,
        }
    }
}

impl Archive {
    /// Reads `time,device,channel,unit,value`, packed or plain; later rows replace earlier ones.
    pub fn read(path: &Path) -> Result<Self, Box<dyn Error>> {
        let mut rows = csv::Reader::from_reader(GzDecoder::new(File::open(path)?));
        let mut builder = ArchiveBuilder::default();
        let mut row = csv::StringRecord::new();
        while rows.read_record(&mut row)? {
            builder.take(&ReadingRow {
                time: Timestamp::parse_rfc3339(&row[0]).ok_or("a time is not RFC 3339")?,
                device: &row[1],
                channel: &row[2],
                unit: &row[3],
                value: row[4].parse()?,
            })?;
        }
        Ok(builder.finish())
    }

    /// From the first reading to just after the last.
    pub fn span(&self) -> Span {
        self.span
    }

    /// One series; empty where there is none.
    pub fn series(&self, channel: &ChannelRef) -> &[Sample] {
        self.series.get(channel).map_or(&[], Vec::as_slice)
    }

    /// One device's channel without a prefix.
    pub fn series_of(&self, device: &DeviceId, channel: &str) -> &[Sample] {
        let channel = ChannelName::new(channel).expect("a plain word is a channel's name");
        self.series(&ChannelRef {
            device: device.clone(),
            channel,
        })
    }

    /// Every device that was heard.
    pub fn devices(&self) -> impl Iterator<Item = Heard<'_>> {
        self.devices
            .iter()
            .map(|(id, (reported_at, impossible))| Heard {
                id,
                reported_at,
                impossible,
            })
    }
}

/// What the keeper wrote down.
pub struct Fills(BTreeMap<FeederId, Vec<RecordedFill>>);

impl Fills {
    /// The fills of one feeder, in order of time.
    pub fn of(&self, feeder: &FeederId) -> &[RecordedFill] {
        self.0.get(feeder).map_or(&[], Vec::as_slice)
    }
}

/// Reads `time,feeder,volume_l,strength`.
pub fn read_fills(path: &Path) -> Result<Fills, Box<dyn Error>> {
    let mut rows = csv::Reader::from_path(path)?;
    let mut fills = Vec::new();
    for row in rows.records() {
        let row = row?;
        fills.push(RecordedFill {
            feeder: FeederId::new(&row[1])?,
            time: Timestamp::parse_rfc3339(&row[0]).ok_or("a time is not RFC 3339")?,
            volume_l: (!row[2].is_empty()).then(|| row[2].parse()).transpose()?,
            strength: (!row[3].is_empty())
                .then(|| Strength::parse(&row[3]))
                .transpose()?,
        });
    }
    Ok(sorted_fills(fills))
}

/// What was written down, by feeder and time; of two at the same time the first.
pub fn sorted_fills(all: Vec<RecordedFill>) -> Fills {
    let mut fills: BTreeMap<FeederId, Vec<RecordedFill>> = BTreeMap::new();
    for fill in all {
        fills.entry(fill.feeder.clone()).or_default().push(fill);
    }
    for series in fills.values_mut() {
        series.sort_by_key(|fill| fill.time);
        series.dedup_by_key(|fill| fill.time);
    }
    Fills(fills)
}
