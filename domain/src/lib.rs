//! The trade in types: what a yard, a hive, a feeder, a fill, a reading and a flag are. This crate
//! stands apart because everything else rests on it: it has no clock, no input or output, no async
//! runtime and no wire formats. Syrup itself is in `larder-syrup`.
//!
//! ```
//! use larder_domain::{Apiary, DeviceId, Yard, YardId};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let yard = Yard {
//!     id: YardId::new("north")?,
//!     name: "North terrace".into(),
//!     timezone: chrono_tz::America::New_York,
//!     position: Some((41.2, -77.3)),
//!     weather: Some(DeviceId::new("wx-north")?),
//! };
//! let apiary = Apiary::new(vec![yard.clone()], vec![], vec![], vec![]);
//! assert!(apiary.is_ok_and(|apiary| apiary.yards().count() == 1));
//!
//! let problems = Apiary::new(vec![yard.clone(), yard], vec![], vec![], vec![]).unwrap_err();
//! assert!(problems[0].to_string().starts_with("yard \"north\": "));
//! # Ok(())
//! # }
//! ```

pub mod time;

pub mod channel;
pub mod identity;
pub mod reading;

pub mod feeder_kind;

pub mod apiary;
pub mod care;
pub mod evidence;
pub mod kept_flag;
pub mod learned;
pub mod names;
pub mod person;
pub mod results;

pub use apiary::{
    Apiary, Assignment, Feeder, FeederKind, Geometry, Goal, Hive, LevelSensor, Move, Threshold,
    ThresholdPlace, Yard,
};
pub use care::{Act, Care, CareEntry, Said, Verdict};
pub use channel::{ChannelKind, ChannelName, Unit};
pub use evidence::{Evidence, Measure, Quantity};
pub use identity::{ChannelRef, DeviceId, FeederId, HiveId, PersonId, YardId};
pub use kept_flag::{FlagId, FlagState, KeptFlag};
pub use learned::{Learned, Trait};
pub use person::{MailAddress, Person, QuietHours, Way, WebhookUrl};
pub use reading::{Reading, Refusal, Sample};
pub use results::{
    FillEvent, FillSource, Flag, FlagKind, RecordedFill, Severity, UptakeDay, WeightDay,
    WeightQuality,
};
pub use time::{Span, Timestamp};
