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

use super::fermentation_heat::fermentation_heat;
use super::pace::uptake;
use super::signals::{FeederSignals, nodes};
use super::taking::Taking;
use super::{Details, Episode, Exclusions, RuleContext, Vote, episodes, food_reserves};
use larder_domain::{Evidence, Flag, FlagKind, Geometry, Measure, Severity};
use larder_estimate::math::robust::Sorted;
use larder_estimate::series::grid::PER_DAY;
use larder_estimate::series::level::litres_per_unit;
use larder_syrup::physics::kg_per_litre;
use larder_syrup::units::DegreesCelsius;
use larder_syrup::{Estimate, Strength, physics};

larder_estimate::numbers! { "flags.souring":
    /// Lowest temperature at which the yeasts grow, Cel.
    LOWEST: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    /// Temperature at which the yeasts grow best, Cel.
    BEST: f64 = 28.0, "1", [9.3, 84.0], Chosen;
    /// Highest temperature at which the yeasts grow, Cel.
    HIGHEST: f64 = 42.0, "1", [14.0, 130.0], Chosen;
    /// A rise must be so many times the noise of half an hour to be foam: half days differ by a third
    /// of that by chance.
    FOAM_SDS: f64 = 1.2, "1", [0.4, 3.6], Chosen;
    /// How well the rise of a day is known, as a share of the noise of half an hour (medians of 24 each).
    FOAM_NOISE: f64 = 0.36, "1", [0.12, 1.1], Chosen;
    /// How well a day's warmth beside the yard is known, K (measured: sound feeders stay within 0.2 two
    /// days out of three).
    HEAT_SD: f64 = 0.2, "K", [0.067, 0.6], Measured;
    /// Syrup poured in less than so many hours ago shows nothing yet.
    FRESH_HOURS: f64 = 30.0, "h", [10.0, 90.0], Chosen;
    /// A feeder with less than this share of its capacity in it is not worth a flag.
    LEAST_SHARE: f64 = 0.08, "1", [0.027, 0.24], Chosen;
    /// A flag closes when less is left than this share of what is worth one.
    CLOSE_OF_LEAST: f64 = 0.6, "1", [0.2, 1.8], Chosen;
    /// Colder than this a colony takes less anyway (see [`super::cold`]).
    WARM_EASE: f64 = 0.45, "1", [0.15, 1.4], Chosen;
    /// Windows that are compared for foam are so long, hours.
    FOAM_HOURS: f64 = 12.0, "h", [4.0, 36.0], Chosen;
    /// Windows that are compared for foam lie so far apart, hours: at the same time of day a sensor
    /// errs alike.
    FOAM_APART_HOURS: f64 = 24.0, "h", [8.0, 72.0], Chosen;
    /// This share of each window compared for foam must be seen.
    FOAM_SEEN: f64 = 0.6, "1", [0.2, 1.8], Chosen;
    /// Shelf lives are stated at about this temperature, Cel.
    SHELF_CEL: f64 = 25.0, "Cel", [8.3, 75.0], Chosen;
    /// The water activity of 1:1 syrup at the temperature of shelf lives is about this.
    THIN_ACTIVITY: f64 = 0.935, "1", [0.31, 2.8], Chosen;
    /// Hundredths in a whole.
    HUNDREDTHS: f64 = 100.0, "1", [100.0, 100.0], Defined;
    /// No spread of ages is narrower than this, logarithm.
    LEAST_LOG_SPREAD: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// Millimetres in a metre.
    MM_PER_M: f64 = 1000.0, "1", [1000.0, 1000.0], Defined;
    /// What warmth that nothing else explains adds to the logarithm of the odds: sound syrup is as warm
    /// one time in twenty of sour syrup's.
    HOT_LOG_ODDS: f64 = 3.5, "1", [1.2, 11.0], Chosen;
    /// Warmth takes no more than the first off the logarithm of the odds, and adds no more than the
    /// second.
    HEAT_LOG_ODDS: [f64; 2] = [-1.0, 4.0], "1", [-3.0, 12.0], Chosen;
    /// What a rise of the level adds to the logarithm of the odds: comb in a sensor's sight lifts its
    /// level too.
    FOAM_LOG_ODDS: f64 = 3.2, "1", [1.1, 9.6], Chosen;
    /// What an appetite that falls adds to the logarithm of the odds, and what one that does not takes
    /// off: colonies stop for many reasons.
    REFUSED_LOG_ODDS: [f64; 2] = [1.5, -0.5], "1", [-1.5, 4.5], Chosen;
    /// By chance a level moves by so many times the noise of half an hour in three hours of a day.
    STEP_SDS: f64 = 3.0, "1", [1.0, 9.0], Chosen;
    /// Foam rises by less than this share of the whole in three hours; what is poured comes at once.
    FOAM_AT_ONCE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// Odds that are said are so many times those of all signs together: signs have causes in common
    /// (measured).
    SAID_ODDS: f64 = 0.6, "1", [0.2, 1.8], Measured;
    /// Strong signs are at least so sure before they are said (see `SAID_ODDS`).
    STRONG_PROBABILITY: f64 = 0.65, "1", [0.22, 1.0], Chosen;
    /// Two thresholds of warmth lie at least so far apart, K.
    LEAST_SPAN_K: f64 = 0.1, "K", [0.033, 0.3], Chosen;
    /// The flag closes below this probability.
    CLOSE_PROBABILITY: f64 = 0.15, "1", [0.05, 0.45], Chosen;
    /// A fill pours at least this, l.
    LEAST_POURED_L: f64 = 0.1, "l", [0.033, 0.3], Chosen;
    /// Syrup of which less than this share of the capacity is left takes the age of the next fill.
    GONE_SHARE: f64 = 0.02, "1", [0.0067, 0.06], Chosen;
    /// A colony refuses syrup only if it took at least this share of the capacity in a day before.
    REFUSED_LEAST_SHARE: f64 = 0.05, "1", [0.017, 0.15], Chosen;
    /// A colony refuses syrup when it takes less in a day than this share of the most that it took.
    REFUSED_SHARE: f64 = 0.35, "1", [0.12, 1.0], Chosen;
    /// Signs of souring must hold for so long, hours.
    OPEN_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
    /// Without signs of souring for so long, hours, it is over.
    CLOSE_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
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
        |s: Strength| physics::water_activity(s.mass_fraction(), DegreesCelsius(SHELF_CEL));
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
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    flow: &[Vec<Episode>],
    taking: &Taking,
    flags: &mut Vec<Flag>,
) -> Vec<Vec<Vec<Episode>>> {
    let heat = fermentation_heat(context, exclusions);
    let hives = heat.iter().enumerate();
    hives
        .map(|(h, of_hive)| {
            let feeders = of_hive.iter().enumerate();
            feeders
                .map(|(f, heat)| {
                    let feeder = &context.signals.hives[h].feeders[f];
                    let watch = Watch {
                        context,
                        exclusions,
                        flow: &flow[h],
                        at: (h, f),
                        feeder,
                        heat,
                        aged: age(context, h, f),
                        easy: taking.easy((h, f)),
                        levels: levels(feeder),
                    };
                    watch.run(flags)
                })
                .collect()
        })
        .collect()
}

