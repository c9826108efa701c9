//! Syrup that goes off. Never a date: a risk that rises, and what sensors show of it.
//!
//! The risk: sugar-tolerant yeasts grow with temperature by a cardinal-temperature model (L. Rosso,
//! J. R. Lobry, J. P. Flandrois, *An unexpected correlation between cardinal temperatures of
//! microbial growth highlighted by a new model*, J. Theor. Biol. 162 (1993) 447–463; from memory)
//! and the slower the less water is free. Hours at a temperature count as a share of hours at the
//! best one; poured on fresh syrup, what was in the feeder counts by its share. The cardinal
//! temperatures are those of *Debaryomyces hansenii* at the water activity of syrup: best at
//! 28 Cel, none seen at 4, some yeasts at 42 (M. F. G. Jermini, W. Schmidt-Lorenz 1987).
//!
//! What sensors show: a colony that likes it less and less while it is warm and no flow is on, and
//! foam that lifts the level without a fill.

use super::cold::ease_of_day;
use super::heat::heat;
use super::signals::{FeederSignals, nodes};
use super::pace::uptake;
use super::{Case, Doubts, Sign, Spell, Words, spells};
use crate::grid::PER_DAY;
use larder_domain::units::DegreesCelsius;
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity, Strength, syrup};

/// Lowest, best and highest temperature of growth, Cel.
const LOWEST: f64 = 4.0;
const BEST: f64 = 28.0;
const HIGHEST: f64 = 42.0;

/// How fast yeasts grow at a temperature, as a share of their best: Rosso's model with inflection.
pub(super) fn growth(celsius: f64) -> f64 {
    if celsius.is_nan() || celsius <= LOWEST || celsius >= HIGHEST {
        return 0.0;
    }
    let above = (celsius - HIGHEST) * (celsius - LOWEST).powi(2);
    let below = (BEST - LOWEST)
        * ((BEST - LOWEST) * (celsius - BEST) - (BEST - HIGHEST) * (BEST + LOWEST - 2.0 * celsius));
    (above / below).clamp(0.0, 1.0)
}

/// Days at the best temperature after which syrup of a strength is as likely sour as not.
fn days_to_sour(parameters: &super::parameters::Souring, strength: Option<Strength>) -> f64 {
    let activity = |s: Strength| syrup::water_activity(s.mass_fraction(), DegreesCelsius(25.0));
    let thin = Strength::by_mass(1.0, 1.0).map_or(0.935, activity);
    let own = strength.map_or(thin, activity);
    let hundredths = 100.0 * (thin - own);
    parameters.days_to_sour * parameters.factor_per_hundredth.powf(hundredths.max(0.0))
}

/// The share of batches that are sour at an age, as a multiple of the age at which half are: ages are
/// spread by a factor, log-logistic, so that nine in ten lie within it either way.
fn risk(parameters: &super::parameters::Souring, age: f64) -> f64 {
    let steepness = 19f64.ln() / parameters.spread_factor.ln().max(0.1);
    1.0 / (1.0 + age.max(1e-6).powf(-steepness))
}

