//! A feeder was blown or knocked off.
//!
//! On a scale its own weight and the syrup in it go at once and do not come back until somebody comes; a
//! level sensor sees the floor, far ground, less than nothing or whatever swings past. A keeper's hands do
//! the same, so each witness shifts the odds between a fall and hands: wind and darkness speak for a fall,
//! a visit to the yard for hands. A keeper who tips syrup out leaves the feeder: the step is the syrup alone.

use super::parameters::Displaced;
use super::sensor_fault::{Judged, drifting_scale};
use super::{Details, Episode, RuleContext, food_reserves};
use larder_domain::{Evidence, Flag, FlagKind, Geometry, Measure, Severity, Timestamp};
use larder_estimate::events::ChangeKind;
use larder_estimate::math::robust::median_of_few;
use larder_estimate::series::level::litres_per_unit;
use larder_estimate::series::runs::same;
use larder_estimate::series::scale::ScaleStep;
use larder_syrup::Estimate;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.displaced":
    /// Before anything else is known a fall is so much rarer than hands that take as much: odds as a
    /// logarithm.
    PRIOR_LN: f64 = -1.7, "1", [-5.0, -1.0], Chosen;
    /// A level that goes where no syrup can be is no dump and no leak: the same odds.
    PRIOR_OUTSIDE_LN: f64 = -0.5, "1", [-3.0, 1.0], Chosen;
    /// That a scale says so too speaks against a level sensor that fails: shifts the odds by this.
    BOTH_LN: f64 = 1.5, "1", [0.5, 3.0], Chosen;
    /// Where the level went to the floor hands dumped the syrup, took the feeder, or did something else, with
    /// these shares.
    HANDS_FLOOR: [f64; 3] = [0.7, 0.2, 0.1], "1", [0.0, 1.0], Chosen;
    /// The same where the level went outside.
    HANDS_OUTSIDE: [f64; 3] = [0.05, 0.9, 0.05], "1", [0.0, 1.0], Chosen;
    /// The same where no level tells.
    HANDS_UNSEEN: [f64; 3] = [0.1, 0.15, 0.75], "1", [0.0, 1.0], Chosen;
    /// What a feeder held is not known better than to this share of it.
    HELD_SHARE: f64 = 0.04, "1", [0.02, 0.08], Chosen;
    /// Without a sensor not better than to this share of the capacity.
    UNSEEN_SHARE: f64 = 0.12, "1", [0.1, 0.4], Chosen;
    /// And with this share of a chance it is anything that fits in: notes are missing, and appetites differ.
    DOUBT: f64 = 0.4, "1", [0.1, 0.7], Chosen;
    /// What a feeder held is not known better than to this, kg.
    HELD_KG: f64 = 0.06, "kg", [0.03, 0.15], Chosen;
    /// A normal distribution is close to a logistic one that is so many times as steep.
    LOGISTIC: f64 = 1.702, "1", [1.7, 1.71], Defined;
    /// One and the same value from where the level went shifts the odds by this.
    ONE_VALUE_LN: f64 = -2.0, "1", [-4.0, -0.5], Chosen;
    /// Keepers seldom work in the dark, and wind does: shifts the odds by this.
    DARK_LN: f64 = 3.0, "1", [1.5, 5.0], Chosen;
    /// By day they do.
    LIGHT_LN: f64 = -0.6, "1", [-1.5, 0.0], Chosen;
    /// Hands on other hives of the yard shift the odds by this.
    VISITED_LN: f64 = -2.0, "1", [-4.0, -1.0], Chosen;
    /// Hands on the hive itself, before or behind.
    HANDS_LN: f64 = -2.0, "1", [-4.0, -1.0], Chosen;
    /// A yard in which nobody touched another hive.
    ALONE_LN: f64 = 1.2, "1", [0.3, 2.5], Chosen;
    /// Bees that leave in a swarm are as likely in their hours and weather: shifts the odds by this where no
    /// level sensor tells.
    SWARM_LN: f64 = -1.2, "1", [-2.5, -0.5], Chosen;
    /// A swarm weighs between these, kg.
    SWARM_KG: std::ops::Range<f64> = 0.8..5.0, "kg", [0.5, 7.0], CommonPractice;
    /// A swarm leaves between these local hours (common practice).
    SWARM_HOURS: std::ops::Range<f64> = 9.0..17.0, "h", [8.0, 18.0], CommonPractice;
    /// A swarm leaves when it is warmer than this, Cel.
    SWARM_CEL: f64 = 14.0, "Cel", [12.0, 18.0], CommonPractice;
    /// Wind from `displaced.wind_m_s` on.
    STORM_LN: f64 = 2.0, "1", [1.0, 4.0], Chosen;
    /// Wind that is among the strongest of the place: shares of the time with less, and what they shift.
    STRONG_SHARE: f64 = 0.9, "1", [0.8, 0.95], Chosen;
    /// What strong wind shifts.
    STRONG_LN: f64 = 1.2, "1", [0.5, 2.0], Chosen;
    /// Wind that blows most of the time.
    CALM_SHARE: f64 = 0.7, "1", [0.5, 0.8], Chosen;
    /// What a calm shifts.
    CALM_LN: f64 = -0.8, "1", [-2.0, -0.3], Chosen;
    /// Steps of hands lie between these, kg: a frame, a box of honey.
    HANDS_KG: [f64; 2] = [0.25, 20.0], "kg", [0.1, 40.0], Chosen;
    /// A flag opens from this probability on.
    TOLD_FROM: f64 = 0.4, "1", [0.3, 0.8], Chosen;
    /// A feeder weighs at least this, kg.
    LEAST_TARE_KG: f64 = 0.25, "kg", [0.1, 0.5], CommonPractice;
    /// Of `displaced.tare_kg_per_litre` a light one weighs this share.
    LIGHT_TARE_SHARE: f64 = 0.6, "1", [0.3, 1.0], Chosen;
    /// A heavy one weighs so much and `HEAVY_KG_PER_LITRE`, kg.
    HEAVY_KG: f64 = 0.6, "kg", [0.3, 1.5], Chosen;
    /// A heavy one weighs so much for each litre that it holds, kg/l: wood and tin.
    HEAVY_KG_PER_LITRE: f64 = 0.35, "kg/l", [0.2, 0.6], Chosen;
    /// A step outside what feeder and syrup weigh by more than this share was not the feeder.
    SIZE_SLACK: f64 = 0.1, "1", [0.05, 0.25], Chosen;
    /// A fall is over between two readings; robbers take several.
    SHARP_SHARE: f64 = 0.65, "1", [0.22, 1.0], Chosen;
    /// A load of this share of what went is the feeder back on the hive.
    BACK_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// What hands take off for a moment is back within so long, hours.
    BACK_HOURS: f64 = 2.0, "h", [1.0, 4.0], Chosen;
    /// Hands on the yard are looked for so long before and behind, hours.
    VISIT_HOURS: f64 = 2.0, "h", [1.0, 4.0], Chosen;
    /// Wind is looked for so long around, hours: stations report means, and gusts come between.
    WIND_HOURS: f64 = 1.0, "h", [0.5, 3.0], Chosen;
    /// A step of this on another hive is hands, kg.
    HAND_STEP_KG: f64 = 0.3, "kg", [0.25, 1.0], Chosen;
    /// Where the level went is said by the readings of so long behind, hours, beside a scale.
    LOOK_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
    /// And by at least so many of them.
    LEAST_READINGS: usize = 3, "1", [2.0, 6.0], Chosen;
    /// Sound readings no older than this tell where the level was, hours.
    RECENT_HOURS: f64 = 6.0, "h", [2.0, 18.0], Chosen;
    /// Without a scale the level must have been elsewhere for so long, hours.
    ALONE_HOURS: f64 = 3.0, "h", [0.75, 6.0], Chosen;
    /// A level is where it was within this share of the capacity.
    NEAR_SHARE: f64 = 0.12, "1", [0.05, 0.25], Chosen;
    /// A level is at the floor below this share of the capacity.
    FLOOR_SHARE: f64 = 0.06, "1", [0.03, 0.12], Chosen;
    /// Far ground lies so far below the floor, m: offsets, dew and a floor that gives way explain less.
    FAR_M: f64 = 0.08, "m", [0.04, 0.2], Chosen;
    /// A sensor that shows litres shows far ground as so much less than nothing, as a share of the capacity.
    FAR_SHARE: f64 = 0.3, "1", [0.15, 0.6], Chosen;
    /// A cell without its feeder shows less than nothing by at least this share of what a light one weighs.
    CELL_SHARE: f64 = 0.9, "1", [0.6, 1.0], Chosen;
    /// A level is at the floor that lies less than this off it besides, l.
    FLOOR_L: f64 = 0.05, "l", [0.02, 0.1], Chosen;
    /// A level that goes to the floor at once held more than this share of the capacity: less is robbed or
    /// taken between a few readings.
    FULL_SHARE: f64 = 0.25, "1", [0.15, 0.5], Chosen;
    /// This share of the readings must agree on where the level went.
    AGREE_SHARE: f64 = 0.75, "1", [0.5, 1.0], Chosen;
    /// Of the readings of a sensor that swings no more than this share are where the level was, by chance.
    CHANCE_SHARE: f64 = 0.15, "1", [0.05, 0.3], Chosen;
    /// Readings that jump about are at least so many: echoes come in twos and threes.
    LEAST_JUMPS: usize = 6, "1", [4.0, 12.0], Chosen;
    /// The same share where the scale says so too.
    CHANCE_BESIDE_STEP: f64 = 0.3, "1", [0.1, 0.5], Chosen;
    /// The readings that must jump about where the scale says so too.
    LEAST_JUMPS_BESIDE_STEP: usize = 4, "1", [3.0, 8.0], Chosen;
    /// One and the same value in more than this share of the readings is an instrument's word for none.
    ONE_SHARE: f64 = 0.34, "1", [0.2, 0.6], Chosen;
    /// A feeder with less than this share of its capacity in it leaves its level sensor nothing to tell by.
    EMPTY_SHARE: f64 = 0.12, "1", [0.06, 0.25], Chosen;
    /// A feeder that was off is back when its level is inside again, and steady, for so long, hours.
    STEADY_HOURS: f64 = 2.0, "h", [1.0, 6.0], Chosen;
}

