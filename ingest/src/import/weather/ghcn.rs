//! GHCN-Daily, as described in NOAA's readme for the data set (section III, format of `.dly` files,
//! and the readme of the files by station). Values are tenths of a degree, of a millimetre, of a metre
//! a second; -9999 is missing.
//!
//! A daily value has no time of day. Ours are conventions that put it into the right local day: the
//! lowest temperature at 06:00, the highest at 15:00, means at noon, and rain at the end of its day.

use super::{LineFault, Measured, unreadable};
use crate::decode::DecodeErrorClass;
use chrono::{NaiveDate, NaiveTime};
use chrono_tz::Tz;
use larder_domain::time::{local_day, local_moment};
use larder_domain::{ChannelKind, Timestamp};

const MISSING: i32 = -9999;
/// Station, year, month, element: columns 1 to 21; then 31 groups of 8.
const HEAD: usize = 21;
const GROUP: usize = 8;

/// A `.dly` line: `USW00094728201001TMAX   44  0 …`.
pub(super) fn is_fixed(line: &str) -> bool {
    line.is_ascii()
        && line.len() >= HEAD + GROUP
        && !line.contains(',')
        && year_and_month(line).is_some()
        && line[17..21].bytes().all(|b| b.is_ascii_alphanumeric())
}

fn year_and_month(line: &str) -> Option<(i32, u32)> {
    Some((
        line.get(11..15)?.parse().ok()?,
        line.get(15..17)?.parse().ok()?,
    ))
}

pub(super) fn fixed(line: &str, zone: Tz, out: &mut Vec<Measured>) -> Result<(), LineFault> {
    if !is_fixed(line) {
        return Err(unreadable("this is not a line of GHCN-Daily".into()));
    }
    let Some((year, month)) = year_and_month(line) else {
        return Err(unreadable("the line names no year and month".into()));
    };
    let element = &line[17..21];
    let mut failed = None;
    for day in 1..=31 {
        let start = HEAD + GROUP * (day as usize - 1);
        let Some(group) = line.get(start..start + 5) else {
            break;
        };
        let value: i32 = group
            .trim()
            .parse()
            .map_err(|_| unreadable(format!("\"{}\" is not a value of day {day}", group.trim())))?;
        if value == MISSING {
            continue;
        }
        let Some(date) = NaiveDate::from_ymd_opt(year, month, day) else {
            return Err(unreadable(format!(
                "there is no day {day} in {year}-{month:02}"
            )));
        };
        let flag = line.get(start + 6..start + 7).unwrap_or(" ");
        take(element, date, value, flag, zone, out, &mut failed);
    }
    failed.map_or(Ok(()), Err)
}

/// `USW00094728,20100101,TMAX,44,,,0,2400`
pub(super) fn is_csv(line: &str) -> bool {
    let fields: Vec<&str> = line.split(',').collect();
    fields.len() >= 4 && fields[0].len() == 11 && date(fields[1]).is_some()
}

pub(super) fn is_csv_header(line: &str) -> bool {
    let line = line.to_ascii_uppercase().replace('"', "");
    line.starts_with("ID,DATE,ELEMENT,") || line.starts_with("STATION,DATE,ELEMENT,")
}

fn date(text: &str) -> Option<NaiveDate> {
    NaiveDate::parse_from_str(text, "%Y%m%d").ok()
}

pub(super) fn csv(line: &str, zone: Tz, out: &mut Vec<Measured>) -> Result<(), LineFault> {
    let fields: Vec<&str> = line
        .split(',')
        .map(|f| f.trim().trim_matches('"'))
        .collect();
    let [_station, day, element, value, rest @ ..] = fields.as_slice() else {
        return Err(unreadable(
            "the line has too few columns for GHCN-Daily".into(),
        ));
    };
    let date = date(day).ok_or_else(|| unreadable(format!("\"{day}\" is not a date")))?;
    let value: i32 = value
        .parse()
        .map_err(|_| unreadable(format!("\"{value}\" is not a whole number")))?;
    if value == MISSING {
        return Ok(());
    }
    let flag = rest.get(1).copied().unwrap_or("");
    let mut failed = None;
    take(element, date, value, flag, zone, out, &mut failed);
    failed.map_or(Ok(()), Err)
}

/// A value of one day; `flag` is set where it failed one of NOAA's checks.
fn take(
    element: &str,
    date: NaiveDate,
    value: i32,
    flag: &str,
    zone: Tz,
    out: &mut Vec<Measured>,
    failed: &mut Option<LineFault>,
) {
    let at = |hour: u32| {
        let time = NaiveTime::from_hms_opt(hour, 0, 0).expect("a whole hour");
        local_moment(zone, date, time)
    };
    let end_of_day = || Timestamp(local_day(zone, date).end.0 - 1000);
    let (channel, time) = match element {
        "TMIN" => (ChannelKind::Temperature, at(6)),
        "TMAX" => (ChannelKind::Temperature, at(15)),
        "PRCP" => (ChannelKind::Rain, end_of_day()),
        "AWND" => (ChannelKind::Wind, at(12)),
        "RHAV" => {
            // A whole percentage, not tenths.
            (ChannelKind::Humidity, at(12))
        }
        _ => return,
    };
    if !flag.trim().is_empty() {
        failed.get_or_insert_with(|| {
            LineFault::new(
                DecodeErrorClass::Impossible,
                format!("{element} of {date}: the source marks the value as failed ({flag})"),
            )
        });
        return;
    }
    let divisor = if element == "RHAV" { 1.0 } else { 10.0 };
    out.push(Measured {
        channel,
        time,
        value: f64::from(value) / divisor,
    });
}
