//! ISD-Lite, as described in NOAA's `isd-lite-format`: one hour a line in UTC, whole numbers, -9999 is
//! missing. Year, month, day, hour, air temperature and dew point (tenths of a degree), pressure, wind
//! direction, wind speed (tenths of a metre a second), sky, rain of one hour and of six (tenths of a
//! millimetre, -1 is a trace).

use super::{LineFault, Measured, unreadable};
use chrono::NaiveDate;
use larder_domain::{ChannelKind, Timestamp};

const MISSING: i32 = -9999;
const TRACE: i32 = -1;
const COLUMNS: usize = 12;

fn numbers(line: &str) -> Option<Vec<i32>> {
    line.split_whitespace().map(|n| n.parse().ok()).collect()
}

pub(super) fn is_line(line: &str) -> bool {
    numbers(line).is_some_and(|n| n.len() == COLUMNS && time(&n).is_some())
}

fn time(numbers: &[i32]) -> Option<Timestamp> {
    let part = |i: usize| u32::try_from(numbers[i]).ok();
    let date = NaiveDate::from_ymd_opt(numbers[0], part(1)?, part(2)?)?;
    let moment = date.and_hms_opt(part(3)?, 0, 0)?;
    Some(Timestamp(moment.and_utc().timestamp_millis()))
}

pub(super) fn line(line: &str, out: &mut Vec<Measured>) -> Result<(), LineFault> {
    let numbers = numbers(line)
        .filter(|n| n.len() == COLUMNS)
        .ok_or_else(|| unreadable("a line of ISD-Lite has 12 whole numbers".into()))?;
    let time = time(&numbers)
        .ok_or_else(|| unreadable("the line does not start with a date and an hour".into()))?;
    let mut push = |channel, value| {
        out.push(Measured {
            channel,
            time,
            value,
        });
    };
    let tenths = |i: usize| (numbers[i] != MISSING).then(|| f64::from(numbers[i]) / 10.0);
    if let Some(temperature) = tenths(4) {
        push(ChannelKind::Temperature, temperature);
        if let Some(dew_point) = tenths(5) {
            push(ChannelKind::Humidity, humidity(temperature, dew_point));
        }
    }
    if let Some(wind) = tenths(8) {
        push(ChannelKind::Wind, wind);
    }
    match numbers[10] {
        MISSING => {}
        TRACE => push(ChannelKind::Rain, 0.0),
        rain => push(ChannelKind::Rain, f64::from(rain) / 10.0),
    }
    Ok(())
}

/// Relative humidity in % from air temperature and dew point in Cel, by the Magnus formula with the
/// coefficients of Alduchov and Eskridge (1996), equation 21; good to 0.4 % from -40 to 50 Cel.
fn humidity(temperature: f64, dew_point: f64) -> f64 {
    let pressure = |t: f64| (17.625 * t / (243.04 + t)).exp();
    (100.0 * pressure(dew_point) / pressure(temperature)).min(100.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn humidity_from_the_dew_point() {
        assert!((humidity(20.0, 20.0) - 100.0).abs() < 1e-9);
        // 25 Cel with a dew point of 15 Cel: saturation pressures of 31.69 and 17.06 hPa (Goff-Gratch,
        // Smithsonian Meteorological Tables, from memory) give 53.8 %.
        assert!((humidity(25.0, 15.0) - 53.8).abs() < 0.3);
    }
}
