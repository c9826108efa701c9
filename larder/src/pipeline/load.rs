//! One yard's readings and records, loaded and owned, to be lent to the estimators.

use super::turns::LeftOut;
use anyhow::Result;
use chrono::NaiveDate;
use larder_domain::time::local_day;
use larder_domain::{
    Apiary, Assignment, ChannelKind, ChannelName, ChannelRef, DeviceId, Feeder, FeederId, Hive,
    HiveId, LevelSensor, RecordedFill, Sample, Span, Timestamp, Yard, YardId,
};
use larder_process::{
    ClockOff, DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput, record, window,
};
use larder_store::{CLOCK_OFF, DeviceHealth, Readings, Records, SeriesInfo, StoreError};
use std::collections::BTreeSet;
use std::ops::RangeInclusive;

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
    heard: Vec<Timestamp>,
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
        apiary: &'a Apiary,
        yard: &YardId,
        dates: Option<RangeInclusive<NaiveDate>>,
        now: Timestamp,
    ) -> Result<Option<Self>> {
        let Some(yard) = apiary.yard(yard) else {
            return Ok(None);
        };
        let ids = devices_of(apiary, &yard.id);
        let mut series = readings.series()?;
        series.retain(|info| ids.contains(&info.series.device));
        let Some(known) = known_span(records, apiary, yard, &series, now)? else {
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
            records,
            yard: &yard.id,
            span: context,
            now,
        };
        let mut left_out = Vec::new();
        let mut hives = Vec::new();
        for hive in apiary.hives() {
            if stays(hive, &yard.id).is_empty() {
                continue;
            }
            match unless_damaged(loader.hive(apiary, hive))? {
                Ok(loaded) => hives.push(loaded),
                Err(damage) => left_out.push(LeftOut {
                    hive: Some(hive.id.clone()),
                    device: None,
                    sentence: format!("hive {} is not estimated: {damage}", hive.id),
                }),
            }
        }
        let health = records.devices()?;
        let mut devices = Vec::new();
        for device in &ids {
            match unless_damaged(loader.device(device, &series, &health))? {
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
            last_known: series.iter().map(|info| info.last).max(),
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
                    geometry: &level.sensor.geometry,
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
            heard: &self.heard,
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

struct Loader<'s> {
    readings: &'s dyn Readings,
    records: &'s dyn Records,
    yard: &'s YardId,
    span: Span,
    now: Timestamp,
}

impl Loader<'_> {
    fn hive<'a>(&self, apiary: &'a Apiary, hive: &'a Hive) -> Result<LoadedHive<'a>> {
        let stays = stays(hive, self.yard);
        let feeders = apiary
            .feeders_of(&hive.id)
            .map(|feeder| self.feeder(feeder, &stays))
            .collect::<Result<_>>()?;
        Ok(LoadedHive {
            hive,
            weight: self.series(hive.scales.iter().map(|s| (s, s.source.clone())), &stays)?,
            scale_temperature: self.siblings(hive.scales.iter(), "temperature", &stays)?,
            feeders,
        })
    }

    fn feeder<'a>(&self, feeder: &'a Feeder, stays: &[Span]) -> Result<LoadedFeeder<'a>> {
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
        let mut recorded = self.records.recorded_fills(Some(&feeder.id), self.span)?;
        recorded.retain(|fill| stays.iter().any(|stay| stay.contains(fill.time)));
        Ok(LoadedFeeder {
            feeder,
            levels,
            recorded,
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
                    samples.extend(self.range(&source, part)?);
                }
            }
        }
        samples.sort_by_key(|sample| sample.time);
        samples.dedup_by_key(|sample| sample.time);
        Ok(samples)
    }

    /// One channel's readings without stray ones. Whether those at the edges are stray may depend on
    /// what lies beyond, so that any part of a season is loaded as the whole of it is.
    fn range(&self, source: &ChannelRef, span: Span) -> Result<Vec<Sample>> {
        let mut samples = self.readings.range(source, span)?;
        let mut strays = record::strays(&samples, self.now);
        if !strays.contains(&true) {
            return Ok(samples);
        }
        let wide = Span {
            start: record::around(span.start).start,
            end: record::around(span.end).end,
        };
        samples = self.readings.range(source, wide)?;
        strays = record::strays(&samples, self.now);
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
            *samples = self.range(&source, self.span)?;
        }
        Ok(channels)
    }

    fn device(
        &self,
        device: &DeviceId,
        series: &[SeriesInfo],
        health: &[DeviceHealth],
    ) -> Result<LoadedDevice> {
        let mut heard = Vec::new();
        let mut battery = Vec::new();
        for info in series.iter().filter(|info| info.series.device == *device) {
            let samples = self.range(&info.series, self.span)?;
            heard.extend(samples.iter().map(|sample| sample.time));
            if info.series.channel.kind() == Some(ChannelKind::Battery) {
                battery = samples;
            }
        }
        heard.sort_unstable();
        heard.dedup();
        let impossible = health
            .iter()
            .filter(|known| known.device == *device)
            .flat_map(|known| known.impossible.iter().map(|(_, at)| *at));
        Ok(LoadedDevice {
            device: device.clone(),
            heard,
            battery,
            impossible: impossible.collect(),
            clock_off: health
                .iter()
                .find(|known| known.device == *device)
                .and_then(clock_off),
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

/// From the first reading or fill of a yard to `now`; `None` where there is none.
fn known_span(
    records: &dyn Records,
    apiary: &Apiary,
    yard: &Yard,
    series: &[SeriesInfo],
    now: Timestamp,
) -> Result<Option<Span>> {
    let mut first = series.iter().map(|info| info.first).min();
    for hive in apiary
        .hives()
        .filter(|hive| !stays(hive, &yard.id).is_empty())
    {
        for feeder in apiary.feeders_of(&hive.id) {
            let fills = records.recorded_fills(Some(&feeder.id), Span::ALWAYS)?;
            first = first
                .into_iter()
                .chain(fills.first().map(|fill| fill.time))
                .min();
        }
    }
    let end = now.plus_ms(1);
    Ok(first
        .filter(|first| *first < end)
        .map(|start| Span { start, end }))
}

/// When a hive stood in a yard.
fn stays(hive: &Hive, yard: &YardId) -> Vec<Span> {
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

/// Every device that ever stood in a yard.
pub fn devices_of(apiary: &Apiary, yard: &YardId) -> BTreeSet<DeviceId> {
    let mut devices = BTreeSet::new();
    if let Some(device) = apiary.yard(yard).and_then(|yard| yard.weather.clone()) {
        devices.insert(device);
    }
    for hive in apiary.hives() {
        let here = stays(hive, yard);
        let sensors = apiary
            .feeders_of(&hive.id)
            .flat_map(|feeder| feeder.sensors.iter());
        for assignment in hive
            .scales
            .iter()
            .chain(sensors.map(|sensor| &sensor.assignment))
        {
            if here
                .iter()
                .any(|stay| stay.intersect(assignment.during).is_some())
            {
                devices.insert(assignment.source.device.clone());
            }
        }
    }
    devices
}
