//! A battery is nearly empty.

use super::{Sign, spells, subject_of};
use crate::input::{DeviceInput, YardInput};
use crate::robust::median_of_few;
use larder_domain::{Flag, FlagKind, Severity};

/// A lithium cell under this is nearly empty, V (common practice).
const LOW_VOLTS: f64 = 3.50;
/// Above this it has been changed or charged, V.
const CHARGED_VOLTS: f64 = 3.60;
/// The median of so many reports counts: cold nights and radio bursts make single ones sag.
const REPORTS: usize = 5;
/// It stays low, or charged, for so long, hours.
const STAYS_HOURS: f64 = 3.0;

/// Opens when the median of the last reports is low, closes when it is charged again.
pub fn raise(input: &YardInput<'_>, device: &DeviceInput<'_>, flags: &mut Vec<Flag>) {
    let battery = device.battery;
    let volts = |i: usize| {
        let recent = &battery[(i + 1).saturating_sub(REPORTS)..=i];
        median_of_few(recent.iter().map(|sample| sample.value)).unwrap_or(f64::NAN)
    };
    let signs = (0..battery.len()).map(|i| {
        let sign = match volts(i) {
            low if low <= LOW_VOLTS => Sign::Holds,
            high if high >= CHARGED_VOLTS => Sign::Gone,
            _ => Sign::Between,
        };
        (battery[i].time, sign)
    });
    let (hive, feeder) = subject_of(input, device.device);
    for spell in spells(signs, STAYS_HOURS, STAYS_HOURS) {
        flags.push(Flag {
            kind: FlagKind::LowBattery,
            yard: Some(input.yard.id.clone()),
            hive: hive.clone(),
            feeder: feeder.clone(),
            device: Some(device.device.clone()),
            opened_at: spell.from,
            closed_at: spell.until,
            severity: Severity::Warning,
            probability: 0.95,
            evidence: format!(
                "The battery of {} is at {:.2} V; under {LOW_VOLTS:.2} V it has days left.",
                device.device,
                volts(spell.opened)
            ),
        });
    }
}
