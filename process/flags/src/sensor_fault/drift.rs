//! Instruments that move by themselves.

use super::super::night::Night;
use super::super::signals::nodes;
use super::super::{Episode, RuleContext, Vote, episodes};
use super::Suspicion;
use crate::night::WHOLE_NIGHT_HOURS;
use larder_domain::{Evidence, Measure};
use larder_estimate::series::grid::PER_DAY;
use larder_syrup::Estimate;

larder_estimate::numbers! { "flags.sensor_fault.drift":
    /// A hive that gained this in a day dries nectar in the nights after, kg.
    FLOW_KG: f64 = 0.25, "kg", [0.083, 0.75], Chosen;
    /// A hive dries nectar for so many days after a day of gain.
    FLOW_DAYS: usize = 5, "d", [1.0, 15.0], Chosen;
    /// A hive that was fed this in two days dries syrup, kg.
    FED_KG: f64 = 1.0, "kg", [0.33, 3.0], Chosen;
    /// A hive does not gain this much in a dry night, kg.
    GAIN_AT_NIGHT_KG: f64 = 0.03, "kg", [0.01, 0.09], Chosen;
    /// A scale drifts upwards only if this share of what is odd is its own gain: the rest may be a
    /// neighbour's loss.
    OWN_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// What left the feeder explains an odd loss from this share of it on.
    LEAK_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A steady rise of a level is looked for over so many hours.
    RISE_HOURS: f64 = 12.0, "h", [4.0, 36.0], Chosen;
    /// A level is the mean of so many nodes.
    MEAN_NODES: usize = 6, "1", [2.0, 18.0], Chosen;
    /// A level drifts when it rises steadily by this share of the capacity.
    RISE_SHARE: f64 = 0.08, "1", [0.027, 0.24], Chosen;
    /// Two nights belong together that lie so far apart, hours.
    AGAIN_HOURS: std::ops::Range<f64> = 12.0..80.0, "h", [4.0, 240.0], Chosen;
    /// How sure a drift is.
    PROBABILITY: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// A steady rise has at least this share in each half.
    HALF_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A drift of a level closes below this share of the rise that opens it.
    CLOSE_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A level drifts when it rises steadily by so many times its noise.
    RISE_SDS: f64 = 6.0, "1", [2.0, 18.0], Chosen;
    /// A level's rise holds for so long before it opens, hours.
    OPEN_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
    /// One night alone says that a scale drifts from so many times on what two nights must show.
    SURE_FACTOR: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// A drift of a scale closes with a night that shows less than this share of what opens it.
    CLOSE_NIGHT_SHARE: f64 = 0.5, "1", [0.17, 1.0], Chosen;
}

