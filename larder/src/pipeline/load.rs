//! One yard's readings and records, loaded and owned, to be lent to the estimators.

use super::index::Index;
use super::turns::LeftOut;
use anyhow::Result;
use chrono::NaiveDate;
use larder_domain::time::local_day;
use larder_domain::{
    Assignment, ChannelKind, ChannelName, ChannelRef, DeviceId, Feeder, FeederId, Hive, HiveId,
    LevelSensor, RecordedFill, Sample, Span, Timestamp, Yard, YardId,
};
use larder_estimate::{
    ClockOff, DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput,
};
use larder_process::{recorded_days, window};
use larder_store::{CLOCK_OFF, DeviceHealth, Readings, Records, SeriesInfo, StoreError};
use std::cell::RefCell;
use std::collections::HashMap;
use std::ops::RangeInclusive;
use std::rc::Rc;

/// One yard, loaded.
pub struct LoadedYard<'a> {
    pub yard: &'a Yard,
    /// The local days to estimate, whole ones, cut at now.
    pub span: Span,
    weather: [Vec<Sample>; 5],
    hives: Vec<LoadedHive<'a>>,
    devices: Vec<LoadedDevice>,
    /// What is stored of these is damaged.
    pub left_out: Vec<LeftOut>,
    /// When anything of the yard was measured or written down last.
    last_known: Option<Timestamp>,
}

struct LoadedHive<'a> {
    hive: &'a Hive,
    weight: Vec<Sample>,
    scale_temperature: Vec<Sample>,
    feeders: Vec<LoadedFeeder<'a>>,
}

struct LoadedFeeder<'a> {
    feeder: &'a Feeder,
    levels: Vec<LoadedLevel<'a>>,
    recorded: Vec<RecordedFill>,
}

struct LoadedLevel<'a> {
    sensor: &'a LevelSensor,
    samples: Vec<Sample>,
    syrup_temperature: Vec<Sample>,
}

struct LoadedDevice {
    device: DeviceId,
    reported_at: Vec<Timestamp>,
    battery: Vec<Sample>,
    impossible: Vec<Timestamp>,
    clock_off: Option<ClockOff>,
}

const WEATHER: [ChannelKind; 5] = [
    ChannelKind::Temperature,
    ChannelKind::Humidity,
    ChannelKind::Rain,
    ChannelKind::Wind,
    ChannelKind::Irradiance,
];

impl<'a> LoadedYard<'a> {
    /// Loads what results for `yard` on the local `dates` rest on, or on all dates where none are
    /// given, up to `now`. `None` where nothing is known of them.
    pub fn load(
        readings: &dyn Readings,
        records: &dyn Records,
        index: &Index<'a>,
        yard: &'a Yard,
        dates: Option<RangeInclusive<NaiveDate>>,
        now: Timestamp,
    ) -> Result<Option<Self>> {
        let fills = recorded_fills(records, index, yard)?;
        let Some(known) = known_span(&fills, index, yard, now) else {
            return Ok(None);
        };
        let (asked, context) = match dates {
            None => (Span::ALWAYS, Span::ALWAYS),
            Some(dates) => {
                let start = local_day(yard.timezone, *dates.start()).start;
                let end = local_day(yard.timezone, *dates.end()).end;
                (
                    Span { start, end },
                    window::context_of(dates, yard.timezone),
                )
            }
        };
        let (Some(span), Some(context)) = (known.intersect(asked), known.intersect(context)) else {
            return Ok(None);
        };
        let loader = Loader {
            readings,
            index,
            fills,
            read: RefCell::default(),
            yard: &yard.id,
            span: context,
            now,
        };
        let mut left_out = Vec::new();
        let mut hives = Vec::new();
        for &hive in index.hives(&yard.id) {
            match unless_damaged(loader.hive(hive))? {
                Ok(loaded) => hives.push(loaded),
                Err(damage) => left_out.push(LeftOut {
                    hive: Some(hive.id.clone()),
                    device: None,
                    sentence: format!("hive {} is not estimated: {damage}", hive.id),
                }),
            }
        }
        let mut devices = Vec::new();
        for device in index.devices(&yard.id) {
            match unless_damaged(loader.device(device))? {
                Ok(loaded) => devices.push(loaded),
                Err(damage) => left_out.push(LeftOut {
                    hive: None,
                    device: Some(device.clone()),
                    sentence: format!("device {device} is not watched: {damage}"),
                }),
            }
        }
        let mut weather = Default::default();
        if let Some(device) = &yard.weather {
            match unless_damaged(loader.weather(device))? {
                Ok(loaded) => weather = loaded,
                Err(damage) => left_out.push(LeftOut {
                    hive: None,
                    device: None,
                    sentence: format!("estimated without the weather of {device}: {damage}"),
                }),
            }
        }
        Ok(Some(Self {
            yard,
            span,
            weather,
            hives,
            devices,
            left_out,
            last_known: series_in(index, yard).map(|info| info.last).max(),
        }))
    }

