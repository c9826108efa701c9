//! A device's values can't be right: stuck, out of range, jumping between two echoes, drifting.

use super::night::Night;
use super::{Case, Faults, Sign, Spell, Words, joined, spells};
use crate::input::FeederInput;
use crate::level::litres;
use crate::robust::quantile;
use crate::strengths::kg_per_litre;
use larder_domain::{
    ChannelRef, DeviceId, Estimate, Evidence, Flag, FlagKind, Measure, Sample, Severity, Timestamp,
};
use std::collections::BTreeMap;

/// A level reading and what is to be thought of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Judged {
    /// When.
    pub time: Timestamp,
    /// Litres by the geometry given.
    pub litres: f64,
    /// It can't be: out of the feeder, refused as impossible, or far from its neighbours.
    pub absurd: bool,
    /// The same value as the one before.
    pub repeated: bool,
}

/// Litres that a reading may lie outside the feeder, as a share of its capacity and plainly.
const OUTSIDE_SHARE: f64 = 0.2;
const OUTSIDE_LITRES: f64 = 0.5;
/// A scale under a hive shows more than this and less than that, kg (common practice: an empty
/// nucleus box weighs some 4 kg, a full hive with supers up to 200 kg).
const LEAST_KG: f64 = 4.0;
const MOST_KG: f64 = 300.0;
/// A reading is far from the ones before it from this share of the capacity on.
const JUMP_SHARE: f64 = 0.12;
/// And so many times its noise.
const JUMP_SDS: f64 = 8.0;

/// Judges a feeder's level readings, those refused as impossible included.
pub(super) fn judge_level(feeder: &FeederInput<'_>, case: &Case<'_>) -> Vec<Judged> {
    let Some(level) = feeder.levels.first() else {
        return Vec::new();
    };
    let capacity = feeder.feeder.capacity_l;
    let least = -OUTSIDE_SHARE * capacity - OUTSIDE_LITRES;
    let most = (1.0 + OUTSIDE_SHARE) * capacity + OUTSIDE_LITRES;
    let density = kg_per_litre(None);
    let mut judged: Vec<Judged> = level
        .samples
        .iter()
        .map(|sample| {
            let value = litres(level.geometry, sample.value, || density);
            Judged {
                time: sample.time,
                litres: value,
                absurd: !(least..=most).contains(&value),
                repeated: false,
            }
        })
        .collect();
    let sensor = feeder.feeder.sensors.first();
    let refused = sensor.and_then(|s| {
        let device = &s.assignment.source.device;
        case.input.devices.iter().find(|d| d.device == device)
    });
    for &time in refused.map_or(&[][..], |device| device.impossible) {
        judged.push(Judged {
            time,
            litres: f64::NAN,
            absurd: true,
            repeated: false,
        });
    }
    judged.sort_by_key(|j| j.time);
    mark_zeros(level.samples, capacity, &mut judged);
    for i in 1..judged.len() {
        judged[i].repeated = same(judged[i].litres, judged[i - 1].litres);
    }
    judged
}

/// A plain zero from a sensor that had a good deal of syrup before it shortly before.
fn mark_zeros(samples: &[Sample], capacity: f64, judged: &mut [Judged]) {
    let mut good: Option<(Timestamp, f64)> = None;
    for (sample, judged) in samples.iter().zip(judged.iter_mut()) {
        let zero = sample.value == 0.0;
        let full = good.is_some_and(|(at, litres)| {
            litres > FULL_SHARE * capacity && sample.time.hours_since(at) <= ZERO_HOURS
        });
        if zero && full {
            judged.absurd = true;
        } else if !zero {
            good = Some((sample.time, judged.litres));
        }
    }
}

/// More than this share of the capacity does not go between two readings.
const FULL_SHARE: f64 = 0.15;
/// Readings further apart say nothing about that, hours.
const ZERO_HOURS: f64 = 4.0;

