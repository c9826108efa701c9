//! Syrup leaves a feeder and does not reach the colony: a leak, or robbers.
//!
//! Two witnesses, hour by hour: what the level says went out of the feeder, and what the scale says
//! went out of the hive beyond what the yard's other hives lost. Uptake stays on the scale but for
//! the water that dries off; a leak does not. Robbers fly by day, carry honey off as well as syrup,
//! and stop at dusk; a hole does not care.

use super::drying::water_share;
use super::cold::{ease, ease_of_day};
use super::night::{Night, left_feeders};
use super::signals::{FeederSignals, nodes};
use super::{Case, Doubts, Spell, Words};
use crate::robust::{MAD_TO_SD, median_of_few};
use crate::strengths::kg_per_litre;
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity};

/// Indices into [`super::balance::WINDOWS`] of the windows for fast losses.
const FAST: [usize; 3] = [0, 1, 2];
/// And for slow ones: 12 h.
const SLOW: usize = 4;
/// A fast loss has stopped when it has been gone for so long, hours.
const FAST_GONE_HOURS: f64 = 3.0;
/// Robbers come back the next morning: their flag stays over night, hours.
const ROBBERS_GONE_HOURS: f64 = 18.0;
/// Losing on for so long after dark is no robbery, hours.
const DARK_HOURS: f64 = 2.5;
/// A fast loss blurs the slow balance behind it for so long, hours.
const BLURRED_HOURS: f64 = 24.0;

#[derive(Clone, Copy, PartialEq, Eq)]
enum Culprit {
    Robbers,
    Leak,
    SlowLeak,
}

/// What a window says.
#[derive(Clone, Copy)]
struct Loss {
    hours: f64,
    /// Out of the feeder, l.
    drop_l: f64,
    /// The same, kg.
    drop_kg: f64,
    /// Out of the hive, kg; NaN without a scale.
    hive_kg: f64,
}

struct Open {
    culprit: Culprit,
    opened: usize,
    seen: Loss,
    probability: f64,
    gone_since: Option<usize>,
    dark_since: Option<usize>,
}

/// Raises both kinds.
pub(super) fn raise(case: &Case<'_>, doubts: &Doubts, flags: &mut Vec<Flag>) {
    for (h, f, hive, feeder) in case.feeders() {
        if feeder.sensed {
            let on_scale = case.feeder(h, f).on_scale;
            let watch = Watch {
                case,
                doubts,
                h,
                f,
                feeder,
                weighed: hive.weighed,
                on_scale,
                nights: &case.nights[h],
                easy: ease_of_day(case, &feeder.syrup),
            };
            watch.run(flags);
        }
    }
}

struct Watch<'a> {
    case: &'a Case<'a>,
    doubts: &'a Doubts,
    h: usize,
    f: usize,
    feeder: &'a FeederSignals,
    weighed: bool,
    on_scale: bool,
    nights: &'a [Night],
    easy: Vec<f64>,
}

