//! Every threshold of the flags, by name. Each says where its default comes from; 'common practice'
//! marks a fact of the trade, 'measured' one that was set on simulated apiaries with known truth.
//! All can be set for a yard or a hive.

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

/// See [`super::silent`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Silent {
    /// So many of the device's own intervals without a word (measured).
    pub intervals: f64,
    /// But never sooner than this, hours: radio links lose packs in a row (common practice).
    pub least_hours: f64,
    /// And never later than this, hours, whatever the rhythm (common practice).
    pub most_hours: f64,
}

/// See [`super::low_battery`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LowBattery {
    /// A lithium cell under this is nearly empty, V (common practice).
    pub low_v: f64,
    /// Above this it has been changed or charged, V (common practice).
    pub charged_v: f64,
    /// It is back when it stays so for this long, hours.
    pub stays_hours: f64,
}

/// See [`super::sensor_fault`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SensorFault {
    /// The same value for this long is stuck, hours; and longer than chance allows (measured).
    pub stuck_hours: f64,
    /// The same for a scale, whose nights are quiet, hours (measured).
    pub scale_stuck_hours: f64,
    /// A share of the recent readings that can't be, 0 to 1, to open (measured).
    pub absurd_share: f64,
    /// And to close.
    pub sound_share: f64,
    /// Over so many hours.
    pub absurd_hours: f64,
    /// Two echoes: each holds at least this share of a window's readings.
    pub echo_share: f64,
    /// A scale that gains or loses against its neighbours by night, kg a night (measured).
    pub drift_kg_per_night: f64,
    /// How sure a drift must be, standard deviations.
    pub drift_sds: f64,
}

/// See [`super::empty`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Empty {
    /// Less than this share of the capacity is empty (common practice: what stays in the corners).
    pub share: f64,
    /// Or this many litres.
    pub litres: f64,
    /// More than so many times of that is not empty.
    pub filled_factor: f64,
    /// Empty for so long, hours.
    pub stays_hours: f64,
}

/// See [`super::displaced`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Displaced {
    /// The empty feeder itself weighs at least this, kg for each litre of capacity (common practice).
    pub tare_kg_per_litre: f64,
    /// A step down of at least this, kg, may be a feeder that went (measured).
    pub least_step_kg: f64,
    /// Wind from this on can carry a feeder away, m/s (common practice: Beaufort 6, a strong breeze, starts at 10.8).
    pub wind_m_s: f64,
}

/// See [`super::loss`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Loss {
    /// A loss is fast when this much more goes out than one and a half times what the colony took
    /// before, l/h (measured; strong colonies take up to 3.8 l a day).
    pub fast_l_per_h: f64,
    /// A fast loss takes at least this off the scale in the window, kg.
    pub fast_kg: f64,
    /// How sure each witness must be, standard deviations.
    pub sds: f64,
    /// Robbers take honey too: by day, a hive that loses more than this many times what the feeder
    /// does is robbed (measured; a level sensor may see more go than did).
    pub honey_factor: f64,
    /// Bees do not fly below this, Cel: no robbing (Burrill and Dietz 1981: no foraging under 12 Cel).
    pub flight_cel: f64,
    /// A slow leak takes at least this in a night of eight hours beyond what such nights differ, kg
    /// (measured).
    pub slow_kg: f64,
}

/// See [`super::flow`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Flow {
    /// Gain from flowers in a day that opens, kg (common practice: a few hundred grams).
    pub open_kg_per_day: f64,
    /// And below which it closes.
    pub close_kg_per_day: f64,
    /// What the yard's median must reach as well, kg.
    pub yard_kg_per_day: f64,
    /// Below this gone for so long, hours.
    pub close_hours: f64,
}

/// See [`super::cold`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Cold {
    /// Bees do not take syrup colder than this, Cel (common practice: 50 F, syrup not air).
    pub none_cel: f64,
    /// And take it freely from this on, Cel (measured).
    pub free_cel: f64,
    /// Opens when the day's mean ease of taking is below this, 0 to 1 (measured).
    pub open_ease: f64,
    /// Closes above this.
    pub close_ease: f64,
    /// Something must be left to take: share of the capacity.
    pub least_share: f64,
}

/// See [`super::pace`]: litres a day of a colony that nothing hinders, before it has days of its own.
/// (`uptake_rates` stands for the collected reports that the documentation names.)
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Pace {
    /// Thick syrup poured in autumn (common practice: 7.5 to 15 l a colony over two to four weeks;
    /// strong colonies up to 3.8 l a day).
    pub winter_stores_l_per_day: f64,
    /// Thin syrup trickled in spring (common practice: one to two litres a week).
    pub build_up_l_per_day: f64,
    /// Thin syrup kept before comb builders without a break (common practice: half a litre a day).
    pub comb_l_per_day: f64,
    /// To keep a weak colony alive (common practice: 0.1 to 0.8 l a day).
    pub emergency_l_per_day: f64,
}

/// See [`super::stalled`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stalled {
    /// The day's mean ease of taking must be above this (see [`Cold`]).
    pub ease: f64,
    /// Over so many hours.
    pub hours: f64,
    /// Taken in that time, next to nothing: below this share of the capacity.
    pub share: f64,
    /// For so long, hours.
    pub holds_hours: f64,
    /// And below this share of what is expected.
    pub of_expected: f64,
    /// Closes above this share of what is expected.
    pub resumed: f64,
    /// Something must be left to take: share of the capacity.
    pub least_share: f64,
}

