//! When bees can see to fly.

use super::Signals;
use super::sampling::{nodes, up_to_node};
use crate::grid::Grid;
use crate::input::YardInput;
use larder_domain::Timestamp;

/// Local hour of day, 0 to 24.
pub(super) fn local_hour(input: &YardInput<'_>, at: Timestamp) -> f64 {
    use chrono::Timelike;
    let local = at.to_utc().with_timezone(&input.yard.timezone);
    f64::from(local.num_seconds_from_midnight()) / 3600.0
}

/// Whether it is light at each node: by the sun's own meter, else by the place, else by the clock.
pub(super) fn daylight(input: &YardInput<'_>, grid: &Grid, local_hour: &[f64]) -> Vec<bool> {
    let sun = up_to_node(grid, input.weather.irradiance, 1.0);
    let light = |k: usize| match input.yard.position {
        _ if !sun[k].is_nan() => sun[k] > DAYLIGHT_W_M2,
        Some(place) => sun_is_up(grid.time(k), place),
        None => (7.0..19.0).contains(&local_hour[k]),
    };
    (0..grid.len()).map(light).collect()
}

/// Whether the sun is above the horizon, good to some ten minutes: declination from the day of the
/// year, hour angle from mean solar time (P. I. Cooper, *The absorption of radiation in solar
/// stills*, Solar Energy 12 (1969) 333–346, equation 1; from memory).
fn sun_is_up(at: Timestamp, (latitude, longitude): (f64, f64)) -> bool {
    use chrono::{Datelike, Timelike};
    let utc = at.to_utc();
    let day = f64::from(utc.ordinal());
    let declination = (23.45f64 * (360.0 * (284.0 + day) / 365.0).to_radians().sin()).to_radians();
    let solar_hour = f64::from(utc.num_seconds_from_midnight()) / 3600.0 + longitude / 15.0;
    let hour_angle = (15.0 * (solar_hour - 12.0)).to_radians();
    let latitude = latitude.to_radians();
    let height =
        latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    height > 0.0
}

/// More rain than this in a window or so soon before it blurs what hives weigh, mm and hours.
const WET_MM: f64 = 0.5;
const WET_HOURS: f64 = 8.0;

impl Signals {
    /// Rain from one node to another, mm.
    pub fn rain_between(&self, from: usize, until: usize) -> f64 {
        match self.rained[until] {
            Some(last) if last >= from => self.rain_mm[from..=last].iter().sum(),
            _ => 0.0,
        }
    }

    /// Whether hives may have been wet at some time between two nodes.
    pub fn wet(&self, from: usize, until: usize) -> bool {
        self.rain_between(from.saturating_sub(nodes(WET_HOURS)), until) > WET_MM
    }
}

/// Brighter than civil twilight, W/m2 (common practice).
const DAYLIGHT_W_M2: f64 = 15.0;
