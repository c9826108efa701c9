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
//! What sensors show: syrup that warms itself, foam that lifts the level in a day though nobody poured,
//! and a colony that likes it less and less while it is warm and no flow is on.

use super::cold::ease_of_day;
use super::heat::heat;
use super::pace::uptake;
use super::signals::{FeederSignals, nodes};
use super::{Case, Doubts, Sign, Spell, Words, spells, stores};
use crate::level::litres_per_unit;
use crate::robust::Sorted;
use crate::series::grid::PER_DAY;
use larder_domain::syrup::kg_per_litre;
use larder_domain::units::DegreesCelsius;
use larder_domain::{
    Estimate, Evidence, Flag, FlagKind, Geometry, Measure, Severity, Strength, syrup,
};

crate::numbers! { "flags.souring":
    /// Lowest, best and highest temperature of growth, Cel.
    LOWEST: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    BEST: f64 = 28.0, "1", [9.3, 84.0], Chosen;
    HIGHEST: f64 = 42.0, "1", [14.0, 130.0], Chosen;
    /// How sure foam is: comb in a sensor's sight lifts its level too.
    FOAM_PROBABILITY: f64 = 0.7, "1", [0.23, 1.0], Chosen;
    /// It must be so many times the noise of half an hour: half days differ by a third of that by chance.
    FOAM_SDS: f64 = 1.2, "1", [0.4, 3.6], Chosen;
    /// How well the rise of a day is known, as a share of the noise of half an hour (medians of 24 each).
    FOAM_NOISE: f64 = 0.36, "1", [0.12, 1.1], Chosen;
    /// How well a day's warmth beside the yard is known, K (measured: sound feeders stay within 0.2 two
    /// days out of three).
    HEAT_SD: f64 = 0.2, "K", [0.067, 0.6], Measured;
    /// Syrup poured in less than so many hours ago shows nothing yet.
    FRESH_HOURS: f64 = 30.0, "h", [10.0, 90.0], Chosen;
    /// Less than this in it is not worth a flag, share of the capacity.
    LEAST_SHARE: f64 = 0.08, "1", [0.027, 0.24], Chosen;
    /// And less than this share of that closes one.
    CLOSE_OF_LEAST: f64 = 0.6, "1", [0.2, 1.8], Chosen;
    /// Colder than this a colony takes less anyway (see [`super::cold`]).
    WARM_EASE: f64 = 0.45, "1", [0.15, 1.4], Chosen;
    /// Windows that are compared for foam, hours, and how far apart they are: at the same time of day a
    /// sensor errs alike.
    FOAM_HOURS: f64 = 12.0, "h", [4.0, 36.0], Chosen;
    FOAM_APART_HOURS: f64 = 24.0, "h", [8.0, 72.0], Chosen;
    /// So much of each must be seen.
    FOAM_SEEN: f64 = 0.6, "1", [0.2, 1.8], Chosen;
    /// Shelf lives are stated at about this, Cel, and the water activity of 1:1 is about that.
    SHELF_CEL: f64 = 25.0, "Cel", [8.3, 75.0], Chosen;
    THIN_ACTIVITY: f64 = 0.935, "1", [0.31, 2.8], Chosen;
    /// Hundredths in a whole.
    HUNDREDTHS: f64 = 100.0, "1", [100.0, 100.0], Defined;
    /// No spread of ages is narrower than this, logarithm.
    LEAST_LOG_SPREAD: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// Millimetres in a metre.
    MM_PER_M: f64 = 1000.0, "1", [1000.0, 1000.0], Defined;
    /// How sure it is by warmth alone, and by warmth and refusal.
    HOT_PROBABILITY: f64 = 0.8, "1", [0.27, 1.0], Chosen;
    REFUSED_PROBABILITY: f64 = 0.7, "1", [0.23, 1.0], Chosen;
    /// A fill pours at least this, l.
    LEAST_POURED_L: f64 = 0.1, "l", [0.033, 0.3], Chosen;
    /// With less than this share of the capacity left its age is that of the next fill.
    GONE_SHARE: f64 = 0.02, "1", [0.0067, 0.06], Chosen;
    /// A colony refuses that took at least this share of the capacity in a day, and now less than that share
    /// of it.
    REFUSED_LEAST_SHARE: f64 = 0.05, "1", [0.017, 0.15], Chosen;
    REFUSED_SHARE: f64 = 0.35, "1", [0.12, 1.0], Chosen;
}

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
    let activity =
        |s: Strength| syrup::water_activity(s.mass_fraction(), DegreesCelsius(SHELF_CEL));
    let thin = Strength::by_mass(1.0, 1.0).map_or(THIN_ACTIVITY, activity);
    let own = strength.map_or(thin, activity);
    let hundredths = HUNDREDTHS * (thin - own);
    parameters.days_to_sour * parameters.factor_per_hundredth.powf(hundredths.max(0.0))
}