fn same(a: f64, b: f64) -> bool {
    a.to_bits() == b.to_bits()
}

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
    let mut judged = judge_level(feeder, case);
    let noise = case.analysis.hives[h].feeders[f].level.series.noise_sd;
    let limit = (JUMP_SHARE * feeder.feeder.capacity_l).max(JUMP_SDS * noise);
    mark_jumpers(&mut judged, limit);
    let readings = judged.iter().map(|j| (j.time, j.litres, j.absurd));
    found.extend(absurd(case, readings, &name(source), "l"));
    found.extend(level_drift(case, h, f));
    found
}

/// Readings that jump away from the one before and back again count as absurd: echoes, a loose
/// plug. A step that stays does not.
fn mark_jumpers(judged: &mut [Judged], limit: f64) {
    let mut away: Vec<usize> = Vec::new();
    for i in 2..judged.len() {
        let (a, b, c) = (judged[i - 2].litres, judged[i - 1].litres, judged[i].litres);
        if (b - a).abs() > limit && (b - c).abs() > limit {
            away.push(i - 1);
        }
    }
    for i in away {
        judged[i].absurd = true;
    }
}

/// A value that stays exactly the same, longer than chance allows.
fn stuck(samples: &[Sample], hours: f64, device: &str) -> Vec<Suspicion> {
    let least_run = longest_run_by_chance(samples);
    let hours = hours.max(HABIT_FACTOR * longest_of_a_day(samples));
    let mut start = 0;
    let signs = samples.iter().enumerate().map(|(i, sample)| {
        if i > 0 && !same(sample.value, samples[i - 1].value) {
            start = i;
        }
        let lasted = sample.time.hours_since(samples[start].time);
        let sign = if i - start + 1 >= least_run && lasted >= hours {
            Sign::Holds
        } else if i > start {
            Sign::Between
        } else {
            Sign::Gone
        };
        (sample.time, sign)
    });
    let found = spells(signs, 0.0, 0.5);
    found
        .into_iter()
        .map(|spell| Suspicion {
            evidence: Evidence::new(format!(
                "{device} has shown exactly {{value}} for {{hours}} and more; its values never stay the same for so long."
            ))
            .with("value", samples[spell.opened].value, Measure::Number)
            .with("hours", hours, Measure::Hours),
            probability: 0.95,
            spell,
        })
        .collect()
}

/// A value is stuck when it lasts so many times longer than the series' own long runs.
const HABIT_FACTOR: f64 = 3.0;
/// Which of the days' longest runs counts: the median, so that days of a fault do not make a habit.
const HABIT_QUANTILE: f64 = 0.5;

/// How long a value usually lasts at most in a day, hours: on a coarse converter a quiet night can
/// pass with one value.
fn longest_of_a_day(samples: &[Sample]) -> f64 {
    let mut longest: BTreeMap<i64, f64> = BTreeMap::new();
    let mut start = 0;
    for i in 0..samples.len() {
        if i > 0 && !same(samples[i].value, samples[i - 1].value) {
            start = i;
        }
        let lasted = samples[i].time.hours_since(samples[start].time);
        let day = longest
            .entry(samples[i].time.0.div_euclid(86_400_000))
            .or_default();
        *day = day.max(lasted);
    }
    let mut days: Vec<f64> = longest.into_values().collect();
    quantile(&mut days, HABIT_QUANTILE).unwrap_or(0.0)
}

/// How many equal values in a row chance gives once in a hundred such series.
fn longest_run_by_chance(samples: &[Sample]) -> usize {
    let n = samples.len().max(2);
    let equal = samples.windows(2).filter(|w| same(w[0].value, w[1].value));
    let share = (equal.count() as f64 / (n - 1) as f64).clamp(0.02, 0.95);
    ((0.01 / n as f64).ln() / share.ln()).ceil() as usize
}