/// A scale that moves by night as no hive does: a gain, which no hive has at night, or a loss while
/// every feeder was watched and nothing left them. Two nights in a row say so, or one very odd one.
pub(super) fn scale_drift(context: &RuleContext<'_>, h: usize) -> Vec<Suspicion> {
    let parameters = &context.parameters(h).sensor_fault;
    let grid = &context.signals.grid;
    let scales = &context.input.hives[h].hive.scales;
    let name = |at| {
        let standing = scales.iter().find(|scale| scale.during.contains(at));
        standing.map_or_else(String::new, |scale| scale.source.device.to_string())
    };
    let mut before: Option<Night> = None;
    let mut said = Vec::with_capacity(context.nights[h].len());
    for night in &context.nights[h] {
        let odd = night.odd_kg;
        let least = parameters.drift_kg_per_night * night.hours / WHOLE_NIGHT_HOURS;
        let clear = odd.abs() > least
            && odd.abs() > parameters.drift_sds * night.sd_kg
            && night.n_habit >= 4;
        let by_chance = GAIN_AT_NIGHT_KG * night.hours / WHOLE_NIGHT_HOURS;
        // Where no gauge tells of rain, a yard that gains at night does.
        let rains = !context.signals.weather.has_gauge && night.own_kg - odd > by_chance;
        let gains = odd > 0.0 && night.own_kg > by_chance.max(OWN_SHARE * odd) && !rains;
        let flowed = (0..FLOW_DAYS).any(|day| {
            let then = night.known.saturating_sub(day * PER_DAY);
            context.balance.change(h, then, DAY) > FLOW_KG
        });
        let drying = flowed || night.fed_kg > FED_KG;
        let loses = odd < 0.0 && night.seen && night.drop_kg < LEAK_SHARE * -odd && !drying;
        let suspect = clear && (gains || loses);
        let again = before.is_some_and(|earlier| {
            let apart = grid.time(night.known).hours_since(grid.time(earlier.known));
            earlier.odd_kg * odd > 0.0 && AGAIN_HOURS.contains(&apart)
        });
        let sure = suspect && (odd.abs() > SURE_FACTOR * least || again);
        if suspect && before.is_none_or(|earlier| night.known - earlier.known > 20) {
            before = Some(*night);
        }
        let vote = match suspect {
            _ if sure => Vote::Open,
            true => Vote::Keep,
            false if odd.abs() < CLOSE_NIGHT_SHARE * least => Vote::Close,
            false => Vote::Keep,
        };
        let change = Estimate::normal(odd, night.sd_kg);
        said.push((grid.time(night.known), vote, change));
    }
    let found = episodes(said.iter().map(|&(at, vote, _)| (at, vote)), 0.0, 0.0);
    let details = |episode: Episode| {
        Suspicion {
        evidence: Evidence::new(format!(
            "{} changed by {{change}} in one night against the other hives of the yard and its own nights before, and nothing went in or out: the scale drifts.",
            name(episode.from)
        ))
        .with_estimate("change", said[episode.opened].2, Measure::MassChange),
        probability: PROBABILITY,
        episode,
    }
    };
    found.into_iter().map(details).collect()
}

/// The window in [`super::balance::WINDOWS`] that is one day.
const DAY: usize = 5;

/// A level that rises steadily while nobody pours.
pub(super) fn level_drift(context: &RuleContext<'_>, h: usize, f: usize) -> Vec<Suspicion> {
    let signals = context.signals;
    let grid = &signals.grid;
    let feeder = &signals.hives[h].feeders[f];
    let capacity = context.feeder(h, f).capacity_l;
    let levels = &context.input.hives[h].feeders[f].levels;
    let track = &context.analysis.hives[h].feeders[f].level;
    let turn = |k: usize| track.turn_at(grid.time(k));
    let name = |k: usize| {
        let turn = turn(k).map(|turn| track.turns[turn].sensor);
        turn.map_or_else(String::new, |sensor| {
            levels[sensor].source().device.to_string()
        })
    };
    let back = nodes(RISE_HOURS);
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
        let one =
            |&from: &usize| feeder.changed[k] == feeder.changed[from] && turn(k) == turn(from);
        let Some(from) = from.filter(one) else {
            return f64::NAN;
        };
        let settled = feeder.changed[k].is_none_or(|at| from > at + 8);
        let middle = mean(k - back / 2);
        let halves = (middle - mean(k - back), mean(k) - middle);
        let total = halves.0 + halves.1;
        let steady = halves.0 > HALF_SHARE * total && halves.1 > HALF_SHARE * total;
        if settled && (steady || total < 0.0) {
            total
        } else if settled {
            0.0
        } else {
            f64::NAN
        }
    };
    let limit = (RISE_SHARE * capacity).max(RISE_SDS * feeder.noise_l);
    let votes = (0..=signals.last).map(|k| {
        let vote = match rise(k) {
            up if up > limit => Vote::Open,
            up if up < CLOSE_SHARE * limit => Vote::Close,
            _ => Vote::Keep,
        };
        (grid.time(k), vote)
    });
    let found = episodes(votes, OPEN_HOURS, RISE_HOURS);
    let sd_l = feeder.noise_l * (2.0 / MEAN_NODES as f64).sqrt();
    let risen = |k: usize| Estimate::normal(rise(k), sd_l);
    let details = |episode: Episode| Suspicion {
        evidence: Evidence::new(format!(
            "The level by {} rose by {{rise}} in {{hours}} while nobody poured: the sensor drifts.",
            name(episode.opened)
        ))
        .with_estimate("rise", risen(episode.opened), Measure::Volume)
        .with("hours", RISE_HOURS, Measure::Hours),
        probability: PROBABILITY,
        episode,
    };
    found.into_iter().map(details).collect()
}
