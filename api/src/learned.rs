//! What was learned of devices, and learning anew after a repair.

use crate::problem::{Body, Id};
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
    /// `offset`: what it reads at an empty feeder beyond what it should; `per_kelvin`: how its
    /// reading moves with warmth; `geometry_share`: by what share the geometry given makes volumes
    /// too large; `noise`: how far a single reading strays.
    what: &'static str,
    /// The unit of the values: that of the channel, the same per kelvin, or 1.
    unit: String,
    value: f64,
    /// Lower end of the 90 % interval.
    lo: f64,
    /// Upper end of the 90 % interval.
    hi: f64,
    /// As of the end of this local day.
    date: String,
    /// The first reading that speaks for it.
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
            what: learned.what.name(),
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

#[derive(Serialize, ToSchema)]
struct HistoryBody {
    learned: Vec<LearnedBody>,
}

#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct AnewBody {
    /// From when on it counts as a new instrument; now where it is left out. RFC 3339.
    at: Option<String>,
}

#[derive(Serialize, ToSchema)]
struct BegunBody {
    /// From when on.
    at: String,
    /// The channels that are learned anew.
    channels: Vec<String>,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(history))
        .routes(routes!(learn_anew))
}

/// All that was ever learned of a device, by channel and day: how its zero and its drift went.
#[utoipa::path(get, path = "/api/v1/devices/{id}/learned", tag = "devices", params(("id" = String, Path)),
    responses((status = 200, body = HistoryBody)))]
async fn history(
    State(service): State<ServiceState>,
    Id(id): Id<DeviceId>,
) -> Result<Json<HistoryBody>, Problem> {
    service
        .blocking(move |s| {
            let learned = s.records.learned_of(&id)?;
            Ok(Json(HistoryBody {
                learned: learned.into_iter().map(Into::into).collect(),
            }))
        })
        .await
}

/// From now on, or from `at` on, a device counts as a new instrument: it was repaired, turned round or
/// set to zero. What was measured before stays as it was. Asking again with the same `at` is safe.
#[utoipa::path(post, path = "/api/v1/devices/{id}/learn-anew", tag = "devices", params(("id" = String, Path)),
    request_body = AnewBody,
    responses((status = 200, body = BegunBody), (status = 400, body = Problem), (status = 409, body = Problem)))]
async fn learn_anew(
    State(service): State<ServiceState>,
    Id(id): Id<DeviceId>,
    Body(body): Body<AnewBody>,
) -> Result<Json<BegunBody>, Problem> {
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
            Ok(Json(BegunBody {
                at: at.to_rfc3339(),
                channels: channels.iter().map(|c| c.channel.to_string()).collect(),
            }))
        })
        .await
}
