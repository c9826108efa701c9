//! What is true of a graft: days, fills, nights, and when each condition held.

use super::base::{BaseHive, DAY_MS};
use super::crew::Fill;
use super::gauges::{Gauge, Shown, Spell, Wrong};
use super::life::Moment;
use super::mishaps::{Going, Mishap, steps};
use super::platform::Fault;
use super::written::Heard;
use super::yard::{Hive, Place, Yard};
use super::{HOUR_MS, STEP_H, STEP_MS, STEPS_A_DAY};
use crate::trial::windows::{Window, day_mean, joined, windows};
use crate::truth::{Condition, DayTruth, EventTruth, FillTruth, NightTruth, Truth};
use chrono_tz::Tz;
use larder_domain::time::local_day;
use larder_domain::{Span, Timestamp};

/// Less of the appetite than this is left over a day: too cold. More than that: it could take.
const COLD_EASE: f64 = 0.2;
const WARM_EASE: f64 = 0.4;
/// What an unfed hive gains in a day when nectar comes in for certain, and when it may.
const FLOW_KG: f64 = 0.3;
const SOME_FLOW_KG: f64 = 0.04;

pub fn truth(place: &Place, yards: &[Yard], heard: &[Heard]) -> Truth {
    let mut truth = Truth {
        span_days: place.days as f64,
        policy: false,
        ..Truth::default()
    };
    let zone: Tz = place.zone.parse().expect("zones of the list");
    let mut date = place.start.local_date(zone);
    let mut days = Vec::new();
    while let Some(next) = date.succ_opt() {
        let span = local_day(zone, date);
        if span.end > place.end() {
            break;
        }
        if span.start >= place.start {
            days.push((date.to_string(), span));
        }
        date = next;
    }
    for yard in yards {
        for hive in &yard.hives {
            let mut told = Told {
                place,
                yard,
                hive,
                days: &days,
                truth: &mut truth,
            };
            told.days();
            told.fills();
            told.conditions();
            told.nights();
        }
    }
    for heard in heard {
        devices(place, heard, &mut truth);
    }
    truth
}

struct Told<'a> {
    place: &'a Place,
    yard: &'a Yard,
    hive: &'a Hive,
    days: &'a [(String, Span)],
    truth: &'a mut Truth,
}

