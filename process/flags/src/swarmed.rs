//! Bees left: a swarm takes one to four kilograms of them within minutes to an hour, by day, in
//! weather to fly in. What was level before is level again behind it, no hand was at the yard and no
//! syrup went. Foragers who go out go by the hour and with the whole yard, robbers go on, and a feeder
//! that falls goes in the wind.

use super::signals::hands::by_hand;
use super::signals::nodes;
use super::{Details, Episode, RuleContext};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Sample, Severity, Timestamp};
use larder_estimate::math::robust::{median, median_of_few};
use larder_estimate::series::grid::PER_DAY;
use larder_syrup::Estimate;
use larder_syrup::physics::kg_per_litre;
use std::ops::Range;

larder_estimate::numbers! { "flags.swarmed":
    /// A weight is the median of readings of so many minutes.
    LEVEL_MINUTES: f64 = 40.0, "min", [20.0, 60.0], Chosen;
    /// A weight is the median of the readings in so many of the scale's own intervals, where they are long.
    LEVEL_INTERVALS: f64 = 2.3, "1", [2.0, 6.0], Chosen;
    /// A swarm has left within so many minutes (common practice: ten to twenty, and some stragglers).
    LEAVES_MINUTES: f64 = 60.0, "min", [20.0, 120.0], CommonPractice;
    /// A swarm has left within so many of the scale's own intervals, where they are long.
    LEAVES_INTERVALS: f64 = 1.2, "1", [1.0, 3.0], Chosen;
    /// A scale that reports less often tells no swarm, minutes.
    MOST_INTERVAL_MINUTES: f64 = 65.0, "min", [22.0, 200.0], Chosen;
    /// A reading this far inside of the fall, as a share of it, tells that it took its time.
    GRADUAL_SHARE: f64 = 0.15, "1", [0.05, 0.45], Chosen;
    /// Readings this close tell a swarm, which takes ten minutes and more, from what falls at once, minutes.
    CLOSE_MINUTES: f64 = 16.0, "min", [5.3, 30.0], Chosen;
    /// How sure a swarm is that may have been a feeder that fell or was taken off.
    SUDDEN_PROBABILITY: f64 = 0.5, "1", [0.17, 1.0], Chosen;
    /// So many days tell what this hive loses by itself within the hours.
    HABIT_DAYS: usize = 7, "d", [2.0, 21.0], Chosen;
    /// A swarm is so many times what this hive lost within two hours in the days before.
    HABIT_FACTOR: f64 = 2.0, "1", [1.0, 4.5], Chosen;
    /// The weight before it left was level for so many minutes.
    BEFORE_MINUTES: f64 = 60.0, "min", [20.0, 180.0], Chosen;
    /// A level needs so many readings.
    LEAST_READINGS: usize = 2, "1", [1.0, 6.0], Chosen;
    /// Of what left at most this share went in the hour before.
    BEFORE_SHARE: f64 = 0.25, "1", [0.083, 0.75], Chosen;
    /// Of what left at most this share goes on behind it.
    BEHIND_SHARE: f64 = 0.2, "1", [0.067, 0.6], Chosen;
    /// A weight stands out by so many times a scale's noise.
    SDS: f64 = 6.0, "1", [2.0, 18.0], Chosen;
    /// A hive that no yard is held against must lose so many times as much: its foragers go too.
    LONE_FACTOR: f64 = 1.6, "1", [1.0, 4.8], Chosen;
    /// Syrup that went is at most this share of what left.
    SYRUP_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A keeper is at a yard for so long around a step, hours.
    VISIT_HOURS: f64 = 1.5, "h", [0.5, 4.5], Chosen;
    /// What else happened to the hive within this goes with it, hours: a visit on either side.
    BESIDE_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// More rain than this in the hours before keeps a swarm at home, mm.
    RAIN_MM: f64 = 0.3, "mm", [0.1, 0.9], Chosen;
    /// Readings this far outside of what was before and behind are a hand's, kg.
    LIFTED_KG: f64 = 1.0, "kg", [0.33, 3.0], Chosen;
    /// A swarm that comes home brings at least this share back by the evening.
    BACK_SHARE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// It is looked for so long, hours: a swarm without its queen turns round within minutes, foragers by dark.
    BACK_HOURS: f64 = 10.0, "h", [3.3, 24.0], Chosen;
    /// A keeper who did not come within so long need not look for the swarm any more, days.
    STAYS_HOURS: f64 = 168.0, "h", [56.0, 336.0], Chosen;
    /// How sure it is.
    PROBABILITY: f64 = 0.8, "1", [0.27, 1.0], Chosen;
    /// How sure it is of a hive that no yard is held against.
    LONE_PROBABILITY: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// A minute, ms.
    MINUTE_MS: f64 = 60_000.0, "ms", [60000.0, 60000.0], Defined;
}

