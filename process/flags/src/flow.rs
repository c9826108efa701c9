//! Nectar comes in: the hive gains what no feeder explains. Time to stop feeding, and to keep syrup
//! out of honey that is to be sold.
//!
//! A day's change of weight with handling taken out; what the feeders gave is water that dries off
//! and sugar that was on the scale already, so that any gain at all comes from flowers. Neighbours
//! of the same yard gain at the same time; a scale that gains alone drifts.

use super::{Details, Episode, Exclusions, RuleContext, Vote, episodes};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity};
use larder_estimate::math::robust::{median, median_of_few};
use larder_estimate::series::grid::{PER_DAY, STEP_HOURS};
use larder_syrup::Estimate;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.flow":
    /// Rain that wets a hive and hides gains, mm in the last day.
    WET_MM: f64 = 1.0, "mm", [0.33, 3.0], Chosen;
    /// Without a gauge a yard whose median hive gains more than this in the dark was rained on, kg.
    DARK_GAIN_KG: f64 = 0.06, "kg", [0.02, 0.18], Chosen;
    /// A storm reaches all hives of a yard within this, hours.
    STORM_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// A gain of the yard's median hive above this within a storm's hours is water, kg.
    STORM_KG: f64 = 0.3, "kg", [0.1, 0.9], Chosen;
    /// Where no gauge tells of showers, a gain of the median hive above this within a storm's hours is
    /// water, kg.
    SHOWER_KG: f64 = 0.15, "kg", [0.05, 0.45], Chosen;
    /// A day that brought so many times what came at once had more than a storm.
    GOES_ON: f64 = 3.0, "1", [1.0, 9.0], Chosen;
    /// Fewer scales than this that gain at once do not tell rain from nectar.
    LEAST_SCALES: usize = 3, "1", [1.0, 9.0], Chosen;
    /// A wet roof and box carry about so much, kg (common practice).
    WET_HIVE_KG: f64 = 0.3, "kg", [0.1, 0.9], CommonPractice;
    /// What a load cell's drift with warmth leaves of a day's change, kg (measured).
    GAIN_SD_KG: f64 = 0.05, "kg", [0.017, 0.15], Measured;
    /// How sure a flow is.
    PROBABILITY: f64 = 0.8, "1", [0.3, 1.0], Measured;
    /// A gain within a storm's hours is a shower where all the rest of the day brought less than this share
    /// of it.
    SHOWER_REST_SHARE: f64 = 0.5, "1", [0.17, 1.5], Chosen;
    /// The last foragers come home within this of sunset, hours.
    HOME_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
    /// A gauge that was heard within this tells whether it rained, hours.
    HEARD_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
    /// A day's gain must hold for so long, hours.
    OPEN_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
}

/// The window in [`super::balance::WINDOWS`] that is one day.
const DAY: usize = 5;

/// For each hive, when flow was on.
pub(super) fn raise(
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    flags: &mut Vec<Flag>,
) -> Vec<Vec<Episode>> {
    let n = context.signals.last + 1;
    let gains: Vec<Vec<f64>> = (0..context.input.hives.len())
        .map(|h| (0..n).map(|k| gain(context, exclusions, h, k)).collect())
        .collect();
    let reference = nights_before(context);
    let stormy = storms(context, &reference);
    let gains: Vec<Vec<f64>> = gains
        .into_iter()
        .map(|gains| {
            let dry = gains.iter().zip(&stormy);
            dry.map(|(&gain, &wet)| if wet { f64::NAN } else { gain })
                .collect()
        })
        .collect();
    let mut known = Vec::new();
    let yard: Vec<f64> = (0..n)
        .map(|k| {
            known.clear();
            known.extend(gains.iter().map(|g| g[k]).filter(|g| !g.is_nan()));
            median(&mut known).unwrap_or(f64::NAN)
        })
        .collect();
    (0..context.input.hives.len())
        .map(|h| of_hive(context, h, &gains, &yard, &reference, flags))
        .collect()
}

/// For each node by day the last one of the night before, when all bees were at home.
fn nights_before(context: &RuleContext<'_>) -> Vec<Option<usize>> {
    let mut dark = None;
    let daylight = context.signals.weather.light.iter().enumerate();
    daylight
        .map(|(k, &day)| {
            if !day {
                dark = Some(k);
            }
            dark.filter(|_| day)
        })
        .collect()
}

