//! Thresholds of the kinds that speak of a feeder and what is in it.

/// Thresholds of the rule in `empty.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Empty {
    /// A feeder with less than this share of its capacity left is empty (common practice: what stays in
    /// the corners).
    pub share: f64,
    /// A feeder with less than this left is empty, however small it is, l.
    pub litres: f64,
    /// The flag closes above so many times what counts as empty.
    pub filled_factor: f64,
    /// A feeder must stay empty for so long, hours.
    pub stays_hours: f64,
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

/// Thresholds of the rule in `displaced.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Displaced {
    /// The empty feeder itself weighs at least this, kg for each litre of capacity (common practice).
    pub tare_kg_per_litre: f64,
    /// A step down of at least this, kg, may be a feeder that went (measured).
    pub least_step_kg: f64,
    /// Wind from this on can carry a feeder away, m/s (common practice: Beaufort 6, a strong breeze, starts at 10.8).
    pub wind_m_s: f64,
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

/// Thresholds of the rule in `loss.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Loss {
    /// A loss is fast when this much more goes out than one and a half times what the colony took
    /// before, l/h (measured; strong colonies take up to 3.8 l a day).
    pub fast_l_per_h: f64,
    /// A fast loss takes at least this off the scale in the window, kg.
    pub fast_kg: f64,
    /// How sure each witness must be, standard deviations.
    pub sds: f64,
    /// How far a hive must lose more than its like for a slow leak, standard deviations (measured).
    pub slow_sds: f64,
    /// Robbers take honey too: by day, a hive that loses more than this many times what the feeder
    /// does is robbed (measured; a level sensor may see more go than did).
    pub honey_factor: f64,
    /// Bees do not fly below this, Cel: no robbing (Burrill and Dietz 1981: no foraging under 12 Cel).
    pub flight_cel: f64,
    /// A slow leak takes at least this in a night of eight hours beyond what such nights differ, kg
    /// (measured).
    pub slow_kg: f64,
}

impl Default for Loss {
    fn default() -> Self {
        Self {
            fast_l_per_h: 0.06,
            fast_kg: 0.15,
            sds: 4.5,
            slow_sds: 2.5,
            honey_factor: 0.85,
            flight_cel: 10.0,
            slow_kg: 0.13,
        }
    }
}

/// Thresholds of the rule in `souring.rs`.
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
    /// Syrup that is taken less as well sours when it is warmer by this than the yard makes it, K
    /// (measured).
    pub warm_kelvin: f64,
    /// Foam lifts the level by this in a day, mm (measured: sound sensors' half days stay within 1.5 of
    /// those a day before ninety-nine times in a hundred).
    pub foam_mm: f64,
    /// Risk from which on foam opens the flag, 0 to 1.
    pub shown_risk: f64,
    /// Risk at which the flag opens without any sign, 0 to 1: three batches in five.
    pub open_risk: f64,
    /// Risk below which the flag closes, 0 to 1.
    pub close_risk: f64,
}

impl Default for Souring {
    fn default() -> Self {
        Self {
            days_to_sour: 8.0,
            factor_per_hundredth: 1.067,
            spread_factor: 3.0,
            hot_kelvin: 1.0,
            warm_kelvin: 0.5,
            foam_mm: 1.8,
            shown_risk: 0.05,
            open_risk: 0.6,
            close_risk: 0.04,
        }
    }
}

/// Thresholds of the rule in `refill.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Refill {
    /// A refill is due when less than this share of the capacity is left (common practice).
    pub share: f64,
    /// A refill is due when what is left lasts less than so many days (common practice).
    pub days: f64,
}

impl Default for Refill {
    fn default() -> Self {
        Self {
            share: 0.15,
            days: 2.0,
        }
    }
}