/// Raises the flags and returns the spells for each hive and feeder.
pub(super) fn raise(context: &RuleContext<'_>, flags: &mut Vec<Flag>) -> Vec<Vec<Vec<Episode>>> {
    let mut all: Vec<Vec<Vec<Episode>>> = Vec::with_capacity(context.input.hives.len());
    for (h, hive) in context.input.hives.iter().enumerate() {
        let mut of_hive = vec![Vec::new(); hive.feeders.len()];
        let drifts = drifting_scale(context, h);
        let candidates = (0..hive.feeders.len()).map(|f| candidates(context, h, f, &drifts));
        let candidates = one_feeder_a_step(candidates.collect());
        for (f, (episodes, candidates)) in of_hive.iter_mut().zip(candidates).enumerate() {
            for found in one_after_another(candidates) {
                episodes.push(found.episode);
                let details = found.details(context, h, f);
                flags.push(context.feeder_flag(
                    FlagKind::Displaced,
                    (h, f),
                    found.episode,
                    details,
                ));
            }
        }
        all.push(of_hive);
    }
    all
}

struct Found {
    episode: Episode,
    /// When it fell, at the latest.
    fell: Timestamp,
    held: Estimate,
    step_kg: Option<f64>,
    level: Option<Place>,
    probability: f64,
}

