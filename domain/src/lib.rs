//! The trade in types: what a yard, a hive, a feeder, a fill and a reading are, and the physics
//! of syrup. This crate stands apart because everything else rests on it: it has no clock, no
//! input or output, no async runtime and no wire formats.

mod solve;
pub mod time;
pub mod units;

pub mod channel;
pub mod identity;
pub mod reading;

pub mod feed;
pub mod feeder;
pub mod level;
pub mod mix;
pub mod stores;
pub mod strength;
pub mod syrup;

pub mod apiary;
pub mod care;
pub mod estimate;
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
pub use estimate::{Estimate, Total};
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
pub use strength::Strength;
pub use time::{Span, Timestamp};
