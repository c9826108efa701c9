//! A hive is tipped over or taken away: nearly all of its weight is gone from one reading to the
//! next, and stays away. A keeper who lifts a hive off puts it back within the hour, a scale without
//! its cable shows what no hive and no bare platform weighs.

use super::signals::hands::by_hand;
use super::{Details, Episode, RuleContext};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Sample, Severity, Timestamp};
use larder_estimate::math::robust::median_of_few;
use larder_syrup::Estimate;

larder_estimate::numbers! { "flags.tipped":
    /// What stood on the scale before weighs at least this, kg: a small colony in one box.
    LEAST_KG: f64 = 10.0, "kg", [5.0, 20.0], Chosen;
    /// A bare scale shows at least this, kg: its zero may be off.
    BARE_KG: f64 = -2.0, "kg", [-4.0, -0.5], Chosen;
    /// This many readings before tell what stood there.
    BEFORE: usize = 5, "1", [2.0, 15.0], Chosen;
    /// At least so many readings tell that it is gone.
    LEAST_READINGS: usize = 3, "1", [2.0, 9.0], Chosen;
    /// Readings no further apart than this tell when it went, hours.
    APART_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// A weight that moves by less does not, kg.
    STILL_KG: f64 = 1e-6, "kg", [1e-9, 1e-4], Chosen;
    /// A hive's weight moves within so many readings.
    MOVES: usize = 12, "1", [4.0, 36.0], Chosen;
    /// Weights this close are the same, kg.
    SAME_KG: f64 = 1.0, "kg", [0.33, 3.0], Chosen;
    /// A keeper works on a yard for so long, hours.
    VISIT_HOURS: f64 = 4.0, "h", [1.3, 12.0], Chosen;
    /// It stands again when the scale shows this share of what stood there.
    BACK_SHARE: f64 = 0.6, "1", [0.4, 0.9], Chosen;
    /// How sure it is.
    PROBABILITY: f64 = 0.9, "1", [0.3, 1.0], Chosen;
}

/// For each hive, when it was not standing on its scale.
pub(super) fn raise(context: &RuleContext<'_>, flags: &mut Vec<Flag>) -> Vec<Vec<Episode>> {
    (0..context.input.hives.len())
        .map(|h| of_hive(context, h, flags))
        .collect()
}

fn of_hive(context: &RuleContext<'_>, h: usize, flags: &mut Vec<Flag>) -> Vec<Episode> {
    let parameters = &context.parameters(h).tipped;
    let raw = context.input.hives[h].weight;
    let mut found = Vec::new();
    let mut i = BEFORE;
    while i < raw.len() {
        let sound = &context.analysis.hives[h].scale.series;
        let at = sound.times.partition_point(|&time| time < raw[i].time);
        let first = at.saturating_sub(BEFORE);
        let before = median_of_few(sound.values[first..at].iter().copied());
        // What shows the same all the time was a fault.
        let moved = sound.values[at.saturating_sub(MOVES)..at]
            .windows(2)
            .any(|pair| (pair[0] - pair[1]).abs() > STILL_KG);
        // A scale that shows again what it showed before was wrong in between.
        let same = |kg: &&f64| (**kg - raw[i].value).abs() < SAME_KG;
        let known = sound.values[..first].iter().filter(same).count();
        let lately = at > first && raw[i].time.hours_since(sound.times[first]) < APART_HOURS;
        let before = before.filter(|&kg| {
            lately
                && kg >= LEAST_KG
                && known < BEFORE
                && moved
                && raw[i - 1].value > BACK_SHARE * kg
                && raw[i].time.hours_since(raw[i - 1].time) < APART_HOURS
        });
        let away = |sample: &Sample, kg: f64| {
            (BARE_KG..parameters.left_share * kg).contains(&sample.value)
        };
        let Some(kg) = before.filter(|&kg| away(&raw[i], kg)) else {
            i += 1;
            continue;
        };
        let gone = raw[i..]
            .iter()
            .take_while(|sample| sample.value < BACK_SHARE * kg)
            .count();
        let run = &raw[i..i + gone];
        let wait = if visited(context, raw[i].time) {
            parameters.stays_hours.max(VISIT_HOURS)
        } else {
            parameters.stays_hours
        };
        let told = run.iter().enumerate().find(|(n, sample)| {
            *n + 1 >= LEAST_READINGS && sample.time.hours_since(raw[i].time) >= wait
        });
        // A bare platform moves with the air and the wind; what shows the same all the time is broken.
        let moves = run
            .iter()
            .any(|sample| (sample.value - raw[i].value).abs() > STILL_KG);
        let bare = moves && run.iter().all(|sample| away(sample, kg));
        if let Some((_, sample)) = told.filter(|_| bare) {
            let opened = context.signals.grid.at_or_after(sample.time);
            let episode = Episode {
                opened: opened.min(context.signals.last),
                from: sample.time,
                until: raw.get(i + gone).map(|back| back.time),
            };
            let noise_kg = context.signals.hives[h].noise_kg;
            let known = |kg: f64| Estimate::normal(kg, noise_kg);
            let details = Details {
                severity: Severity::Urgent,
                probability: PROBABILITY,
                evidence: Evidence::new(
                    "The scale shows {left} since {hours}, after {before} from one reading to the next.",
                )
                .with_estimate("left", known(sample.value), Measure::Mass)
                .with("hours", sample.time.hours_since(raw[i].time), Measure::Hours)
                .with_estimate("before", known(kg), Measure::Mass),
            };
            flags.push(context.hive_flag(FlagKind::Tipped, h, episode, details));
            found.push(episode);
        }
        i += gone.max(1);
    }
    found
}

/// Whether someone worked on the yard around a moment: hives that stood there were handled.
fn visited(context: &RuleContext<'_>, at: Timestamp) -> bool {
    let near = |time: Timestamp| time.hours_since(at).abs() < VISIT_HOURS;
    context.analysis.hives.iter().any(|hive| {
        let mut steps = hive.scale.steps.iter();
        let mut changes = hive
            .feeders
            .iter()
            .flat_map(|feeder| &feeder.events.changes);
        steps.any(|step| by_hand(step) && step.kg > 0.0 && near(step.time()))
            || changes.any(|change| change.kind.pours() && near(change.time()))
    })
}