/// The window in [`super::balance::WINDOWS`] that holds all of it: two hours.
const TWO_HOURS: usize = 1;

/// For each hive, when swarms left it.
pub(super) fn raise(
    context: &RuleContext<'_>,
    displaced: &[Vec<Vec<Episode>>],
    flags: &mut Vec<Flag>,
) -> Vec<Vec<Episode>> {
    (0..context.input.hives.len())
        .map(|h| of_hive(context, h, &displaced[h], flags))
        .collect()
}

fn of_hive(
    context: &RuleContext<'_>,
    h: usize,
    displaced: &[Vec<Episode>],
    flags: &mut Vec<Flag>,
) -> Vec<Episode> {
    let series = &context.analysis.hives[h].scale.series;
    let times = &series.times;
    let apart = times
        .windows(2)
        .map(|pair| (pair[1].0 - pair[0].0) as f64 / MINUTE_MS);
    let minutes = median(&mut apart.collect::<Vec<_>>()).unwrap_or(f64::INFINITY);
    if minutes > MOST_INTERVAL_MINUTES {
        return Vec::new();
    }
    let scale = Readings {
        times,
        values: &series.values,
        minutes,
    };
    let fell = |at: Timestamp| {
        let near = |off: &Episode| off.from.hours_since(at).abs() < BESIDE_HOURS;
        displaced.iter().flatten().any(near)
    };
    let mut found: Vec<Episode> = Vec::new();
    let mut until = Timestamp(i64::MIN);
    for (i, &now) in times.iter().enumerate() {
        if now <= until || fell(now) {
            continue;
        }
        let Some(left) = Departure::at(context, h, &scale, i) else {
            continue;
        };
        let grid = &context.signals.grid;
        let opened = grid.at_or_after(now).min(context.signals.last);
        let closed = left.over(context, h, opened);
        let episode = Episode {
            opened,
            from: now,
            until: closed,
        };
        until = closed.unwrap_or(Timestamp(i64::MAX));
        flags.push(context.hive_flag(FlagKind::Swarmed, h, episode, left.details()));
        found.push(episode);
    }
    found
}

/// A scale's readings.
struct Readings<'a> {
    times: &'a [Timestamp],
    values: &'a [f64],
    /// Usually between two of them.
    minutes: f64,
}

/// What left a hive at once.
struct Departure {
    /// Beyond what the yard lost at the time, kg.
    kg: f64,
    sd_kg: f64,
    minutes: f64,
    behind_kg: f64,
    probability: f64,
}

