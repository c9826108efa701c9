//! From readings to fills, daily uptake, syrup left, night-time weight and losses, each with its
//! interval. This crate stands apart because it is pure: values in, values out, time is an argument.
//!
//! ```
//! # use larder_domain::*;
//! use larder_estimate::report::report;
//! use larder_estimate::{
//!     FeederInput, HiveInput, LevelInput, Parameters, Weather, YardInput, analyse_yard,
//! };
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
//! // A sensor over a tray feeder: 9 l, and the colony takes 1.2 l a day.
//! let samples: Vec<Sample> = (0..3 * 96)
//!     .map(|quarter| 0.25 * f64::from(quarter))
//!     .map(|hours| Sample { time: start.plus_hours(hours), value: 9.0 - 1.2 / 24.0 * hours })
//!     .collect();
//! let level = LevelInput { sensor: &feeder.sensors[0], samples: &samples, syrup_temperature: &[] };
//! let feeders = vec![FeederInput { feeder: &feeder, levels: vec![level], recorded: &[] }];
//! let hives = vec![HiveInput { hive: &hive, weight: &[], scale_temperature: &[], feeders }];
//! let end = start.plus_hours(72.0);
//! let input = YardInput {
//!     yard: &yard,
//!     span: Span { start, end },
//!     now: end,
//!     weather: Weather::default(),
//!     hives,
//!     devices: vec![],
//! };
//! let analysis = analyse_yard(&input);
//! let open = Parameters::default().interval;
//! let output = report(&input, &analysis, input.span, |_| true, &open);
//! let took = output.uptake[1].uptake_l.ok_or("a day that was watched")?;
//! assert!(took.lo < 1.2 && 1.2 < took.hi, "{took:?}");
//! # Ok(())
//! # }
//! ```

pub mod analysis;
pub mod events;
pub mod feeder;
pub mod input;
pub mod losses;
pub mod math;
pub mod numbers;
pub mod output;
pub mod parameters;
pub mod report;
pub mod series;

pub use analysis::{FeederAnalysis, HiveAnalysis, YardAnalysis, analyse_yard, analyse_yard_with};
pub use input::{ClockOff, DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput};
pub use output::{FeederNow, YardOutput};
pub use parameters::Parameters;