    /// Whether a moment lies behind all that is known: what was wrong then may still be.
    pub fn is_after_all(&self, at: Timestamp) -> bool {
        let fills = self.hives.iter().flat_map(|hive| &hive.feeders);
        let fills = fills.filter_map(|feeder| feeder.recorded.last().map(|fill| fill.time));
        fills.chain(self.last_known).all(|last| last < at)
    }

    /// Lends everything to the estimators.
    pub fn input(&self, now: Timestamp) -> YardInput<'_> {
        let [temperature, humidity, rain, wind, irradiance] = &self.weather;
        YardInput {
            yard: self.yard,
            span: self.span,
            now,
            weather: Weather {
                temperature,
                humidity,
                rain,
                wind,
                irradiance,
            },
            hives: self.hives.iter().map(LoadedHive::input).collect(),
            devices: self.devices.iter().map(LoadedDevice::input).collect(),
        }
    }

    /// The hives that stood here.
    pub fn hive_ids(&self) -> Vec<HiveId> {
        self.hives.iter().map(|hive| hive.hive.id.clone()).collect()
    }

    /// Their feeders.
    pub fn feeder_ids(&self) -> Vec<FeederId> {
        let feeders = self.hives.iter().flat_map(|hive| hive.feeders.iter());
        feeders.map(|feeder| feeder.feeder.id.clone()).collect()
    }
}

impl LoadedHive<'_> {
    fn input(&self) -> HiveInput<'_> {
        HiveInput {
            hive: self.hive,
            weight: &self.weight,
            scale_temperature: &self.scale_temperature,
            feeders: self.feeders.iter().map(LoadedFeeder::input).collect(),
        }
    }
}

impl LoadedFeeder<'_> {
    fn input(&self) -> FeederInput<'_> {
        FeederInput {
            feeder: self.feeder,
            levels: self
                .levels
                .iter()
                .map(|level| LevelInput {
                    sensor: level.sensor,
                    samples: &level.samples,
                    syrup_temperature: &level.syrup_temperature,
                })
                .collect(),
            recorded: &self.recorded,
        }
    }
}

impl LoadedDevice {
    fn input(&self) -> DeviceInput<'_> {
        DeviceInput {
            device: &self.device,
            reported_at: &self.reported_at,
            battery: &self.battery,
            impossible: &self.impossible,
            clock_off: self.clock_off,
        }
    }
}

/// Sets apart what can't be read because it is damaged: that concerns only whoever needs it.
fn unless_damaged<T>(loaded: Result<T>) -> Result<Result<T, String>> {
    let error = match loaded {
        Ok(loaded) => return Ok(Ok(loaded)),
        Err(error) => error,
    };
    let damage = error
        .chain()
        .filter_map(|cause| cause.downcast_ref::<StoreError>())
        .find_map(|error| match error {
            StoreError::Damaged { what, .. } => Some(what.clone()),
            _ => None,
        });
    damage.map_or(Err(error), |what| Ok(Err(what)))
}

struct Loader<'s, 'a> {
    readings: &'s dyn Readings,
    index: &'s Index<'a>,
    fills: HashMap<FeederId, Vec<RecordedFill>>,
    /// What was read of each series over the whole span: hives, weather and devices ask for the same.
    read: RefCell<HashMap<ChannelRef, Rc<Vec<Sample>>>>,
    yard: &'s YardId,
    span: Span,
    now: Timestamp,
}