/// The share of batches that are sour at an age, as a multiple of the age at which half are: ages are
/// spread by a factor, log-logistic, so that nine in ten lie within it either way.
pub(super) fn risk(parameters: &super::parameters::Souring, age: f64) -> f64 {
    let steepness = 19f64.ln() / parameters.spread_factor.ln().max(LEAST_LOG_SPREAD);
    1.0 / (1.0 + age.max(1e-6).powf(-steepness))
}

/// Opens when the risk is high, or when signs of it show. Returns for each hive and feeder when signs
/// opened it: there the colony has a reason not to take it.
pub(super) fn raise(
    case: &Case<'_>,
    doubts: &Doubts,
    flow: &[Vec<Spell>],
    flags: &mut Vec<Flag>,
) -> Vec<Vec<Vec<Spell>>> {
    let heat = heat(case, doubts);
    let hives = heat.iter().enumerate();
    hives
        .map(|(h, of_hive)| {
            let feeders = of_hive.iter().enumerate();
            feeders
                .map(|(f, heat)| {
                    let feeder = &case.signals.hives[h].feeders[f];
                    let watch = Watch {
                        case,
                        doubts,
                        flow: &flow[h],
                        at: (h, f),
                        feeder,
                        heat,
                        aged: age(case, h, f),
                        easy: ease_of_day(&case.parameters(h).cold, &feeder.syrup),
                        levels: levels(feeder),
                    };
                    watch.run(flags)
                })
                .collect()
        })
        .collect()
}

struct Watch<'a> {
    case: &'a Case<'a>,
    doubts: &'a Doubts,
    flow: &'a [Spell],
    at: (usize, usize),
    feeder: &'a FeederSignals,
    heat: &'a [f64],
    aged: Vec<f64>,
    easy: Vec<f64>,
    /// See [`levels`].
    levels: Vec<f64>,
}

/// What sensors show of it.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Shown {
    /// Much warmer than it should be.
    Hot,
    /// Taken less and less, and warmer than it should be.
    RefusedWarm,
    /// Lifted by foam.
    Foaming,
}

