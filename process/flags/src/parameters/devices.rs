//! Thresholds of the kinds that speak of a device.

/// Thresholds of the rule in `silent.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Silent {
    /// A device is silent that says nothing for so many of its own intervals (measured).
    pub intervals: f64,
    /// A device is never silent sooner than this, hours: radio links lose packs in a row (common
    /// practice).
    pub least_hours: f64,
    /// A device is silent after this, hours, whatever its rhythm (common practice).
    pub most_hours: f64,
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

/// Thresholds of the rule in `low_battery.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LowBattery {
    /// A lithium cell under this is nearly empty, V (common practice).
    pub low_v: f64,
    /// A cell above this has been changed or charged, V (common practice).
    pub charged_v: f64,
    /// A battery is back when it stays charged for so long, hours.
    pub stays_hours: f64,
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

/// Thresholds of the rule in `sensor_fault.rs`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SensorFault {
    /// A value is stuck that stays for so long, hours, and longer than chance allows (measured).
    pub stuck_hours: f64,
    /// A scale's value is stuck that stays for so long, hours: its nights are quiet (measured).
    pub scale_stuck_hours: f64,
    /// The flag opens when this share of the recent readings can't be, 0 to 1 (measured).
    pub absurd_share: f64,
    /// The flag closes when less than this share of the recent readings can't be, 0 to 1.
    pub sound_share: f64,
    /// Readings of so many hours are recent.
    pub absurd_hours: f64,
    /// Two echoes: each holds at least this share of a window's readings.
    pub echo_share: f64,
    /// A scale that gains or loses against its neighbours by night, kg a night (measured).
    pub drift_kg_per_night: f64,
    /// How sure a drift must be, standard deviations.
    pub drift_sds: f64,
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
