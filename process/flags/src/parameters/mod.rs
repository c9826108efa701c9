//! Every threshold of the flags, by name. Each says where its default comes from; 'common practice'
//! marks a fact of the trade, 'measured' one that was set on simulated apiaries with known truth.
//! All can be set for a yard or a hive.

mod colonies;
mod devices;
mod feeders;

pub use colonies::{Behind, Cold, Flow, NeedsFeed, Pace, Stalled};
pub use devices::{LowBattery, SensorFault, Silent};
pub use feeders::{Displaced, Empty, Loss, Refill, Souring};

/// The thresholds of all kinds.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct FlagParameters {
    /// A device is not heard.
    pub silent: Silent,
    /// A battery is nearly empty.
    pub low_battery: LowBattery,
    /// A device's values can't be right.
    pub sensor_fault: SensorFault,
    /// Nothing left.
    pub empty: Empty,
    /// Blown or knocked off.
    pub displaced: Displaced,
    /// Syrup leaves the feeder and does not reach the colony.
    pub loss: Loss,
    /// Gaining from flowers.
    pub flow: Flow,
    /// Not taking it because they can't.
    pub cold: Cold,
    /// What is expected to be taken.
    pub pace: Pace,
    /// Not taking it though they could.
    pub stalled: Stalled,
    /// Going off.
    pub souring: Souring,
    /// Fill it soon.
    pub refill: Refill,
    /// Hungry, and no feed on.
    pub needs_feed: NeedsFeed,
    /// Will not make its weight in time.
    pub behind: Behind,
}