impl Watch<'_> {
    fn run(&self, flags: &mut Vec<Flag>) -> Vec<Spell> {
        let grid = &self.case.signals.grid;
        let signs = (0..=self.case.signals.last).map(|k| (grid.time(k), self.sign(k)));
        let found = spells(signs, 2.0, 2.0);
        for spell in &found {
            let words = self.words(spell.opened);
            let flag = self
                .case
                .feeder_flag(FlagKind::Souring, self.at, *spell, words);
            flags.push(flag);
        }
        let shown = found.into_iter().filter(|s| self.shown(s.opened).is_some());
        shown.collect()
    }

    fn sign(&self, k: usize) -> Sign {
        let (h, f) = self.at;
        let parameters = &self.case.parameters(self.at.0).souring;
        let least_l = LEAST_SHARE * self.case.feeder(h, f).capacity_l;
        let left = stores::left(self.case, h, f, k);
        let nothing = left < CLOSE_OF_LEAST * least_l || self.feeder.filled[k].is_none();
        if nothing || self.doubts.off(self.case, h, f, k) {
            return Sign::Gone;
        }
        let risk = self.risk(k);
        let shown = self.shown(k).is_some();
        let safe = risk < parameters.close_risk && !shown;
        let unseen = self.feeder.sensed && self.feeder.followed[k].age > PER_DAY;
        if safe {
            Sign::Gone
        } else if unseen || left < least_l {
            Sign::Between
        } else if risk > parameters.open_risk || shown {
            Sign::Holds
        } else {
            Sign::Between
        }
    }

    fn risk(&self, k: usize) -> f64 {
        risk(&self.case.parameters(self.at.0).souring, self.aged[k])
    }

    fn shown(&self, k: usize) -> Option<Shown> {
        let (case, (h, f), feeder) = (self.case, self.at, self.feeder);
        let parameters = &case.parameters(h).souring;
        let blind = self.doubts.level(case, h, f, k) || !feeder.sensed;
        let fresh = feeder.changed[k].is_none_or(|at| k - at < nodes(FRESH_HOURS));
        if blind || fresh {
            return None;
        }
        if self.heat[k] > parameters.hot_kelvin {
            return Some(Shown::Hot);
        }
        if self.easy[k].is_nan() || self.easy[k] < WARM_EASE {
            return None;
        }
        if self.risk(k) > parameters.shown_risk && self.foams(k) {
            return Some(Shown::Foaming);
        }
        let at = case.signals.grid.time(k);
        let flows = self.flow.iter().any(|spell| spell.holds_at(at));
        let warm = self.heat[k] > parameters.warm_kelvin;
        (!flows && warm && refused(case, h, f, k)).then_some(Shown::RefusedWarm)
    }

    fn foams(&self, k: usize) -> bool {
        let parameters = &self.case.parameters(self.at.0).souring;
        self.rise(k).is_some_and(|(litres, metres)| {
            metres > parameters.foam_mm / MM_PER_M && litres > FOAM_SDS * self.feeder.noise_l
        })
    }

    /// How far the level rose in a day though nobody poured, l and m; nothing where that can't be said.
    /// Foam weighs nothing, so what is weighed does not rise.
    fn rise(&self, k: usize) -> Option<(f64, f64)> {
        let ((h, f), feeder) = (self.at, self.feeder);
        let feeder_input = &self.case.input.hives[h].feeders[f];
        let track = &self.case.analysis.hives[h].feeders[f].level;
        let turn = track.turn_at(self.case.signals.grid.time(k))?;
        let geometry = feeder_input.levels[track.turns[turn].sensor].geometry();
        if matches!(geometry, Geometry::FeederWeight) {
            return None;
        }
        let apart = nodes(FOAM_APART_HOURS);
        let from = k.checked_sub(nodes(FOAM_HOURS) + apart)?;
        if feeder.changed[k] != feeder.changed[from] {
            return None;
        }
        let now = self.levels[k];
        let litres = now - self.levels[k - apart];
        if litres.is_nan() {
            return None;
        }
        let density = kg_per_litre(feeder.strength[k]);
        let per_metre = litres_per_unit(geometry, now.max(0.0), density);
        Some((litres, litres / per_metre))
    }

    fn words(&self, k: usize) -> Words {
        let (h, f) = self.at;
        let feeder = self.feeder;
        let days = feeder.filled[k].map_or(0.0, |at| (k - at) as f64 / PER_DAY as f64);
        let strength = feeder.strength[k].map_or_else(String::new, |s| format!(" of {s}"));
        let half = days_to_sour(&self.case.parameters(self.at.0).souring, feeder.strength[k]);
        let aged_days = self.aged[k] * half;
        let spread = self
            .case
            .parameters(self.at.0)
            .souring
            .spread_factor
            .max(1.0);
        let half = Estimate {
            value: half,
            lo: half / spread,
            hi: half * spread,
        };
        let left = stores::left_estimate(self.case, h, f, k);
        let aged = Evidence::new(format!(
            "{{left}}{strength}, last filled {{days}} ago, has aged as in {{aged}} at {{best}}; half of such syrup is sour after {{sour}}."
        ))
        .with_estimate("left", left, Measure::Volume)
        .with("days", days.round(), Measure::Days)
        .with("aged", aged_days, Measure::Days)
        .with("best", BEST, Measure::Temperature)
        .with_estimate("sour", half, Measure::Days);
        let warmer = Estimate::normal(self.heat[k], HEAT_SD);
        let (evidence, probability) = match self.shown(k) {
            Some(Shown::Hot) => (
                aged.and(" It is {warmer} warmer than the yard's other feeders make it."),
                HOT_PROBABILITY,
            ),
            Some(Shown::RefusedWarm) => (
                aged.and(" The colony takes less and less of it, and it is {warmer} warmer than the yard's other feeders make it."),
                REFUSED_PROBABILITY,
            ),
            Some(Shown::Foaming) => {
                let risen = self.rise(k).map_or(f64::NAN, |(litres, _)| litres);
                let risen = Estimate::normal(risen, FOAM_NOISE * feeder.noise_l);
                let said = " Its level rose by {risen} in a day though nobody poured: foam.";
                let aged = aged.and(said);
                (
                    aged.with_estimate("risen", risen, Measure::Volume),
                    FOAM_PROBABILITY,
                )
            }
            None => (aged, self.risk(k)),
        };
        Words {
            severity: Severity::Warning,
            probability,
            evidence: if warmer.value.is_nan() {
                evidence
            } else {
                evidence.with_estimate("warmer", warmer, Measure::Warmth)
            },
        }
    }
}