impl Watch<'_> {
    fn run(&self, flags: &mut Vec<Flag>) {
        let signals = self.case.signals;
        let mut open: Option<Open> = None;
        let mut fast_before = 0;
        let mut robbed_until = 0;
        for k in nodes(4.0)..=signals.last {
            let blind = self.doubts.level(self.case, self.h, self.f, k)
                || self.doubts.off(self.case, self.h, self.f, k);
            if blind {
                if let Some(was) = open.take() {
                    flags.push(self.flag(&was, Some(k)));
                }
                continue;
            }
            let fast = FAST.iter().find_map(|&w| self.fast(k, w));
            let slow = self.slow(k);
            fast_before = if fast.is_some() { fast_before + 1 } else { 0 };
            if let Some(was) = &mut open {
                if let (Culprit::SlowLeak, Some(seen)) =
                    (was.culprit, fast.filter(|_| fast_before > 1))
                {
                    // It was no drip: it is watched, and ends, as what it is.
                    (was.culprit, was.probability) = self.culprit(k, &seen);
                    was.seen = seen;
                }
                let lasting = match was.culprit {
                    Culprit::SlowLeak => self.still_slow(k),
                    _ => self.still_fast(k),
                };
                was.gone_since = if lasting {
                    None
                } else {
                    was.gone_since.or(Some(k))
                };
                let going = self.fast(k, FAST[0]).is_some();
                let dark = was.culprit == Culprit::Robbers && !signals.daylight[k] && going;
                was.dark_since = if dark {
                    was.dark_since.or(Some(k))
                } else {
                    None
                };
                let wait = match was.culprit {
                    Culprit::Robbers => ROBBERS_GONE_HOURS,
                    Culprit::Leak => FAST_GONE_HOURS,
                    Culprit::SlowLeak => 2.0 * FAST_GONE_HOURS,
                };
                let over = was.gone_since.is_some_and(|since| k - since >= nodes(wait));
                let no_robbers = was
                    .dark_since
                    .is_some_and(|since| k - since >= nodes(DARK_HOURS));
                let refilled = self.feeder.changed[k] == Some(k) && was.culprit != Culprit::Robbers;
                if over || no_robbers || refilled {
                    robbed_until = k + nodes(BLURRED_HOURS);
                    if let Some(was) = open.take() {
                        flags.push(self.flag(&was, Some(k)));
                    }
                }
                continue;
            }
            if let Some(seen) = fast.filter(|_| fast_before > 1) {
                let (culprit, probability) = self.culprit(k, &seen);
                open = Some(Open {
                    culprit,
                    opened: k,
                    seen,
                    probability,
                    gone_since: None,
                    dark_since: None,
                });
            } else if let Some(seen) = slow.filter(|_| k >= robbed_until) {
                open = Some(Open {
                    culprit: Culprit::SlowLeak,
                    opened: k,
                    seen,
                    probability: 0.7,
                    gone_since: None,
                    dark_since: None,
                });
            }
        }
        if let Some(was) = open {
            flags.push(self.flag(&was, None));
        }
    }

    /// How much went out of the feeder in the window before `k`, l; NaN where something was poured
    /// or nothing was seen.
    fn drop(&self, k: usize, back: usize) -> f64 {
        if k < back + 1 || self.feeder.changed[k] != self.feeder.changed[k - back - 1] {
            return f64::NAN;
        }
        let mean = |k: usize| match (self.feeder.litres[k], self.feeder.litres[k - 1]) {
            (a, b) if a.is_nan() => b,
            (a, b) if b.is_nan() => a,
            (a, b) => 0.5 * (a + b),
        };
        mean(k - back) - mean(k)
    }

    /// What the colony took before, l/h.
    fn usual(&self, k: usize, back: usize) -> f64 {
        let before = k.saturating_sub(back + nodes(6.0));
        let capacity = self.case.feeder(self.h, self.f).capacity_l;
        self.feeder.followed[before]
            .rate
            .max(LEAST_USUAL * capacity)
    }

    fn loss(&self, k: usize, window: usize) -> Loss {
        let hours = super::balance::WINDOWS[window];
        let drop_l = self.drop(k, nodes(hours));
        let scale = self.weighed && !self.doubts.scale(self.case, self.h, k);
        Loss {
            hours,
            drop_l,
            drop_kg: drop_l * kg_per_litre(self.feeder.strength[k]),
            hive_kg: if scale {
                self.case.balance.excess_loss(self.h, k, window) - self.habit(k, window)
            } else {
                f64::NAN
            },
        }
    }

    /// What this hive loses beyond its yard at this time of other days, kg: strong colonies send more
    /// bees out.
    fn habit(&self, k: usize, window: usize) -> f64 {
        let mut n = 0;
        let days = (1..=HABIT_DAYS).filter_map(|day| {
            let then = k.checked_sub(day * nodes(24.0))?;
            let excess = self.case.balance.excess_loss(self.h, then, window);
            (!excess.is_nan()).then_some(excess)
        });
        let found = median_of_few(days.inspect(|_| n += 1)).unwrap_or(0.0);
        if n >= 2 {
            found.clamp(-MOST_HABIT_KG, MOST_HABIT_KG)
        } else {
            0.0
        }
    }

    fn fast(&self, k: usize, window: usize) -> Option<Loss> {
        let parameters = &self.case.parameters.loss;
        let hours = super::balance::WINDOWS[window];
        let usual = self.usual(k, nodes(hours));
        let rate = self.drop(k, nodes(hours)) / hours;
        if rate.is_nan() || rate <= FAST_L_PER_H + 1.5 * usual {
            return None;
        }
        let seen = self.loss(k, window);
        let noise = self.feeder.noise_l;
        if seen.hive_kg.is_nan() {
            let clear = seen.drop_l > 8.0 * noise && rate > UNWEIGHED_L_PER_H + 3.0 * usual;
            // A keeper, or a fall, takes it at once; robbers and holes take their time.
            let half = self.drop(k, nodes(0.5 * seen.hours));
            let gradual = (0.25..0.75).contains(&(half / seen.drop_l));
            let slow_enough = rate < UNWEIGHED_MOST_L_PER_H;
            return (clear && gradual && slow_enough && seen.hours >= 2.0).then_some(seen);
        }
        let density = kg_per_litre(self.feeder.strength[k]);
        let beyond_usual = seen.drop_kg - 1.5 * usual * seen.hours * density;
        let drop_z = beyond_usual / (density * noise);
        let by_day = if self.case.signals.daylight[k] {
            DAY_SD_KG
        } else {
            NIGHT_SD_KG
        };
        let hive_z = seen.hive_kg / (by_day * (seen.hours / 2.0).sqrt());
        let clear = drop_z > 2.5
            && hive_z > 2.0
            && drop_z.min(9.0) + hive_z.min(9.0) > parameters.sds * 2f64.sqrt()
            && rate > FAST_L_PER_H + 1.5 * usual;
        let agrees = if self.on_scale {
            let known = if self.settled(k) { 1.0 } else { UNKNOWN_FACTOR };
            let least = if drop_z > SHARP_Z {
                parameters.fast_kg
            } else {
                BLURRED_KG
            };
            seen.hive_kg > known * least * (seen.hours / 2.0).sqrt()
                && seen.hive_kg > 0.5 * seen.drop_kg
        } else {
            // What the colony takes from beside the hive would show on the scale.
            seen.hive_kg > -0.3 * seen.drop_kg && seen.drop_kg > parameters.fast_kg
        };
        (clear && agrees).then_some(seen)
    }

    /// Whether two days are known by which to tell what is usual.
    fn settled(&self, k: usize) -> bool {
        let then = k.checked_sub(nodes(52.0));
        then.is_some_and(|then| !self.case.balance.weight(self.h, then).is_nan())
    }

    fn still_fast(&self, k: usize) -> bool {
        let seen = self.loss(k, FAST[1]);
        let rate = seen.drop_l / seen.hours;
        rate > FAST_L_PER_H + 1.5 * self.usual(k, nodes(6.0))
            && (seen.hive_kg.is_nan() || seen.hive_kg >= 0.5 * self.case.parameters.loss.fast_kg)
    }

    fn culprit(&self, k: usize, seen: &Loss) -> (Culprit, f64) {
        let parameters = &self.case.parameters.loss;
        let signals = self.case.signals;
        let air = signals.air[k];
        let flying = signals.daylight[k] && (air.is_nan() || air >= parameters.flight_cel);
        if !flying {
            return (
                Culprit::Leak,
                if seen.hive_kg.is_nan() { 0.6 } else { 0.93 },
            );
        }
        if seen.hive_kg.is_nan() {
            return (Culprit::Robbers, 0.5);
        }
        if !self.on_scale {
            let robbed = seen.hive_kg > 0.2 * seen.drop_kg;
            return (
                if robbed {
                    Culprit::Robbers
                } else {
                    Culprit::Leak
                },
                0.7,
            );
        }
        // By day robbers are the likelier guess; honey going too makes them sure.
        let factor = |seen: &Loss| seen.hive_kg / seen.drop_kg.max(0.05);
        let long = self.loss(k, FAST[2]);
        let factor = factor(seen).max(factor(&long));
        let odds = 4.0 * (factor - parameters.honey_factor);
        let robbed = 1.0 / (1.0 + (-odds).exp());
        if robbed > 0.5 {
            (Culprit::Robbers, robbed.clamp(0.6, 0.95))
        } else {
            (Culprit::Leak, (1.0 - robbed).clamp(0.6, 0.95))
        }
    }

    /// A slow leak: a night in which the hive lost more than its like and the feeder went down, or
    /// a feeder that goes down while the syrup is too cold to take.
    fn slow(&self, k: usize) -> Option<Loss> {
        self.by_night(k)
            .or_else(|| self.by_balance(k))
            .or_else(|| self.by_cold(k))
    }

    /// A hive that loses more in half a day or a day than its yard, its own days before and the drying
    /// of what it took explain, while its feeder goes down by as much.
    fn by_balance(&self, k: usize) -> Option<Loss> {
        if !self.on_scale || self.doubts.scale(self.case, self.h, k) {
            return None;
        }
        SLOW_WINDOWS.into_iter().find_map(|window| self.out_of_balance(k, window))
    }

    fn out_of_balance(&self, k: usize, window: usize) -> Option<Loss> {
        let parameters = &self.case.parameters.loss;
        let hours = super::balance::WINDOWS[window];
        // Who flies out in the morning comes home in the evening: only dark ends compare.
        let dark = |k: usize| !self.case.signals.daylight[k];
        if !dark(k) || !dark(k.checked_sub(nodes(hours))?) {
            return None;
        }
        let now = self.unexplained(k, window)?;
        let (mut losses, mut drops) = (Vec::new(), Vec::new());
        for day in 1..=BALANCE_DAYS {
            let Some(then) = k.checked_sub(day * nodes(24.0)) else { break };
            if let Some(before) = self.unexplained(then, window) {
                losses.push(before.hive_kg);
                drops.push(before.drop_kg);
            }
        }
        if losses.len() < LEAST_BALANCE_DAYS {
            return None;
        }
        let habit = median_of_few(losses.iter().copied())?;
        let spread = median_of_few(losses.iter().map(|kg| (kg - habit).abs()))?;
        let usual_drop = median_of_few(drops.into_iter())?;
        let wet = self.rain(k, hours) > WET_MM;
        let floor = (hours / 12.0).sqrt() * if wet { WET_SD_KG } else { DRY_SD_KG };
        let sd = (MAD_TO_SD * spread).max(floor);
        let odd = now.hive_kg - habit;
        let clear = odd > parameters.sds * sd && odd > SLOW_KG_PER_H * hours;
        let fed = now.drop_kg > FED_OF_LOST * odd && now.drop_kg - usual_drop > ADDED_OF_LOST * odd;
        // More than all the water that syrup has to lose.
        let beyond = odd > (water_share(self.feeder.strength[k]) + 0.05) * now.drop_kg;
        (clear && fed && beyond).then_some(Loss { hive_kg: odd, ..now })
    }

    /// What the hive lost in a window beyond its yard and the drying of what it took.
    fn unexplained(&self, k: usize, window: usize) -> Option<Loss> {
        let case = self.case;
        let hours = super::balance::WINDOWS[window];
        let back = nodes(hours);
        if k < back {
            return None;
        }
        let (drop_kg, seen) = left_feeders(case.input, case.signals, self.h, k, back);
        let excess = case.balance.excess_loss(self.h, k, window);
        (seen && !excess.is_nan()).then_some(Loss {
            hours,
            drop_l: drop_kg / kg_per_litre(self.feeder.strength[k]),
            drop_kg,
            hive_kg: excess,
        })
    }

    fn rain(&self, k: usize, hours: f64) -> f64 {
        let from = k.saturating_sub(nodes(hours + WET_HOURS));
        self.case.signals.rain_mm[from..=k].iter().sum()
    }

    fn by_night(&self, k: usize) -> Option<Loss> {
        let parameters = &self.case.parameters.loss;
        let at = self.nights.partition_point(|night| night.known < k);
        let night = self.nights[at..].iter().find(|night| night.known == k)?;
        if self.doubts.scale(self.case, self.h, k) {
            return None;
        }
        let drop_l = night.drop_kg / kg_per_litre(self.feeder.strength[k]);
        let odd = -night.odd_kg;
        let clear =
            odd > parameters.slow_kg * night.hours / 8.0 && odd > parameters.sds * night.sd_kg;
        let fed = night.drop_kg > 0.5 * odd && drop_l > 4.0 * self.feeder.noise_l;
        // More than what dries off: all the water that syrup has to lose, and what was taken before.
        let dries = water_share(self.feeder.strength[k]) + 0.05;
        let beyond = odd > dries * night.drop_kg && odd > LATE_DRYING * night.fed_kg;
        let clear = clear && beyond;
        (self.on_scale && night.n_habit >= 3 && clear && fed).then_some(Loss {
            hours: night.hours,
            drop_l,
            drop_kg: night.drop_kg,
            hive_kg: odd,
        })
    }

    fn by_cold(&self, k: usize) -> Option<Loss> {
        let seen = self.loss(k, SLOW);
        let parameters = &self.case.parameters.cold;
        let window = &self.feeder.syrup[k.saturating_sub(nodes(12.0))..=k];
        let lately = window.iter().map(|&t| ease(parameters, t)).sum::<f64>() / window.len() as f64;
        let cold = self.easy[k] < COLD_EASE && lately < COLD_EASE;
        let clear = seen.drop_l > COLD_DROP_L && seen.drop_l > 6.0 * self.feeder.noise_l;
        // What is taken cold from beside the hive would weigh on the scale.
        let agrees = if self.on_scale {
            seen.hive_kg.is_nan() || seen.hive_kg >= 0.3 * seen.drop_kg
        } else {
            seen.hive_kg.is_nan() || seen.hive_kg >= -0.4 * seen.drop_kg
        };
        (cold && clear && agrees).then_some(seen)
    }

    fn still_slow(&self, k: usize) -> bool {
        let drop_l = self.drop(k, nodes(12.0));
        drop_l.is_nan() || drop_l > 0.5 * COLD_DROP_L
    }

    fn flag(&self, was: &Open, until: Option<usize>) -> Flag {
        let grid = &self.case.signals.grid;
        let spell = Spell {
            opened: was.opened,
            from: grid.time(was.opened),
            until: until.map(|k| grid.time(k)),
        };
        let seen = &was.seen;
        let hive = if seen.hive_kg.is_nan() {
            "no scale was heard".to_owned()
        } else {
            "the hive lost {lost} more than its yard".to_owned()
        };
        let feeder = &self.case.feeder(self.h, self.f).id;
        let usual = self.usual(was.opened, nodes(seen.hours)) * seen.hours;
        let mut facts = Evidence::new(format!(
            "{{left}} ({{left_mass}}) left {feeder} in {{hours}} and {hive}; before, the colony took {{usual}} in that time."
        ))
        .with("left", seen.drop_l, Measure::Volume)
        .with("left_mass", seen.drop_kg, Measure::Mass)
        .with("hours", seen.hours, Measure::Hours)
        .with("usual", usual, Measure::Volume);
        if !seen.hive_kg.is_nan() {
            facts = facts.with("lost", seen.hive_kg, Measure::Mass);
        }
        let (kind, advice) = match was.culprit {
            Culprit::Robbers => (
                FlagKind::Robbed,
                " In flight weather, with honey going too: robbers. Narrow the entrance and do not spill syrup.",
            ),
            _ => (
                FlagKind::Leaking,
                " Spilled syrup draws robbers: wash it away.",
            ),
        };
        let words = Words {
            severity: if was.culprit == Culprit::SlowLeak {
                Severity::Warning
            } else {
                Severity::Urgent
            },
            probability: was.probability,
            evidence: facts.and(advice),
        };
        self.case.feeder_flag(kind, (self.h, self.f), spell, words)
    }
}

