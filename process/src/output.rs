//! What the processing stage returns.

use larder_domain::{Estimate, FeederId, FillEvent, Flag, Timestamp, UptakeDay, WeightDay};

/// All results for one yard.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct YardOutput {
    /// One for every feeder and local day of the span, by feeder, then date; the last one may be a
    /// day that is not over.
    pub uptake: Vec<UptakeDay>,
    /// One for every hive with a scale and local day, by hive, then date.
    pub weight: Vec<WeightDay>,
    /// Fills, by feeder, then time.
    pub fills: Vec<FillEvent>,
    /// Flags that were open at some time in the span, by opening time.
    pub flags: Vec<Flag>,
    /// How every feeder stands at the end of the span.
    pub now: Vec<FeederNow>,
}

/// A feeder as it stands.
#[derive(Clone, PartialEq, Debug)]
pub struct FeederNow {
    /// The feeder.
    pub feeder: FeederId,
    /// The newest moment that readings speak of; `None`: no sensor ever did.
    pub seen_at: Option<Timestamp>,
    /// What is left at `now`, l; the interval grows with the age of the last reading.
    pub remaining_l: Option<Estimate>,
    /// How fast the colony takes it, l a day, over the last day or so.
    pub rate_l_per_day: Option<Estimate>,
}
