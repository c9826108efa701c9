//! Public weather records as readings of a yard's weather device: NOAA's GHCN-Daily (`.dly`, and the
//! CSV by station) and ISD-Lite, told apart by looking.

mod ghcn;
mod isd_lite;

use super::line::LineFault;
use super::{Format, ImportError, Imported, Importer};
use crate::decode::DecodeErrorClass;
use chrono_tz::Tz;
use larder_domain::{ChannelKind, ChannelName, DeviceId, Reading, Timestamp};
use larder_store::{Appended, Readings, Records, StoreError};
use std::io::Read;

/// Whose readings the records become.
#[derive(Clone, PartialEq, Debug)]
pub struct WeatherStation {
    /// The yard's weather device.
    pub device: DeviceId,
    /// The zone of the station: a daily record is about its local day.
    pub zone: Tz,
}

/// Imports a weather record. Elements that have no channel here (snow, gusts, pressure) are passed
/// over; values that the source itself marks as failed go into the quarantine.
pub fn import_weather(
    stream: impl Read,
    name: &str,
    station: &WeatherStation,
    readings: &dyn Readings,
    records: &dyn Records,
    now: Timestamp,
    progress: impl FnMut(u64),
) -> Result<Imported, ImportError> {
    let format = WeatherFile {
        kind: Kind::Daily,
        station,
        readings,
        now,
    };
    Importer::new(format, name, records, now).run(stream, progress)
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Daily,
    DailyCsv,
    Hourly,
}

struct WeatherFile<'a> {
    kind: Kind,
    station: &'a WeatherStation,
    readings: &'a dyn Readings,
    now: Timestamp,
}

/// A value in its channel's own unit.
struct Measured {
    channel: ChannelKind,
    time: Timestamp,
    value: f64,
}

const EXPECTED: &str = "a line of GHCN-Daily (.dly or CSV by station) or of ISD-Lite";

impl Format for WeatherFile<'_> {
    type Item = Reading;

    fn is_header(&mut self, first: &str) -> Result<bool, &'static str> {
        let is_csv_header = ghcn::is_csv_header(first);
        self.kind = if is_csv_header || ghcn::is_csv(first) {
            Kind::DailyCsv
        } else if ghcn::is_fixed(first) {
            Kind::Daily
        } else if isd_lite::is_line(first) {
            Kind::Hourly
        } else {
            return Err(EXPECTED);
        };
        Ok(is_csv_header)
    }

    fn read(&mut self, line: &[u8], items: &mut Vec<Reading>) -> Result<(), LineFault> {
        let text = std::str::from_utf8(line)
            .map_err(|_| unreadable("the line is not UTF-8 text".into()))?;
        let mut measured = Vec::new();
        let found = match self.kind {
            Kind::Daily => ghcn::fixed(text, self.station.zone, &mut measured),
            Kind::DailyCsv => ghcn::csv(text, self.station.zone, &mut measured),
            Kind::Hourly => isd_lite::line(text, &mut measured),
        };
        // What is good in a line stays, whatever else is in it.
        let mut first_fault = found.err();
        for one in measured {
            match self.check(&one) {
                Ok(reading) => items.push(reading),
                Err(fault) => {
                    first_fault.get_or_insert(fault);
                }
            }
        }
        first_fault.map_or(Ok(()), Err)
    }

    fn write(&mut self, items: &[Reading]) -> Result<Appended, StoreError> {
        self.readings.append_durable(items)
    }
}

impl WeatherFile<'_> {
    fn check(&self, one: &Measured) -> Result<Reading, LineFault> {
        let channel = ChannelName::new(one.channel.name()).expect("a channel that is known");
        let device = self.station.device.clone();
        Reading::check(device, channel, None, one.time, one.value + 0.0, self.now)
            .map_err(|refusal| LineFault::new(DecodeErrorClass::of(&refusal), refusal.to_string()))
    }
}

fn unreadable(reason: String) -> LineFault {
    LineFault::new(DecodeErrorClass::Unreadable, reason)
}

#[cfg(test)]
mod tests;
