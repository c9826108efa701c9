//! Taking readings out: into the quarantine, from where a replay brings them back.

use crate::problem::{Id, Params};
use crate::{Problem, ServiceState};
use axum::Json;
use axum::extract::State;
use larder_domain::{ChannelName, ChannelRef, DeviceId, Span};
use larder_store::{MOST_REMOVED, Removal, Removed};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct RemovalParams {
    /// The device's channel, like `weight`.
    channel: String,
    /// The first moment.
    #[param(format = DateTime)]
    from: String,
    /// The moment after the last.
    #[param(format = DateTime)]
    to: String,
    /// Only count them.
    #[serde(default)]
    dry_run: bool,
}

/// What was taken out.
#[derive(Serialize, ToSchema)]
struct RemovedBody {
    /// Readings in the span: in the quarantine now, or only counted.
    readings: u64,
    /// Whether they were only counted.
    dry_run: bool,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(remove_readings))
}

/// Takes the readings of one channel in a span out.
///
/// They go to the quarantine, and the days that they belong to are estimated again. At most 100,000 at
/// once.
#[utoipa::path(delete, path = "/api/v1/devices/{id}/readings", tag = "devices", params(Id<DeviceId>, RemovalParams),
    responses((status = 200, body = RemovedBody), (status = 409)))]
async fn remove_readings(
    State(service): State<ServiceState>,
    Id(device): Id<DeviceId>,
    Params(params): Params<RemovalParams>,
) -> Result<Json<RemovedBody>, Problem> {
    let channel = ChannelName::new(&params.channel);
    let channel = channel.map_err(|error| Problem::bad_request(error.to_string()))?;
    let span = Span {
        start: crate::span::moment(&params.from)?,
        end: crate::span::moment(&params.to)?,
    };
    if span.start >= span.end {
        return Err(Problem::bad_request("`from` is before `to`"));
    }
    let series = ChannelRef { device, channel };
    service
        .blocking(move |s| {
            if params.dry_run {
                return Ok(Json(RemovedBody {
                    readings: s.readings.count(&series, span)?,
                    dry_run: true,
                }));
            }
            let now = s.host.now();
            let reason = format!("taken out by hand on {}", now.to_rfc3339());
            let removed = s.host.take_out(&Removal {
                series: &series,
                span,
                reason: &reason,
                comes_back: false,
                at: now,
            })?;
            let readings = match removed {
                Removed::Nothing => 0,
                Removed::Readings(n) => n,
                Removed::TooMany(n) => {
                    return Err(Problem::conflict(format!(
                        "that is {n} readings, and at most {MOST_REMOVED} are taken out at once: give a shorter span"
                    )));
                }
            };
            Ok(Json(RemovedBody {
                readings,
                dry_run: false,
            }))
        })
        .await
}
