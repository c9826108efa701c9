//! Nights: when bees are in and hands are off, all that a hive does is lose a little, and all hives
//! of a yard lose alike. What differs is a leak or a drifting scale.

use super::balance::Balance;
use super::signals::{Signals, nodes};
use crate::input::YardInput;
use crate::robust::{MAD_TO_SD, median, median_of_few};
use crate::strengths::kg_per_litre;

/// One hive's night, or the first part of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Night {
    /// The node at which it is known.
    pub known: usize,
    /// How long it was, hours.
    pub hours: f64,
    /// What the hive's weight changed, kg.
    pub own_kg: f64,
    /// The same against the yard and the hive's own nights before, drying taken off, kg.
    pub odd_kg: f64,
    /// How much such nights differ, kg.
    pub sd_kg: f64,
    /// What left the feeders on the scale in that time, kg.
    pub drop_kg: f64,
    /// What left them in the two days before, kg.
    pub fed_kg: f64,
    /// Whether sensors saw all of the feeders all night.
    pub seen: bool,
    /// Nights that made the habit.
    pub n_habit: usize,
}

/// From this local hour.
const EVENING: f64 = 21.0;
/// Looked at after so many hours: when it is first worth it, and at its end.
const PARTS: [f64; 2] = [5.0, 8.0];
/// More rain than this in the night and the hours before makes it useless, mm.
const WET_MM: f64 = 0.5;
const WET_HOURS: f64 = 8.0;
/// Nights that make a habit.
const HABIT_NIGHTS: usize = 9;
/// Nights further off than this make no habit, kg.
const ODD_KG: f64 = 0.2;
/// Nights differ at least by this, kg.
const LEAST_SD_KG: f64 = 0.03;
/// Where there is no habit yet.
const FIRST_SD_KG: f64 = 0.08;
/// What a hive loses in an hour of the night by breathing and drying, kg (measured).
const TYPICAL_KG_PER_HOUR: f64 = -0.015;
/// A hive's nights in order of the moments at which they are known.
pub(super) fn nights(
    input: &YardInput<'_>,
    signals: &Signals,
    balance: &Balance,
    h: usize,
) -> Vec<Night> {
    let yard = Yard {
        input,
        signals,
        balance,
    };
    let mut found = Vec::new();
    for hours in PARTS {
        of_length(&yard, h, hours, &mut found);
    }
    found.sort_by_key(|night| night.known);
    debug_assert!(found.iter().all(|night| night.known <= signals.last));
    found
}

struct Yard<'a> {
    input: &'a YardInput<'a>,
    signals: &'a Signals,
    balance: &'a Balance,
}

fn of_length(case: &Yard<'_>, h: usize, hours: f64, found: &mut Vec<Night>) {
    let signals = case.signals;
    let span = nodes(hours);
    let wet = nodes(WET_HOURS);
    let until = (EVENING + hours) % 24.0;
    let mut habit: Vec<f64> = Vec::new();
    let mut scratch = Vec::new();
    for k in span + wet.max(nodes(24.0))..=signals.last {
        let (before, now) = (signals.local_hour[k - 1], signals.local_hour[k]);
        if !(before < until && now >= until && now - before < 3.0) {
            continue;
        }
        let own_kg = case.balance.weight(h, k) - case.balance.weight(h, k - span);
        let change = |i: usize| case.balance.undried(i, k) - case.balance.undried(i, k - span);
        let rain: f64 = signals.rain_mm[k - span - wet..=k].iter().sum();
        if own_kg.is_nan() || rain > WET_MM {
            continue;
        }
        scratch.clear();
        scratch.extend(
            (0..signals.hives.len())
                .filter(|&i| i != h)
                .map(change)
                .filter(|c| !c.is_nan()),
        );
        let yard = median(&mut scratch).unwrap_or(TYPICAL_KG_PER_HOUR * hours);
        let (input, signals) = (case.input, case.signals);
        let (drop_kg, seen) = left_feeders(input, signals, h, k, span);
        let (day_kg, _) = left_feeders(input, signals, h, k, nodes(24.0));
        let (two_days_kg, _) = left_feeders(input, signals, h, k, nodes(48.0).min(k));
        let excess = change(h) - yard;
        let recent = &habit[habit.len().saturating_sub(HABIT_NIGHTS)..];
        let centre = median_of_few(recent.iter().copied()).unwrap_or(0.0);
        let spread = median_of_few(recent.iter().map(|v| (v - centre).abs())).unwrap_or(0.0);
        let odd_kg = excess - centre;
        found.push(Night {
            known: k,
            hours,
            own_kg,
            odd_kg,
            sd_kg: if recent.len() < 4 {
                FIRST_SD_KG
            } else {
                (MAD_TO_SD * spread).max(LEAST_SD_KG)
            },
            drop_kg,
            fed_kg: day_kg.max(two_days_kg),
            seen,
            n_habit: habit.len(),
        });
        if odd_kg.abs() < ODD_KG {
            habit.push(excess);
        }
    }
}

/// What left the hive's feeders in the last `back` nodes, kg, and whether all were watched.
pub(super) fn left_feeders(
    input: &YardInput<'_>,
    signals: &Signals,
    h: usize,
    k: usize,
    back: usize,
) -> (f64, bool) {
    let mut seen = true;
    let feeders = signals.hives[h].feeders.iter().zip(&input.hives[h].feeders);
    let kg = feeders
        .map(|(feeder, given)| {
            let watched = feeder.sensed && feeder.followed[k].age <= 2;
            seen &= watched;
            if !watched || !given.feeder.on_scale {
                return 0.0;
            }
            // Across a fill, only what left since.
            let from = (k - back)
                .max(feeder.changed[k].map_or(0, |at| at + 4))
                .min(k);
            let left = feeder.followed[from].litres - feeder.followed[k].litres;
            left.max(0.0) * kg_per_litre(feeder.strength[k])
        })
        .sum();
    (kg, seen)
}
