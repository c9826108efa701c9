//! What was learned of devices, and learning anew after a repair.

use crate::problem::{Body, Id};
use crate::words::TraitWord;
use crate::{Problem, ServiceState};
use axum::Json;
use axum::extract::State;
use larder_domain::{DeviceId, Learned};
use larder_store::edit_apiary;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

/// One trait of one channel of a device.
#[derive(Serialize, ToSchema)]
pub(crate) struct LearnedBody {
    channel: String,
    what: TraitWord,
    /// The unit of the values: that of the channel, the same per kelvin, or 1.
    unit: String,
    value: f64,
    /// Lower end of the 90 % interval.
    lo: f64,
    /// Upper end of the 90 % interval.
    hi: f64,
    /// As of the end of this local day.
    #[schema(format = Date)]
    date: String,
    /// The first reading that speaks for it.
    #[schema(format = DateTime)]
    since: String,
    /// The hive at which it stood.
    hive: String,
}

impl From<Learned> for LearnedBody {
    fn from(learned: Learned) -> Self {
        let kind = learned.source.channel.kind();
        let unit = kind.map(|kind| learned.what.unit(&kind.unit()));
        Self {
            channel: learned.source.channel.to_string(),
            what: learned.what.into(),
            unit: unit.unwrap_or_default(),
            value: finely(learned.value.value),
            lo: finely(learned.value.lo),
            hi: finely(learned.value.hi),
            date: learned.date.to_string(),
            since: learned.since.to_rfc3339(),
            hive: learned.hive.to_string(),
        }
    }
}

/// A tenth of a micrometre, as some are metres per kelvin.
fn finely(value: f64) -> f64 {
    (value * 1e7).round() / 1e7
}

/// All that was ever learned of a device, by channel and day.
#[derive(Serialize, ToSchema)]
struct LearnedHistoryBody {
    learned: Vec<LearnedBody>,
}

/// Since when a device counts as a new instrument.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct LearnAnewRequest {
    /// From when on it counts as a new instrument; now where it is left out.
    #[schema(format = DateTime)]
    at: Option<String>,
}

/// What is learned anew.
#[derive(Serialize, ToSchema)]
struct LearnAnewBody {
    /// From when on.
    #[schema(format = DateTime)]
    at: String,
    /// The channels that are learned anew.
    channels: Vec<String>,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(get_learned))
        .routes(routes!(learn_anew))
}

/// All that was ever learned of a device.
///
/// By channel and day: how its zero and its drift went.
#[utoipa::path(get, path = "/api/v1/devices/{id}/learned", tag = "devices", params(Id<DeviceId>),
    responses((status = 200, body = LearnedHistoryBody)))]
async fn get_learned(
    State(service): State<ServiceState>,
    Id(id): Id<DeviceId>,
) -> Result<Json<LearnedHistoryBody>, Problem> {
    service
        .blocking(move |s| {
            let learned = s.records.learned_of(&id)?;
            Ok(Json(LearnedHistoryBody {
                learned: learned.into_iter().map(Into::into).collect(),
            }))
        })
        .await
}

/// Learns a device anew.
///
/// From now on, or from `at` on, it counts as a new instrument: it was repaired, turned round or set to
/// zero. What was measured before stays as it was. Asking again with the same `at` is safe.
#[utoipa::path(post, path = "/api/v1/devices/{id}/learn-anew", tag = "devices", params(Id<DeviceId>),
    request_body = LearnAnewRequest,
    responses((status = 200, body = LearnAnewBody), (status = 409)))]
async fn learn_anew(
    State(service): State<ServiceState>,
    Id(id): Id<DeviceId>,
    Body(body): Body<LearnAnewRequest>,
) -> Result<Json<LearnAnewBody>, Problem> {
    service
        .blocking(move |s| {
            let at = match body.at {
                None => s.as_of(),
                Some(text) => crate::span::moment(&text)?,
            };
            let mut channels = Vec::new();
            let changed = edit_apiary(s.records.as_ref(), |apiary| {
                let (apiary, begun) = apiary.clone().learn_anew(&id, at);
                if begun.is_empty() {
                    return Err(Problem::conflict(format!(
                        "device \"{id}\" stood nowhere at {}; say where it stands first",
                        at.to_rfc3339()
                    )));
                }
                channels = begun;
                Ok(apiary)
            })??;
            if changed {
                s.host.changed();
            }
            Ok(Json(LearnAnewBody {
                at: at.to_rfc3339(),
                channels: channels.iter().map(|c| c.channel.to_string()).collect(),
            }))
        })
        .await
}