impl Told<'_> {
    fn step_of(&self, at: Timestamp) -> usize {
        ((at.0 - self.place.start.0).max(0) / STEP_MS) as usize
    }

    fn days(&mut self) {
        for (date, span) in self.days {
            let (from, until) = (self.step_of(span.start), self.step_of(span.end));
            let part = &self.hive.moments[from..until];
            let sum = |of: fn(&Moment) -> f64| part.iter().map(of).sum::<f64>();
            self.truth.days.push(DayTruth {
                date: date.clone(),
                yard: self.yard.id.clone(),
                hive: self.hive.id.clone(),
                feeder: self.hive.feeder(),
                uptake_l: sum(|m| m.taken_l),
                remaining_end_l: part.last().map_or(0.0, |m| m.litres),
                leaked_l: sum(|m| m.leaked_l),
                robbed_l: sum(|m| m.robbed_l),
                spilled_l: sum(|m| m.spilled_l),
                evaporated_l: sum(|m| m.evaporated_l),
                filled_l: sum(|m| m.filled_l),
            });
        }
    }

    fn fills(&mut self) {
        // Some visits only tip out what has soured.
        for fill in self.hive.fills.iter().filter(|fill| fill.litres > 0.0) {
            self.truth.fills.push(FillTruth {
                time: self.place.time(fill.step),
                yard: self.yard.id.clone(),
                hive: self.hive.id.clone(),
                feeder: self.hive.feeder(),
                volume_l: fill.litres,
                strength: self.yard.strength.to_string(),
                mass_kg: fill.mass_kg,
                recorded: match fill.note {
                    Some((_, Some(_))) => "volume",
                    Some((_, None)) => "plain",
                    None => "none",
                },
            });
        }
    }

    fn event(&self, kind: Condition, window: Window) -> EventTruth {
        let of_hive = matches!(
            kind,
            Condition::FlowOn | Condition::Robbed | Condition::Swarmed | Condition::Tipped
        );
        EventTruth {
            kind,
            yard: self.yard.id.clone(),
            hive: self.hive.id.clone(),
            feeder: if of_hive {
                String::new()
            } else {
                self.hive.feeder()
            },
            device: String::new(),
            start: self.place.time(window.0),
            end: self.place.time(window.1),
        }
    }

    /// Those that last are events, the others in doubt.
    fn keep(&mut self, kind: Condition, found: Vec<Window>, least_h: f64) {
        for window in found {
            let event = self.event(kind, window);
            if window.1 - window.0 >= steps(least_h) {
                self.truth.events.push(event);
            } else {
                self.truth.doubtful.push(event);
            }
        }
    }

    fn doubt(&mut self, kind: Condition, found: Vec<Window>) {
        let events: Vec<_> = found.into_iter().map(|w| self.event(kind, w)).collect();
        self.truth.doubtful.extend(events);
    }

    fn conditions(&mut self) {
        let m = &self.hive.moments;
        let n = m.len();
        let h = self.hive.habits;
        let ease = day_mean(m, STEPS_A_DAY, |m| m.ease);
        let least_l = f64::max(0.02 * h.capacity_l, 0.05);
        let first = self.hive.fills.first().map_or(n, |fill| fill.step);
        let dry = windows(n, |k| k > first && m[k].litres < least_l && !m[k].off);
        self.keep(Condition::Empty, dry, 3.0);
        let low = |k: usize| m[k].litres < 2.2 * least_l || k <= first || m[k].off;
        self.doubt(Condition::Empty, windows(n, low));
        let there = |k: usize| m[k].litres > 0.05 * h.capacity_l && !m[k].off;
        let cold = windows(n, |k| there(k) && ease[k] < COLD_EASE);
        self.keep(Condition::TooCold, cold, 6.0);
        self.doubt(Condition::TooCold, windows(n, |k| ease[k] < WARM_EASE));
        let sour = windows(n, |k| m[k].litres > 0.06 * h.capacity_l && m[k].sour);
        self.keep(Condition::Souring, sour, 24.0);
        self.doubt(Condition::Souring, windows(n, |k| m[k].aged > 0.5));
        let taken = day_mean(m, STEPS_A_DAY, |m| m.taken_l * STEPS_A_DAY as f64);
        let slow = windows(n, |k| taken[k] < 0.35 * h.appetite_l_per_day);
        let slow = slow.into_iter().map(|w| (w.0, (w.1 + STEPS_A_DAY).min(n)));
        self.doubt(Condition::Stalled, slow.collect());
        self.flow();
        let goings = self.hive.goings.clone();
        for going in &goings {
            self.mishap(going, &ease);
        }
        let taken_off: Vec<Window> = goings
            .iter()
            .filter(|g| matches!(g.mishap, Mishap::Gone { .. }))
            .map(|g| (g.from, g.until))
            .collect();
        for kind in [Condition::Displaced, Condition::Leaking, Condition::Robbed] {
            self.doubt(kind, taken_off.clone());
        }
    }

    fn mishap(&mut self, going: &Going, ease: &[f64]) {
        let m = &self.hive.moments;
        let window = (going.from, going.until.min(m.len()));
        let inside = |k: usize| (window.0..window.1).contains(&k);
        match going.mishap {
            Mishap::Leak { .. } => {
                let drips = windows(m.len(), |k| inside(k) && m[k].leaked_l > 1e-5);
                let drips = joined(drips, steps(12.0));
                let lost = |w: &Window| m[w.0..w.1].iter().map(|m| m.leaked_l).sum::<f64>();
                // Less than a cup is nobody's trouble.
                let (large, small) = drips.into_iter().partition(|w| lost(w) >= 0.1);
                self.keep(Condition::Leaking, large, 0.0);
                self.doubt(Condition::Leaking, small);
            }
            Mishap::Robbers { .. } => {
                let gone: f64 = m[window.0..window.1].iter().map(|m| m.robbed_l).sum();
                let least_h = if gone > 0.05 { 0.0 } else { f64::MAX };
                self.keep(Condition::Robbed, vec![window], least_h);
                self.doubt(Condition::Leaking, vec![(window.0, window.1 + steps(12.0))]);
            }
            Mishap::Off => {
                let there = window.0 > 0 && m[window.0 - 1].litres > 0.05;
                let least_h = if there { 0.0 } else { f64::MAX };
                self.keep(Condition::Displaced, vec![window], least_h);
                self.doubt(Condition::Leaking, vec![window]);
            }
            Mishap::Unwilling { .. } => {
                let days = self.flow_days(SOME_FLOW_KG);
                let flows = |k: usize| days.iter().any(|w| (w.0..w.1).contains(&k));
                let could = |k: usize| {
                    let there = m[k].litres > 0.1 * self.hive.habits.capacity_l;
                    inside(k) && there && ease[k] > WARM_EASE && !m[k].sour && !flows(k)
                };
                let pieces = windows(m.len(), could);
                self.keep(Condition::Stalled, pieces, 30.0);
            }
            Mishap::Swarm { .. } => self.keep(Condition::Swarmed, vec![window], 0.0),
            Mishap::Gone { .. } => self.keep(Condition::Tipped, vec![window], 0.0),
        }
    }

    /// The small hours of a day, in milliseconds from the first midnight.
    fn night(&self, day: &Span) -> (i64, i64) {
        let from = day.start.0 - self.place.start.0;
        (from + HOUR_MS, from + 4 * HOUR_MS)
    }

    /// Days on which the real hive gained more than this, by itself.
    fn flow_days(&self, least_kg: f64) -> Vec<Window> {
        let Some(platform) = &self.hive.platform else {
            return Vec::new();
        };
        let mut found = Vec::new();
        for (k, pair) in self.days.windows(2).enumerate() {
            let (tonight, next) = (self.night(&pair[0].1), self.night(&pair[1].1));
            let own = self.gained(&platform.base, tonight, next);
            // Nectar stays, water dries off within a day or two; and all hives find it.
            let later = self.days.get(k + 3).map(|day| self.night(&day.1));
            let kept = later.and_then(|later| self.gained(&platform.base, tonight, later));
            let all: Vec<f64> = self
                .yard
                .hives
                .iter()
                .filter_map(|hive| self.gained(&hive.platform.as_ref()?.base, tonight, next))
                .collect();
            let yard = median(all);
            let wet = self.wet(tonight, next) || platform.base.moved((tonight.0, next.1));
            let flows = if least_kg < FLOW_KG {
                wet || own.is_none_or(|kg| kg > least_kg) || yard > least_kg
            } else {
                let stays = kept.is_some_and(|kg| kg > 0.7 * least_kg);
                !wet && stays && yard > 0.6 * least_kg && own.is_some_and(|kg| kg > least_kg)
            };
            if flows {
                let morning = self.step_of(pair[0].1.start) + steps(8.0);
                found.push((morning, morning + STEPS_A_DAY));
            }
        }
        joined(found, steps(1.0))
    }

    fn gained(&self, base: &BaseHive, from: (i64, i64), to: (i64, i64)) -> Option<f64> {
        Some(base.mean_kg(to)? - base.mean_kg(from)?)
    }

    /// Whether it rained on the hives in that time, or in the day before.
    fn wet(&self, from: (i64, i64), to: (i64, i64)) -> bool {
        let mut rain = self.yard.rain.iter();
        rain.any(|&(ms, _)| (from.0 - 36 * HOUR_MS..to.1).contains(&ms))
    }

    fn flow(&mut self) {
        let on = self.flow_days(FLOW_KG);
        self.keep(Condition::FlowOn, on, 0.0);
        let some = self.flow_days(SOME_FLOW_KG);
        let some = some
            .into_iter()
            .map(|w| (w.0.saturating_sub(steps(12.0)), w.1 + steps(24.0)));
        self.doubt(Condition::FlowOn, some.collect());
    }

    fn nights(&mut self) {
        let Some(platform) = &self.hive.platform else {
            return;
        };
        let mut rows: Vec<NightTruth> = Vec::new();
        for pair in self.days.windows(2) {
            let spans = [&pair[0].1, &pair[1].1].map(|day| self.night(day));
            let [here, next] = spans.map(|span| self.night_kg(span));
            let day = (spans[0].0, spans[1].1);
            let steps = ((day.0 / STEP_MS) as usize, (day.1 / STEP_MS) as usize);
            let handling: f64 = self.handling_kg(steps);
            let wild = |g: &Going| {
                let strange = matches!(
                    g.mishap,
                    Mishap::Off | Mishap::Swarm { .. } | Mishap::Gone { .. }
                );
                strange && g.from <= steps.1 && g.until + 1 >= steps.0
            };
            rows.push(NightTruth {
                date: pair[0].0.clone(),
                yard: self.yard.id.clone(),
                hive: self.hive.id.clone(),
                weight_kg: here,
                weight_next_kg: next,
                net_change_kg: here.zip(next).map(|(a, b)| b - a - handling),
                handling_kg: handling,
                disturbed: platform.base.moved(day)
                    || self.wet(spans[0], spans[1])
                    || self.hive.goings.iter().any(wild),
            });
        }
        self.truth.nights.extend(rows);
    }

    fn night_kg(&self, span: (i64, i64)) -> Option<f64> {
        let platform = self.hive.platform.as_ref()?;
        let base = platform.base.mean_kg(span)?;
        let steps = (span.0 / STEP_MS) as usize..(span.1 / STEP_MS) as usize;
        let n = steps.len() as f64;
        Some(steps.map(|k| self.hive.still_kg(k, base)).sum::<f64>() / n)
    }

    fn handling_kg(&self, (from, until): Window) -> f64 {
        let inside = |step: usize| (from..until).contains(&step);
        let fills = self.hive.fills.iter();
        let poured = |fill: &&Fill| self.hive.habits.on_scale && inside(fill.step);
        let poured: f64 = fills
            .filter(poured)
            .map(|fill| fill.mass_kg - fill.dumped_kg)
            .sum();
        let hands = self.hive.hands.iter().filter(|hands| inside(hands.until));
        poured + hands.map(|hands| hands.stays_kg).sum::<f64>()
    }
}