/// How old the syrup in the feeder is at each node, as a share of the age at which half of its like is
/// sour: each hour counts by the temperature and the strength that it had.
fn age(case: &Case<'_>, h: usize, f: usize) -> Vec<f64> {
    let feeder = &case.signals.hives[h].feeders[f];
    let parameters = &case.parameters(h).souring;
    let capacity = case.feeder(h, f).capacity_l;
    let left = |k: usize| stores::left(case, h, f, k).clamp(0.0, capacity);
    let mut share = 0.0;
    let mut strength = None;
    let mut half = days_to_sour(parameters, strength);
    (0..feeder.syrup.len())
        .map(|k| {
            let days = growth(feeder.syrup[k]) / PER_DAY as f64;
            if feeder.strength[k] != strength {
                strength = feeder.strength[k];
                half = days_to_sour(parameters, strength);
            }
            share += days / half;
            if feeder.filled[k] == Some(k) {
                // The filter needs an hour to see how much there is now.
                let before = left(k.saturating_sub(1));
                let now = left((k + 2).min(feeder.syrup.len() - 1)).max(before + LEAST_POURED_L);
                share *= before / now;
            }
            if left(k) < GONE_SHARE * capacity {
                share = 0.0;
            }
            share
        })
        .collect()
}

/// Whether the last day's uptake is well below the one of the days before.
fn refused(case: &Case<'_>, h: usize, f: usize, k: usize) -> bool {
    let day = PER_DAY;
    let now = uptake(case, h, f, k, day);
    let before = (2..=4).filter_map(|d| {
        let then = k.checked_sub(d * day / 2 + day / 2)?;
        let taken = uptake(case, h, f, then, day);
        (!taken.is_nan()).then_some(taken)
    });
    let most = before.fold(f64::NAN, f64::max);
    let capacity = case.feeder(h, f).capacity_l;
    most > REFUSED_LEAST_SHARE * capacity && now < REFUSED_SHARE * most
}

/// The median level of the half day before each node, l; NaN where too little of it was seen.
fn levels(feeder: &FeederSignals) -> Vec<f64> {
    let window = nodes(FOAM_HOURS);
    let mut seen = Sorted::default();
    let litres = feeder.litres.iter().enumerate();
    litres
        .map(|(k, &now)| {
            seen.insert(now);
            if k > window {
                seen.remove(feeder.litres[k - window - 1]);
            }
            let enough = seen.len() as f64 > FOAM_SEEN * window as f64;
            seen.median().filter(|_| enough).unwrap_or(f64::NAN)
        })
        .collect()
}
