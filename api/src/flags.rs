//! Flags of the whole operation.

use crate::problem::Params;
use crate::wire::FlagBody;
use crate::{Problem, ServiceState};
use axum::Json;
use axum::extract::State;
use larder_domain::{Span, YardId};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

#[derive(Serialize, ToSchema)]
struct FlagsBody {
    flags: Vec<FlagBody>,
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct FlagsQuery {
    /// Only those of one yard.
    yard: Option<String>,
    /// Only those that still hold.
    #[serde(default)]
    open: bool,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(flags))
}

/// Flags, by the time at which they opened.
#[utoipa::path(get, path = "/api/v1/flags", tag = "flags", params(FlagsQuery),
    responses((status = 200, body = FlagsBody), (status = 400, body = Problem)))]
async fn flags(
    State(service): State<ServiceState>,
    Params(query): Params<FlagsQuery>,
) -> Result<Json<FlagsBody>, Problem> {
    let yard = query
        .yard
        .as_deref()
        .map(YardId::new)
        .transpose()
        .map_err(|error| Problem::bad_request(error.to_string()))?;
    let flags = service
        .blocking(move |s| Ok(s.records.flags(yard.as_ref(), Span::ALWAYS)?))
        .await?;
    let wanted = flags
        .iter()
        .filter(|flag| !query.open || flag.closed_at.is_none());
    Ok(Json(FlagsBody {
        flags: wanted.map(Into::into).collect(),
    }))
}
