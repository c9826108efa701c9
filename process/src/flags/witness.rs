//! Which channels a flag rests on, so that a chart can show them beside its numbers.

use crate::input::{HiveInput, YardInput};
use larder_domain::{
    Assignment, ChannelKind, ChannelName, ChannelRef, DeviceId, Feeder, FlagKind, Timestamp,
};

crate::numbers! { "flags.witness":
    /// How far back from the opening the evidence looks, ms: most kinds judge a day.
    pub(super) LOOK_BACK_MS: i64 = 24 * 3_600_000, "ms", [29000000.0, 260000000.0], Chosen;
}

/// The scales under the hive.
pub(super) fn of_hive(hive: &HiveInput<'_>, at: Timestamp) -> Vec<ChannelRef> {
    standing(hive.hive.scales.iter(), at)
}

/// The feeder's level sensors.
pub(super) fn of_feeder(feeder: &Feeder, at: Timestamp) -> Vec<ChannelRef> {
    standing(feeder.sensors.iter().map(|s| &s.assignment), at)
}

/// The device's own channels that are put to use; for a battery that one.
pub(super) fn of_device(
    input: &YardInput<'_>,
    device: &DeviceId,
    at: Timestamp,
    kind: FlagKind,
) -> Vec<ChannelRef> {
    if kind == FlagKind::LowBattery {
        let device = device.clone();
        let channel = ChannelName::new(ChannelKind::Battery.name());
        return channel
            .map(|channel| ChannelRef { device, channel })
            .into_iter()
            .collect();
    }
    let mut found = Vec::new();
    for hive in &input.hives {
        found.extend(of_hive(hive, at));
        for feeder in &hive.feeders {
            found.extend(of_feeder(feeder.feeder, at));
        }
    }
    found.retain(|source| source.device == *device);
    found
}

fn standing<'a>(
    assignments: impl Iterator<Item = &'a Assignment>,
    at: Timestamp,
) -> Vec<ChannelRef> {
    assignments
        .filter(|assignment| assignment.during.contains(at))
        .map(|assignment| assignment.source.clone())
        .collect()
}