/// What else says that something went.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Beside {
    AStep,
    Nothing,
}

/// Where a level sensor looks that does not see its syrup.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Place {
    /// The floor of the feeder, or the air.
    Floor,
    /// Below the floor: far ground, or less than an empty feeder weighs.
    Outside,
    /// Now here, now there.
    Anywhere,
}

impl Place {
    fn words(self) -> &'static str {
        match self {
            Self::Floor => "no syrup any more",
            Self::Outside => "something below the feeder's floor",
            Self::Anywhere => "now this and now that",
        }
    }
}

impl Found {
    fn details(&self, context: &RuleContext<'_>, h: usize, f: usize) -> Details {
        let feeder = &context.feeder(h, f).id;
        let noise_kg = context.signals.hives[h].noise_kg;
        let step = |kg: f64| Estimate::normal(-kg, 2f64.sqrt() * noise_kg);
        let evidence = match (self.step_kg, self.level) {
            (Some(kg), Some(place)) => Evidence::new(format!(
                "{{step}} left the scale at once while {feeder} held {{held}}, and its sensor sees {}.",
                place.words()
            ))
            .with_estimate("step", step(kg), Measure::Mass),
            (Some(kg), None) => Evidence::new(format!(
                "{{step}} left the scale at once and did not come back, as much as {feeder} with {{held}} in it may weigh, and nothing speaks of a keeper's hands."
            ))
            .with_estimate("step", step(kg), Measure::Mass),
            (None, place) => Evidence::new(format!(
                "The sensor of {feeder} sees {} from one reading on, with {{held}} in it before.",
                place.unwrap_or(Place::Anywhere).words()
            )),
        };
        Details {
            severity: Severity::Urgent,
            probability: self.probability,
            evidence: evidence.with_estimate("held", self.held, Measure::Volume),
        }
    }
}

