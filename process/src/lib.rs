//! From readings to what a keeper wants to know: fills, daily uptake, night-time weight, flags.
//! This crate stands apart because it is pure: values in, values out, time is an argument. What it
//! returns can be thrown away and computed again.

pub mod input;
pub mod output;

pub mod analysis;
pub mod days;
pub mod evidence;
pub mod feeder;
pub mod flags;
pub mod level;
pub mod life;
pub mod losses;
pub mod nights;
#[macro_use]
pub mod numbers;
pub mod notices;
pub mod parameters;
pub mod record;
pub mod scale;
pub mod series;
pub mod strengths;
pub mod visits;
pub mod water;
pub mod window;

pub mod kalman;
pub mod robust;

use larder_domain::time::local_day;
use larder_domain::{Span, Timestamp};

mod intervals;
mod learned;
pub(crate) mod report;

pub use analysis::{FeederAnalysis, HiveAnalysis, YardAnalysis, analyse_yard, analyse_yard_with};
pub use input::{ClockOff, DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput};
pub use output::{FeederNow, YardOutput};
pub use parameters::Parameters;

/// Estimates one yard: the unit of work, because neighbours are each other's control group. The
/// results of a day depend only on the readings in [`window::context_of`] that day.
pub fn process_yard(input: &YardInput<'_>) -> YardOutput {
    process_yard_with(input, &flags::YardParameters::default())
}

/// The same with thresholds of the yard's and its hives' own.
pub fn process_yard_with(input: &YardInput<'_>, thresholds: &flags::YardParameters) -> YardOutput {
    process_yard_by(input, thresholds, &Parameters::default())
}

/// The same with estimators that are set otherwise.
pub fn process_yard_by(
    input: &YardInput<'_>,
    thresholds: &flags::YardParameters,
    parameters: &Parameters,
) -> YardOutput {
    let zone = input.yard.timezone;
    let mut output = YardOutput::default();
    let coverage = record::Coverage::of(input);
    // Up to where the record reaches that was estimated last; set while nothing is known after it.
    let mut ended: Option<Timestamp> = None;
    for block in window::Block::touching(input.span, zone) {
        let Some(asked) = block.span(zone).intersect(input.span) else {
            continue;
        };
        let days = days::dates(asked, zone).map(|date| local_day(zone, date));
        let days: Vec<Span> = days.filter(|day| coverage.holds(day.end)).collect();
        let (Some(first), Some(last)) = (days.first(), days.last()) else {
            ended = ended.or(output.covered_until);
            continue;
        };
        if let Some(end) = ended.take() {
            output.end_record(end);
        }
        let asked = Span {
            start: asked.start.max(first.start),
            end: asked.end.min(last.end),
        };
        output.covered_from = output.covered_from.or(Some(asked.start));
        output.covered_until = Some(asked.end);
        let block_input = window::cut(input, block.window(zone));
        let analysis = analyse_yard_with(&block_input, parameters);
        let is_covered = |day: &days::Day| days.iter().any(|known| known.start == day.span.start);
        let open = &parameters.interval;
        let mut part = report::report(&block_input, &analysis, asked, is_covered, open);
        let last_date = asked.end.plus_ms(-1).local_date(zone);
        part.learned = learned::learned(&block_input, &analysis, last_date);
        let flags = flags::raise(&block_input, &analysis, thresholds);
        output.append(part, report::within(flags, asked));
    }
    let last = input.span.end.plus_ms(-1).max(input.span.start);
    if !coverage.holds(local_day(zone, last.local_date(zone)).end) {
        output.forget_now();
    }
    output.sort();
    output
}