fn devices(place: &Place, heard: &Heard, truth: &mut Truth) {
    let event = |kind, start: Timestamp, end: Timestamp| EventTruth {
        kind,
        yard: heard.yard.clone(),
        hive: heard.hive.clone(),
        feeder: String::new(),
        device: heard.name.clone(),
        start,
        end,
    };
    let ends = heard.at.iter().skip(1).copied().chain([place.end()]);
    for (from, to) in heard.at.iter().copied().zip(ends) {
        let hours = to.hours_since(from);
        if hours >= 6.0 {
            truth.events.push(event(Condition::Silent, from, to));
        } else if hours >= 1.5 {
            truth.doubtful.push(event(Condition::Silent, from, to));
        }
    }
    for &(from, until, sure) in &heard.wrong {
        let (start, end) = (place.time(from), place.time(until));
        let told = heard
            .at
            .iter()
            .filter(|at| (start..end).contains(at))
            .count();
        let fault = event(Condition::SensorFault, start, end);
        if sure && told >= 8 && until - from >= steps(6.0) {
            truth.events.push(fault);
        } else {
            truth.doubtful.push(fault);
        }
        // It comes back with a jump.
        let back = event(Condition::SensorFault, end, end.plus_hours(48.0));
        truth.doubtful.push(back);
    }
    let volts = |day: usize| heard.volts(day as f64);
    if let Some(low) = (0..place.days).find(|&day| volts(day) <= 3.5) {
        let start = place.start.plus_ms(low as i64 * DAY_MS);
        truth
            .events
            .push(event(Condition::LowBattery, start, place.end()));
    }
    if let Some(low) = (0..place.days).find(|&day| volts(day) <= 3.57) {
        let start = place.start.plus_ms(low as i64 * DAY_MS);
        truth
            .doubtful
            .push(event(Condition::LowBattery, start, place.end()));
    }
}

