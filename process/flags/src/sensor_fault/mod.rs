//! A device's values can't be right: stuck, out of range, jumping between two echoes, drifting.

pub(crate) mod absurd;
pub(crate) mod below;
pub(crate) mod calm;
pub(crate) mod clock;
pub(crate) mod drift;
pub(crate) mod excursions;
pub(crate) mod judged;
pub(crate) mod rising;
pub(crate) mod stuck;

pub(super) use judged::{Judged, judge_level};

use super::{Details, Episode, RuleContext, SensorFaults, merged};
use absurd::{Reading, absurd};
use below::below_floor;
use drift::scale_drift;
use excursions::Marked;
use larder_domain::{Assignment, DeviceId, Evidence, Flag, FlagKind, Sample, Severity, Timestamp};
use larder_estimate::input::LevelInput;
use larder_estimate::series::level::litres_per_unit;
use larder_estimate::series::runs::same;
use larder_estimate::series::scale::{LEAST_KG, MOST_KG};
use larder_syrup::physics::kg_per_litre;
use rising::level_drift;
use std::collections::BTreeMap;
use stuck::{Beside, stuck};

larder_estimate::numbers! { "flags.sensor_fault":
    /// A feeder that goes so long after a fault began explains it, hours.
    GAP_HOURS: std::ops::Range<f64> = 0.0..4.0, "h", [0.0, 6.0], Chosen;
    /// A level is elsewhere that lies this share of the capacity off.
    AWAY_SHARE: f64 = 0.05, "1", [0.02, 0.2], Chosen;
    /// A level is elsewhere that lies so many times its noise off.
    AWAY_SDS: f64 = 8.0, "1", [2.7, 24.0], Chosen;
    /// A weight is elsewhere that lies this far off, kg: bees and gusts do less between two readings.
    AWAY_KG: f64 = 1.0, "kg", [0.4, 3.0], Chosen;
    /// An instrument is coarse that repeats this share of its values.
    COARSE_SHARE: f64 = 0.5, "1", [0.2, 0.8], Chosen;
    /// A feeder with less than this share of its capacity in it may be empty, by a sensor that is a little off.
    IDLE_SHARE: f64 = 0.05, "1", [0.02, 0.15], Chosen;
    /// A feeder with less than this in it may be empty, by a sensor that is a little off, m of depth.
    IDLE_DEPTH_M: f64 = 0.006, "m", [0.002, 0.015], Chosen;
    /// A scale that shows less than this carries no hive, kg.
    IDLE_KG: f64 = 8.0, "kg", [4.0, 12.0], Chosen;
    /// Wind from this on shakes scales, m/s (common practice: Beaufort 5, a fresh breeze, starts at 8).
    WINDY_M_S: f64 = 8.0, "m/s", [5.0, 12.0], CommonPractice;
    /// Where more than this share of the other scales jumped too, it was weather.
    YARD_SHARE: f64 = 0.2, "1", [0.1, 0.5], Chosen;
    /// They jumped in so many hours up to then.
    YARD_HOURS: f64 = 6.0, "h", [2.0, 24.0], Chosen;
    /// Bees of a living colony fly in light from this on, Cel (common practice).
    FLIGHT_CEL: f64 = 13.0, "Cel", [10.0, 16.0], CommonPractice;
}

struct Suspicion {
    episode: Episode,
    probability: f64,
    evidence: Evidence,
}

/// Raises the flags, one device at a time, and returns what must not be believed.
pub(super) fn raise(
    context: &RuleContext<'_>,
    displaced: &[Vec<Vec<Episode>>],
    flags: &mut Vec<Flag>,
) -> SensorFaults {
    let mut faults = SensorFaults::default();
    let mut by_device: BTreeMap<&DeviceId, Vec<Suspicion>> = BTreeMap::new();
    let scales = weights(context);
    for (h, hive) in context.input.hives.iter().enumerate() {
        let mut of_scales = Vec::new();
        for (device, found) in scale_faults(context, h, &scales) {
            of_scales.extend(found.iter().map(|s| s.episode));
            by_device.entry(device).or_default().extend(found);
        }
        faults.scales.push(of_scales);
        let mut levels = Vec::with_capacity(hive.feeders.len());
        for (f, _) in hive.feeders.iter().enumerate() {
            let mut of_levels = Vec::new();
            for (device, mut found) in level_faults(context, h, f) {
                // A feeder that lies in the grass explains what its sensor sees.
                found.retain(|s| {
                    let off =
                        |d: &&Episode| d.holds_at(s.episode.from) || close_before(d, &s.episode);
                    !displaced[h][f].iter().any(|d| off(&d))
                });
                of_levels.extend(found.iter().map(|s| s.episode));
                by_device.entry(device).or_default().extend(found);
            }
            levels.push(of_levels);
        }
        faults.levels.push(levels);
    }
    for device in &context.input.devices {
        if let Some(found) = clock::clock_off(device, context.input.now) {
            by_device.entry(device.device).or_default().push(found);
        }
    }
    for (device, found) in by_device {
        for episode in merged(found.iter().map(|s| s.episode).collect()) {
            let Some(first) = found.iter().find(|s| s.episode.from == episode.from) else {
                continue;
            };
            let details = Details {
                severity: Severity::Warning,
                probability: first.probability,
                evidence: first.evidence.clone(),
            };
            flags.push(context.device_flag(FlagKind::SensorFault, device, episode, details));
        }
    }
    faults
}

