//! Levels that move by themselves.

use super::super::signals::nodes;
use super::super::{Episode, RuleContext, Vote, episodes};
use super::Suspicion;
use larder_domain::{Evidence, Geometry, Measure};
use larder_estimate::series::level::litres_per_unit;
use larder_syrup::Estimate;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.sensor_fault.rising":
    /// A steady rise of a level is looked for over so many hours.
    RISE_HOURS: f64 = 24.0, "h", [4.0, 36.0], Chosen;
    /// A level is the mean of so many nodes.
    MEAN_NODES: usize = 6, "1", [2.0, 18.0], Chosen;
    /// A level drifts when it rises steadily by this share of the capacity.
    RISE_SHARE: f64 = 0.05, "1", [0.027, 0.24], Chosen;
    /// Foam lifts a level by no more than this in that time, m.
    FOAM_M: f64 = 0.005, "m", [0.003, 0.012], Chosen;
    /// How sure a drift is.
    PROBABILITY: f64 = 0.8, "1", [0.2, 1.0], Chosen;
    /// A steady rise has at least this share in each half.
    HALF_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A drift of a level closes below this share of the rise that opens it.
    CLOSE_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A level drifts when it rises steadily by so many times its noise.
    RISE_SDS: f64 = 6.0, "1", [2.0, 18.0], Chosen;
    /// A level's rise holds for so long before it opens, hours.
    OPEN_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
}

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
    let foam = levels.first().map_or(0.0, |level| match level.geometry() {
        Geometry::Distance { .. } | Geometry::Depth { .. } => {
            FOAM_M * litres_per_unit(level.geometry(), capacity / 2.0, kg_per_litre(None))
        }
        Geometry::Volume | Geometry::FeederWeight => 0.0,
    });
    let limit = (RISE_SHARE * capacity)
        .max(foam)
        .max(RISE_SDS * feeder.noise_l);
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