struct Watch<'a> {
    context: &'a RuleContext<'a>,
    exclusions: &'a Exclusions,
    flow: &'a [Episode],
    at: (usize, usize),
    feeder: &'a FeederSignals,
    heat: &'a [f64],
    aged: Vec<f64>,
    easy: &'a [f64],
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
    /// Taken less and less.
    Refused,
    /// Lifted by foam.
    Foaming,
}

impl Watch<'_> {
    fn run(&self, flags: &mut Vec<Flag>) -> Vec<Episode> {
        let grid = &self.context.signals.grid;
        let votes = (0..=self.context.signals.last).map(|k| (grid.time(k), self.vote(k)));
        let found = episodes(votes, OPEN_HOURS, CLOSE_HOURS);
        for episode in &found {
            let details = self.details(episode.opened);
            let flag = self
                .context
                .feeder_flag(FlagKind::Souring, self.at, *episode, details);
            flags.push(flag);
        }
        // Taking less is no reason to take less.
        let reasons = found.into_iter().filter(|s| {
            let shown = self.shown(s.opened);
            shown.is_some_and(|shown| shown != Shown::Refused)
        });
        reasons.collect()
    }

    fn vote(&self, k: usize) -> Vote {
        let (h, f) = self.at;
        let parameters = &self.context.parameters(self.at.0).souring;
        let least_l = LEAST_SHARE * self.context.feeder(h, f).capacity_l;
        let left = food_reserves::left(self.context, h, f, k);
        let known = self.feeder.sensed && self.feeder.filled[k].is_some();
        let nothing = left < CLOSE_OF_LEAST * least_l || !known;
        if nothing || self.exclusions.off(self.context, h, f, k) {
            return Vote::Close;
        }
        let probability = self.probability(k);
        let strong = self.strong(k);
        let safe =
            !strong && (probability < CLOSE_PROBABILITY || self.risk(k) < parameters.close_risk);
        let unseen = self.feeder.sensed && self.feeder.filtered[k].age > PER_DAY;
        if safe {
            Vote::Close
        } else if unseen || left < least_l {
            Vote::Keep
        } else if probability > parameters.open_risk || strong {
            Vote::Open
        } else {
            Vote::Keep
        }
    }

    fn risk(&self, k: usize) -> f64 {
        risk(&self.context.parameters(self.at.0).souring, self.aged[k])
    }

    /// By age, warmth, appetite and foam together.
    fn probability(&self, k: usize) -> f64 {
        let (h, f) = self.at;
        let risk = self.risk(k);
        if self.blind(k) {
            return risk;
        }
        let parameters = &self.context.parameters(h).souring;
        let risk = risk.max(parameters.shown_risk);
        let mut odds = (risk / (1.0 - risk).max(1e-6)).ln();
        if !self.heat[k].is_nan() {
            let span = (parameters.hot_kelvin - parameters.warm_kelvin).max(LEAST_SPAN_K);
            let hot = (self.heat[k] - parameters.warm_kelvin) / span;
            odds += (HOT_LOG_ODDS * hot).clamp(HEAT_LOG_ODDS[0], HEAT_LOG_ODDS[1]);
        }
        if self.likes(k) {
            let [falls, stays] = REFUSED_LOG_ODDS;
            odds += match refused(self.context, h, f, k) {
                Some(true) => falls,
                Some(false) => stays,
                None => 0.0,
            };
            if self.foams(k) {
                odds += FOAM_LOG_ODDS;
            }
        }
        1.0 / (1.0 + (-odds).exp())
    }

    /// Whether a sign shows that opens the flag at whatever age.
    fn strong(&self, k: usize) -> bool {
        match self.shown(k) {
            Some(Shown::Hot | Shown::RefusedWarm) => true,
            Some(Shown::Foaming) => {
                let parameters = &self.context.parameters(self.at.0).souring;
                self.risk(k) > parameters.shown_risk
            }
            Some(Shown::Refused) | None => false,
        }
    }

    /// Whether no sensor tells of the syrup's state.
    fn blind(&self, k: usize) -> bool {
        let (h, f) = self.at;
        let fresh = self.feeder.changed[k].is_none_or(|at| k - at < nodes(FRESH_HOURS));
        fresh || !self.feeder.sensed || self.exclusions.level(self.context, h, f, k)
    }

    /// Whether a colony would take sound syrup: it is warm, and no flow is on.
    fn likes(&self, k: usize) -> bool {
        let at = self.context.signals.grid.time(k);
        let flows = self.flow.iter().any(|episode| episode.holds_at(at));
        !flows && !self.easy[k].is_nan() && self.easy[k] > WARM_EASE
    }

    /// The strongest sign that sensors show.
    fn shown(&self, k: usize) -> Option<Shown> {
        let (context, (h, f)) = (self.context, self.at);
        let parameters = &context.parameters(h).souring;
        if self.blind(k) {
            return None;
        }
        if self.heat[k] > parameters.hot_kelvin {
            return Some(Shown::Hot);
        }
        if !self.likes(k) {
            return None;
        }
        if self.foams(k) {
            return Some(Shown::Foaming);
        }
        let refused = refused(context, h, f, k) == Some(true);
        if refused && self.heat[k] > parameters.warm_kelvin {
            return Some(Shown::RefusedWarm);
        }
        refused.then_some(Shown::Refused)
    }

    fn foams(&self, k: usize) -> bool {
        let parameters = &self.context.parameters(self.at.0).souring;
        self.rise(k).is_some_and(|(litres, metres)| {
            metres > parameters.foam_mm / MM_PER_M && litres > FOAM_SDS * self.feeder.noise_l
        })
    }

    /// How far the level rose in a day though nobody poured, l and m; nothing where that can't be said.
    /// Foam weighs nothing, so what is weighed does not rise.
    fn rise(&self, k: usize) -> Option<(f64, f64)> {
        let ((h, f), feeder) = (self.at, self.feeder);
        let feeder_input = &self.context.input.hives[h].feeders[f];
        let track = &self.context.analysis.hives[h].feeders[f].level;
        let turn = track.turn_at(self.context.signals.grid.time(k))?;
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
        let hours = FeederSignals::LEVEL_NODES;
        let steps = (from + hours..=k).map(|k| feeder.level(k) - feeder.level(k - hours));
        let steepest = steps.fold(0.0, f64::max);
        if litres.is_nan() || steepest > FOAM_AT_ONCE * litres + STEP_SDS * feeder.noise_l {
            return None;
        }
        let density = kg_per_litre(feeder.strength[k]);
        let per_metre = litres_per_unit(geometry, now.max(0.0), density);
        Some((litres, litres / per_metre))
    }

    fn details(&self, k: usize) -> Details {
        let (h, f) = self.at;
        let feeder = self.feeder;
        let days = feeder.filled[k].map_or(0.0, |at| (k - at) as f64 / PER_DAY as f64);
        let strength = feeder.strength[k].map_or_else(String::new, |s| format!(" of {s}"));
        let half = days_to_sour(
            &self.context.parameters(self.at.0).souring,
            feeder.strength[k],
        );
        let aged_days = self.aged[k] * half;
        let spread = self
            .context
            .parameters(self.at.0)
            .souring
            .spread_factor
            .max(1.0);
        let half = Estimate {
            value: half,
            lo: half / spread,
            hi: half * spread,
        };
        let left = food_reserves::left_estimate(self.context, h, f, k);
        let aged = Evidence::new(format!(
            "{{left}}{strength}, last filled {{days}} ago, has aged as in {{aged}} at {{best}}; half of such syrup is sour after {{sour}}."
        ))
        .with_estimate("left", left, Measure::Volume)
        .with("days", days.round(), Measure::Days)
        .with("aged", aged_days, Measure::Days)
        .with("best", BEST, Measure::Temperature)
        .with_estimate("sour", half, Measure::Days);
        let warmer = Estimate::normal(self.heat[k], HEAT_SD);
        let evidence = match self.shown(k) {
            Some(Shown::Hot) => {
                aged.and(" It is {warmer} warmer than the yard's other feeders make it.")
            }
            Some(Shown::RefusedWarm) => aged.and(" The colony takes less and less of it, and it is {warmer} warmer than the yard's other feeders make it."),
            Some(Shown::Refused) => aged.and(" The colony takes less and less of it, though it is warm enough."),
            Some(Shown::Foaming) => {
                let risen = self.rise(k).map_or(f64::NAN, |(litres, _)| litres);
                let risen = Estimate::normal(risen, FOAM_NOISE * feeder.noise_l);
                let said = " Its level rose by {risen} in a day though nobody poured: foam.";
                aged.and(said).with_estimate("risen", risen, Measure::Volume)
            }
            None => aged,
        };
        let least = if self.strong(k) {
            STRONG_PROBABILITY
        } else {
            0.0
        };
        let odds = self.probability(k).max(least);
        let odds = odds / (1.0 - odds).max(1e-6) * SAID_ODDS;
        let probability = odds / (1.0 + odds);
        Details {
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
fn age(context: &RuleContext<'_>, h: usize, f: usize) -> Vec<f64> {
    let feeder = &context.signals.hives[h].feeders[f];
    let parameters = &context.parameters(h).souring;
    let capacity = context.feeder(h, f).capacity_l;
    let left = |k: usize| food_reserves::left(context, h, f, k).clamp(0.0, capacity);
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

/// Whether the last day's uptake is well below the one of the days before; `None` where that can't be
/// said.
fn refused(context: &RuleContext<'_>, h: usize, f: usize, k: usize) -> Option<bool> {
    let day = PER_DAY;
    let now = uptake(context, h, f, k, day);
    let before = (2..=4).filter_map(|d| {
        let then = k.checked_sub(d * day / 2 + day / 2)?;
        let taken = uptake(context, h, f, then, day);
        (!taken.is_nan()).then_some(taken)
    });
    let most = before.fold(f64::NAN, f64::max);
    let capacity = context.feeder(h, f).capacity_l;
    let known = !now.is_nan() && most > REFUSED_LEAST_SHARE * capacity;
    known.then_some(now < REFUSED_SHARE * most)
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