/// Opens when the risk is high, or when it is there and the signs of it are too.
pub(super) fn raise(case: &Case<'_>, doubts: &Doubts, flow: &[Vec<Spell>], flags: &mut Vec<Flag>) {
    let signals = case.signals;
    let parameters = &case.parameters.souring;
    let heat = heat(case, doubts);
    for (h, f, _, feeder) in case.feeders() {
        let capacity = case.feeder(h, f).capacity_l;
        let aged = age(case, h, f);
        let easy = ease_of_day(case, &feeder.syrup);
        let course = &case.analysis.hives[h].feeders[f].course;
        let left = |k: usize| {
            if feeder.sensed {
                feeder.followed[k].litres
            } else {
                course.volume_l[k]
            }
        };
        let risk_at = |k: usize| {
            risk(parameters, aged[k] / days_to_sour(parameters, feeder.strength[k]))
        };
        let warm = &heat[h][f];
        let shown = |k: usize| {
            let at = signals.grid.time(k);
            let blind = doubts.level(case, h, f, k) || !feeder.sensed;
            let flows = flow[h].iter().any(|spell| spell.holds_at(at));
            let fresh = feeder.changed[k].is_none_or(|at| k - at < nodes(FRESH_HOURS));
            if blind || fresh {
                return false;
            }
            if warm[k] > PLAINLY_HEATED_KELVIN {
                return true;
            }
            let could = !flows && easy[k] > WARM_EASE;
            let signs = warm[k] > HEATED_KELVIN
                || foamed(feeder, k) && risk_at(k) > parameters.shown_risk;
            could && signs && refused(case, h, f, k)
        };
        let signs = (0..=signals.last).map(|k| {
            let nothing = left(k) < LEAST_SHARE * capacity || feeder.filled[k].is_none();
            let unseen = feeder.sensed && feeder.followed[k].age > nodes(24.0);
            let sign = if nothing
                || doubts.off(case, h, f, k)
                || risk_at(k) < parameters.close_risk && !shown(k)
            {
                Sign::Gone
            } else if unseen {
                Sign::Between
            } else if risk_at(k) > parameters.open_risk || shown(k) {
                Sign::Holds
            } else {
                Sign::Between
            };
            (signals.grid.time(k), sign)
        });
        for spell in spells(signs, 2.0, 2.0) {
            let k = spell.opened;
            let days = feeder.filled[k].map_or(0.0, |at| (k - at) as f64 / PER_DAY as f64);
            let strength = feeder.strength[k].map_or_else(String::new, |s| format!(" of {s}"));
            let seen = if shown(k) {
                " The colony takes less and less of it, and it is warmer than it should be or foams."
            } else {
                ""
            };
            let words = Words {
                severity: Severity::Warning,
                probability: if shown(k) { 0.7 } else { risk_at(k) },
                evidence: Evidence::new(format!(
                    "{{left}}{strength}, last filled {{days}} ago, has aged as in {{aged}} at {{best}}; half of such syrup is sour after {{sour}}.{seen} Smell it before you fill up; do not feed syrup that ferments."
                ))
                .with("left", left(k).max(0.0), Measure::Volume)
                .with("days", days.round(), Measure::Days)
                .with("aged", aged[k], Measure::Days)
                .with("best", BEST, Measure::Temperature)
                .with(
                    "sour",
                    days_to_sour(parameters, feeder.strength[k]),
                    Measure::Days,
                ),
            };
            flags.push(case.feeder_flag(FlagKind::Souring, (h, f), spell, words));
        }
    }
}

/// Syrup poured in less than so many hours ago shows nothing yet.
const FRESH_HOURS: f64 = 30.0;
/// Fermenting syrup is warmer than it should be by this, K, where it is taken less as well (measured).
const HEATED_KELVIN: f64 = 0.5;
/// Warmer by this, nothing else explains it, K: sound feeders stay within 0.2 of the yard's course
/// two days out of three (measured).
const PLAINLY_HEATED_KELVIN: f64 = 1.0;

/// Less than this in it is not worth a flag, share of the capacity.
const LEAST_SHARE: f64 = 0.08;
/// Colder than this a colony takes less anyway (see [`super::cold`]).
const WARM_EASE: f64 = 0.45;

/// Days at the best temperature that the syrup in the feeder has behind it, at each node.
fn age(case: &Case<'_>, h: usize, f: usize) -> Vec<f64> {
    let feeder = &case.signals.hives[h].feeders[f];
    let course = &case.analysis.hives[h].feeders[f].course;
    let capacity = case.feeder(h, f).capacity_l;
    let left = |k: usize| {
        if feeder.sensed {
            feeder.followed[k].litres.clamp(0.0, capacity)
        } else {
            course.volume_l[k]
        }
    };
    let mut days = 0.0;
    (0..feeder.syrup.len())
        .map(|k| {
            days += growth(feeder.syrup[k]) / PER_DAY as f64;
            if feeder.filled[k] == Some(k) {
                // The filter needs an hour to see how much there is now.
                let before = left(k.saturating_sub(1));
                let now = left((k + 2).min(feeder.syrup.len() - 1)).max(before + 0.1);
                days *= before / now;
            }
            if left(k) < 0.02 * capacity {
                days = 0.0;
            }
            days
        })
        .collect()
}

/// Whether the last day's uptake is well below the one of the days before.
fn refused(case: &Case<'_>, h: usize, f: usize, k: usize) -> bool {
    let day = nodes(24.0);
    let now = uptake(case, h, f, k, day);
    let before = (2..=4).filter_map(|d| {
        let then = k.checked_sub(d * day / 2 + day / 2)?;
        let taken = uptake(case, h, f, then, day);
        (!taken.is_nan()).then_some(taken)
    });
    let most = before.fold(f64::NAN, f64::max);
    let capacity = case.feeder(h, f).capacity_l;
    most > 0.05 * capacity && now < 0.35 * most
}

/// Whether the level rose without a fill in the last day by what foam does, some mm.
fn foamed(feeder: &FeederSignals, k: usize) -> bool {
    let before = feeder.level(k.saturating_sub(nodes(24.0)));
    let now = feeder.level(k);
    now - before > 0.5 * feeder.noise_l
        && feeder.changed[k] == feeder.changed[k.saturating_sub(nodes(24.0))]
}
