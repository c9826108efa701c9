//! What the processing stage finds out, and what a keeper writes down.

use crate::evidence::Evidence;
use crate::identity::{DeviceId, FeederId, HiveId, YardId};
use crate::time::Timestamp;
use chrono::NaiveDate;
use larder_syrup::Estimate;
use larder_syrup::strength::Strength;

/// A fill that a keeper wrote down. Its identity is (feeder, time).
#[derive(Clone, PartialEq, Debug)]
pub struct RecordedFill {
    /// The feeder filled.
    pub feeder: FeederId,
    /// When, as written down: good to a quarter of an hour or so.
    pub time: Timestamp,
    /// How much was poured, l; `None`: not written down.
    pub volume_l: Option<f64>,
    /// Sugar to water by mass; `None`: not written down.
    pub strength: Option<Strength>,
}

/// How a fill is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug, strum::IntoStaticStr)]
#[strum(serialize_all = "snake_case")]
pub enum FillSource {
    /// The keeper wrote it down; no sensor saw it.
    Recorded,
    /// Sensors saw it; nobody wrote it down.
    Detected,
    /// Written down and seen.
    Both,
}

impl FillSource {
    /// The word in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Recorded => "recorded",
            Self::Detected => "detected",
            Self::Both => "both",
        }
    }
}

/// A fill as the processing stage believes that it happened.
#[derive(Clone, PartialEq, Debug)]
pub struct FillEvent {
    /// The feeder filled.
    pub feeder: FeederId,
    /// The best time.
    pub time: Timestamp,
    /// Litres poured; `None` where neither the keeper nor a sensor says.
    pub volume_l: Option<Estimate>,
    /// Sugar to water by mass, where written down or carried over from the fill before.
    pub strength: Option<Strength>,
    /// How it is known.
    pub source: FillSource,
}

/// What a colony took from one feeder on one local day.
#[derive(Clone, PartialEq, Debug)]
pub struct UptakeDay {
    /// The local day of the hive's yard.
    pub date: NaiveDate,
    /// The feeder.
    pub feeder: FeederId,
    /// What the colony took, l. Leaks and robbing are not in it. `None`: not known, never zero.
    pub uptake_l: Option<Estimate>,
    /// What is left at the end of the day, l at 20 °C.
    pub remaining_l: Option<Estimate>,
    /// Sugar in what was taken, kg; `None` where the strength or the uptake is not known.
    pub sugar_kg: Option<f64>,
    /// The share of the day that readings cover, 0 to 1.
    pub sensed_share: f64,
}

/// How far a night-time weight can be trusted.
#[derive(Clone, Copy, PartialEq, Eq, Debug, strum::IntoStaticStr)]
#[strum(serialize_all = "snake_case")]
pub enum WeightQuality {
    /// Enough readings, quiet night.
    Good,
    /// Few readings, or rain or hands in the night.
    Poor,
    /// No readings in the night: carried over a gap.
    Missing,
}

impl WeightQuality {
    /// The word in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Poor => "poor",
            Self::Missing => "missing",
        }
    }
}

/// A hive's weight in the night that starts a local day, and what the day changed.
#[derive(Clone, PartialEq, Debug)]
pub struct WeightDay {
    /// The local day of the hive's yard.
    pub date: NaiveDate,
    /// The hive.
    pub hive: HiveId,
    /// Mean weight from 01:00 to 04:00 local, without rain, kg.
    pub weight_kg: Option<Estimate>,
    /// Change from this night to the next with handling taken out, kg; `None` where it is not
    /// known.
    pub net_change_kg: Option<Estimate>,
    /// What hands put on or took off between the two nights (boxes, fills, frames), kg.
    pub handling_kg: f64,
    /// How far the weight can be trusted.
    pub quality: WeightQuality,
}