/// Many readings of the last hours that can't be.
fn absurd(
    case: &Case<'_>,
    readings: impl Iterator<Item = (Timestamp, f64, bool)>,
    device: &str,
    unit: &str,
) -> Vec<Suspicion> {
    let parameters = &case.parameters.sensor_fault;
    let readings: Vec<_> = readings.collect();
    let mut from = 0;
    let mut bad = 0;
    let signs = readings.iter().enumerate().map(|(i, &(time, _, is_bad))| {
        bad += usize::from(is_bad);
        while time.hours_since(readings[from].0) > parameters.absurd_hours {
            bad -= usize::from(readings[from].2);
            from += 1;
        }
        let share = bad as f64 / (i - from + 1) as f64;
        let sign = if bad >= LEAST_ABSURD && share >= parameters.absurd_share {
            Sign::Holds
        } else if share <= parameters.sound_share {
            Sign::Gone
        } else {
            Sign::Between
        };
        (time, sign)
    });
    let found = spells(signs, 0.0, 1.0);
    let words = |spell: Spell| {
        let (_, value, _) = readings[spell.opened];
        let example = if value.is_nan() {
            "values that are not possible".to_owned()
        } else {
            format!("values such as {{value}} {unit}")
        };
        let evidence = Evidence::new(format!(
            "More than {{share}} of the readings of {device} in {{hours}} can't be right: {example}."
        ))
        .with("share", parameters.absurd_share, Measure::Share)
        .with("hours", parameters.absurd_hours, Measure::Hours);
        Suspicion {
            evidence: if value.is_nan() {
                evidence
            } else {
                evidence.with("value", value, Measure::Number)
            },
            probability: 0.93,
            spell,
        }
    };
    found.into_iter().map(words).collect()
}

/// Fewer than this in a window are bad luck.
const LEAST_ABSURD: usize = 4;

/// A scale that moves by night as no hive does: a gain, which no hive has at night, or a loss while
/// every feeder was watched and nothing left them. Two nights in a row say so, or one very odd one.
fn scale_drift(case: &Case<'_>, h: usize) -> Vec<Suspicion> {
    let parameters = &case.parameters.sensor_fault;
    let grid = &case.signals.grid;
    let source = case.input.hives[h].hive.scales.first().map(|a| &a.source);
    let mut before: Option<Night> = None;
    let mut said = Vec::with_capacity(case.nights[h].len());
    for night in &case.nights[h] {
        let odd = night.odd_kg;
        let least = parameters.drift_kg_per_night * night.hours / 8.0;
        let clear = odd.abs() > least
            && odd.abs() > parameters.drift_sds * night.sd_kg
            && night.n_habit >= 4;
        let gains = odd > 0.0 && night.own_kg > GAIN_AT_NIGHT_KG * night.hours / 8.0;
        let flowed = (0..FLOW_DAYS).any(|day| {
            let then = night
                .known
                .saturating_sub(day * super::signals::nodes(24.0));
            case.balance.change(h, then, DAY) > FLOW_KG
        });
        let drying = flowed || night.fed_kg > FED_KG;
        let loses = odd < 0.0 && night.seen && night.drop_kg < LEAK_SHARE * -odd && !drying;
        let suspect = clear && (gains || loses);
        let again = before.is_some_and(|earlier| {
            let apart = grid.time(night.known).hours_since(grid.time(earlier.known));
            earlier.odd_kg * odd > 0.0 && (12.0..80.0).contains(&apart)
        });
        let sure = suspect && (odd.abs() > 2.0 * least || again);
        if suspect && before.is_none_or(|earlier| night.known - earlier.known > 20) {
            before = Some(*night);
        }
        let sign = match suspect {
            _ if sure => Sign::Holds,
            true => Sign::Between,
            false if odd.abs() < 0.5 * least => Sign::Gone,
            false => Sign::Between,
        };
        let change = Estimate::normal(odd, night.sd_kg);
        said.push((grid.time(night.known), sign, change));
    }
    let found = spells(said.iter().map(|&(at, sign, _)| (at, sign)), 0.0, 0.0);
    let words = |spell: Spell| {
        Suspicion {
        evidence: Evidence::new(format!(
            "{} changed by {{change}} in one night against the other hives of the yard and its own nights before, and nothing went in or out: the scale drifts.",
            name(source)
        ))
        .with_estimate("change", said[spell.opened].2, Measure::MassChange),
        probability: 0.75,
        spell,
    }
    };
    found.into_iter().map(words).collect()
}

