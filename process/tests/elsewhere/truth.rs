//! What is true of a world, whoever simulated it.

use larder_domain::Timestamp;

/// All that is true, by the names that the apiary uses.
#[derive(Default)]
pub struct Truth {
    pub days: Vec<DayTruth>,
    pub fills: Vec<FillTruth>,
    pub events: Vec<EventTruth>,
    /// Windows in which a flag is neither right nor wrong.
    pub doubtful: Vec<EventTruth>,
    pub nights: Vec<NightTruth>,
    /// How long the world lasts, days.
    pub span_days: f64,
    /// Whether the conditions that depend on a policy (a refill that is due, feed that is needed) are
    /// part of the truth.
    pub policy: bool,
}

/// One feeder's local day.
#[derive(Clone)]
pub struct DayTruth {
    pub date: String,
    pub yard: String,
    pub hive: String,
    pub feeder: String,
    pub uptake_l: f64,
    /// At the midnight that ends it.
    pub remaining_end_l: f64,
    pub leaked_l: f64,
    pub robbed_l: f64,
    pub spilled_l: f64,
    pub evaporated_l: f64,
    pub filled_l: f64,
}

/// One fill.
#[derive(Clone)]
pub struct FillTruth {
    pub time: Timestamp,
    pub yard: String,
    pub hive: String,
    pub feeder: String,
    pub volume_l: f64,
    pub strength: String,
    pub mass_kg: f64,
    /// `volume`, `plain` (written down without one) or `none`.
    pub recorded: &'static str,
}

/// A condition that holds from `start` to `end`.
#[derive(Clone, Debug)]
pub struct EventTruth {
    pub kind: Condition,
    pub yard: String,
    pub hive: String,
    pub feeder: String,
    pub device: String,
    pub start: Timestamp,
    pub end: Timestamp,
}

/// One hive's night, and the day behind it.
#[derive(Clone)]
pub struct NightTruth {
    pub date: String,
    pub yard: String,
    pub hive: String,
    /// Of the night that begins the day, and of the one that ends it.
    pub weight_kg: Option<f64>,
    pub weight_next_kg: Option<f64>,
    /// Without what hands did.
    pub net_change_kg: Option<f64>,
    pub handling_kg: f64,
    /// Not scored: a feeder was blown off, bees swarmed, rain or hands that nobody measured.
    pub disturbed: bool,
}

/// What a flag can be about, by the flag's name.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Condition {
    Stalled,
    TooCold,
    Souring,
    Leaking,
    Robbed,
    Displaced,
    FlowOn,
    Empty,
    Silent,
    SensorFault,
    LowBattery,
    Swarmed,
    Tipped,
    RefillDue,
    NeedsFeed,
    BehindTarget,
}

use Condition as C;

impl Condition {
    /// All of them.
    pub fn all() -> impl Iterator<Item = Self> {
        let apart = Self::APART.into_iter().chain(Self::POLICY);
        Self::PHYSICAL.into_iter().chain(apart)
    }

    /// What truly is the case at a hive or a device.
    pub const PHYSICAL: [Self; 11] = [
        C::Stalled,
        C::TooCold,
        C::Souring,
        C::Leaking,
        C::Robbed,
        C::Displaced,
        C::FlowOn,
        C::Empty,
        C::Silent,
        C::SensorFault,
        C::LowBattery,
    ];
    /// What happens to the hive as a whole: counted apart, because few simulators have it.
    pub const APART: [Self; 2] = [C::Swarmed, C::Tipped];
    /// What depends on what a keeper wants.
    pub const POLICY: [Self; 3] = [C::RefillDue, C::NeedsFeed, C::BehindTarget];

    pub fn name(self) -> &'static str {
        match self {
            C::Stalled => "stalled",
            C::TooCold => "too_cold",
            C::Souring => "souring",
            C::Leaking => "leaking",
            C::Robbed => "robbed",
            C::Displaced => "displaced",
            C::FlowOn => "flow_on",
            C::Empty => "empty",
            C::Silent => "silent",
            C::SensorFault => "sensor_fault",
            C::LowBattery => "low_battery",
            C::Swarmed => "swarmed",
            C::Tipped => "tipped",
            C::RefillDue => "refill_due",
            C::NeedsFeed => "needs_feed",
            C::BehindTarget => "behind_target",
        }
    }

    pub fn named(name: &str) -> Option<Self> {
        Self::all().find(|kind| kind.name() == name)
    }
}
