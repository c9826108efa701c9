//! How wide intervals are: what the models say, and what they leave open.

use crate::analysis::FeederAnalysis;
use crate::events::{Change, ChangeKind};
use crate::feeder::FilledVolume;
use crate::input::FeederInput;
use crate::losses::HiveBalance;
use crate::parameters::IntervalParameters;
use crate::series::days::Day;
use crate::series::grid::{Grid, PER_DAY, PER_HOUR, STEP_HOURS};
use larder_domain::{Span, UptakeDay};
use larder_syrup::Estimate;

crate::numbers! { "estimate.report.intervals":
    /// A feeder filled to the brim holds this share of the capacity that a ruler gave.
    BRIM_SHARE: f64 = 1.04, "1", [1.0, 1.1], Chosen;
    /// Thin and thick syrup differ in density by 8 %: where the strength was not written down with the fill,
    /// litres from weight are off by this share.
    STRENGTH_SHARE: f64 = 0.025, "1", [0.008, 0.075], CommonPractice;
    /// With less than this share of the capacity in it nothing was thrown out.
    LEAST_HELD_SHARE: f64 = 0.08, "1", [0.027, 0.24], Chosen;
    /// Of the fills on top of syrup that the colony was taking, how many follow a throwing-out for each one
    /// that does not.
    RENEWED_ODDS: f64 = 0.15, "1", [0.05, 0.45], CommonPractice;
    /// The same where the syrup's thermometer speaks against it.
    MEASURED_ODDS: f64 = 0.1, "1", [0.02, 0.3], Chosen;
    /// The same where the colony had left it alone for days: it is thrown out more often than not.
    UNTOUCHED_ODDS: f64 = 2.0, "1", [0.67, 6.0], CommonPractice;
    /// A colony has left its syrup alone that took less than this share of the capacity in so many days.
    ALONE_SHARE: f64 = 0.03, "1", [0.01, 0.09], Chosen;
    /// See `ALONE_SHARE`.
    ALONE_DAYS: usize = 3, "d", [1.0, 9.0], Chosen;
    /// Written volumes are rounded and guessed, as a share.
    NOTE_SHARE: f64 = 0.12, "1", [0.04, 0.36], CommonPractice;
    /// No note speaks more against a volume than this.
    LEAST_FIT: f64 = 0.02, "1", [0.0067, 0.06], Chosen;
    /// What is less likely than this is left out of an interval.
    DOUBT: f64 = 0.06, "1", [0.02, 0.1], Chosen;
}

/// What the colony took on a day, l.
pub fn uptake(
    day: &Day,
    found: &FeederAnalysis,
    capacity_l: f64,
    balance: &HiveBalance,
    open: &IntervalParameters,
) -> Option<Estimate> {
    let (mean, variance) = found.course.taken.get(day.end_node).copied().flatten()?;
    let sd = day_sd(day, found, capacity_l, variance, open);
    let missing_l = (deficit_kg(day, balance) - open.usual_deficit_kg) / found.kg_per_litre;
    let doubt = open.doubt_share * missing_l.max(0.0);
    // A colony gives nothing back. A mean that noise has pushed below zero is brought to zero
    // with its uncertainty, not cut off together with it.
    let mean = mean.max(0.0);
    let mut estimate = Estimate::normal(mean, sd);
    estimate.lo = mean - Estimate::Z90 * sd.hypot(doubt);
    Some(estimate.at_least(0.0))
}

/// What the hive should have gained on this day and did not, beyond what is accounted for as lost, kg.
fn deficit_kg(day: &Day, balance: &HiveBalance) -> f64 {
    let hours = day.first_node / PER_HOUR..day.end_node / PER_HOUR;
    let hours = balance.hours.get(hours).unwrap_or(&[]);
    let known = hours.iter().filter(|hour| !hour.gain_kg.is_nan());
    let missing = known.map(|hour| hour.expected_kg - hour.gain_kg - hour.lost_kg);
    missing.sum()
}

/// The standard deviation of one day's uptake: the model's, what may have been lost, and what a
/// disturbance leaves open. Errors of the loss within a day go together.
fn day_sd(
    day: &Day,
    found: &FeederAnalysis,
    capacity_l: f64,
    variance: f64,
    open: &IntervalParameters,
) -> f64 {
    let nodes = day.first_node..day.end_node;
    let loss_sd = found.losses.sd.get(nodes.clone()).unwrap_or(&[]);
    let lost: f64 = loss_sd.iter().sum::<f64>() * STEP_HOURS;
    let touches = |span: &Span| span.intersect(day.span).is_some();
    let mut spans = found.events.masked.iter();
    let mut displaced = found.events.displaced.iter();
    let disturbed = if spans.any(touches) || displaced.any(touches) {
        open.disturbed_share * capacity_l
    } else {
        0.0
    };
    let unseen = 1.0 - found.observations.seen_share(nodes);
    let factor = open.factor + open.gap_factor * unseen;
    let modelled = (factor * variance.sqrt()).hypot(lost).hypot(disturbed);
    modelled + open.least_sd_l + open.unseen_sd_l * unseen
}