/// All that looks like a fall of one feeder.
fn candidates(context: &RuleContext<'_>, h: usize, f: usize, drifts: &[Episode]) -> Vec<Found> {
    let judged: Vec<&Judged> = context.judged[h][f].iter().collect();
    let mut found = from_level(context, h, f, &judged);
    if context.feeder(h, f).on_scale {
        let steps = &context.analysis.hives[h].scale.steps;
        let falls = steps
            .iter()
            .filter(|step| step.kg < 0.0 && step.sharp_share >= SHARP_SHARE);
        let steps = falls.filter_map(|step| from_step(context, h, f, step, &judged));
        // A scale that drifts comes back at once, and nobody lost anything.
        let believed = |found: &Found| {
            found.level.is_some() || !drifts.iter().any(|drift| drift.holds_at(found.fell))
        };
        found.extend(steps.filter(believed));
    }
    found
}

/// A step is one feeder: of those that it may be the likeliest.
fn one_feeder_a_step(mut hive: Vec<Vec<Found>>) -> Vec<Vec<Found>> {
    for f in 0..hive.len() {
        let (before, rest) = hive.split_at_mut(f);
        let Some((own, behind)) = rest.split_first_mut() else {
            continue;
        };
        let likelier = |found: &Found, other: &Found, first: bool| {
            let one = other.step_kg.is_some() && other.fell == found.fell;
            one && (other.probability > found.probability
                || first && other.probability >= found.probability)
        };
        own.retain(|found| {
            found.step_kg.is_none()
                || !before.iter().flatten().any(|o| likelier(found, o, true))
                    && !behind.iter().flatten().any(|o| likelier(found, o, false))
        });
    }
    hive
}

/// One fall, one flag: until it is back nothing can fall.
fn one_after_another(mut candidates: Vec<Found>) -> Vec<Found> {
    candidates.sort_by_key(|found| found.episode.from);
    let mut kept: Vec<Found> = Vec::new();
    for new in candidates {
        let free = kept
            .last()
            .is_none_or(|last| last.episode.until.is_some_and(|until| until <= new.fell));
        if free {
            kept.push(new);
        }
    }
    kept
}

/// From odds as a logarithm.
fn probability(ln: f64) -> f64 {
    1.0 / (1.0 + (-ln).exp())
}

/// How a step's size shifts the odds of a fall against hands, of which `hands` says how many dump the
/// syrup, take the feeder or do something else; `None`: feeder and syrup do not weigh so much.
fn by_size(
    parameters: &Displaced,
    capacity_l: f64,
    held: &Held,
    kg: f64,
    hands: [f64; 3],
) -> Option<f64> {
    let [light, heavy] = tares(parameters, capacity_l);
    let syrup = held.litres * held.kg_per_litre;
    let sd = (held.litres_sd * held.kg_per_litre)
        .hypot(HELD_SHARE * syrup)
        .hypot(HELD_KG);
    let excess = kg - syrup;
    let most = capacity_l * held.kg_per_litre + heavy;
    let below = |x: f64| 1.0 / (1.0 + (-LOGISTIC * x / sd).exp());
    let known = (below(excess - light) - below(excess - heavy)) / (heavy - light);
    // Where no sensor watches, what was reckoned may be wrong altogether.
    let doubt = if held.sensed { 0.0 } else { DOUBT };
    let fall = (1.0 - doubt) * known + doubt / (most - light);
    let dumped = below(excess) * (1.0 - below(excess)) * LOGISTIC / sd;
    let other = 1.0 / (kg * (HANDS_KG[1] / HANDS_KG[0]).ln());
    let by_hands = hands[0] * dumped + hands[1] * fall + hands[2] * other;
    let weighs = kg >= (1.0 - SIZE_SLACK) * light && kg <= (1.0 + SIZE_SLACK) * most;
    weighs.then(|| (fall / by_hands).ln())
}

