//! Devices: where they stand, when they were last heard, what they say.

use crate::learned::LearnedBody;
use crate::{Problem, Service, ServiceState};
use axum::Json;
use axum::extract::State;
use larder_domain::apiary::Assignment;
use larder_domain::{Apiary, ChannelKind, ChannelName, DeviceId, Span, Timestamp, YardId};
use larder_store::LatestSample;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

/// Every device that is known.
#[derive(Serialize, ToSchema)]
struct DevicesBody {
    devices: Vec<DeviceBody>,
}

/// A device: where it stands, when it was last heard, what it says.
#[derive(Serialize, ToSchema, Default)]
struct DeviceBody {
    id: String,
    /// The newest of: a message received, a reading's own time.
    #[schema(format = DateTime)]
    last_heard: Option<String>,
    latest: Vec<LatestValue>,
    attributes: Vec<AttributeBody>,
    battery_v: Option<f64>,
    /// Where it stands now; empty: nobody said.
    assigned: Vec<AssignedBody>,
    /// When it was taken off its last place; null: it stands somewhere, or never did.
    #[schema(format = DateTime)]
    free_since: Option<String>,
    /// Values refused as impossible in the last seven days.
    impossible_count_7d: usize,
    /// What was learned of it last.
    learned: Vec<LearnedBody>,
    /// What it sent faster than any device may since the service started; null: nothing.
    excess: Option<ExcessBody>,
}

/// Messages beyond 50 a second (and 20,000 at once). None is lost; at the built-in broker they wait.
#[derive(Serialize, ToSchema)]
struct ExcessBody {
    messages: u64,
    #[schema(format = DateTime)]
    last_at: String,
}

/// The newest value of one of its channels.
#[derive(Serialize, ToSchema)]
struct LatestValue {
    channel: String,
    unit: String,
    #[schema(format = DateTime)]
    time: String,
    value: f64,
}

/// Something that the device says of itself and that is no reading.
#[derive(Serialize, ToSchema)]
struct AttributeBody {
    name: String,
    /// As the device sent it: text, a number, true or false.
    value: serde_json::Value,
    #[schema(format = DateTime)]
    time: String,
}

/// One place where a device stands: exactly one of yard, hive and feeder is given.
#[derive(Serialize, ToSchema, Default)]
struct AssignedBody {
    yard: Option<String>,
    hive: Option<String>,
    feeder: Option<String>,
    /// Which of its channels; a weather station gives all of them.
    channel: Option<String>,
    /// Since when; null: from its first reading on.
    #[schema(format = DateTime)]
    from: Option<String>,
}

fn since(assignment: &Assignment) -> Option<String> {
    let start = assignment.during.start;
    (start > Span::ALWAYS.start).then(|| start.to_rfc3339())
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(list_devices))
}

/// Every device that was ever heard, declared or imported.
#[utoipa::path(get, path = "/api/v1/devices", tag = "devices", responses((status = 200, body = DevicesBody)))]
async fn list_devices(State(service): State<ServiceState>) -> Result<Json<DevicesBody>, Problem> {
    service.blocking(|s| devices_body(s).map(Json)).await
}

fn devices_body(service: &Service) -> Result<DevicesBody, Problem> {
    let now = service.as_of();
    let apiary = service.records.apiary()?;
    let mut latest: BTreeMap<DeviceId, Vec<LatestSample>> = BTreeMap::new();
    for sample in service.readings.latest()? {
        latest
            .entry(sample.series.device.clone())
            .or_default()
            .push(sample);
    }
    let mut bodies: BTreeMap<DeviceId, DeviceBody> = BTreeMap::new();
    for health in service.records.devices()? {
        let body = bodies.entry(health.device.clone()).or_default();
        body.last_heard = health.last_seen.map(Timestamp::to_rfc3339);
        body.impossible_count_7d = health
            .impossible
            .iter()
            .filter(|(_, at): &&(ChannelName, Timestamp)| *at > now.plus_ms(-7 * 86_400_000))
            .count();
        body.attributes = health
            .attributes
            .into_iter()
            .map(|a| AttributeBody {
                name: a.name,
                value: serde_json::from_str(&a.value_json).unwrap_or(serde_json::Value::Null),
                time: a.time.to_rfc3339(),
            })
            .collect();
    }
    for device in places(
        &apiary,
        Span {
            start: now,
            end: now.plus_ms(1),
        },
    )
    .into_keys()
    {
        bodies.entry(device).or_default();
    }
    for learned in service.records.learned()? {
        let body = bodies.entry(learned.source.device.clone()).or_default();
        body.learned.push(learned.into());
    }
    for (device, samples) in latest {
        fill_latest(bodies.entry(device).or_default(), samples);
    }
    let mut places = places(
        &apiary,
        Span {
            start: now,
            end: now.plus_ms(1),
        },
    );
    let devices = bodies
        .into_iter()
        .map(|(id, body)| DeviceBody {
            excess: service
                .host
                .excess(&id)
                .map(|(messages, last_at)| ExcessBody {
                    messages,
                    last_at: last_at.to_rfc3339(),
                }),
            free_since: match places.contains_key(&id) {
                true => None,
                false => last_end(&apiary, &id).map(Timestamp::to_rfc3339),
            },
            assigned: places.remove(&id).unwrap_or_default(),
            id: id.to_string(),
            ..body
        })
        .collect();
    Ok(DevicesBody { devices })
}

