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

#[derive(Default)]
struct Builder {
    series: BTreeMap<ChannelRef, BTreeMap<Timestamp, f64>>,
    devices: BTreeMap<DeviceId, (BTreeSet<Timestamp>, BTreeSet<Timestamp>)>,
}

impl Builder {
    fn take(&mut self, row: &csv::StringRecord) -> Result<(), Box<dyn Error>> {
        let time = Timestamp::parse_rfc3339(&row[0]).ok_or("a time is not RFC 3339")?;
        let device = DeviceId::new(&row[1])?;
        let reported_at = self.devices.entry(device.clone()).or_default();
        reported_at.0.insert(time);
        let checked = Reading::check(
            device,
            ChannelName::new(&row[2])?,
            Some(Unit::new(&row[3])?),
            time,
            row[4].parse()?,
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
}

impl Archive {
    /// Reads `time,device,channel,unit,value`, packed or plain; later rows replace earlier ones.
    pub fn read(path: &Path) -> Result<Self, Box<dyn Error>> {
        let mut rows = csv::Reader::from_reader(GzDecoder::new(File::open(path)?));
        let mut builder = Builder::default();
        let mut row = csv::StringRecord::new();
        while rows.read_record(&mut row)? {
            builder.take(&row)?;
        }
        Ok(Self::from_builder(builder))
    }

    fn from_builder(builder: Builder) -> Self {
        let first = builder.devices.values().filter_map(|d| d.0.first()).min();
        let last = builder.devices.values().filter_map(|d| d.0.last()).max();
        let sorted = |times: BTreeSet<Timestamp>| times.into_iter().collect::<Vec<_>>();
        let span = Span {
            start: first.copied().unwrap_or_default(),
            end: last.copied().unwrap_or_default().plus_ms(1),
        };
        Self {
            series: builder
                .series
                .into_iter()
                .map(|(channel, values)| {
                    let samples = values.into_iter();
                    let samples = samples.map(|(time, value)| Sample { time, value });
                    (channel, samples.collect())
                })
                .collect(),
            devices: builder
                .devices
                .into_iter()
                .map(|(id, (reported_at, impossible))| {
                    (id, (sorted(reported_at), sorted(impossible)))
                })
                .collect(),
            span,
        }
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
    let mut fills: BTreeMap<FeederId, Vec<RecordedFill>> = BTreeMap::new();
    for row in rows.records() {
        let row = row?;
        let feeder = FeederId::new(&row[1])?;
        fills.entry(feeder.clone()).or_default().push(RecordedFill {
            feeder,
            time: Timestamp::parse_rfc3339(&row[0]).ok_or("a time is not RFC 3339")?,
            volume_l: (!row[2].is_empty()).then(|| row[2].parse()).transpose()?,
            strength: (!row[3].is_empty())
                .then(|| Strength::parse(&row[3]))
                .transpose()?,
        });
    }
    for series in fills.values_mut() {
        series.sort_by_key(|fill| fill.time);
        series.dedup_by_key(|fill| fill.time);
    }
    Ok(Fills(fills))
}