/// See [`super::souring`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Souring {
    /// Days at the yeasts' best temperature after which 1:1 is likely to be sour (common practice:
    /// home reports of 3 to 10 days in warm storage).
    pub days_to_sour: f64,
    /// How much longer each 0.01 of water activity below that of 1:1 makes it, a factor (from the
    /// shelf-life guides for 1:1 and 2:1, common practice).
    pub factor_per_hundredth: f64,
    /// Nine in ten batches sour within this factor of that time, either way (home reports of 1:1 lie
    /// between 3 and 10 days, common practice).
    pub spread_factor: f64,
    /// Fermenting syrup is warmer than the yard makes it; by this nothing else explains it, K (measured:
    /// five times what sound feeders differ).
    pub hot_kelvin: f64,
    /// And by this where it is taken less as well, K (measured).
    pub warm_kelvin: f64,
    /// Risk from which on foam opens it, 0 to 1.
    pub shown_risk: f64,
    /// Risk at which it opens without any, 0 to 1: three batches in five.
    pub open_risk: f64,
    /// And below which it closes.
    pub close_risk: f64,
}

/// See [`super::refill`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Refill {
    /// Less than this share of the capacity left (common practice).
    pub share: f64,
    /// Or less than this many days (common practice).
    pub days: f64,
}

/// See [`super::needs_feed`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct NeedsFeed {
    /// So far under target, kg.
    pub under_target_kg: f64,
    /// For so long without feed, hours.
    pub hours: f64,
}

/// See [`super::behind`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Behind {
    /// The gain still needed is more than this many times the last week's.
    pub factor: f64,
    /// And at least this is missing, kg: less is within what bees and brood weigh (measured).
    pub least_short_kg: f64,
    /// For so long, hours.
    pub hours: f64,
}

impl Default for Silent {
    fn default() -> Self {
        Self {
            intervals: 10.0,
            least_hours: 2.5,
            most_hours: 6.0,
        }
    }
}
impl Default for LowBattery {
    fn default() -> Self {
        Self {
            low_v: 3.50,
            charged_v: 3.60,
            stays_hours: 3.0,
        }
    }
}
impl Default for SensorFault {
    fn default() -> Self {
        Self {
            stuck_hours: 2.5,
            scale_stuck_hours: 6.0,
            absurd_share: 0.5,
            sound_share: 0.1,
            absurd_hours: 2.0,
            echo_share: 0.2,
            drift_kg_per_night: 0.14,
            drift_sds: 4.0,
        }
    }
}
impl Default for Empty {
    fn default() -> Self {
        Self {
            share: 0.02,
            litres: 0.05,
            filled_factor: 2.5,
            stays_hours: 2.0,
        }
    }
}
impl Default for Displaced {
    fn default() -> Self {
        Self {
            tare_kg_per_litre: 0.1,
            least_step_kg: 1.5,
            wind_m_s: 10.8,
        }
    }
}
impl Default for Loss {
    fn default() -> Self {
        Self {
            fast_l_per_h: 0.06,
            fast_kg: 0.15,
            sds: 4.5,
            honey_factor: 0.85,
            flight_cel: 10.0,
            slow_kg: 0.13,
        }
    }
}
impl Default for Flow {
    fn default() -> Self {
        Self {
            open_kg_per_day: 0.22,
            close_kg_per_day: 0.12,
            yard_kg_per_day: 0.22,
            close_hours: 6.0,
        }
    }
}
impl Default for Cold {
    fn default() -> Self {
        Self {
            none_cel: 10.0,
            free_cel: 16.0,
            open_ease: 0.22,
            close_ease: 0.35,
            least_share: 0.05,
        }
    }
}
impl Default for Pace {
    fn default() -> Self {
        Self {
            winter_stores_l_per_day: 0.6,
            build_up_l_per_day: 0.2,
            comb_l_per_day: 0.5,
            emergency_l_per_day: 0.3,
        }
    }
}
impl Default for Stalled {
    fn default() -> Self {
        Self {
            ease: 0.4,
            hours: 28.0,
            share: 0.025,
            holds_hours: 5.0,
            of_expected: 0.25,
            resumed: 0.4,
            least_share: 0.08,
        }
    }
}
impl Default for Souring {
    fn default() -> Self {
        Self {
            days_to_sour: 8.0,
            factor_per_hundredth: 1.067,
            spread_factor: 3.0,
            hot_kelvin: 1.0,
            warm_kelvin: 0.5,
            shown_risk: 0.05,
            open_risk: 0.6,
            close_risk: 0.04,
        }
    }
}
impl Default for Refill {
    fn default() -> Self {
        Self {
            share: 0.15,
            days: 2.0,
        }
    }
}
impl Default for NeedsFeed {
    fn default() -> Self {
        Self {
            under_target_kg: 1.5,
            hours: 0.0,
        }
    }
}
impl Default for Behind {
    fn default() -> Self {
        Self {
            factor: 1.3,
            least_short_kg: 2.0,
            hours: 48.0,
        }
    }
}