impl Departure {
    fn at(context: &RuleContext<'_>, h: usize, scale: &Readings<'_>, i: usize) -> Option<Self> {
        let (times, values) = (scale.times, scale.values);
        let parameters = &context.parameters(h).swarmed;
        let now = times[i];
        let part = |from: f64, to: f64| -> Range<usize> {
            let at = |minutes: f64| now.plus_ms(-(minutes * MINUTE_MS) as i64);
            times.partition_point(|&t| t <= at(from))..times.partition_point(|&t| t <= at(to))
        };
        let level = |range: &Range<usize>| {
            let enough = range.len() >= LEAST_READINGS;
            median_of_few(values[range.clone()].iter().copied()).filter(|_| enough)
        };
        let span = LEVEL_MINUTES.max(LEVEL_INTERVALS * scale.minutes);
        let gone = span + LEAVES_MINUTES.max(LEAVES_INTERVALS * scale.minutes);
        let behind = part(span, 0.0);
        let before = part(gone + span, gone);
        let (behind_kg, before_kg) = (level(&behind)?, level(&before)?);
        let fell = before_kg - behind_kg;
        if fell < parameters.least_kg {
            return None;
        }
        let grid = &context.signals.grid;
        let k = grid.at_or_after(now).min(context.signals.last);
        let common = context.balance.common(k, TWO_HOURS);
        let lone = common.is_nan();
        let kg = fell + if lone { 0.0 } else { common.min(0.0) };
        let least = parameters.least_kg * if lone { LONE_FACTOR } else { 1.0 };
        let noise_kg = context.signals.hives[h].noise_kg;
        if kg < least.max(SDS * noise_kg) || kg > parameters.most_kg {
            return None;
        }
        let earlier = level(&part(gone + span + BEFORE_MINUTES, gone + BEFORE_MINUTES))?;
        let trend = |from: f64, to: f64| (from - to).abs();
        let first = median_of_few(values[behind.start..behind.start + 1].iter().copied())?;
        let last = values[behind.end - 1];
        let level_before = trend(earlier, before_kg) < BEFORE_SHARE * kg;
        let level_behind = trend(first, last) < BEHIND_SHARE * kg;
        let start = times[before.end - 1];
        let end = times[behind.start];
        let inside = behind_kg + GRADUAL_SHARE * fell..before_kg - GRADUAL_SHARE * fell;
        let gradual = values[before.end..behind.start]
            .iter()
            .any(|kg| inside.contains(kg));
        let unseen =
            |f: usize| !context.signals.hives[h].feeders[f].sensed && context.feeder(h, f).on_scale;
        let may_have_fallen = !gradual && (0..context.signals.hives[h].feeders.len()).any(unseen);
        if may_have_fallen && scale.minutes < CLOSE_MINUTES {
            return None;
        }
        (level_before
            && level_behind
            && kg > HABIT_FACTOR * usual(context, h, k, lone)
            && flies(context, h, k, parameters.flight_cel)
            && !handled(context, h, start, end, [behind_kg, before_kg])
            && !syrup_went(context, h, k, kg))
        .then_some(Self {
            kg,
            sd_kg: 2f64.sqrt() * noise_kg,
            minutes: (end.0 - start.0) as f64 / MINUTE_MS,
            behind_kg,
            probability: if may_have_fallen {
                SUDDEN_PROBABILITY
            } else if lone {
                LONE_PROBABILITY
            } else {
                PROBABILITY
            },
        })
    }

    /// When it was over: it came home, a keeper came, or it is too late to look for it.
    fn over(&self, context: &RuleContext<'_>, h: usize, opened: usize) -> Option<Timestamp> {
        let grid = &context.signals.grid;
        let gross = &context.signals.hives[h].gross_kg;
        let last = context.signals.last;
        let evening = (opened + nodes(BACK_HOURS)).min(last);
        let common = |k: usize| {
            let yard = |i: usize| context.balance.weight(i, k) - context.balance.weight(i, opened);
            let others = (0..context.signals.hives.len())
                .filter(|&i| i != h)
                .map(yard);
            median_of_few(others.filter(|kg| !kg.is_nan())).unwrap_or(0.0)
        };
        let home = |k: &usize| gross[*k] - self.behind_kg - common(*k) > BACK_SHARE * self.kg;
        let home = (opened..=evening).find(home).map(|k| grid.time(k));
        let mut steps = context.analysis.hives[h].scale.steps.iter();
        let visited = steps.find(|step| step.earliest > grid.time(opened) && by_hand(step));
        let stale = grid.time(opened).plus_hours(STAYS_HOURS);
        let stale = (stale <= grid.time(last)).then_some(stale);
        let ends = [home, visited.map(|step| step.latest), stale];
        ends.into_iter().flatten().min()
    }

    fn details(&self) -> Details {
        let evidence = Evidence::new(
            "{left} left the hive within {minutes} min by day, and no syrup with it; its weight was level before and is behind.",
        )
        .with_estimate("left", Estimate::normal(self.kg, self.sd_kg), Measure::Mass)
        .with("minutes", self.minutes, Measure::Number);
        Details {
            severity: Severity::Warning,
            probability: self.probability,
            evidence,
        }
    }
}

