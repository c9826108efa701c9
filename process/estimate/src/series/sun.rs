//! When it is light, and when a night is settled: by the sun's own meter, else by the place, else by the
//! clock. Rules that ask whether bees fly, or whether all is quiet, ask here. A hive's weight of the night
//! is taken by the clock instead ([`crate::series::days::Day::night`]), so that nights compare all year;
//! where summer nights are short, not all of those hours are settled.

use super::grid::nodes;
use super::{Grid, Look};
use crate::input::YardInput;
use chrono_tz::Tz;
use larder_domain::Timestamp;

crate::numbers! { "estimate.series.sun":
    /// Where neither a meter nor the place tells, it is light from one local hour to the other: bees may
    /// fly then in a summer's morning and evening (common practice).
    pub LIGHT_BY_CLOCK: std::ops::Range<f64> = 5.0..21.0, "h", [3.0, 23.0], CommonPractice;
    /// Brighter than civil twilight, W/m2 (common practice).
    DAYLIGHT_W_M2: f64 = 15.0, "W/m2", [5.0, 45.0], CommonPractice;
    /// A meter's last value holds for so long, hours.
    METER_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
    /// A night is settled so long after dark, hours: the bees are home, and what they fan dry in the evening
    /// has slowed down (measured).
    SETTLED_HOURS: f64 = 2.5, "h", [1.0, 5.0], Measured;
    /// A night is settled until so long before light, hours: the first bees leave in the twilight (common
    /// practice).
    DAWN_HOURS: f64 = 1.0, "h", [0.0, 2.0], CommonPractice;
    /// Seconds in an hour.
    SECONDS_PER_HOUR: f64 = 3600.0, "1", [3600.0, 3600.0], Defined;
    /// Degrees that the earth turns in an hour.
    DEGREES_PER_HOUR: f64 = 15.0, "deg/h", [15.0, 15.0], Defined;
    /// Hours from midnight to noon.
    NOON: f64 = 12.0, "h", [12.0, 12.0], Defined;
    /// The tilt of the earth's axis, degrees (Cooper's formula).
    AXIS_DEGREES: f64 = 23.45, "deg", [23.4, 23.5], Published;
    /// Days in a year.
    DAYS_PER_YEAR: f64 = 365.0, "d", [365.0, 365.0], Defined;
    /// Days from the spring equinox of the year before to the start of the year (Cooper's formula).
    DAYS_SINCE_EQUINOX: f64 = 284.0, "d", [284.0, 284.0], Published;
    /// Degrees in a full circle.
    FULL_CIRCLE: f64 = 360.0, "deg", [360.0, 360.0], Defined;
}

/// Whether it is light at each node.
pub fn light(input: &YardInput<'_>, grid: &Grid, look: Look) -> Vec<bool> {
    let sun = grid.resample(input.weather.irradiance, METER_HOURS, look);
    let light = |k: usize| match input.yard.position {
        _ if !sun[k].is_nan() => sun[k] > DAYLIGHT_W_M2,
        Some(place) => sun_is_up(grid.time(k), place),
        None => LIGHT_BY_CLOCK.contains(&local_hour(input.yard.timezone, grid.time(k))),
    };
    (0..grid.len()).map(light).collect()
}

/// Whether each node lies in the settled part of a night: it has been dark for hours, and stays so for
/// another. Where only the clock tells, its dark hours are such already.
pub fn settled_night(input: &YardInput<'_>, light: &[bool]) -> Vec<bool> {
    let by_clock = input.yard.position.is_none() && input.weather.irradiance.is_empty();
    let (after_dark, before_light) = if by_clock {
        (0, 0)
    } else {
        (nodes(SETTLED_HOURS), nodes(DAWN_HOURS))
    };
    dark_around(light, after_dark, before_light)
}

/// Nodes that are dark, as are so many before and behind them.
fn dark_around(light: &[bool], before: usize, behind: usize) -> Vec<bool> {
    let last = light.len().saturating_sub(1);
    let dark = |k: usize| {
        let around = k.saturating_sub(before)..=(k + behind).min(last);
        light[around].iter().all(|light| !light)
    };
    (0..light.len()).map(dark).collect()
}

/// Local hour of day, 0 to 24.
pub fn local_hour(zone: Tz, at: Timestamp) -> f64 {
    use chrono::Timelike;
    let local = at.to_utc().with_timezone(&zone);
    f64::from(local.num_seconds_from_midnight()) / SECONDS_PER_HOUR
}

/// Whether the sun is above the horizon, good to some ten minutes: declination from the day of the
/// year, hour angle from mean solar time (P. I. Cooper, *The absorption of radiation in solar
/// stills*, Solar Energy 12 (1969) 333–346, equation 1; from memory).
fn sun_is_up(at: Timestamp, (latitude, longitude): (f64, f64)) -> bool {
    use chrono::{Datelike, Timelike};
    let utc = at.to_utc();
    let day = f64::from(utc.ordinal());
    let declination = (AXIS_DEGREES
        * (FULL_CIRCLE * (DAYS_SINCE_EQUINOX + day) / DAYS_PER_YEAR)
            .to_radians()
            .sin())
    .to_radians();
    let solar_hour = f64::from(utc.num_seconds_from_midnight()) / SECONDS_PER_HOUR
        + longitude / DEGREES_PER_HOUR;
    let hour_angle = (DEGREES_PER_HOUR * (solar_hour - NOON)).to_radians();
    let latitude = latitude.to_radians();
    let height =
        latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    height > 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A published almanac's sunrise and sunset at the equator on an equinox are about 06:00 and 18:00 of
    /// local solar time, whatever the refraction adds (from memory); beyond the polar circle the sun does
    /// not rise at the winter solstice.
    #[test]
    fn the_sun_rises_at_six_at_the_equator_and_not_at_all_in_a_polar_winter() {
        let at = |text| Timestamp::parse_rfc3339(text).unwrap();
        assert!(!sun_is_up(at("2026-03-20T05:40:00Z"), (0.0, 0.0)));
        assert!(sun_is_up(at("2026-03-20T06:20:00Z"), (0.0, 0.0)));
        assert!(!sun_is_up(at("2026-12-21T12:00:00Z"), (70.0, 0.0)));
        assert!(sun_is_up(at("2026-06-21T00:00:00Z"), (70.0, 0.0)));
    }

    #[test]
    fn a_night_is_settled_hours_after_dark_until_an_hour_before_light() {
        let mut light = [false; 20];
        (light[0], light[18]) = (true, true);
        let settled = dark_around(&light, nodes(SETTLED_HOURS), nodes(DAWN_HOURS));
        let nodes: Vec<usize> = (0..20).filter(|&k| settled[k]).collect();
        assert_eq!(nodes, (6..16).collect::<Vec<_>>());
    }
}
