//! Days: what was taken, and what was left.

use super::ROUNDED_L;
use super::subjects::{Subjects, Witness};
use crate::truth::{Condition, DayTruth, Truth};
use larder_domain::{FillEvent, UptakeDay};
use std::collections::{BTreeMap, BTreeSet};

/// What a missing day adds to its error, l.
const MISSING_L: f64 = 0.25;
/// The error of a missing level, as a share of the feeder.
const MISSING_SHARE: f64 = 0.2;
/// From that uptake on a day counts as one on which they took, l.
const TAKING_L: f64 = 0.02;
/// So much more than was there can be taken by rounding and by what is not known of a filling, l.
const ABOVE_L: f64 = 0.1;

/// A feeder may hold that much more than a ruler says, as a share.
const RULER_SHARE: f64 = 0.05;

/// One feeder's day.
#[derive(Clone)]
pub struct DayScore {
    /// Which feeder and day, with the estimates and the truth in brackets, for people.
    pub place: String,
    pub witness: Witness,
    pub error_l: f64,
    pub covered: bool,
    pub taking: bool,
    /// Whether more was taken than was left by the estimates and truly poured.
    pub above: bool,
    /// Whether more was taken than was left and poured by the estimates themselves.
    pub from_nothing: bool,
    /// Whether an interval does not hold its value, or is negative.
    pub unsound: bool,
    /// Whether the interval of what is left passes the brim.
    pub over_brim: bool,
    pub left: Option<LeftScore>,
}

/// What was left at the end of it.
#[derive(Clone, Copy)]
pub struct LeftScore {
    pub error_l: f64,
    pub covered: bool,
}

pub fn score(
    truth: &Truth,
    subjects: &Subjects,
    days: &[UptakeDay],
    fills: &[FillEvent],
) -> Vec<DayScore> {
    let poured = poured(truth, subjects, fills);
    let mut told: BTreeMap<(String, String), &UptakeDay> = BTreeMap::new();
    for day in days {
        told.insert((day.feeder.to_string(), day.date.to_string()), day);
    }
    let off = blown_off(truth, subjects);
    let mut by_feeder: BTreeMap<&str, Vec<&DayTruth>> = BTreeMap::new();
    for day in &truth.days {
        by_feeder.entry(&day.feeder).or_default().push(day);
    }
    let mut scores = Vec::with_capacity(truth.days.len());
    for (feeder, mut days) in by_feeder {
        days.sort_by(|a, b| a.date.cmp(&b.date));
        let mut before_l = None;
        for day in days {
            let key = (day.feeder.clone(), day.date.clone());
            let estimate = told.get(&key).copied();
            let has_place = !off.contains(&key);
            let own_l = poured.get(&key).copied().unwrap_or(0.0);
            let there_l = before_l.map(|l| (l + day.filled_l, l + own_l));
            scores.push(of_day(
                day,
                estimate,
                there_l,
                has_place,
                (subjects, feeder),
            ));
            before_l = estimate.and_then(|day| Some(day.remaining_l?.value));
        }
    }
    scores
}

fn of_day(
    day: &DayTruth,
    estimate: Option<&UptakeDay>,
    there_l: Option<(f64, f64)>,
    has_place: bool,
    (subjects, feeder): (&Subjects, &str),
) -> DayScore {
    let uptake = estimate.and_then(|day| day.uptake_l);
    let left = estimate.and_then(|day| day.remaining_l);
    let capacity_l = subjects.capacity_l(feeder);
    let covers = |e: larder_syrup::Estimate, x: f64| e.lo - ROUNDED_L <= x && x <= e.hi + ROUNDED_L;
    let sound = |e: larder_syrup::Estimate| {
        e.lo >= -1e-9 && e.lo <= e.value + 1e-9 && e.value <= e.hi + 1e-9
    };
    let over = |e: larder_syrup::Estimate| e.hi > (1.0 + RULER_SHARE) * capacity_l;
    let taken_l = uptake.map_or(0.0, |e| e.value);
    let more = |there_l: f64| taken_l > there_l + ABOVE_L;
    let three = |e: Option<larder_syrup::Estimate>| {
        e.map_or_else(String::new, |e| {
            format!("{:.3} [{:.3}, {:.3}]", e.value, e.lo, e.hi)
        })
    };
    DayScore {
        place: format!(
            "{feeder} on {}: took {} ({:.3}), left {} of {capacity_l} ({:.3})",
            day.date,
            three(uptake),
            day.uptake_l,
            three(left),
            day.remaining_end_l
        ),
        witness: subjects.witness(feeder),
        error_l: uptake.map_or(-(day.uptake_l + MISSING_L), |e| e.value - day.uptake_l),
        covered: uptake.is_some_and(|e| covers(e, day.uptake_l)),
        taking: day.uptake_l > TAKING_L,
        above: there_l.is_some_and(|l| more(l.0)),
        from_nothing: there_l.is_some_and(|l| more(l.1)),
        unsound: !uptake.is_none_or(sound) || !left.is_none_or(sound),
        over_brim: left.is_some_and(over),
        left: has_place.then(|| LeftScore {
            error_l: left.map_or(MISSING_SHARE * capacity_l, |e| {
                e.value - day.remaining_end_l
            }),
            covered: left.is_some_and(|e| covers(e, day.remaining_end_l)),
        }),
    }
}

/// Days and feeders of which there is nothing to say how much is left.
fn blown_off(truth: &Truth, subjects: &Subjects) -> BTreeSet<(String, String)> {
    let mut off = BTreeSet::new();
    for event in truth
        .events
        .iter()
        .filter(|e| e.kind == Condition::Displaced)
    {
        let zone = subjects.zone(&event.yard);
        let last = event.end.local_date(zone);
        let from = event.start.local_date(zone);
        for date in from.iter_days().take_while(|date| *date <= last) {
            off.insert((event.feeder.clone(), date.to_string()));
        }
    }
    off
}

/// What was poured by the estimates, by feeder and date.
fn poured(
    truth: &Truth,
    subjects: &Subjects,
    fills: &[FillEvent],
) -> BTreeMap<(String, String), f64> {
    let days = truth.days.iter();
    let yards: BTreeMap<&str, &str> = days.map(|day| (&*day.feeder, &*day.yard)).collect();
    let mut poured = BTreeMap::new();
    for fill in fills {
        let feeder = fill.feeder.to_string();
        let zone = subjects.zone(yards.get(&*feeder).copied().unwrap_or_default());
        let date = fill.time.local_date(zone).to_string();
        *poured.entry((feeder, date)).or_default() += fill.volume_l.map_or(0.0, |v| v.value);
    }
    poured
}