/// What a light feeder of a capacity weighs and what a heavy one does, kg.
fn tares(parameters: &Displaced, capacity_l: f64) -> [f64; 2] {
    let light = LIGHT_TARE_SHARE * parameters.tare_kg_per_litre * capacity_l;
    let heavy = HEAVY_KG + HEAVY_KG_PER_LITRE * capacity_l;
    [light.max(LEAST_TARE_KG), heavy]
}

/// What was in a feeder.
struct Held {
    sensed: bool,
    litres: f64,
    litres_sd: f64,
    kg_per_litre: f64,
}

impl Held {
    fn before(context: &RuleContext<'_>, h: usize, f: usize, at: Timestamp) -> Option<Self> {
        let k = context.signals.grid.at_or_after(at).checked_sub(1)?;
        // What no sensor sees is reckoned from notes and a usual appetite.
        let sensed = context.signals.hives[h].feeders[f].sensed;
        let least_sd = if sensed {
            0.0
        } else {
            UNSEEN_SHARE * context.feeder(h, f).capacity_l
        };
        Some(Self {
            sensed,
            litres: food_reserves::left(context, h, f, k).max(0.0),
            litres_sd: food_reserves::left_sd(context, h, f, k).max(least_sd),
            kg_per_litre: kg_per_litre(context.signals.hives[h].feeders[f].strength[k]),
        })
    }

    fn estimate(&self) -> Estimate {
        Estimate::normal(self.litres, self.litres_sd).at_least(0.0)
    }
}

/// A step of the scale that may be the feeder with its syrup.
fn from_step(
    context: &RuleContext<'_>,
    h: usize,
    f: usize,
    step: &ScaleStep,
    judged: &[&Judged],
) -> Option<Found> {
    let capacity_l = context.feeder(h, f).capacity_l;
    let held = Held::before(context, h, f, step.earliest)?;
    let from = judged.partition_point(|j| j.time < step.latest);
    let behind = judged[from..]
        .iter()
        .take_while(|j| j.time.hours_since(step.latest) <= LOOK_HOURS);
    let behind: Vec<&Judged> = behind.copied().collect();
    let place = place_of(context, h, f, &behind, held.litres, Beside::AStep);
    let seen = behind.len() >= LEAST_READINGS;
    if seen && place.is_none() && held.litres > EMPTY_SHARE * capacity_l {
        return None;
    }
    let (prior, hands) = match place {
        Some(Place::Outside | Place::Anywhere) => (PRIOR_OUTSIDE_LN + BOTH_LN, HANDS_OUTSIDE),
        Some(Place::Floor) => (PRIOR_LN, HANDS_FLOOR),
        None => (PRIOR_LN, HANDS_UNSEEN),
    };
    let parameters = &context.parameters(h).displaced;
    let size = by_size(parameters, capacity_l, &held, -step.kg, hands)?;
    let patience = if place.is_some() {
        LOOK_HOURS
    } else {
        BACK_HOURS
    };
    let known_at = step.latest.plus_hours(patience);
    if known_at > context.input.now || came_back(context, h, step, known_at) {
        return None;
    }
    let around = circumstances(context, h, f, [step.earliest, step.latest], known_at);
    let swarm = if place.is_none() && may_be_swarm(context, step) {
        SWARM_LN
    } else {
        0.0
    };
    let likely = probability(prior + size + swarm + around);
    (likely >= TOLD_FROM).then(|| Found {
        episode: Episode {
            opened: context.signals.grid.at_or_after(known_at),
            from: known_at,
            until: back_on(context, h, f, step, judged, place.is_some()),
        },
        fell: step.latest,
        held: held.estimate(),
        step_kg: Some(step.kg),
        level: place,
        probability: likely,
    })
}

/// Whether bees that leave in a swarm may have weighed as much.
fn may_be_swarm(context: &RuleContext<'_>, step: &ScaleStep) -> bool {
    let k = context.signals.grid.at_or_after(step.latest);
    let weather = &context.signals.weather;
    let hour = context.signals.local_hour[k];
    SWARM_KG.contains(&-step.kg)
        && SWARM_HOURS.contains(&hour)
        && (weather.air[k].is_nan() || weather.air[k] > SWARM_CEL)
}

/// Whether the load is on the scale again by `until`.
fn came_back(context: &RuleContext<'_>, h: usize, step: &ScaleStep, until: Timestamp) -> bool {
    let steps = context.analysis.hives[h].scale.steps.iter();
    let mut behind = steps.filter(|later| later.earliest >= step.latest && later.latest <= until);
    behind.any(|later| later.kg > BACK_SHARE * -step.kg)
}