/// What can be wrong.
#[derive(
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Debug,
    strum::IntoStaticStr,
    strum::VariantArray,
    strum::EnumString,
)]
#[strum(serialize_all = "snake_case")]
pub enum FlagKind {
    /// Fill it soon.
    RefillDue,
    /// Nothing left.
    Empty,
    /// Not taking it though they could.
    Stalled,
    /// Not taking it because they can't.
    TooCold,
    /// The syrup is going off, or is likely to.
    Souring,
    /// Syrup leaves the feeder and does not go into the colony.
    Leaking,
    /// Strange bees carry it off.
    Robbed,
    /// Blown or knocked off.
    Displaced,
    /// Gaining from flowers: stop feeding.
    FlowOn,
    /// Hungry, and no feed on.
    NeedsFeed,
    /// Will not make its weight in time at this pace.
    BehindTarget,
    /// Bees left with a swarm.
    Swarmed,
    /// Tipped over or taken away.
    Tipped,
    /// A keeper opened it.
    Opened,
    /// A device is not heard.
    Silent,
    /// A device's values can't be right.
    SensorFault,
    /// A device's battery is nearly empty.
    LowBattery,
}

impl FlagKind {
    /// All kinds of flag, in the order in which reports list them.
    pub const ALL: &'static [Self] = <Self as strum::VariantArray>::VARIANTS;

    /// The word in reports and on the wire.
    pub fn name(self) -> &'static str {
        self.into()
    }

    /// Reads the word back.
    pub fn from_name(name: &str) -> Option<Self> {
        name.parse().ok()
    }
}

/// How soon someone should act.
#[derive(
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Debug,
    strum::IntoStaticStr,
    strum::EnumString,
)]
#[strum(serialize_all = "snake_case")]
pub enum Severity {
    /// Good to know.
    Info,
    /// On the next trip.
    Warning,
    /// Today.
    Urgent,
}

impl Severity {
    /// The word in reports.
    pub fn name(self) -> &'static str {
        self.into()
    }

    /// Reads the word back.
    pub fn from_name(name: &str) -> Option<Self> {
        name.parse().ok()
    }
}

/// Something wrong, from when to when, with the evidence. Its identity is (kind, subject,
/// `opened_at`), the subject being the most particular of device, feeder, hive and yard.
#[derive(Clone, PartialEq, Debug)]
pub struct Flag {
    /// What is wrong.
    pub kind: FlagKind,
    /// Where.
    pub yard: Option<YardId>,
    /// Which hive, if it is about one.
    pub hive: Option<HiveId>,
    /// Which feeder, if it is about one.
    pub feeder: Option<FeederId>,
    /// Which device, if it is about one.
    pub device: Option<DeviceId>,
    /// Since when it holds, as far as could be known then.
    pub opened_at: Timestamp,
    /// Until when it held; `None`: it still does.
    pub closed_at: Option<Timestamp>,
    /// How soon someone should act.
    pub severity: Severity,
    /// How likely it is true, 0 to 1.
    pub probability: f64,
    /// Why: a sentence and its numbers.
    pub evidence: Evidence,
}

impl Flag {
    /// Whether `later`, found when later days were estimated, is this same flag going on: the same
    /// thing wrong with the same subject, and this one had not closed before that one opened.
    pub fn goes_on_as(&self, later: &Self) -> bool {
        let subject = |f: &Self| (f.kind, f.device.clone(), f.feeder.clone(), f.hive.clone());
        subject(self) == subject(later) && self.closed_at.is_none_or(|at| at >= later.opened_at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flag(kind: FlagKind, device: &str, opened: i64, closed: Option<i64>) -> Flag {
        Flag {
            kind,
            yard: None,
            hive: None,
            feeder: None,
            device: Some(DeviceId::new(device).unwrap()),
            opened_at: Timestamp(opened),
            closed_at: closed.map(Timestamp),
            severity: Severity::Warning,
            probability: 0.9,
            evidence: Evidence::default(),
        }
    }

    #[test]
    fn a_flag_goes_on_until_it_has_closed_and_only_as_itself() {
        let later = flag(FlagKind::Silent, "d", 100, None);
        let earlier = |kind, device, closed| flag(kind, device, 0, closed).goes_on_as(&later);
        assert!(earlier(FlagKind::Silent, "d", None));
        assert!(earlier(FlagKind::Silent, "d", Some(100)));
        assert!(!earlier(FlagKind::Silent, "d", Some(99)));
        assert!(!earlier(FlagKind::Silent, "e", None));
        assert!(!earlier(FlagKind::LowBattery, "d", None));
    }
}