/// When a level sensor was wrong, in steps, and whether one could see it: a stuck value over syrup that
/// does not move is right.
pub fn wrong_levels(gauge: &Gauge, hive: &Hive) -> Vec<(usize, usize, bool)> {
    let n = hive.moments.len();
    let of = |spell: &Spell| {
        let (from, until) = (spell.from.min(n - 1), spell.until.min(n));
        let part = &hive.moments[from..until.max(from + 1)];
        let ends = part.first().zip(part.last());
        let moved = ends.map_or(0.0, |(a, b)| (a.litres - b.litres).abs());
        let hours = (until.max(from) - from) as f64 * STEP_H;
        let capacity_l = hive.habits.capacity_l;
        let seen = match spell.wrong {
            Wrong::Stuck | Wrong::Bridged => moved > 0.08 * capacity_l,
            // A strip that shows nothing over nothing is right.
            Wrong::Below { .. } if gauge.shown == Shown::Strip => {
                part.iter().any(|m| m.litres > 0.1 * capacity_l)
            }
            // Less than that nobody tells from a ruler's error.
            Wrong::Creeps { per_day } => per_day.abs() * hours / 24.0 > 0.12,
            Wrong::Below { .. } | Wrong::Nonsense => true,
            Wrong::Dew { .. } => false,
        };
        (from, until, seen)
    };
    let off = hive.goings.iter().filter(|going| {
        let off = matches!(going.mishap, Mishap::Off | Mishap::Gone { .. });
        off && going.from < n
    });
    let off = off.map(|going| (going.from, going.until.min(n), false));
    gauge.spells.iter().map(of).chain(off).collect()
}

/// The same of a scale.
pub fn wrong_weights(place: &Place, hive: &Hive) -> Vec<(usize, usize, bool)> {
    let Some(platform) = &hive.platform else {
        return Vec::new();
    };
    let faults = platform.faults.iter().map(|&(fault, from, until)| {
        let slow = matches!(fault, Fault::Creeps { kg_per_day } if kg_per_day.abs() < 0.3);
        (from, until.min(place.steps()), !slow)
    });
    let cables = platform.base.cable_off().into_iter();
    let cables = cables.map(|(a, b)| ((a / STEP_MS) as usize, (b / STEP_MS) as usize + 1, true));
    let gone = hive.goings.iter();
    let gone = gone.filter(|going| matches!(going.mishap, Mishap::Gone { .. }));
    let gone = gone.map(|going| (going.from, going.until, false));
    faults.chain(cables).chain(gone).collect()
}

fn median(mut of: Vec<f64>) -> f64 {
    of.sort_by(f64::total_cmp);
    of.get(of.len() / 2).copied().unwrap_or(f64::NAN)
}
