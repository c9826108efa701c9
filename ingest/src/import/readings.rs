//! `time,device,channel,unit,value`.

use super::lines::{Line, Lines, fields};
use super::{ImportError, Imported, Refusals};
use larder_domain::{ChannelName, DeviceId, Reading, Timestamp, Unit};
use larder_store::{Readings, Records};
use std::collections::HashMap;
use std::io::Read;

/// The header.
const HEADER: &str = "time,device,channel,unit,value";

/// Readings committed together: one sync of the disk for all of them.
const BATCH: usize = 20_000;

/// Names kept checked; a file has a few hundred series, and a hostile one must not fill the memory.
const KNOWN_NAMES: usize = 10_000;

/// Imports readings from `source`, which `file` names in messages. `progress` is told the number
/// of lines now and then.
pub fn import_readings(
    source: impl Read,
    file: &str,
    readings: &dyn Readings,
    records: &dyn Records,
    now: Timestamp,
    mut progress: impl FnMut(u64),
) -> Result<Imported, ImportError> {
    let mut lines = Lines::open(file, source, HEADER)?;
    let mut done = Imported::default();
    let mut refusals = Refusals::new(records, file, now);
    let mut names = Names::default();
    let mut batch = Vec::with_capacity(BATCH);
    while let Some(line) = lines.next()? {
        done.lines += 1;
        match parse(&line, &mut names, now) {
            Ok(reading) => batch.push(reading),
            Err(reason) => refusals.refuse(&line, reason, &mut done)?,
        }
        if batch.len() >= BATCH {
            append(readings, &mut batch, &mut done)?;
            progress(done.lines);
        }
    }
    append(readings, &mut batch, &mut done)?;
    refusals.put_away()?;
    progress(done.lines);
    Ok(done)
}

fn append(
    readings: &dyn Readings,
    batch: &mut Vec<Reading>,
    done: &mut Imported,
) -> Result<(), ImportError> {
    let appended = readings.append_durable(batch)?;
    done.new += appended.new;
    done.replaced += appended.replaced;
    done.repeated += appended.repeated;
    batch.clear();
    Ok(())
}

/// Names that were checked before: nearly every line repeats one.
#[derive(Default)]
struct Names {
    devices: HashMap<String, DeviceId>,
    channels: HashMap<String, ChannelName>,
    units: HashMap<String, Unit>,
}

fn known<T: Clone, E: std::fmt::Display>(
    held: &mut HashMap<String, T>,
    text: &str,
    check: impl FnOnce(&str) -> Result<T, E>,
) -> Result<T, String> {
    if let Some(name) = held.get(text) {
        return Ok(name.clone());
    }
    let name = check(text).map_err(|error| error.to_string())?;
    if held.len() >= KNOWN_NAMES {
        held.clear();
    }
    held.insert(text.to_owned(), name.clone());
    Ok(name)
}

fn parse(line: &Line<'_>, names: &mut Names, now: Timestamp) -> Result<Reading, String> {
    if line.too_long {
        return Err("the line is too long".to_owned());
    }
    let [time, device, channel, unit, value] =
        fields(line).ok_or("a reading has five fields: time, device, channel, unit, value")?;
    let time = Timestamp::parse_rfc3339(time).ok_or_else(|| {
        format!(
            "the time is not like 2026-09-01T05:00:00Z: \"{}\"",
            short(time)
        )
    })?;
    let value: f64 = value
        .parse()
        .map_err(|_| format!("the value is not a number: \"{}\"", short(value)))?;
    let device = known(&mut names.devices, device, DeviceId::new)?;
    let channel = known(&mut names.channels, channel, ChannelName::new)?;
    let unit = match unit {
        "" => None,
        unit => Some(known(&mut names.units, unit, Unit::new)?),
    };
    Reading::check(device, channel, unit, time, value, now).map_err(|refusal| refusal.to_string())
}

fn short(text: &str) -> String {
    text.chars().take(40).collect()
}