/// What is left at a node, l, with what the sensor's offset and the colony leave open; no more than the
/// feeder holds.
pub fn left(
    found: &FeederAnalysis,
    capacity_l: f64,
    node: usize,
    open: &IntervalParameters,
) -> Option<Estimate> {
    let volume = *found.course.volume_l.get(node)?;
    let sd = *found.course.volume_sd.get(node)?;
    let is_empty = found.course.empty[node];
    let share = if is_empty {
        open.dregs_share
    } else {
        open.left_share
    };
    let sd = sd.hypot(share * capacity_l);
    let mut left = Estimate::normal(volume.max(0.0), sd);
    if is_empty {
        // A colony may have licked it dry, or it was put on clean.
        left.lo = 0.0;
    }
    Some(left.at_least(0.0).at_most(BRIM_SHARE * capacity_l))
}

/// What a fill is judged by besides its own amount.
pub struct FillPlace<'a> {
    /// The feeder.
    pub feeder: &'a FeederInput<'a>,
    /// All that was found of it.
    pub found: &'a FeederAnalysis,
    /// The first node behind the fill.
    pub node: usize,
    /// Nodes.
    pub grid: &'a Grid,
}

/// What was poured in, l. Level and weight show what is in the feeder more than before: where old syrup
/// was thrown out first, more was poured, up to all that is in it now.
pub fn fill(
    change: &Change,
    filled: &FilledVolume,
    place: &FillPlace<'_>,
    open: &IntervalParameters,
) -> Estimate {
    let capacity_l = place.feeder.feeder.capacity_l;
    let note = change.recorded.map(|i| &place.feeder.recorded[i]);
    let weighed = change.litres.is_some() && change.scale_step.is_some()
        || place
            .found
            .observations
            .nodes
            .iter()
            .any(|node| node.weighs);
    let strength_open = weighed && note.is_none_or(|note| note.strength.is_none());
    let density = if strength_open { STRENGTH_SHARE } else { 0.0 };
    let of = |litres: f64| {
        let share = open.pouring_share.hypot(density);
        let sd = (open.factor * filled.sd).hypot(share * litres);
        Estimate::normal(litres, sd)
    };
    let on_top = of(filled.litres);
    let before = filled.litres_before.max(0.0);
    let brim = |estimate: Estimate| {
        let most = BRIM_SHARE * capacity_l;
        let cut = estimate.at_least(0.0).at_most(most);
        // More than fits in cannot have been poured: something else is wrong, and less is known.
        let lo = if estimate.lo > most {
            most / 2.0
        } else {
            cut.lo
        };
        Estimate { lo, ..cut }
    };
    if change.kind != ChangeKind::Fill || before < LEAST_HELD_SHARE * capacity_l {
        return brim(on_top);
    }
    let renewed = of(filled.litres.max(0.0) + before);
    // A thermometer would have told.
    let mut levels = place.feeder.levels.iter();
    let odds = if levels.any(|level| !level.syrup_temperature.is_empty()) {
        MEASURED_ODDS
    } else if was_left_alone(place, capacity_l) {
        UNTOUCHED_ODDS
    } else {
        RENEWED_ODDS
    };
    let by_note = note.and_then(|note| note.volume_l).map_or(1.0, |noted| {
        let fits = |litres: f64| {
            let off = (noted - litres) / (NOTE_SHARE * noted.max(litres));
            (-0.5 * off.powi(2)).exp().max(LEAST_FIT)
        };
        fits(renewed.value) / fits(on_top.value)
    });
    let probability = odds * by_note / (1.0 + odds * by_note);
    let likelier = if odds * by_note > 1.0 {
        renewed
    } else {
        on_top
    };
    brim(Estimate {
        value: likelier.value,
        lo: if probability < 1.0 - DOUBT {
            on_top.lo
        } else {
            renewed.lo
        },
        hi: if probability > DOUBT {
            renewed.hi
        } else {
            on_top.hi
        },
    })
}

/// Whether the colony had left what was in the feeder alone for days: such syrup is thrown out before
/// fresh is poured.
fn was_left_alone(place: &FillPlace<'_>, capacity_l: f64) -> bool {
    let volume = &place.found.course.volume_l;
    let Some(start) = place.node.checked_sub(ALONE_DAYS * PER_DAY + 1) else {
        return false;
    };
    let since = place.grid.time(start);
    let until = place.grid.time(place.node - 1);
    let mut changes = place.found.events.changes.iter();
    let fresh =
        changes.any(|other| other.kind.pours() && other.latest > since && other.latest < until);
    !fresh && volume[start] - volume[place.node - 1] < ALONE_SHARE * capacity_l
}

/// Brings a feeder's days to what was there: no day's uptake is more than what was left the evening before
/// and what was poured in on the day.
pub fn keep_to_what_was_there(days: &mut [UptakeDay], poured: impl Fn(&UptakeDay) -> (f64, f64)) {
    for i in 1..days.len() {
        let (earlier, later) = days.split_at_mut(i);
        let (Some(before), day) = (earlier[i - 1].remaining_l, &mut later[0]) else {
            continue;
        };
        if Some(day.date) != earlier[i - 1].date.succ_opt() {
            continue;
        }
        let (litres, most) = poured(day);
        day.uptake_l = day.uptake_l.map(|uptake| {
            let value = uptake.value.min(before.value + litres);
            let hi = uptake.hi.min(before.hi + most).max(value);
            Estimate {
                value,
                lo: uptake.lo.min(value),
                hi,
            }
        });
    }
}