/// The window in [`super::balance::WINDOWS`] that is one day.
const DAY: usize = 5;
/// A hive that gained this in a day dries nectar for some nights, kg.
const FLOW_KG: f64 = 0.25;
const FLOW_DAYS: usize = 5;
/// And one that was fed this in two days dries syrup, kg.
const FED_KG: f64 = 1.0;
/// A hive does not gain this much in a dry night, kg.
const GAIN_AT_NIGHT_KG: f64 = 0.03;
/// From this share of the loss on the feeder explains it.
const LEAK_SHARE: f64 = 0.3;

/// A level that rises steadily while nobody pours.
fn level_drift(case: &Case<'_>, h: usize, f: usize) -> Vec<Suspicion> {
    let signals = case.signals;
    let grid = &signals.grid;
    let feeder = &signals.hives[h].feeders[f];
    let capacity = case.feeder(h, f).capacity_l;
    let source = case
        .feeder(h, f)
        .sensors
        .first()
        .map(|s| &s.assignment.source);
    let back = super::signals::nodes(RISE_HOURS);
    let mean = |k: usize| {
        let around = feeder.litres[k + 1 - MEAN_NODES..=k]
            .iter()
            .filter(|v| !v.is_nan());
        let (n, sum) = around.fold((0, 0.0), |(n, sum), v| (n + 1, sum + v));
        if n * 2 < MEAN_NODES {
            f64::NAN
        } else {
            sum / n as f64
        }
    };
    let rise = |k: usize| {
        let from = k.checked_sub(back + MEAN_NODES);
        let Some(from) = from.filter(|&from| feeder.changed[k] == feeder.changed[from]) else {
            return f64::NAN;
        };
        let settled = feeder.changed[k].is_none_or(|at| from > at + 8);
        let middle = mean(k - back / 2);
        let halves = (middle - mean(k - back), mean(k) - middle);
        let total = halves.0 + halves.1;
        let steady = halves.0 > 0.3 * total && halves.1 > 0.3 * total;
        if settled && (steady || total < 0.0) {
            total
        } else if settled {
            0.0
        } else {
            f64::NAN
        }
    };
    let limit = (RISE_SHARE * capacity).max(6.0 * feeder.noise_l);
    let signs = (0..=signals.last).map(|k| {
        let sign = match rise(k) {
            up if up > limit => Sign::Holds,
            up if up < 0.3 * limit => Sign::Gone,
            _ => Sign::Between,
        };
        (grid.time(k), sign)
    });
    let found = spells(signs, 2.0, 12.0);
    let sd_l = feeder.noise_l * (2.0 / MEAN_NODES as f64).sqrt();
    let risen = |k: usize| Estimate::normal(rise(k), sd_l);
    let words = |spell: Spell| Suspicion {
        evidence: Evidence::new(format!(
            "The level by {} rose by {{rise}} in {{hours}} while nobody poured: the sensor drifts.",
            name(source)
        ))
        .with_estimate("rise", risen(spell.opened), Measure::Volume)
        .with("hours", RISE_HOURS, Measure::Hours),
        probability: 0.6,
        spell,
    };
    found.into_iter().map(words).collect()
}

/// Over so many hours.
const RISE_HOURS: f64 = 12.0;
/// A level is the mean of so many nodes.
const MEAN_NODES: usize = 6;
/// By so much of the capacity.
const RISE_SHARE: f64 = 0.08;