/// The feeder is back when its load comes on again, it is filled, or its level sensor sees syrup again.
fn back_on(
    context: &RuleContext<'_>,
    h: usize,
    f: usize,
    step: &ScaleStep,
    judged: &[&Judged],
    sensed: bool,
) -> Option<Timestamp> {
    let found = &context.analysis.hives[h];
    let mut steps = found.scale.steps.iter();
    let load =
        steps.find(|later| later.earliest >= step.latest && later.kg > BACK_SHARE * -step.kg);
    let load = load.map(|later| later.latest);
    let inside = judged.partition_point(|j| j.time < step.latest);
    let inside = sensed
        .then(|| inside_again(context, h, f, &judged[inside..]))
        .flatten();
    [load, filled(context, h, f, step.latest), inside]
        .into_iter()
        .flatten()
        .min()
}

/// When the feeder is first filled behind `at`.
fn filled(context: &RuleContext<'_>, h: usize, f: usize, at: Timestamp) -> Option<Timestamp> {
    let mut changes = context.analysis.hives[h].feeders[f].events.changes.iter();
    let fill = changes.find(|c| c.kind == ChangeKind::Fill && c.earliest >= at);
    fill.map(|change| change.latest)
}

/// How wind, light and hands around a fall shift its odds, as a logarithm; what was known by `known_at`.
fn circumstances(
    context: &RuleContext<'_>,
    h: usize,
    f: usize,
    [earliest, latest]: [Timestamp; 2],
    known_at: Timestamp,
) -> f64 {
    let weather = &context.signals.weather;
    let grid = &context.signals.grid;
    let (first, last) = (grid.at_or_after(earliest), grid.at_or_after(latest));
    let dark = (first..=last).all(|k| !weather.light[k]);
    let around = |at: Timestamp| {
        let from = earliest.plus_hours(-VISIT_HOURS);
        let until = latest.plus_hours(VISIT_HOURS).min(known_at);
        (from..=until).contains(&at)
    };
    let hands = handled(context, h, Some(f), &|at| {
        around(at) && !(earliest..=latest).contains(&at)
    });
    let others = (0..context.input.hives.len()).filter(|&i| i != h);
    let visited = others.clone().any(|i| handled(context, i, None, &around));
    let watches = |i: &usize| {
        let hive = &context.signals.hives[*i];
        hive.weighed || hive.feeders.iter().any(|feeder| feeder.sensed)
    };
    let watched = others.filter(watches).count() >= 2;
    let mut ln = if dark { DARK_LN } else { LIGHT_LN };
    if hands {
        ln += HANDS_LN;
    }
    if visited {
        ln += VISITED_LN;
    } else if watched && !dark {
        ln += ALONE_LN;
    }
    ln + blown(context, h, first, last)
}

/// How the wind shifts the odds, as a logarithm.
fn blown(context: &RuleContext<'_>, h: usize, first: usize, last: usize) -> f64 {
    let wind = &context.signals.weather.wind;
    let reach = super::signals::nodes(WIND_HOURS);
    let around = first.saturating_sub(reach)..=(last + reach).min(context.signals.last);
    let strongest = wind[around].iter().copied().fold(f64::NAN, f64::max);
    if strongest.is_nan() {
        return 0.0;
    }
    if strongest >= context.parameters(h).displaced.wind_m_s {
        return STORM_LN;
    }
    let known = wind[..=last].iter().filter(|v| !v.is_nan());
    let (n, less) = known.fold((0, 0), |(n, less), &v| {
        (n + 1, less + usize::from(v < strongest))
    });
    match f64::from(less as u32) / f64::from(n.max(1) as u32) {
        share if share >= STRONG_SHARE => STRONG_LN,
        share if share < CALM_SHARE => CALM_LN,
        _ => 0.0,
    }
}

/// Whether hands were on a hive at a moment asked for: a fill noted or seen, a load put on. What happened
/// to the feeder `but` itself is not asked.
fn handled(
    context: &RuleContext<'_>,
    h: usize,
    but: Option<usize>,
    when: &dyn Fn(Timestamp) -> bool,
) -> bool {
    let hive = &context.input.hives[h];
    let found = &context.analysis.hives[h];
    let noted = hive.feeders.iter().any(|feeder| {
        let mut notes = feeder.recorded.iter();
        notes.any(|note| when(note.time))
    });
    let filled = found.feeders.iter().enumerate().any(|(f, feeder)| {
        let mut changes = feeder.events.changes.iter();
        Some(f) != but && changes.any(|c| c.kind == ChangeKind::Fill && when(c.latest))
    });
    let mut steps = found.scale.steps.iter();
    noted || filled || steps.any(|step| step.kg > HAND_STEP_KG && when(step.latest))
}

