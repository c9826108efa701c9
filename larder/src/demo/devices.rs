//! A device: an instrument with a battery, a clock and a radio.

use super::instruments::{Instrument, View, rain_told_mm};
use super::wire::{Format, Record};
use larder_domain::{ChannelKind, DeviceId, Timestamp};
use larder_sim::Dice;

/// Every device measures this often.
pub const PERIOD_MS: i64 = 10 * 60 * 1000;
/// A battery is measured with every so many records: once an hour.
const RECORDS_PER_BATTERY: u64 = 6;
/// A device says which firmware it runs once a day.
const RECORDS_PER_FIRMWARE: u64 = 144;
/// The radio fails now and then, and the record with it.
const LOST_SHARE: f64 = 0.004;

/// Where a device stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Stands {
    /// Which yard.
    pub yard: usize,
    /// Which hive of the simulation; `None` for a weather station.
    pub hive: Option<usize>,
}

/// One device.
#[derive(Clone, Debug)]
pub struct Device {
    /// The device's id.
    pub id: DeviceId,
    /// Where it stands.
    pub stands: Stands,
    /// How it writes.
    pub format: Format,
    /// What it measures with.
    pub instrument: Instrument,
    /// When within the period it measures, ms.
    offset_ms: i64,
    /// From when it is not heard any more.
    silent_from: Option<Timestamp>,
    battery: Battery,
    rain_mm: f64,
    n_measured: u64,
    pending: Vec<Record>,
    dice: Dice,
}

/// A cell that runs down evenly.
#[derive(Clone, Copy, Debug)]
pub struct Battery {
    /// Volts when the history begins.
    pub volts_at_start: f64,
    /// Volts a day.
    pub per_day: f64,
}

impl Battery {
    fn volts(self, days: f64) -> f64 {
        (self.volts_at_start - self.per_day * days).max(3.2)
    }
}

impl Device {
    /// A device that never falls silent.
    pub fn new(
        id: DeviceId,
        stands: Stands,
        format: Format,
        instrument: Instrument,
        mut dice: Dice,
    ) -> Self {
        let offset_ms = (dice.between(0.0, PERIOD_MS as f64 / 1000.0) as i64) * 1000;
        let battery = Battery {
            volts_at_start: dice.between(3.95, 4.15),
            per_day: dice.between(0.002, 0.005),
        };
        Self {
            id,
            stands,
            format,
            instrument,
            offset_ms,
            silent_from: None,
            battery,
            rain_mm: 0.0,
            n_measured: 0,
            pending: Vec::new(),
            dice,
        }
    }

    /// This device, not heard from `from` on.
    pub fn silent_from(self, from: Timestamp) -> Self {
        Self {
            silent_from: Some(from),
            ..self
        }
    }

    /// This device with another battery.
    pub fn with_battery(self, battery: Battery) -> Self {
        Self { battery, ..self }
    }

    /// Rain falls into its gauge.
    pub fn rain(&mut self, mm: f64) {
        self.rain_mm += mm;
    }

    /// The moment in the `step_ms` from `from` on at which it measures, if there is one.
    pub fn measures_at(&self, from: Timestamp, step_ms: i64) -> Option<Timestamp> {
        let wait_ms = (self.offset_ms - from.0).rem_euclid(PERIOD_MS);
        (wait_ms < step_ms).then(|| from.plus_ms(wait_ms))
    }

    /// Measures once and keeps the record until it is sent.
    pub fn measure(&mut self, at: Timestamp, days: f64, mut view: View<'_>) {
        view.rain_mm = self.rain_mm;
        self.rain_mm -= rain_told_mm(self.rain_mm);
        let mut values = self.instrument.read(&view, &mut self.dice);
        if self.n_measured.is_multiple_of(RECORDS_PER_BATTERY) {
            let volts = self.battery.volts(days) + self.dice.normal(0.004);
            values.push((ChannelKind::Battery, (volts * 100.0).round() / 100.0));
            let dbm = -78.0 + self.dice.normal(4.0);
            values.push((ChannelKind::Rssi, dbm.round()));
        }
        let firmware = self
            .n_measured
            .is_multiple_of(RECORDS_PER_FIRMWARE)
            .then_some("1.4.2");
        self.n_measured += 1;
        let lost = self.dice.chance(LOST_SHARE);
        if !lost && self.silent_from.is_none_or(|from| at < from) {
            self.pending.push(Record {
                at,
                values,
                firmware,
            });
        }
    }

    /// Sends what it holds once that is `pack` records or more: the moment of the newest one, the
    /// payload and the number of readings in it.
    pub fn send(&mut self, pack: usize) -> Option<(Timestamp, Vec<u8>, usize)> {
        if self.pending.len() < pack.max(1) {
            return None;
        }
        let records = std::mem::take(&mut self.pending);
        let newest = records.last()?.at;
        let n_readings = records.iter().map(|r| r.values.len()).sum();
        Some((newest, self.format.write(&self.id, &records), n_readings))
    }
}