impl<'a> Loader<'_, 'a> {
    fn hive(&self, hive: &'a Hive) -> Result<LoadedHive<'a>> {
        let stays = stays(hive, self.yard);
        let feeders = self.index.feeders(&hive.id).iter();
        let feeders = feeders
            .map(|feeder| self.feeder(feeder, &stays))
            .collect::<Result<_>>()?;
        Ok(LoadedHive {
            hive,
            weight: self.series(hive.scales.iter().map(|s| (s, s.source.clone())), &stays)?,
            scale_temperature: self.siblings(hive.scales.iter(), "temperature", &stays)?,
            feeders,
        })
    }

    fn feeder(&self, feeder: &'a Feeder, stays: &[Span]) -> Result<LoadedFeeder<'a>> {
        let mut levels = Vec::with_capacity(feeder.sensors.len());
        for sensor in &feeder.sensors {
            let assignment = &sensor.assignment;
            let own = std::iter::once((assignment, assignment.source.clone()));
            levels.push(LoadedLevel {
                sensor,
                samples: self.series(own, stays)?,
                syrup_temperature: self.siblings(
                    std::iter::once(assignment),
                    "syrup_temperature",
                    stays,
                )?,
            });
        }
        let recorded = self.fills.get(&feeder.id).into_iter().flatten();
        let recorded = recorded.filter(|fill| {
            self.span.contains(fill.time) && stays.iter().any(|stay| stay.contains(fill.time))
        });
        Ok(LoadedFeeder {
            feeder,
            levels,
            recorded: recorded.cloned().collect(),
        })
    }

    fn siblings<'x>(
        &self,
        assignments: impl Iterator<Item = &'x Assignment>,
        base: &str,
        stays: &[Span],
    ) -> Result<Vec<Sample>> {
        let sources = assignments.filter_map(|a| Some((a, a.source.sibling(base)?)));
        self.series(sources, stays)
    }

    /// The readings of channels while they stood here and the hive stood in this yard.
    fn series<'x>(
        &self,
        sources: impl Iterator<Item = (&'x Assignment, ChannelRef)>,
        stays: &[Span],
    ) -> Result<Vec<Sample>> {
        let mut samples = Vec::new();
        for (assignment, source) in sources {
            for stay in stays {
                let part = assignment
                    .during
                    .intersect(*stay)
                    .and_then(|p| p.intersect(self.span));
                if let Some(part) = part {
                    let whole = self.whole(&source)?;
                    let from = whole.partition_point(|sample| sample.time < part.start);
                    let to = whole.partition_point(|sample| sample.time < part.end);
                    samples.extend_from_slice(&whole[from..to]);
                }
            }
        }
        samples.sort_by_key(|sample| sample.time);
        samples.dedup_by_key(|sample| sample.time);
        Ok(samples)
    }

    /// One channel's readings over the whole span, read once.
    fn whole(&self, source: &ChannelRef) -> Result<Rc<Vec<Sample>>> {
        if let Some(known) = self.read.borrow().get(source) {
            return Ok(Rc::clone(known));
        }
        let samples = Rc::new(self.range(source, self.span)?);
        let mut read = self.read.borrow_mut();
        read.insert(source.clone(), Rc::clone(&samples));
        Ok(samples)
    }

    /// One channel's readings without stray ones. Whether those at the edges are stray may depend on
    /// what lies beyond, so that any part of a season is loaded as the whole of it is.
    fn range(&self, source: &ChannelRef, span: Span) -> Result<Vec<Sample>> {
        let mut samples = self.readings.range(source, span)?;
        let mut strays = recorded_days::strays(&samples, self.now);
        if !strays.contains(&true) {
            return Ok(samples);
        }
        let wide = Span {
            start: recorded_days::around(span.start).start,
            end: recorded_days::around(span.end).end,
        };
        samples = self.readings.range(source, wide)?;
        strays = recorded_days::strays(&samples, self.now);
        let mut strays = strays.into_iter();
        samples.retain(|sample| !strays.next().unwrap_or(false) && span.contains(sample.time));
        Ok(samples)
    }

    fn weather(&self, device: &DeviceId) -> Result<[Vec<Sample>; 5]> {
        let mut channels: [Vec<Sample>; 5] = Default::default();
        for (kind, samples) in WEATHER.into_iter().zip(&mut channels) {
            let channel = ChannelName::new(kind.name()).expect("known channels have valid names");
            let source = ChannelRef {
                device: device.clone(),
                channel,
            };
            samples.extend_from_slice(&self.whole(&source)?);
        }
        Ok(channels)
    }

    fn device(&self, device: &DeviceId) -> Result<LoadedDevice> {
        let mut reported_at = Vec::new();
        let mut battery = Vec::new();
        for info in self.index.series(device) {
            let samples = self.whole(&info.series)?;
            reported_at.extend(samples.iter().map(|sample| sample.time));
            if info.series.channel.kind() == Some(ChannelKind::Battery) {
                battery = samples.to_vec();
            }
        }
        reported_at.sort_unstable();
        reported_at.dedup();
        let health = self.index.health(device);
        let impossible = health
            .iter()
            .flat_map(|known| known.impossible.iter().map(|(_, at)| *at));
        Ok(LoadedDevice {
            device: device.clone(),
            reported_at,
            battery,
            impossible: impossible.collect(),
            clock_off: health.and_then(clock_off),
        })
    }
}

