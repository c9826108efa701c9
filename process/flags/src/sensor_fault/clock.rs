//! A device's clock is off by years: it lost its battery, or was never set.

use super::Suspicion;
use crate::Episode;
use larder_domain::{Evidence, Measure, Timestamp};
use larder_estimate::input::DeviceInput;

larder_estimate::numbers! { "flags.sensor_fault.clock":
    /// How long a wrong clock is told of after the last reading that shows it, ms: three days in
    /// which all readings are right.
    TOLD_FOR_MS: i64 = 3 * 86_400_000, "ms", [86000000.0, 780000000.0], Chosen;
    /// How sure a wrong clock is.
    PROBABILITY: f64 = 0.97, "1", [0.32, 1.0], Chosen;
}

/// What the device's newest reading with a time long past says of its clock.
pub(super) fn clock_off(device: &DeviceInput<'_>, now: Timestamp) -> Option<Suspicion> {
    let clock = device.clock_off?;
    let over = clock.received_at.plus_ms(TOLD_FOR_MS);
    let evidence = Evidence::new(format!(
        "{}'s clock said {{said}} when it reported on {{received}}. Set its clock, or replace the clock's battery. Readings far from all others are left out of estimates; `larder readings remove` takes them out.",
        device.device
    ))
    .with("said", clock.said.0 as f64, Measure::Moment)
    .with("received", clock.received_at.0 as f64, Measure::Moment);
    Some(Suspicion {
        episode: Episode {
            opened: 0,
            from: clock.received_at,
            until: (over <= now).then_some(over),
        },
        probability: PROBABILITY,
        evidence,
    })
}
