//! From the analysis to what is reported.

pub(crate) mod intervals;
mod learned;
pub mod night_weight;

pub use learned::learned;

use crate::analysis::{FeederAnalysis, YardAnalysis};
use crate::events::Change;
use crate::input::{FeederInput, YardInput};
use crate::losses::HiveBalance;
use crate::output::{FeederNow, YardOutput};
use crate::parameters::IntervalParameters;
use crate::report::intervals::FillPlace;
use crate::report::night_weight::weigh_nights;
use crate::series::days::Day;
use crate::series::grid::{Grid, HOURS_PER_DAY, PER_DAY};
use larder_domain::{FillEvent, FillSource, Flag, Span, Timestamp, UptakeDay};
use larder_syrup::Estimate;

crate::numbers! { "estimate.report":
    /// Errors of the rate remember some four hours: the mean over a day of such a process has this share of
    /// their standard deviation.
    INDEPENDENT_SHARE: f64 = 0.53, "1", [0.18, 1.0], Chosen;
}

/// Everything but the flags, for the local days that `asked` touches and that are part of the
/// record.
pub fn report(
    input: &YardInput<'_>,
    analysis: &YardAnalysis,
    asked: Span,
    is_covered: impl Fn(&Day) -> bool,
    open: &IntervalParameters,
) -> YardOutput {
    let mut output = YardOutput::default();
    let wanted = |day: &&Day| {
        day.span.intersect(asked).is_some() && day.span.start < input.now && is_covered(day)
    };
    let days: Vec<&Day> = analysis.days.iter().filter(wanted).collect();
    let first = days.first().map(|day| day.span.start);
    let mut earlier = analysis.days.iter().rev();
    let before = earlier.find(|day| first.is_some_and(|first| day.span.end <= first));
    let evening_before: Vec<&Day> = before.into_iter().collect();
    for (hive, found) in input.hives.iter().zip(&analysis.hives) {
        let balance = &found.balance;
        for (feeder, found) in hive.feeders.iter().zip(&found.feeders) {
            let rows = evening_before.iter().chain(&days);
            let mut rows: Vec<UptakeDay> = rows
                .map(|day| uptake_day(day, feeder, found, balance, open))
                .collect();
            let around = Span {
                start: asked.start.plus_hours(-HOURS_PER_DAY),
                end: asked.end.plus_hours(HOURS_PER_DAY),
            };
            let filled = fills(feeder, found, &analysis.grid, around, open);
            intervals::keep_to_what_was_there(&mut rows, |row| {
                let on_day =
                    |fill: &&FillEvent| fill.time.local_date(input.yard.timezone) == row.date;
                let volumes = filled
                    .iter()
                    .filter(on_day)
                    .filter_map(|fill| fill.volume_l);
                volumes.fold((0.0, 0.0), |sum, v| (sum.0 + v.value, sum.1 + v.hi))
            });
            output
                .uptake
                .extend(rows.into_iter().skip(evening_before.len()));
            let asked_for = filled.into_iter().filter(|fill| asked.contains(fill.time));
            output.fills.extend(asked_for);
            output
                .now
                .push(as_it_stands(input, analysis, feeder, found, open));
        }
        if !hive.weight.is_empty() {
            let nights = weigh_nights(&hive.hive.id, &found.scale, analysis);
            let asked = |date| days.iter().any(|day| day.date == date);
            output
                .weight
                .extend(nights.into_iter().filter(|night| asked(night.date)));
        }
    }
    output
}

/// The flags that were open at some time in `asked`.
pub fn within(mut flags: Vec<Flag>, asked: Span) -> Vec<Flag> {
    flags.retain(|flag| {
        flag.opened_at < asked.end && flag.closed_at.is_none_or(|at| at > asked.start)
    });
    flags
}

fn uptake_day(
    day: &Day,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    balance: &HiveBalance,
    open: &IntervalParameters,
) -> UptakeDay {
    let capacity_l = feeder.feeder.capacity_l;
    let uptake_l = intervals::uptake(day, found, capacity_l, balance, open);
    let sugar = sugar_per_litre(found, day.span.end);
    UptakeDay {
        date: day.date,
        feeder: feeder.feeder.id.clone(),
        uptake_l,
        remaining_l: intervals::left(found, capacity_l, day.end_node, open),
        sugar_kg: uptake_l.zip(sugar).map(|(u, kg)| u.value * kg),
        sensed_share: found.observations.seen_share(day.first_node..day.end_node),
    }
}

/// Sugar in a litre of what was in it at `at`, kg; `None` where no strength is known.
fn sugar_per_litre(found: &FeederAnalysis, at: Timestamp) -> Option<f64> {
    let fills = found.events.changes.iter().rev();
    let mut poured = fills.filter(|c| c.kind.pours() && c.latest <= at);
    let strength = poured.find_map(|c| c.strength)?;
    let kg = larder_syrup::physics::kg_per_litre(Some(strength));
    Some(strength.mass_fraction().value() * kg)
}

fn fills(
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    grid: &Grid,
    asked: Span,
    open: &IntervalParameters,
) -> Vec<FillEvent> {
    let place = |change: &Change| FillPlace {
        feeder,
        found,
        node: grid.at_or_after(change.time()).max(1),
        grid,
    };
    let pairs = found.events.changes.iter().zip(&found.course.changes);
    pairs
        .filter(|(change, _)| change.kind.pours() && asked.contains(change.time()))
        .map(|(change, filled)| FillEvent {
            feeder: feeder.feeder.id.clone(),
            time: change.time(),
            volume_l: Some(intervals::fill(change, filled, &place(change), open)),
            strength: change.strength,
            source: match (change.recorded, change.seen) {
                (None, _) => FillSource::Detected,
                (Some(_), true) => FillSource::Both,
                (Some(_), false) => FillSource::Recorded,
            },
        })
        .collect()
}

fn as_it_stands(
    input: &YardInput<'_>,
    analysis: &YardAnalysis,
    feeder: &FeederInput<'_>,
    found: &FeederAnalysis,
    open: &IntervalParameters,
) -> FeederNow {
    let last = analysis.grid.nearest(input.now);
    FeederNow {
        feeder: feeder.feeder.id.clone(),
        seen_at: found.level.series.times.last().copied(),
        remaining_l: intervals::left(found, feeder.feeder.capacity_l, last, open),
        rate_l_per_day: rate_of_last_day(found, last),
    }
}

/// The mean rate of the last day, l a day; what half of a day tells about the other goes into its
/// spread.
fn rate_of_last_day(found: &FeederAnalysis, last: usize) -> Option<Estimate> {
    let day = last.saturating_sub(PER_DAY)..last + 1;
    let rates = found.course.rate.get(day.clone())?;
    let sds = found.course.rate_sd.get(day)?;
    let n = rates.len().max(1) as f64;
    let mean = rates.iter().sum::<f64>() / n;
    let sd = sds.iter().sum::<f64>() / n * INDEPENDENT_SHARE;
    Some(Estimate::normal(HOURS_PER_DAY * mean.max(0.0), HOURS_PER_DAY * sd).at_least(0.0))
}