/// When a hive's scale was known to drift.
pub(super) fn drifting_scale(context: &RuleContext<'_>, h: usize) -> Vec<Episode> {
    let drifts = scale_drift(context, h);
    drifts.iter().map(|drift| drift.episode).collect()
}

/// A feeder that went within the hours before or behind explains a fault's first readings.
fn close_before(displaced: &Episode, fault: &Episode) -> bool {
    let gap = displaced.from.hours_since(fault.from);
    GAP_HOURS.contains(&gap)
}

/// One scale's readings under one hive.
struct Weights<'a> {
    hive: usize,
    scale: &'a Assignment,
    samples: &'a [Sample],
    readings: Vec<Reading>,
}

/// The readings of all scales, each in its time under a hive.
fn weights<'a>(context: &RuleContext<'a>) -> Vec<Weights<'a>> {
    let mut all = Vec::new();
    for (h, hive) in context.input.hives.iter().enumerate() {
        for scale in &hive.hive.scales {
            let from = hive.weight.partition_point(|s| s.time < scale.during.start);
            let to = hive.weight.partition_point(|s| s.time < scale.during.end);
            let samples = &hive.weight[from..to.max(from)];
            let shared = scale.source.channel.as_str().contains('/');
            let refused = if shared {
                Vec::new()
            } else {
                refused(context, scale)
            };
            let noise = context.analysis.hives[h].scale.series.noise_sd;
            let values = samples.iter().map(|s| s.value);
            let limit = excursions::limit(values, AWAY_KG.max(AWAY_SDS * noise));
            let impossible = |kg: f64| !(LEAST_KG..=MOST_KG).contains(&kg);
            let valued = samples
                .iter()
                .map(|s| (s.time, s.value, impossible(s.value)));
            let mut readings = put_together(valued.collect(), &refused, limit, coarse(samples));
            for reading in &mut readings {
                let k = context.signals.grid.at_or_after(reading.time);
                if context.signals.weather.wind[k] > WINDY_M_S {
                    reading.marked = Marked::NOTHING;
                }
            }
            all.push(Weights {
                hive: h,
                scale,
                samples,
                readings,
            });
        }
    }
    all
}

/// What is wrong with each scale that stood under a hive, in its time.
fn scale_faults<'a>(
    context: &RuleContext<'a>,
    h: usize,
    all: &[Weights<'a>],
) -> Vec<(&'a DeviceId, Vec<Suspicion>)> {
    let mut drifts = scale_drift(context, h);
    let of_hive = all.iter().filter(|weights| weights.hive == h);
    let scales = of_hive.map(|weights| {
        let mut found = of_scale(context, weights, all);
        let during = weights.scale.during;
        found.extend(drifts.extract_if(.., |drift| during.contains(drift.episode.from)));
        (&weights.scale.source.device, found)
    });
    scales.collect()
}

fn of_scale(
    context: &RuleContext<'_>,
    weights: &Weights<'_>,
    all: &[Weights<'_>],
) -> Vec<Suspicion> {
    let parameters = &context.parameters(weights.hive).sensor_fault;
    let name = weights.scale.source.device.to_string();
    let weather = &context.signals.weather;
    let samples = weights.samples;
    let flies = |i: usize| {
        let k = context.signals.grid.at_or_after(samples[i].time);
        weather.light[k] && weather.air[k] > FLIGHT_CEL
    };
    let beside = Beside {
        idle: &|i| samples[i].value.abs() < IDLE_KG,
        busy: &flies,
        poured: &[],
    };
    let mut found = stuck(samples, parameters.scale_stuck_hours, &name, &beside);
    // What a yard's scales do together is weather.
    let others: Vec<&Weights<'_>> = all
        .iter()
        .filter(|other| other.hive != weights.hive && !other.readings.is_empty())
        .collect();
    let shared_by_yard = |at: Timestamp| {
        let jumped = others.iter().filter(|other| other.jumped_by(at)).count();
        jumped as f64 > YARD_SHARE * others.len() as f64
    };
    let alone = weights.readings.iter().map(|reading| {
        let shared = reading.marked.away > 0 && shared_by_yard(reading.time);
        Reading {
            marked: if shared {
                Marked::NOTHING
            } else {
                reading.marked
            },
            ..*reading
        }
    });
    let readings: Vec<Reading> = alone.collect();
    found.extend(absurd(parameters, &readings, &name, "kg"));
    found
}

impl Weights<'_> {
    /// Whether it showed readings elsewhere in the hours up to `at`.
    fn jumped_by(&self, at: Timestamp) -> bool {
        let until = self.readings.partition_point(|r| r.time <= at);
        let recent = self.readings[..until].iter().rev();
        recent
            .take_while(|r| at.hours_since(r.time) <= YARD_HOURS)
            .any(|r| r.marked.away > 0)
    }
}

