//! What the processing stage is given for one yard of a scenario.

use crate::readings::{Archive, Fills};
use larder_domain::{Apiary, Span, Timestamp, Yard};
use larder_estimate::{DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput};

/// Everything that stands in one yard, from the first reading to the last.
pub fn yard_input<'a>(
    apiary: &'a Apiary,
    yard: &'a Yard,
    archive: &'a Archive,
    fills: &'a Fills,
) -> YardInput<'a> {
    let span = archive.span();
    let now = Timestamp(span.end.0);
    let hives: Vec<HiveInput<'a>> = apiary
        .hives_in(&yard.id)
        .map(|hive| hive_input(apiary, hive, archive, fills))
        .collect();
    let devices = archive
        .devices()
        .filter(|device| stands_in(apiary, yard, device.id))
        .map(|device| DeviceInput {
            device: device.id,
            reported_at: device.reported_at,
            battery: archive.series_of(device.id, "battery"),
            impossible: device.impossible,
            clock_off: None,
        })
        .collect();
    YardInput {
        yard,
        span: Span {
            start: span.start,
            end: now,
        },
        now,
        weather: yard
            .weather
            .as_ref()
            .map_or_else(Weather::default, |device| Weather {
                temperature: archive.series_of(device, "temperature"),
                humidity: archive.series_of(device, "humidity"),
                rain: archive.series_of(device, "rain"),
                wind: archive.series_of(device, "wind"),
                irradiance: archive.series_of(device, "irradiance"),
            }),
        hives,
        devices,
    }
}

fn hive_input<'a>(
    apiary: &'a Apiary,
    hive: &'a larder_domain::Hive,
    archive: &'a Archive,
    fills: &'a Fills,
) -> HiveInput<'a> {
    let scale = hive.scales.first().map(|assignment| &assignment.source);
    let beside = |channel: &larder_domain::ChannelRef, base: &str| {
        channel
            .sibling(base)
            .map(|sibling| archive.series(&sibling))
            .filter(|samples| !samples.is_empty())
            .unwrap_or_else(|| archive.series_of(&channel.device, base))
    };
    HiveInput {
        hive,
        weight: scale.map_or(&[], |channel| archive.series(channel)),
        scale_temperature: scale.map_or(&[], |channel| beside(channel, "temperature")),
        feeders: apiary
            .feeders_of(&hive.id)
            .map(|feeder| FeederInput {
                feeder,
                levels: feeder
                    .sensors
                    .iter()
                    .map(|sensor| LevelInput {
                        sensor,
                        samples: archive.series(&sensor.assignment.source),
                        syrup_temperature: beside(&sensor.assignment.source, "syrup_temperature"),
                    })
                    .collect(),
                recorded: fills.of(&feeder.id),
            })
            .collect(),
    }
}

fn stands_in(apiary: &Apiary, yard: &Yard, device: &larder_domain::DeviceId) -> bool {
    yard.weather.as_ref() == Some(device)
        || apiary.hives_in(&yard.id).any(|hive| {
            let of_scale = hive.scales.iter().any(|a| &a.source.device == device);
            of_scale
                || apiary.feeders_of(&hive.id).any(|feeder| {
                    let mut sensors = feeder.sensors.iter();
                    sensors.any(|sensor| &sensor.assignment.source.device == device)
                })
        })
}