/// Where the readings say that the level went from `before`, l; `None`: it is where it was, or in
/// between.
fn place_of(
    context: &RuleContext<'_>,
    h: usize,
    f: usize,
    readings: &[&Judged],
    before: f64,
    beside: Beside,
) -> Option<Place> {
    let known: Vec<&Judged> = readings.iter().copied().filter(|j| !j.refused()).collect();
    if known.len() < LEAST_READINGS || 2 * known.len() < readings.len() {
        return None;
    }
    let capacity_l = context.feeder(h, f).capacity_l;
    let near_l = NEAR_SHARE * capacity_l;
    let share = |is: &dyn Fn(&Judged) -> bool| {
        known.iter().filter(|j| is(j)).count() as f64 / known.len() as f64
    };
    let is_near = share(&|j| (j.litres - before).abs() <= near_l);
    if share(&|j| is_outside(context, h, f, j)) >= AGREE_SHARE {
        return (is_near <= CHANCE_SHARE).then_some(Place::Outside);
    }
    let jumps = known
        .windows(2)
        .map(|pair| (pair[1].litres - pair[0].litres).abs());
    let mut jumps: Vec<f64> = jumps.collect();
    let jump = larder_estimate::math::robust::median(&mut jumps).unwrap_or(0.0);
    let (chance, least) = match beside {
        Beside::AStep => (CHANCE_BESIDE_STEP, LEAST_JUMPS_BESIDE_STEP),
        Beside::Nothing => (CHANCE_SHARE, LEAST_JUMPS),
    };
    if jump > near_l && is_near <= chance && known.len() >= least {
        let equal = |j: &Judged| share(&|other| same(other.litres, j.litres));
        let most_equal = known.iter().map(|j| equal(j)).fold(0.0, f64::max);
        return (most_equal <= ONE_SHARE).then_some(Place::Anywhere);
    }
    // At once and for good: the first readings too, and none where it was.
    let at_floor = |j: &Judged| j.litres.abs() <= FLOOR_SHARE * capacity_l + FLOOR_L;
    let at_once = known.iter().take(2).all(|j| at_floor(j)) && is_near == 0.0;
    let from_above = before > FULL_SHARE * capacity_l;
    (from_above && at_once && share(&at_floor) >= AGREE_SHARE).then_some(Place::Floor)
}

/// Whether a reading lies where no syrup can be, below the floor.
fn is_outside(context: &RuleContext<'_>, h: usize, f: usize, reading: &Judged) -> bool {
    let level = &context.input.hives[h].feeders[f].levels[reading.sensor];
    let per_unit = litres_per_unit(level.geometry(), 0.0, kg_per_litre(None));
    let below = -reading.litres / per_unit;
    let capacity_l = context.feeder(h, f).capacity_l;
    match level.geometry() {
        Geometry::FeederWeight => {
            let [light, heavy] = tares(&context.parameters(h).displaced, capacity_l);
            (CELL_SHARE * light..=heavy).contains(&below)
        }
        Geometry::Volume => below > FAR_SHARE * capacity_l,
        _ => below > FAR_M,
    }
}

/// Spells in which the level was elsewhere from one reading on and did not come back.
fn from_level(context: &RuleContext<'_>, h: usize, f: usize, judged: &[&Judged]) -> Vec<Found> {
    let capacity_l = context.feeder(h, f).capacity_l;
    let mut found = Vec::new();
    let mut i = LEAST_READINGS;
    while i < judged.len() {
        let Some(new) = level_fall(context, h, f, judged, i, capacity_l) else {
            i += 1;
            continue;
        };
        let until = new.episode.until;
        found.push(new);
        i = until.map_or(judged.len(), |until| {
            judged.partition_point(|j| j.time < until).max(i + 1)
        });
    }
    found
}

