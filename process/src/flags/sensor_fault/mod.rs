//! A device's values can't be right: stuck, out of range, jumping between two echoes, drifting.

mod absurd;
mod clock;
mod drift;
mod judged;
mod stuck;

pub(super) use judged::{Judged, judge_level};

use super::{Case, Faults, Spell, Words, joined};
use absurd::absurd;
use drift::{level_drift, scale_drift};
use judged::mark_jumpers;
use larder_domain::{ChannelRef, DeviceId, Evidence, Flag, FlagKind, Severity, Timestamp};
use std::collections::BTreeMap;
use stuck::stuck;

/// A scale under a hive shows more than this and less than that, kg (common practice: an empty
/// nucleus box weighs some 4 kg, a full hive with supers up to 200 kg).
const LEAST_KG: f64 = 4.0;

const MOST_KG: f64 = 300.0;

/// A reading is far from the ones before it from this share of the capacity on.
const JUMP_SHARE: f64 = 0.12;

/// And so many times its noise.
const JUMP_SDS: f64 = 8.0;

struct Suspicion {
    spell: Spell,
    probability: f64,
    evidence: Evidence,
}

/// Raises the flags, one device at a time, and returns what must not be believed.
pub(super) fn raise(
    case: &Case<'_>,
    displaced: &[Vec<Vec<Spell>>],
    flags: &mut Vec<Flag>,
) -> Faults {
    let mut faults = Faults::default();
    let mut by_device: BTreeMap<&DeviceId, Vec<Suspicion>> = BTreeMap::new();
    for (h, hive) in case.input.hives.iter().enumerate() {
        let found = scale_faults(case, h);
        faults.scales.push(found.iter().map(|s| s.spell).collect());
        if let Some(source) = hive.hive.scales.first().map(|a| &a.source) {
            by_device.entry(&source.device).or_default().extend(found);
        }
        let mut levels = Vec::with_capacity(hive.feeders.len());
        for (f, feeder) in hive.feeders.iter().enumerate() {
            let mut found = level_faults(case, h, f);
            // A feeder that lies in the grass explains what its sensor sees.
            found.retain(|s| {
                let off = |d: &&Spell| d.holds_at(s.spell.from) || close_before(d, &s.spell);
                !displaced[h][f].iter().any(|d| off(&d))
            });
            levels.push(found.iter().map(|s| s.spell).collect());
            if let Some(sensor) = feeder.feeder.sensors.first() {
                let device = &sensor.assignment.source.device;
                by_device.entry(device).or_default().extend(found);
            }
        }
        faults.levels.push(levels);
    }
    for device in &case.input.devices {
        if let Some(found) = clock::clock_off(device, case.input.now) {
            by_device.entry(device.device).or_default().push(found);
        }
    }
    for (device, found) in by_device {
        for spell in joined(found.iter().map(|s| s.spell).collect()) {
            let Some(first) = found.iter().find(|s| s.spell.from == spell.from) else {
                continue;
            };
            let words = Words {
                severity: Severity::Warning,
                probability: first.probability,
                evidence: first.evidence.clone(),
            };
            flags.push(case.device_flag(FlagKind::SensorFault, device, spell, words));
        }
    }
    faults
}

/// A feeder that went within the hours before or behind explains a fault's first readings.
fn close_before(displaced: &Spell, fault: &Spell) -> bool {
    let gap = displaced.from.hours_since(fault.from);
    (0.0..2.0).contains(&gap)
}

fn name(source: Option<&ChannelRef>) -> String {
    source.map_or_else(|| "the sensor".into(), |source| source.device.to_string())
}

fn scale_faults(case: &Case<'_>, h: usize) -> Vec<Suspicion> {
    let parameters = &case.parameters.sensor_fault;
    let hive = &case.input.hives[h];
    let source = hive.hive.scales.first().map(|a| &a.source);
    let refused = source.and_then(|s| case.input.devices.iter().find(|d| d.device == &s.device));
    let samples = hive.weight;
    let mut found = stuck(samples, parameters.scale_stuck_hours, &name(source));
    let mut readings: Vec<(Timestamp, f64, bool)> = samples
        .iter()
        .map(|s| (s.time, s.value, !(LEAST_KG..=MOST_KG).contains(&s.value)))
        .collect();
    let shared = source.is_some_and(|s| s.channel.as_str().contains('/'));
    if !shared {
        let times = refused.map_or(&[][..], |device| device.impossible);
        readings.extend(times.iter().map(|&time| (time, f64::NAN, true)));
        readings.sort_by_key(|r| r.0);
    }
    found.extend(absurd(case, readings.into_iter(), &name(source), "kg"));
    found.extend(scale_drift(case, h));
    found
}

fn level_faults(case: &Case<'_>, h: usize, f: usize) -> Vec<Suspicion> {
    let parameters = &case.parameters.sensor_fault;
    let feeder = &case.input.hives[h].feeders[f];
    let Some(level) = feeder.levels.first() else {
        return Vec::new();
    };
    let source = feeder.feeder.sensors.first().map(|s| &s.assignment.source);
    let mut found = stuck(level.samples, parameters.stuck_hours, &name(source));
    // A dry sensor shows nothing; that is no fault.
    found.retain(|s| level.samples[s.spell.opened].value.abs() > f64::EPSILON);
    let mut judged = case.judged[h][f].clone();
    let noise = case.analysis.hives[h].feeders[f].level.series.noise_sd;
    let limit = (JUMP_SHARE * feeder.feeder.capacity_l).max(JUMP_SDS * noise);
    mark_jumpers(&mut judged, limit);
    let readings = judged.iter().map(|j| (j.time, j.litres, j.absurd));
    found.extend(absurd(case, readings, &name(source), "l"));
    found.extend(level_drift(case, h, f));
    found
}
