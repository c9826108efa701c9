//! Thresholds of the kinds that speak of a colony.

/// Thresholds of the rule in `flow.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Flow {
    /// Gain from flowers in a day that opens the flag, kg (common practice: a few hundred grams).
    pub open_kg_per_day: f64,
    /// Gain from flowers in a day below which the flag closes, kg.
    pub close_kg_per_day: f64,
    /// What the yard's median hive must gain as well, kg a day.
    pub yard_kg_per_day: f64,
    /// The gain must stay below that for so long to close the flag, hours.
    pub close_hours: f64,
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

/// Thresholds of the rule in `cold.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Cold {
    /// Bees do not take syrup colder than this, Cel (common practice: 50 F, syrup not air).
    pub none_cel: f64,
    /// Bees take syrup freely from this temperature on, Cel (measured).
    pub free_cel: f64,
    /// The flag opens when the day's mean ease of taking is below this, 0 to 1 (measured).
    pub open_ease: f64,
    /// The flag closes when the day's mean ease of taking is above this, 0 to 1.
    pub close_ease: f64,
    /// At least this share of the capacity must be left to take.
    pub least_share: f64,
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

/// Thresholds of the rule in `pace.rs`: litres a day of a colony that nothing hinders, before it has days of its own.
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

/// Thresholds of the rule in `stalled.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stalled {
    /// The day's mean ease of taking must be above this (see [`Cold`]).
    pub ease: f64,
    /// Uptake is looked at over so many hours.
    pub hours: f64,
    /// A colony stalls that takes less than this share of the capacity in that time: next to nothing.
    pub share: f64,
    /// A stall must hold for so long, hours.
    pub holds_hours: f64,
    /// A colony stalls that takes less than this share of what is expected.
    pub of_expected: f64,
    /// The flag closes when this share of what is expected is taken again.
    pub resumed: f64,
    /// At least this share of the capacity must be left to take.
    pub least_share: f64,
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

/// Thresholds of the rule in `needs_feed.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct NeedsFeed {
    /// A colony is hungry when it is so far under its target, kg.
    pub under_target_kg: f64,
    /// A colony must be without feed for so long, hours.
    pub hours: f64,
}

impl Default for NeedsFeed {
    fn default() -> Self {
        Self {
            under_target_kg: 1.5,
            hours: 0.0,
        }
    }
}

/// Thresholds of the rule in `behind.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Behind {
    /// A colony is behind when the daily gain still needed is more than so many times the last week's.
    pub factor: f64,
    /// A colony is behind only if at least this is missing, kg: less is within what bees and brood
    /// weigh (measured).
    pub least_short_kg: f64,
    /// A colony must be behind for so long, hours.
    pub hours: f64,
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
