//! What is learned of an instrument while it works: how far its zero is off, how it drifts with
//! warmth, how noisy it is.

use crate::channel::Unit;
use crate::identity::{ChannelRef, HiveId};
use crate::time::Timestamp;
use chrono::NaiveDate;
use larder_syrup::Estimate;

/// One trait of one instrument, as the readings before and around a day show it.
#[derive(Clone, PartialEq, Debug)]
pub struct Learned {
    /// The hive at which it stood.
    pub hive: HiveId,
    /// The channel.
    pub source: ChannelRef,
    /// What was learned.
    pub what: Trait,
    /// As of this local day.
    pub date: NaiveDate,
    /// The first reading that speaks for it.
    pub since: Timestamp,
    /// The value in [`Trait::unit`]; before anything was learned, what such instruments are usually
    /// like, with a wide interval.
    pub value: Estimate,
}

/// What can be learned of an instrument.
#[derive(
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Debug,
    strum::IntoStaticStr,
    strum::VariantArray,
    strum::EnumString,
)]
#[strum(serialize_all = "snake_case")]
pub enum Trait {
    /// What it reads at an empty feeder beyond what it should.
    Offset,
    /// How its reading moves with the temperature.
    PerKelvin,
    /// By what share the geometry given for it makes volumes too large.
    GeometryShare,
    /// How far a single reading strays (standard deviation).
    Noise,
}

impl Trait {
    /// All traits, in the order in which they are shown.
    pub const ALL: &'static [Self] = <Self as strum::VariantArray>::VARIANTS;

    /// The word in reports and on the wire.
    pub fn name(self) -> &'static str {
        self.into()
    }

    /// Reads the word back.
    pub fn from_name(name: &str) -> Option<Self> {
        name.parse().ok()
    }

    /// The unit of its value for a channel in `unit`, in UCUM's writing.
    pub fn unit(self, unit: &Unit) -> String {
        match self {
            Self::Offset | Self::Noise => unit.to_string(),
            Self::PerKelvin => format!("{unit}/K"),
            Self::GeometryShare => "1".to_owned(),
        }
    }
}
