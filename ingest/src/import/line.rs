//! One line of CSV (RFC 4180, one record a line) to one reading or one fill.

use crate::decode::{DecodeErrorClass, unix_time};
use larder_domain::reading::AHEAD_LIMIT_MS;
use larder_domain::{
    ChannelName, ChannelRef, DeviceId, FeederId, Reading, RecordedFill, Refusal, Timestamp, Unit,
};
use larder_syrup::Strength;
use std::borrow::Cow;

/// Under which a refused line is kept, so that a replay reads it as a line.
pub(crate) const LINE_CONTENT_TYPE: &str = larder_store::READING_LINE;

pub(super) const READING_HEADER: &str = "time,device,channel,unit,value";
pub(super) const READING_COLUMNS: usize = 5;
pub(super) const FILL_HEADER: &str = "time,feeder,volume_l,strength";
pub(super) const FILL_COLUMNS: usize = 4;

/// What a line says.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Line {
    Reading(Reading),
    Fill(RecordedFill),
}

/// A line, or why it is none.
pub(crate) type Taken = Result<Line, LineFault>;

/// Why a line was refused.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct LineFault {
    pub class: DecodeErrorClass,
    pub reason: String,
    pub impossible: Option<(ChannelRef, Timestamp)>,
    /// The record's own time, where nothing is wrong but that it is ahead of the clock.
    pub ahead: Option<Timestamp>,
}

impl LineFault {
    pub fn new(class: DecodeErrorClass, reason: String) -> Self {
        Self {
            class,
            reason,
            impossible: None,
            ahead: None,
        }
    }
}

/// Reads a line; `columns` tells a reading (5) from a fill (4).
pub(crate) fn read_line(bytes: &[u8], columns: usize, now: Timestamp) -> Taken {
    let unreadable = |reason: &str| LineFault::new(DecodeErrorClass::Unreadable, reason.to_owned());
    let text = std::str::from_utf8(bytes).map_err(|_| unreadable("the line is not UTF-8 text"))?;
    let fields = fields(text).ok_or_else(|| unreadable("the line's quotes do not match"))?;
    match fields.as_slice() {
        [time, device, channel, unit, value] if columns == READING_COLUMNS => {
            reading([time, device, channel, unit, value], now).map(Line::Reading)
        }
        [time, feeder, volume, strength] if columns == FILL_COLUMNS => {
            fill([time, feeder, volume, strength], now).map(Line::Fill)
        }
        other => Err(unreadable(&format!(
            "the line has {} columns, not {columns}",
            other.len()
        ))),
    }
}

/// Almost no line holds a quote; those that do go through the CSV reader.
fn fields(line: &str) -> Option<Vec<Cow<'_, str>>> {
    if !line.contains('"') {
        return Some(line.split(',').map(|field| field.trim().into()).collect());
    }
    if line.matches('"').count() % 2 == 1 {
        return None;
    }
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .trim(csv::Trim::All)
        .from_reader(line.as_bytes());
    let record = reader.records().next()?.ok()?;
    Some(record.iter().map(|field| field.to_owned().into()).collect())
}

fn reading(
    [time, device, channel, unit, value]: [&str; 5],
    now: Timestamp,
) -> Result<Reading, LineFault> {
    let name = |reason: String| LineFault::new(DecodeErrorClass::Name, reason);
    let time = moment(time)?;
    let device = DeviceId::new(device).map_err(|e| name(e.to_string()))?;
    let channel = ChannelName::new(channel).map_err(|e| name(e.to_string()))?;
    let unit = match unit {
        "" => None,
        unit => Some(
            Unit::new(unit).map_err(|e| LineFault::new(DecodeErrorClass::Unit, e.to_string()))?,
        ),
    };
    let value = number(value)?;
    let series = ChannelRef {
        device: device.clone(),
        channel: channel.clone(),
    };
    Reading::check(device, channel, unit, time, value + 0.0, now)
        .map_err(|refusal| refused(&refusal, series, time))
}

fn refused(refusal: &Refusal, series: ChannelRef, time: Timestamp) -> LineFault {
    let class = DecodeErrorClass::of(refusal);
    LineFault {
        class,
        reason: refusal.to_string(),
        impossible: (class == DecodeErrorClass::Impossible).then_some((series, time)),
        ahead: matches!(refusal, Refusal::FromTheFuture { .. }).then_some(time),
    }
}

fn fill(
    [time, feeder, volume, strength]: [&str; 4],
    now: Timestamp,
) -> Result<RecordedFill, LineFault> {
    /// As large as the largest feeder may be.
    const MOST_L: f64 = 2000.0;
    let time = moment(time)?;
    if time < Timestamp::YEAR_2000 || time > now.plus_ms(AHEAD_LIMIT_MS) {
        return Err(LineFault::new(
            DecodeErrorClass::Time,
            format!(
                "a fill at {} is before the year 2000 or still to come",
                time.to_rfc3339()
            ),
        ));
    }
    let feeder = FeederId::new(feeder)
        .map_err(|error| LineFault::new(DecodeErrorClass::Name, error.to_string()))?;
    let volume_l = match volume {
        "" => None,
        volume => Some(number(volume)?),
    };
    if let Some(litres) = volume_l.filter(|litres| !(*litres > 0.0 && *litres <= MOST_L)) {
        return Err(LineFault::new(
            DecodeErrorClass::Impossible,
            format!("a fill holds more than 0 and at most {MOST_L} litres, not {litres}"),
        ));
    }
    let strength = match strength {
        "" => None,
        text => Some(
            Strength::parse(text)
                .map_err(|error| LineFault::new(DecodeErrorClass::Number, error.to_string()))?,
        ),
    };
    Ok(RecordedFill {
        feeder,
        time,
        volume_l,
        strength,
    })
}

fn moment(text: &str) -> Result<Timestamp, LineFault> {
    Timestamp::parse_rfc3339(text)
        .or_else(|| unix_time(text))
        .ok_or_else(|| {
            LineFault::new(
                DecodeErrorClass::Time,
                format!("the time \"{}\" is not RFC 3339", short(text)),
            )
        })
}

fn number(text: &str) -> Result<f64, LineFault> {
    text.parse::<f64>()
        .ok()
        .filter(|value| value.is_finite())
        .ok_or_else(|| {
            LineFault::new(
                DecodeErrorClass::Number,
                format!("\"{}\" is not a number", short(text)),
            )
        })
}

fn short(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(60).collect()
}