/// Nodes within a day of a storm: water lands on all hives within an hour or two, where nectar comes
/// in all day. Told by the scales alone, since a yard need not have a rain gauge.
fn storms(context: &RuleContext<'_>, reference: &[Option<usize>]) -> Vec<bool> {
    let day = PER_DAY;
    let loaded = loads_on_all(context);
    let least = if context.signals.weather.has_gauge {
        STORM_KG
    } else {
        SHOWER_KG
    };
    let (mut until, mut largest) = (0, 0.0);
    (0..=context.signals.last)
        .map(|k| {
            let sudden = context.balance.common(k, SUDDEN);
            let whole = context.balance.common(k, DAY);
            let rest = whole - sudden;
            // Bees that come home in the evening went out in the morning: no gain of the day.
            let shower = sudden > least
                && rest < SHOWER_REST_SHARE * sudden
                && !dry(context, k)
                && reference[k].is_none_or(|night| heavier(context, night, k) > least);
            let by_night = gained_in_the_dark(context, k);
            if loaded[k] || shower || by_night {
                until = k + day + super::signals::nodes(STORM_HOURS);
                let fallen = if by_night { whole } else { sudden };
                largest = f64::max(largest, fallen.max(least));
            }
            if k >= until {
                largest = 0.0;
            }
            // A flow that sets in strongly looks like a storm at first, and then goes on.
            let goes_on = whole > GOES_ON * largest;
            k < until && !goes_on
        })
        .collect()
}

/// Whether a gauge that was heard says that no rain fell within a storm's hours.
fn dry(context: &RuleContext<'_>, k: usize) -> bool {
    let grid = &context.signals.grid;
    let rain = context.input.weather.rain;
    let heard = rain.partition_point(|sample| sample.time <= grid.time(k));
    let lately =
        |sample: &larder_domain::Sample| grid.time(k).hours_since(sample.time) < HEARD_HOURS;
    let from = k.saturating_sub(super::signals::nodes(STORM_HOURS));
    rain[..heard].last().is_some_and(lately) && context.signals.weather.rain_between(from, k) <= 0.0
}

/// By how much the yard's median hive is heavier than when all bees were last at home, kg.
fn heavier(context: &RuleContext<'_>, night: usize, k: usize) -> f64 {
    let gained = |h: usize| context.balance.weight(h, k) - context.balance.weight(h, night);
    let gained = (0..context.input.hives.len()).map(gained);
    median_of_few(gained.filter(|kg| !kg.is_nan())).unwrap_or(f64::NAN)
}

/// Whether the yard's hives became heavier while nothing flew: rain or dew, where no gauge tells.
fn gained_in_the_dark(context: &RuleContext<'_>, k: usize) -> bool {
    let hours = super::balance::WINDOWS[IN_THE_DARK] + HOME_HOURS;
    let from = k.saturating_sub(super::signals::nodes(hours));
    let dark = || {
        context.signals.weather.light[from..=k]
            .iter()
            .all(|light| !light)
    };
    let no_gauge = !context.signals.weather.has_gauge;
    no_gauge && context.balance.common(k, IN_THE_DARK) > DARK_GAIN_KG && dark()
}

/// The window of three hours, and what no hive gains in it at night but by water, kg (measured: dry nights
/// lose 0.02 to 0.1).
const IN_THE_DARK: usize = 2;

/// Nodes at which most of the yard's scales went up by a step within the hours before, and nobody
/// filled anything.
fn loads_on_all(context: &RuleContext<'_>) -> Vec<bool> {
    let grid = &context.signals.grid;
    let mut hives_at = vec![0usize; context.signals.last + 1];
    let reach = super::signals::nodes(STORM_HOURS);
    for (hive, found) in context.input.hives.iter().zip(&context.analysis.hives) {
        let mut hit = vec![false; context.signals.last + 1];
        // A fill that a note or a level sensor speaks for; the scale alone cannot tell it from rain.
        let feeders = || hive.feeders.iter().zip(&found.feeders);
        let filled = |i: usize| {
            feeders().any(|(feeder, found)| {
                let mut changes = found.events.changes.iter();
                let vouched = |recorded: bool| recorded || !feeder.levels.is_empty();
                changes.any(|c| c.scale_step == Some(i) && vouched(c.recorded.is_some()))
            })
        };
        for (i, step) in found
            .scale
            .steps
            .iter()
            .enumerate()
            .filter(|(_, s)| s.kg > 0.0)
        {
            if !filled(i) {
                let from = grid.at_or_after(step.latest);
                hit.iter_mut()
                    .skip(from)
                    .take(reach)
                    .for_each(|node| *node = true);
            }
        }
        for (count, hit) in hives_at.iter_mut().zip(hit) {
            *count += usize::from(hit);
        }
    }
    let weighed = context
        .signals
        .hives
        .iter()
        .filter(|hive| hive.weighed)
        .count();
    let most = |count: usize| count >= 3 && 2 * count >= weighed;
    hives_at.into_iter().map(most).collect()
}

/// The window of an hour and a half.
const SUDDEN: usize = 0;