/// What is wrong with each level sensor that watched a feeder, in its time.
fn level_faults<'a>(
    context: &RuleContext<'a>,
    h: usize,
    f: usize,
) -> Vec<(&'a DeviceId, Vec<Suspicion>)> {
    let feeder = &context.input.hives[h].feeders[f];
    let mut drifts = level_drift(context, h, f);
    let sensors = feeder.levels.iter().enumerate().map(|(sensor, level)| {
        let mut found = of_level(context, (h, f, sensor), level);
        let during = level.sensor.assignment.during;
        found.extend(drifts.extract_if(.., |drift| during.contains(drift.episode.from)));
        (&level.source().device, found)
    });
    sensors.collect()
}

fn of_level(
    context: &RuleContext<'_>,
    (h, f, sensor): (usize, usize, usize),
    level: &LevelInput<'_>,
) -> Vec<Suspicion> {
    let parameters = &context.parameters(h).sensor_fault;
    let feeder = &context.input.hives[h].feeders[f];
    let capacity_l = feeder.feeder.capacity_l;
    let name = level.source().device.to_string();
    let judged = context.judged[h][f].iter().filter(|j| j.sensor == sensor);
    let judged: Vec<&Judged> = judged.collect();
    let seen: Vec<f64> = judged
        .iter()
        .filter(|j| !j.refused())
        .map(|j| j.litres)
        .collect();
    let per_metre = litres_per_unit(level.geometry(), 0.0, kg_per_litre(None));
    let idle_l = (IDLE_SHARE * capacity_l).max(IDLE_DEPTH_M * per_metre);
    let poured: Vec<Timestamp> = feeder.recorded.iter().map(|fill| fill.time).collect();
    let beside = Beside {
        idle: &|i| seen.get(i).is_none_or(|&litres| litres < idle_l),
        busy: &|_| false,
        poured: &poured,
    };
    let mut found = stuck(level.samples, parameters.stuck_hours, &name, &beside);
    let noise = context.analysis.hives[h].feeders[f].level.series.noise_sd;
    let least = (AWAY_SHARE * capacity_l).max(AWAY_SDS * noise);
    let limit = excursions::limit(seen.iter().copied(), least);
    let levels: Vec<f64> = judged.iter().map(|j| j.litres).collect();
    let below = below_floor(&levels, level.geometry(), capacity_l, noise);
    let valued = judged.iter().zip(below);
    let valued = valued.map(|(j, below)| (j.time, j.litres, j.absurd || below));
    let readings = put_together(valued.collect(), &[], limit, coarse(level.samples));
    found.extend(absurd(parameters, &readings, &name, "l"));
    found
}

/// When values of a source's device were refused as impossible, in the source's time.
fn refused(context: &RuleContext<'_>, source: &Assignment) -> Vec<Timestamp> {
    let mut devices = context.input.devices.iter();
    let device = devices.find(|d| *d.device == source.source.device);
    let times = device.map_or(&[][..], |device| device.impossible);
    let during = times.iter().filter(|at| source.during.contains(**at));
    during.copied().collect()
}

/// All readings of an instrument in order, with what becomes known by each.
fn put_together(
    mut valued: Vec<(Timestamp, f64, bool)>,
    refused: &[Timestamp],
    limit: f64,
    coarse: bool,
) -> Vec<Reading> {
    valued.extend(refused.iter().map(|&time| (time, f64::NAN, true)));
    valued.sort_by_key(|reading| reading.0);
    let possible = valued
        .iter()
        .map(|&(time, value, impossible)| (time, if impossible { f64::NAN } else { value }));
    let marked = excursions::mark(possible, limit, coarse);
    let both = valued.iter().zip(marked);
    both.map(|(&(time, value, impossible), marked)| Reading {
        time,
        value,
        impossible,
        marked,
    })
    .collect()
}

fn coarse(samples: &[Sample]) -> bool {
    let pairs = samples.windows(2);
    let repeats = pairs.filter(|pair| same(pair[0].value, pair[1].value));
    repeats.count() as f64 > COARSE_SHARE * samples.len() as f64
}