/// What a device said last with a clock that is off by years.
fn clock_off(health: &DeviceHealth) -> Option<ClockOff> {
    let said = health
        .attributes
        .iter()
        .find(|said| said.name == CLOCK_OFF)?;
    let text = said.value_json.trim_matches('"');
    Some(ClockOff {
        said: Timestamp::parse_rfc3339(text)?,
        received_at: said.time,
    })
}

/// All that was ever written down for the feeders of a yard's hives, in order of time.
fn recorded_fills(
    records: &dyn Records,
    index: &Index<'_>,
    yard: &Yard,
) -> Result<HashMap<FeederId, Vec<RecordedFill>>> {
    let mut found = HashMap::new();
    for hive in index.hives(&yard.id) {
        for feeder in index.feeders(&hive.id) {
            let fills = records.recorded_fills(Some(&feeder.id), Span::ALWAYS)?;
            found.insert(feeder.id.clone(), fills);
        }
    }
    Ok(found)
}

/// From the first reading or fill of a yard to `now`; `None` where there is none.
fn known_span(
    fills: &HashMap<FeederId, Vec<RecordedFill>>,
    index: &Index<'_>,
    yard: &Yard,
    now: Timestamp,
) -> Option<Span> {
    let readings = series_in(index, yard).map(|info| info.first);
    let fills = fills.values().filter_map(|fills| fills.first());
    let first = readings.chain(fills.map(|fill| fill.time)).min();
    let end = now.plus_ms(1);
    first
        .filter(|first| *first < end)
        .map(|start| Span { start, end })
}

/// The series of the devices that ever stood in a yard.
fn series_in<'s>(index: &'s Index<'_>, yard: &Yard) -> impl Iterator<Item = &'s SeriesInfo> {
    index
        .devices(&yard.id)
        .flat_map(|device| index.series(device))
}

/// When a hive stood in a yard.
pub fn stays(hive: &Hive, yard: &YardId) -> Vec<Span> {
    let starts = std::iter::once((Span::ALWAYS.start, &hive.yard)).chain(
        hive.moves
            .iter()
            .map(|carried| (carried.from, &carried.yard)),
    );
    let ends = hive
        .moves
        .iter()
        .map(|carried| carried.from)
        .chain([Span::ALWAYS.end]);
    starts
        .zip(ends)
        .filter(|((_, place), _)| *place == yard)
        .map(|((start, _), end)| Span { start, end })
        .collect()
}

/// A hive's devices that stood with it, or with its feeders, at some time in these spans.
pub fn devices_of<'h>(
    hive: &'h Hive,
    feeders: &'h [&Feeder],
    here: &'h [Span],
) -> impl Iterator<Item = DeviceId> + 'h {
    let sensors = feeders.iter().flat_map(|feeder| &feeder.sensors);
    let assignments = hive
        .scales
        .iter()
        .chain(sensors.map(|sensor| &sensor.assignment));
    assignments
        .filter(|assignment| {
            here.iter()
                .any(|stay| stay.intersect(assignment.during).is_some())
        })
        .map(|assignment| assignment.source.device.clone())
}
