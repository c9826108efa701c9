//! A device's values can't be right: stuck, out of range, jumping between two echoes, drifting.

pub(crate) mod absurd;
pub(crate) mod clock;
pub(crate) mod drift;
pub(crate) mod judged;
pub(crate) mod stuck;

pub(super) use judged::{Judged, judge_level};

use super::{Details, Episode, RuleContext, SensorFaults, merged};
use absurd::absurd;
use drift::{level_drift, scale_drift};
use judged::mark_jumpers;
use larder_domain::{DeviceId, Evidence, Flag, FlagKind, Severity, Timestamp};
use larder_estimate::series::scale::{LEAST_KG, MOST_KG};
use std::collections::BTreeMap;
use stuck::stuck;

larder_estimate::numbers! { "flags.sensor_fault":
    /// A feeder that goes so long after a fault began explains it, hours.
    GAP_HOURS: std::ops::Range<f64> = 0.0..2.0, "h", [0.0, 6.0], Chosen;
    /// A reading is far from the ones before it when it lies this share of the capacity off.
    JUMP_SHARE: f64 = 0.12, "1", [0.04, 0.36], Chosen;
    /// A reading is far from the ones before it when it lies so many times its noise off.
    JUMP_SDS: f64 = 8.0, "1", [2.7, 24.0], Chosen;
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
    for (h, hive) in context.input.hives.iter().enumerate() {
        let mut of_scales = Vec::new();
        for (device, found) in scale_faults(context, h) {
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

/// A feeder that went within the hours before or behind explains a fault's first readings.
fn close_before(displaced: &Episode, fault: &Episode) -> bool {
    let gap = displaced.from.hours_since(fault.from);
    GAP_HOURS.contains(&gap)
}

/// What is wrong with each scale that stood under a hive, in its time.
fn scale_faults<'a>(context: &RuleContext<'a>, h: usize) -> Vec<(&'a DeviceId, Vec<Suspicion>)> {
    let parameters = &context.parameters(h).sensor_fault;
    let input = context.input;
    let hive = &input.hives[h];
    let mut drifts = scale_drift(context, h);
    let scales = hive.hive.scales.iter().map(|scale| {
        let (during, device) = (scale.during, &scale.source.device);
        let from = hive.weight.partition_point(|s| s.time < during.start);
        let to = hive.weight.partition_point(|s| s.time < during.end);
        let samples = &hive.weight[from..to.max(from)];
        let name = device.to_string();
        let mut found = stuck(samples, parameters.scale_stuck_hours, &name);
        let mut readings: Vec<(Timestamp, f64, bool)> = samples
            .iter()
            .map(|s| (s.time, s.value, !(LEAST_KG..=MOST_KG).contains(&s.value)))
            .collect();
        let shared = scale.source.channel.as_str().contains('/');
        let refused = input.devices.iter().find(|d| d.device == device);
        if let (Some(refused), false) = (refused, shared) {
            let times = refused.impossible.iter().filter(|at| during.contains(**at));
            readings.extend(times.map(|&time| (time, f64::NAN, true)));
            readings.sort_by_key(|r| r.0);
        }
        found.extend(absurd(parameters, readings.into_iter(), &name, "kg"));
        found.extend(drifts.extract_if(.., |drift| during.contains(drift.episode.from)));
        (device, found)
    });
    scales.collect()
}

/// What is wrong with each level sensor that watched a feeder, in its time.
fn level_faults<'a>(
    context: &RuleContext<'a>,
    h: usize,
    f: usize,
) -> Vec<(&'a DeviceId, Vec<Suspicion>)> {
    let parameters = &context.parameters(h).sensor_fault;
    let input = context.input;
    let feeder = &input.hives[h].feeders[f];
    let noise = context.analysis.hives[h].feeders[f].level.series.noise_sd;
    let limit = (JUMP_SHARE * feeder.feeder.capacity_l).max(JUMP_SDS * noise);
    let mut drifts = level_drift(context, h, f);
    let sensors = feeder.levels.iter().enumerate().map(|(sensor, level)| {
        let device = &level.source().device;
        let name = device.to_string();
        let mut found = stuck(level.samples, parameters.stuck_hours, &name);
        // A dry sensor shows nothing; that is no fault.
        found.retain(|s| level.samples[s.episode.opened].value.abs() > f64::EPSILON);
        let judged = context.judged[h][f].iter().filter(|j| j.sensor == sensor);
        let mut judged: Vec<Judged> = judged.copied().collect();
        mark_jumpers(&mut judged, limit);
        let readings = judged.iter().map(|j| (j.time, j.litres, j.absurd));
        found.extend(absurd(parameters, readings, &name, "l"));
        let during = level.sensor.assignment.during;
        found.extend(drifts.extract_if(.., |drift| during.contains(drift.episode.from)));
        (device, found)
    });
    sensors.collect()
}