/// The most that the hive lost within two hours in the days before, beyond its yard where there is one, kg.
fn usual(context: &RuleContext<'_>, h: usize, k: usize, lone: bool) -> f64 {
    let until = k.saturating_sub(nodes(2.0 * VISIT_HOURS));
    let from = until.saturating_sub(HABIT_DAYS * PER_DAY);
    let lost = |k: usize| {
        let own = -context.balance.change(h, k, TWO_HOURS);
        if lone {
            own
        } else {
            own.min(context.balance.excess_loss(h, k, TWO_HOURS))
        }
    };
    (from..until).map(lost).fold(0.0, f64::max)
}

/// Whether bees fly in the hours before a node, and no wind that knocks feeders off blows.
fn flies(context: &RuleContext<'_>, h: usize, k: usize, flight_cel: f64) -> bool {
    let weather = &context.signals.weather;
    let from = k.saturating_sub(nodes(VISIT_HOURS));
    let air = weather.air[k];
    let calm = (from..=k).all(|k| {
        weather.wind[k].is_nan() || weather.wind[k] < context.parameters(h).displaced.wind_m_s
    });
    weather.light[k]
        && weather.light[from]
        && (air.is_nan() || air >= flight_cel)
        && weather.rain_between(from, k) < RAIN_MM
        && calm
}

/// Whether a keeper was at the hive or at the yard: other steps, fills, or readings with something lifted.
fn handled(
    context: &RuleContext<'_>,
    h: usize,
    start: Timestamp,
    end: Timestamp,
    [behind_kg, before_kg]: [f64; 2],
) -> bool {
    let (from, to) = (start.plus_hours(-VISIT_HOURS), end.plus_hours(VISIT_HOURS));
    let around = |earliest: Timestamp, latest: Timestamp| latest >= from && earliest <= to;
    let visited = context.analysis.hives.iter().enumerate().any(|(i, hive)| {
        let steps = hive.scale.steps.iter();
        let mut steps = steps.filter(|step| around(step.earliest, step.latest) && by_hand(step));
        let own = |step: &larder_estimate::series::scale::ScaleStep| {
            i == h && step.kg < 0.0 && step.latest >= start && step.earliest <= end
        };
        let mut changes = hive
            .feeders
            .iter()
            .flat_map(|feeder| &feeder.events.changes);
        steps.any(|step| !own(step))
            || changes.any(|c| c.kind.pours() && around(c.earliest, c.latest))
    });
    let lifted = |sample: &&Sample| {
        let inside = sample.time >= start && sample.time <= end;
        inside && !(behind_kg - LIFTED_KG..before_kg + LIFTED_KG).contains(&sample.value)
    };
    let raw = context.input.hives[h].weight;
    let at = raw.partition_point(|sample| sample.time < start);
    // Rain and warmth are taken out of the levels, not of what the scale said.
    let drift = raw.get(at).map_or(0.0, |sample| sample.value - before_kg);
    let mut within = raw[at..].iter().take_while(|sample| sample.time <= end);
    visited
        || within.any(|sample| {
            lifted(&&Sample {
                value: sample.value - drift,
                ..*sample
            })
        })
}

/// Whether the level sensors saw a change that explains a good part of it.
fn syrup_went(context: &RuleContext<'_>, h: usize, k: usize, kg: f64) -> bool {
    let before = k.saturating_sub(nodes(2.0 * VISIT_HOURS));
    let feeders = context.signals.hives[h].feeders.iter().enumerate();
    let watched = feeders.filter(|(f, feeder)| feeder.sensed && context.feeder(h, *f).on_scale);
    let went = watched.map(|(_, feeder)| {
        // A sensor that hangs in the air after a fall may show more as well as less.
        let now = if feeder.litres[k].is_nan() {
            feeder.filtered[k].litres
        } else {
            feeder.litres[k]
        };
        (feeder.filtered[before].litres - now).abs() * kg_per_litre(feeder.strength[k])
    });
    went.sum::<f64>() > SYRUP_SHARE * kg
}