fn of_hive(
    context: &RuleContext<'_>,
    h: usize,
    all: &[Vec<f64>],
    yard: &[f64],
    reference: &[Option<usize>],
    flags: &mut Vec<Flag>,
) -> Vec<Episode> {
    let parameters = &context.parameters(h).flow;
    let grid = &context.signals.grid;
    let gains = &all[h];
    let known_gains = |k: usize| all.iter().filter(|gains| !gains[k].is_nan()).count();
    // Bees that stay in on a wet morning are no gain, though a day ago at that hour they were out.
    let open_kg = parameters.open_kg_per_day + unknown_rain(context);
    let beyond_bees = |k: usize| {
        reference[k].is_none_or(|night| {
            let gained = context.balance.weight(h, k) - context.balance.weight(h, night);
            gained.is_nan() || gained > open_kg
        })
    };
    // Few scales do not tell a flow from a hive that was lighter for a day.
    let lasts = |k: usize| {
        let known = known_gains(k);
        let before = k.checked_sub(2 * PER_DAY);
        let gained =
            before.map(|then| context.balance.weight(h, k) - context.balance.weight(h, then));
        known >= LEAST_SCALES || gained.is_none_or(|kg| kg.is_nan() || kg > open_kg)
    };
    let votes = gains
        .iter()
        .zip(yard)
        .enumerate()
        .map(|(k, (&own, &yard))| {
            let enough = own > open_kg && yard > parameters.yard_kg_per_day && lasts(k);
            let vote = if enough && beyond_bees(k) {
                Vote::Open
            } else if own < parameters.close_kg_per_day {
                Vote::Close
            } else {
                Vote::Keep
            };
            (grid.time(k), vote)
        });
    let found = episodes(votes, OPEN_HOURS, parameters.close_hours);
    let hive = context.input.hives[h].hive;
    let noise_kg = context.signals.hives[h].noise_kg;
    for episode in &found {
        let own = gains[episode.opened];
        let beside = all.iter().enumerate().filter(|(other, _)| *other != h);
        let mut others: Vec<f64> = beside.map(|(_, gains)| gains[episode.opened]).collect();
        others.retain(|kg| !kg.is_nan());
        let others_kg = median(&mut others);
        let supers = if hive.supers_on {
            " Honey supers are on."
        } else {
            ""
        };
        let known = |kg: f64| Estimate::normal(kg, GAIN_SD_KG.hypot(noise_kg));
        let details = Details {
            severity: if hive.supers_on {
                Severity::Urgent
            } else {
                Severity::Warning
            },
            probability: PROBABILITY,
            evidence: match others_kg {
                Some(kg) => Evidence::new(
                    "Gained {gained} in a day that no feeder explains; the median of the yard's other hives gained {yard}.",
                )
                .and(supers)
                .with_estimate("gained", known(own), Measure::Mass)
                .with_estimate("yard", known(kg), Measure::Mass),
                None => Evidence::new(
                    "Gained {gained} in a day that no feeder explains; no other hive of its yard was weighed.",
                )
                .and(supers)
                .with_estimate("gained", known(own), Measure::Mass),
            },
        };
        flags.push(context.hive_flag(FlagKind::FlowOn, h, *episode, details));
    }
    found
}

/// What rain may have laid on a hive where neither a gauge nor the yard's other scales tell of it, kg.
fn unknown_rain(context: &RuleContext<'_>) -> f64 {
    let weighed = context.signals.hives.iter().filter(|hive| hive.weighed);
    if context.signals.weather.has_gauge || weighed.count() >= LEAST_SCALES {
        0.0
    } else {
        WET_HIVE_KG
    }
}

/// What flowers gave in the day before node `k`, kg; NaN where unknown.
fn gain(context: &RuleContext<'_>, exclusions: &Exclusions, h: usize, k: usize) -> f64 {
    let signals = context.signals;
    let back = PER_DAY;
    if k < back || exclusions.scale(context, h, k) {
        return f64::NAN;
    }
    let from_beside: f64 = signals.hives[h]
        .feeders
        .iter()
        .zip(&context.input.hives[h].feeders)
        .filter(|(_, feeder)| !feeder.feeder.on_scale)
        .map(|(feeder, _)| {
            let rate: f64 = feeder.filtered[k - back..=k]
                .iter()
                .map(|f| f.rate.max(0.0))
                .sum();
            rate * STEP_HOURS * kg_per_litre(feeder.strength[k])
        })
        .sum();
    let gained = context.balance.change(h, k, DAY) - from_beside;
    if signals.weather.rain_between(k - back, k) <= WET_MM {
        return gained;
    }
    // Rain hides a small gain, and no more than it weighs of a large one.
    let beyond_rain = gained - WET_HIVE_KG;
    if beyond_rain > context.parameters(h).flow.open_kg_per_day {
        beyond_rain
    } else {
        f64::NAN
    }
}
