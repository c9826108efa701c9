//! Reading typed values out of rows. What was checked when it went in and does not pass the same
//! check now is damage, and is named.

use crate::embedded::fault::Fault;
use chrono::NaiveDate;
use larder_domain::{ChannelName, ChannelRef, Unit};
use larder_syrup::{Estimate, Strength};
use rusqlite::Row;

/// A checked name out of a text column.
pub(crate) fn name<T: std::str::FromStr>(row: &Row<'_>, column: &str) -> Result<T, Fault> {
    let text: String = row.get(column)?;
    text.parse().map_err(|_| unreadable(column, &text))
}

/// A name from a column that may be empty; an error where it does not read.
pub(crate) fn optional_name<T: std::str::FromStr>(
    row: &Row<'_>,
    column: &str,
) -> Result<Option<T>, Fault> {
    let text: Option<String> = row.get(column)?;
    text.map(|text| text.parse().map_err(|_| unreadable(column, &text)))
        .transpose()
}

/// A series out of the columns `device` and `channel`.
pub(crate) fn series(row: &Row<'_>) -> Result<ChannelRef, Fault> {
    Ok(ChannelRef {
        device: name(row, "device")?,
        channel: channel(row, "channel")?,
    })
}

pub(crate) fn channel(row: &Row<'_>, column: &str) -> Result<ChannelName, Fault> {
    let text: String = row.get(column)?;
    ChannelName::new(&text).map_err(|_| unreadable(column, &text))
}

pub(crate) fn unit(row: &Row<'_>) -> Result<Unit, Fault> {
    let text: String = row.get("unit")?;
    Unit::new(&text).map_err(|_| unreadable("unit", &text))
}

/// One of a few words.
pub(super) fn word<T>(
    row: &Row<'_>,
    column: &str,
    from_name: impl Fn(&str) -> Option<T>,
) -> Result<T, Fault> {
    let text: String = row.get(column)?;
    from_name(&text).ok_or_else(|| unreadable(column, &text))
}

pub(super) fn date(row: &Row<'_>, column: &str) -> Result<NaiveDate, Fault> {
    name(row, column)
}

pub(super) fn strength(row: &Row<'_>) -> Result<Option<Strength>, Fault> {
    let text: Option<String> = row.get("strength")?;
    text.map(|text| Strength::parse(&text).map_err(|_| unreadable("strength", &text)))
        .transpose()
}

/// An estimate out of three columns. SQLite stores NaN as NULL, so a bound may be missing.
pub(super) fn estimate(
    row: &Row<'_>,
    [value, lo, hi]: [&str; 3],
) -> Result<Option<Estimate>, Fault> {
    let bound = |column| -> Result<f64, Fault> {
        Ok(row.get::<_, Option<f64>>(column)?.unwrap_or(f64::NAN))
    };
    match row.get::<_, Option<f64>>(value)? {
        None => Ok(None),
        Some(value) => Ok(Some(Estimate {
            value,
            lo: bound(lo)?,
            hi: bound(hi)?,
        })),
    }
}

fn unreadable(what: &str, text: &str) -> Fault {
    let shown: String = text.chars().take(40).collect();
    Fault::Damaged(format!("{what} \"{shown}\" does not read"))
}
