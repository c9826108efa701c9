//! Where a device stands from some moment on: claimed, carried to another place, taken off.

use super::body::{Parsed, sentences, words};
use super::{Parts, change, missing};
use crate::problem::{Body, Id};
use crate::{Problem, ServiceState};
use axum::extract::State;
use axum::http::StatusCode;
use larder_domain::apiary::{Assignment, LevelSensor};
use larder_domain::{Apiary, ChannelRef, DeviceId, FeederId, HiveId, Timestamp};
use larder_wire::apiary::{SensorWire, assignment};
use serde::Deserialize;
use utoipa::ToSchema;

/// Where one channel of a device stands from then on. Neither hive nor feeder: nowhere.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct PlaceRequest {
    channel: String,
    /// Left out: from its first reading on, whatever was said of it before.
    #[serde(default)]
    #[schema(format = DateTime)]
    from: Option<String>,
    /// The hive that it weighs.
    #[serde(default)]
    hive: Option<String>,
    /// The feeder whose level it sees.
    #[serde(default)]
    feeder: Option<String>,
    /// Of a level sensor: from its face to the feeder's floor.
    #[serde(default)]
    mount_m: Option<f64>,
    /// Of a level sensor: plan area of straight walls.
    #[serde(default)]
    area_m2: Option<f64>,
    /// Of a level sensor: pairs of depth in metres and litres, in place of an area.
    #[serde(default)]
    table: Option<Vec<(f64, f64)>>,
}

/// Where to.
#[derive(Clone)]
enum Place {
    Nowhere,
    Under(HiveId),
    Over(FeederId, LevelSensor),
}

#[derive(Clone)]
struct Placing {
    stands: Assignment,
    place: Place,
}

impl PlaceRequest {
    fn parse(self, device: &DeviceId) -> Parsed<Placing> {
        let from = self.from.as_deref();
        let stands = assignment(device.as_str(), &self.channel, from, None).map_err(sentences)?;
        let place = match (self.hive, self.feeder) {
            (None, None) => Place::Nowhere,
            (Some(hive), None) => Place::Under(HiveId::new(&hive).map_err(words)?),
            (None, Some(feeder)) => {
                let sensor = SensorWire {
                    device: device.to_string(),
                    channel: self.channel,
                    from: self.from,
                    to: None,
                    mount_m: self.mount_m,
                    area_m2: self.area_m2,
                    table: self.table,
                };
                let sensor = sensor.to_sensor().map_err(sentences)?;
                Place::Over(FeederId::new(&feeder).map_err(words)?, sensor)
            }
            (Some(_), Some(_)) => {
                return Err("a channel stands at a hive or at a feeder, not at both".to_owned());
            }
        };
        Ok(Placing { stands, place })
    }
}

/// Says where one channel of a device stands from a moment on.
///
/// What was said of that channel for later times is replaced; earlier times stay as they were, but for
/// the same place said anew with another beginning, which corrects it. Saying the same twice changes
/// nothing.
#[utoipa::path(post, path = "/api/v1/devices/{id}/place", tag = "devices", params(Id<DeviceId>),
    request_body = PlaceRequest,
    responses((status = 204), (status = 409)))]
pub(super) async fn place_device(
    State(service): State<ServiceState>,
    Id(id): Id<DeviceId>,
    Body(body): Body<PlaceRequest>,
) -> Result<StatusCode, Problem> {
    let placing = body.parse(&id).map_err(Problem::bad_request)?;
    service
        .blocking(move |s| {
            let check = |apiary: &Apiary| match &placing.place {
                Place::Under(hive) if apiary.hive(hive).is_none() => Err(missing("hive", hive)),
                Place::Over(feeder, _) if apiary.feeder(feeder).is_none() => {
                    Err(missing("feeder", feeder))
                }
                _ => Ok(()),
            };
            change(s, check, |parts| placing.clone().put(parts))?;
            Ok(StatusCode::NO_CONTENT)
        })
        .await
}

impl Placing {
    fn put(self, parts: &mut Parts) {
        let Self { stands, place } = self;
        let (source, from) = (&stands.source, stands.during.start);
        for hive in &mut parts.hives {
            let corrected = matches!(&place, Place::Under(id) if *id == hive.id);
            hive.scales
                .retain_mut(|scale| stays(scale, source, from, corrected));
        }
        for feeder in &mut parts.feeders {
            feeder.sensors.retain_mut(|sensor| {
                let corrected = matches!(&place, Place::Over(id, new)
                    if *id == feeder.id && new.geometry == sensor.geometry);
                stays(&mut sensor.assignment, source, from, corrected)
            });
        }
        match place {
            Place::Nowhere => {}
            Place::Under(id) => {
                if let Some(hive) = parts.hives.iter_mut().find(|hive| hive.id == id) {
                    hive.scales.push(stands);
                }
            }
            Place::Over(id, sensor) => {
                if let Some(feeder) = parts.feeders.iter_mut().find(|feeder| feeder.id == id) {
                    feeder.sensors.push(sensor);
                }
            }
        }
    }
}

/// Whether an older assignment is kept; it ends where the new one begins. One that still holds then
/// at the place where the new one stands is `corrected`: the new one is said in its stead.
fn stays(old: &mut Assignment, source: &ChannelRef, from: Timestamp, corrected: bool) -> bool {
    if old.source != *source || old.during.end <= from {
        return true;
    }
    if old.during.start >= from || corrected {
        return false;
    }
    old.during.end = from;
    true
}
