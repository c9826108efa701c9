//! From readings to what a keeper wants to know: fills, daily uptake, night-time weight, flags.
//! This crate stands apart because it is pure: values in, values out, time is an argument. What it
//! returns can be thrown away and computed again.
//!
//! ```
//! # use larder_domain::*;
//! # use larder_estimate::{FeederInput, HiveInput, LevelInput, Weather, YardInput};
//! use larder_process::process_yard;
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! # let yard = Yard {
//! #     id: YardId::new("north")?,
//! #     name: "North terrace".into(),
//! #     timezone: chrono_tz::UTC,
//! #     position: None,
//! #     weather: None,
//! # };
//! # let hive = Hive {
//! #     id: HiveId::new("north-01")?,
//! #     name: "Blue hive".into(),
//! #     yard: yard.id.clone(),
//! #     moves: vec![],
//! #     scales: vec![],
//! #     goal: None,
//! #     target_weight_kg: None,
//! #     target_date: None,
//! #     supers_on: false,
//! # };
//! # let source = ChannelRef {
//! #     device: DeviceId::new("lv-north-01")?,
//! #     channel: ChannelName::new("volume")?,
//! # };
//! # let feeder = Feeder {
//! #     id: FeederId::new("north-01-f")?,
//! #     hive: hive.id.clone(),
//! #     kind: FeederKind::Tray,
//! #     capacity_l: 11.0,
//! #     on_scale: false,
//! #     sensors: vec![LevelSensor {
//! #         assignment: Assignment { source, during: Span::ALWAYS },
//! #         geometry: Geometry::Volume,
//! #     }],
//! # };
//! # let start = Timestamp::parse_rfc3339("2026-09-01T00:00:00Z").ok_or("a moment")?;
//! # // A sensor over a tray feeder: 9 l, and the colony takes 1.2 l a day.
//! # let samples: Vec<Sample> = (0..3 * 96)
//! #     .map(|quarter| 0.25 * f64::from(quarter))
//! #     .map(|hours| Sample { time: start.plus_hours(hours), value: 9.0 - 1.2 / 24.0 * hours })
//! #     .collect();
//! # let level = LevelInput { sensor: &feeder.sensors[0], samples: &samples, syrup_temperature: &[] };
//! # let feeders = vec![FeederInput { feeder: &feeder, levels: vec![level], recorded: &[] }];
//! # let hives = vec![HiveInput { hive: &hive, weight: &[], scale_temperature: &[], feeders }];
//! # let end = start.plus_hours(72.0);
//! # let input = YardInput {
//! #     yard: &yard,
//! #     span: Span { start, end },
//! #     now: end,
//! #     weather: Weather::default(),
//! #     hives,
//! #     devices: vec![],
//! # };
//! // Three days of a sensor over a tray feeder of which the colony takes 1.2 l a day.
//! let output = process_yard(&input);
//! let took = output.uptake[1].uptake_l.ok_or("a day that was watched")?;
//! assert!(took.lo < 1.2 && 1.2 < took.hi, "{took:?}");
//! # Ok(())
//! # }
//! ```

pub mod numbers;
pub mod recorded_days;
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
    let recorded = recorded_days::RecordedDays::of(input);
    // Up to where the record reaches that was estimated last; set while nothing is known after it.
    let mut ended: Option<Timestamp> = None;
    for block in window::Block::touching(input.span, zone) {
        let Some(asked) = block.span(zone).intersect(input.span) else {
            continue;
        };
        let days = days::dates(asked, zone).map(|date| local_day(zone, date));
        let days: Vec<Span> = days.filter(|day| recorded.holds(day.end)).collect();
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
        output.append(part, within(flags, asked), asked.start);
    }
    let last = input.span.end.plus_ms(-1).max(input.span.start);
    if !recorded.holds(local_day(zone, last.local_date(zone)).end) {
        output.forget_now();
    }
    output.sort();
    output
}