fn fill_latest(body: &mut DeviceBody, samples: Vec<LatestSample>) {
    if let Some(newest) = samples.iter().map(|l| l.sample.time).max() {
        let newest = newest.to_rfc3339();
        if body
            .last_heard
            .as_ref()
            .is_none_or(|heard| Timestamp::parse_rfc3339(heard) < Timestamp::parse_rfc3339(&newest))
        {
            body.last_heard = Some(newest);
        }
    }
    body.battery_v = samples
        .iter()
        .find(|l| l.series.channel.kind() == Some(ChannelKind::Battery))
        .map(|l| l.sample.value);
    body.latest = samples
        .into_iter()
        .map(|l| LatestValue {
            channel: l.series.channel.to_string(),
            unit: l.unit.to_string(),
            time: l.sample.time.to_rfc3339(),
            value: l.sample.value,
        })
        .collect();
}

/// Where devices stand at some time in `during`.
fn places(apiary: &Apiary, during: Span) -> BTreeMap<DeviceId, Vec<AssignedBody>> {
    let mut places: BTreeMap<DeviceId, Vec<AssignedBody>> = BTreeMap::new();
    for yard in apiary.yards() {
        if let Some(device) = &yard.weather {
            let place = AssignedBody {
                yard: Some(yard.id.to_string()),
                ..AssignedBody::default()
            };
            places.entry(device.clone()).or_default().push(place);
        }
    }
    for hive in apiary.hives() {
        for scale in hive
            .scales
            .iter()
            .filter(|a| a.during.intersect(during).is_some())
        {
            places
                .entry(scale.source.device.clone())
                .or_default()
                .push(AssignedBody {
                    hive: Some(hive.id.to_string()),
                    channel: Some(scale.source.channel.to_string()),
                    from: since(scale),
                    ..AssignedBody::default()
                });
        }
    }
    for feeder in apiary.feeders() {
        for sensor in &feeder.sensors {
            if sensor.assignment.during.intersect(during).is_some() {
                let source = &sensor.assignment.source;
                places
                    .entry(source.device.clone())
                    .or_default()
                    .push(AssignedBody {
                        feeder: Some(feeder.id.to_string()),
                        channel: Some(source.channel.to_string()),
                        from: since(&sensor.assignment),
                        ..AssignedBody::default()
                    });
            }
        }
    }
    places
}

/// When the last of a device's assignments that are over ended.
fn last_end(apiary: &Apiary, device: &DeviceId) -> Option<Timestamp> {
    let scales = apiary.hives().flat_map(|hive| &hive.scales);
    let sensors = apiary.feeders().flat_map(|feeder| &feeder.sensors);
    scales
        .chain(sensors.map(|sensor| &sensor.assignment))
        .filter(|a| a.source.device == *device && a.during.end < Span::ALWAYS.end)
        .map(|a| a.during.end)
        .max()
}

/// The devices that stood in one yard at some time in `during`.
pub(crate) fn devices_of_yard(apiary: &Apiary, yard: &YardId, during: Span) -> BTreeSet<DeviceId> {
    let mut devices = BTreeSet::new();
    devices.extend(apiary.yard(yard).and_then(|y| y.weather.clone()));
    let here = |hive: &larder_domain::Hive| {
        hive.yard_at(during.start) == yard || hive.yard_at(during.end.plus_ms(-1)) == yard
    };
    for hive in apiary.hives().filter(|hive| here(hive)) {
        let scales = hive.scales.iter();
        let sensors = apiary.feeders_of(&hive.id).flat_map(|f| f.sensors.iter());
        devices.extend(
            scales
                .chain(sensors.map(|s| &s.assignment))
                .filter(|a| a.during.intersect(during).is_some())
                .map(|a| a.source.device.clone()),
        );
    }
    devices
}
