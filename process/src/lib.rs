//! From readings to what a keeper wants to know: fills, daily uptake, night-time weight, flags.
//! This crate stands apart because it is pure: values in, values out, time is an argument. What it
//! returns can be thrown away and computed again.

pub mod coverage;
pub mod numbers;
pub mod window;

use larder_domain::time::local_day;
use larder_domain::{Span, Timestamp};
use larder_estimate::report::{learned, report, within};
use larder_estimate::series::days;
use larder_estimate::{Parameters, YardInput, YardOutput, analyse_yard_with};
use larder_flags::{YardParameters, raise};

/// Estimates one yard: the unit of work, because neighbours are each other's control group. The
/// results of a day depend only on the readings in [`window::context_of`] that day.
pub fn process_yard(input: &YardInput<'_>) -> YardOutput {
    process_yard_with(input, &YardParameters::default())
}

/// Estimates one yard with thresholds of the yard's and its hives' own, and the usual estimators.
pub fn process_yard_with(input: &YardInput<'_>, thresholds: &YardParameters) -> YardOutput {
    process_yard_by(input, thresholds, &Parameters::default())
}

/// Estimates one yard with thresholds and estimators' parameters of the caller's choice.
pub fn process_yard_by(
    input: &YardInput<'_>,
    thresholds: &YardParameters,
    parameters: &Parameters,
) -> YardOutput {
    let zone = input.yard.timezone;
    let mut output = YardOutput::default();
    let coverage = coverage::Coverage::of(input);
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
        let mut part = report(&block_input, &analysis, asked, is_covered, open);
        let last_date = asked.end.plus_ms(-1).local_date(zone);
        part.learned = learned(&block_input, &analysis, last_date);
        let flags = raise(&block_input, &analysis, thresholds);
        output.append(part, within(flags, asked));
    }
    let last = input.span.end.plus_ms(-1).max(input.span.start);
    if !coverage.holds(local_day(zone, last.local_date(zone)).end) {
        output.forget_now();
    }
    output.sort();
    output
}
