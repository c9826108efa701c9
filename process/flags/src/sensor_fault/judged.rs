//! What is to be thought of each level reading.

use larder_domain::{Sample, Timestamp};
use larder_estimate::input::{DeviceInput, FeederInput};
use larder_estimate::series::level::{litres, possible_litres};
use larder_estimate::series::runs::same;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.sensor_fault.judged":
    /// More than this share of the capacity does not go between two readings.
    FULL_SHARE: f64 = 0.15, "1", [0.05, 0.45], Chosen;
    /// Readings further apart than this say nothing about what went between them, hours.
    ZERO_HOURS: f64 = 4.0, "h", [1.3, 12.0], Chosen;
}

/// A level reading and what is to be thought of it.
#[derive(Clone, Copy, Debug)]
pub(in super::super) struct Judged {
    /// The sensor, as an index into [`FeederInput::levels`].
    pub sensor: usize,
    /// When.
    pub time: Timestamp,
    /// Litres by the geometry given.
    pub litres: f64,
    /// Whether the value can't be: out of the feeder, refused as impossible, or far from its
    /// neighbours.
    pub absurd: bool,
    /// Whether the value equals the one before.
    pub repeated: bool,
}

impl Judged {
    /// Whether it was refused as impossible, so that its value is not known.
    pub fn refused(&self) -> bool {
        self.litres.is_nan()
    }
}

/// Judges a feeder's level readings, those refused as impossible included.
pub(in super::super) fn judge_level(
    feeder: &FeederInput<'_>,
    devices: &[DeviceInput<'_>],
) -> Vec<Judged> {
    let capacity = feeder.feeder.capacity_l;
    let possible = possible_litres(capacity);
    let density = kg_per_litre(None);
    let mut judged: Vec<Judged> = Vec::new();
    for (sensor, level) in feeder.levels.iter().enumerate() {
        let read = level.samples.iter().map(|sample| {
            let value = litres(level.geometry(), sample.value, || density);
            Judged {
                sensor,
                time: sample.time,
                litres: value,
                absurd: !possible.contains(&value),
                repeated: false,
            }
        });
        let mut read: Vec<Judged> = read.collect();
        mark_zeros(level.samples, capacity, &mut read);
        let device = &level.source().device;
        let refused = devices.iter().find(|d| d.device == device);
        let refused = refused.map_or(&[][..], |device| device.impossible);
        let during = level.sensor.assignment.during;
        let refused = refused.iter().filter(|time| during.contains(**time));
        read.extend(refused.map(|&time| Judged {
            sensor,
            time,
            litres: f64::NAN,
            absurd: true,
            repeated: false,
        }));
        read.sort_by_key(|j| j.time);
        for i in 1..read.len() {
            read[i].repeated = same(read[i].litres, read[i - 1].litres);
        }
        judged.append(&mut read);
    }
    judged.sort_by_key(|j| j.time);
    judged
}

/// A plain zero from a sensor that had a good deal of syrup before it shortly before, twice at least: an
/// echo over an empty feeder is no syrup.
fn mark_zeros(samples: &[Sample], capacity: f64, judged: &mut [Judged]) {
    let mut good: Option<(Timestamp, f64)> = None;
    let mut before = 0.0;
    for (sample, judged) in samples.iter().zip(judged.iter_mut()) {
        let zero = sample.value == 0.0;
        let full = good.is_some_and(|(at, litres)| {
            litres > FULL_SHARE * capacity && sample.time.hours_since(at) <= ZERO_HOURS
        });
        if zero && full {
            judged.absurd = true;
        } else if !zero {
            good = Some((sample.time, judged.litres.min(before)));
            before = judged.litres;
        }
    }
}