/// Out of a feeder faster than a colony takes it, l/h (`uptake_rates`: up to 3.8 l a day).
const FAST_L_PER_H: f64 = 0.06;
/// The same where no scale confirms it.
const UNWEIGHED_L_PER_H: f64 = 0.25;
/// Faster than this is a keeper or a fall, l/h.
const UNWEIGHED_MOST_L_PER_H: f64 = 0.8;
/// A level that fell by so many standard deviations is beyond doubt; else the scale must show more,
/// kg in two hours (measured).
const SHARP_Z: f64 = 10.0;
const BLURRED_KG: f64 = 0.33;
/// And more again in a record's first days, a factor.
const UNKNOWN_FACTOR: f64 = 1.5;
/// A colony may take so much at any time, l/h for each litre of capacity (measured).
const LEAST_USUAL: f64 = 0.008;
/// By how much two hives of a yard differ in two hours, by day and by night, kg (measured).
const DAY_SD_KG: f64 = 0.08;
const NIGHT_SD_KG: f64 = 0.04;
/// Days that make a hive's habit, and the most that it explains, kg.
const HABIT_DAYS: usize = 5;
const MOST_HABIT_KG: f64 = 0.3;
/// Windows in which a slow leak shows: half a day and a day.
const SLOW_WINDOWS: [usize; 2] = [4, 5];
/// Days before that make a hive's habit, and how many of them it takes.
const BALANCE_DAYS: usize = 7;
const LEAST_BALANCE_DAYS: usize = 3;
/// By how much hives of a yard differ in half a day, dry and after rain, kg (measured).
const DRY_SD_KG: f64 = 0.06;
const WET_SD_KG: f64 = 0.12;
const WET_MM: f64 = 0.5;
const WET_HOURS: f64 = 8.0;
/// Less than this is no leak worth a flag, kg/h.
const SLOW_KG_PER_H: f64 = 0.02;
/// The feeder lost at least this share of what the hive did, and went down faster by this share.
const FED_OF_LOST: f64 = 0.8;
const ADDED_OF_LOST: f64 = 0.3;
/// Syrup is too cold to be taken when the day's ease is below this (see [`super::cold`]).
const COLD_EASE: f64 = 0.25;
/// And a feeder that goes down by this in 12 h then leaks, l.
const COLD_DROP_L: f64 = 0.15;
/// Of what was taken in two days, at most so much dries off in one night, kg/kg (measured).
const LATE_DRYING: f64 = 0.07;