/// Whether the level left between readings `i - 1` and `i` for where no syrup is.
fn level_fall(
    context: &RuleContext<'_>,
    h: usize,
    f: usize,
    judged: &[&Judged],
    i: usize,
    capacity_l: f64,
) -> Option<Found> {
    let near_l = NEAR_SHARE * capacity_l;
    let recent = judged[i - LEAST_READINGS..i].iter();
    let recent =
        recent.filter(|j| !j.refused() && judged[i].time.hours_since(j.time) <= RECENT_HOURS);
    let before = median_of_few(recent.clone().map(|j| j.litres))?;
    let settled = recent.clone().count() == LEAST_READINGS
        && recent
            .clone()
            .all(|j| (j.litres - before).abs() <= near_l && !is_outside(context, h, f, j));
    let leaves = (judged[i].litres - before).abs() > near_l;
    if !settled || !leaves || judged[i].refused() {
        return None;
    }
    let end = judged[i..]
        .iter()
        .position(|j| j.time.hours_since(judged[i].time) >= ALONE_HOURS)?;
    let end = i + end.max(LEAST_READINGS - 1);
    let place = |end: usize| {
        let behind = judged.get(i..=end)?;
        place_of(context, h, f, behind, before, Beside::Nothing).map(|place| (place, behind))
    };
    // What swings takes more readings to tell.
    let (place, behind) = place(end).or_else(|| place(end.max(i + LEAST_JUMPS - 1)))?;
    let (earliest, latest) = (judged[i - 1].time, judged[i].time);
    let known_at = behind.last()?.time;
    // A scale that was heard tells by its step whether the feeder went, and that nothing fell if it stood still.
    let weighed = lost_on_scale(context, h, f, earliest, known_at);
    if weighed.is_some_and(|kg| place == Place::Floor || kg < LEAST_TARE_KG) {
        return None;
    }
    let prior = match place {
        Place::Floor => PRIOR_LN,
        Place::Outside | Place::Anywhere => PRIOR_OUTSIDE_LN,
    };
    // An instrument's word for none is one value; the air or the floor are seen with noise.
    let one = behind
        .windows(2)
        .all(|pair| same(pair[0].litres, pair[1].litres));
    let word = if one { ONE_VALUE_LN } else { 0.0 };
    let around = circumstances(context, h, f, [earliest, latest], known_at);
    let likely = probability(prior + word + around);
    let held = Held::before(context, h, f, earliest)?;
    (likely >= TOLD_FROM).then(|| {
        let inside = inside_again(context, h, f, &judged[end..]);
        let filled = filled(context, h, f, latest);
        Found {
            episode: Episode {
                opened: context.signals.grid.at_or_after(known_at),
                from: known_at,
                until: [inside, filled].into_iter().flatten().min(),
            },
            fell: latest,
            held: held.estimate(),
            step_kg: None,
            level: Some(place),
            probability: likely,
        }
    })
}

/// What the scale under the feeder lost between two moments, kg; `None`: it was not heard.
fn lost_on_scale(
    context: &RuleContext<'_>,
    h: usize,
    f: usize,
    from: Timestamp,
    until: Timestamp,
) -> Option<f64> {
    if !context.feeder(h, f).on_scale {
        return None;
    }
    let grid = &context.signals.grid;
    let heard = |k: usize| {
        let kg = &context.signals.hives[h].gross_kg[k.saturating_sub(2)..=k];
        kg.iter().rev().copied().find(|kg| !kg.is_nan())
    };
    let before = heard(grid.at_or_after(from).saturating_sub(1))?;
    Some(before - heard(grid.at_or_after(until))?)
}

/// When the level is inside the feeder again, and steady.
fn inside_again(
    context: &RuleContext<'_>,
    h: usize,
    f: usize,
    judged: &[&Judged],
) -> Option<Timestamp> {
    let capacity_l = context.feeder(h, f).capacity_l;
    let near_l = NEAR_SHARE * capacity_l;
    let inside = |j: &Judged| {
        !j.refused()
            && !j.absurd
            && !is_outside(context, h, f, j)
            && j.litres > FLOOR_SHARE * capacity_l
    };
    let mut start: Option<&Judged> = None;
    for (i, j) in judged.iter().enumerate() {
        let steady = i > 0 && (j.litres - judged[i - 1].litres).abs() <= near_l;
        if !inside(j) || !steady {
            start = inside(j).then_some(*j);
            continue;
        }
        if let Some(start) = start
            && j.time.hours_since(start.time) >= STEADY_HOURS
        {
            return Some(j.time);
        }
    }
    None
}
