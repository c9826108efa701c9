//! Is it alive, does it take readings, and the metrics.

use crate::{Problem, ServiceState};
use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

#[derive(Serialize, ToSchema)]
struct HealthBody {
    /// `ok` while the service runs.
    status: &'static str,
    /// The program's version.
    version: &'static str,
    /// Something that an operator should know although readings are taken in.
    #[serde(skip_serializing_if = "Option::is_none")]
    note: Option<String>,
    /// What of the notices does not get through, in a sentence; null: nothing.
    notices: Option<String>,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(healthz))
        .routes(routes!(readyz))
        .routes(routes!(metrics))
}

/// Alive.
#[utoipa::path(get, path = "/healthz", tag = "health", responses((status = 200, body = HealthBody)))]
async fn healthz(State(service): State<ServiceState>) -> axum::Json<HealthBody> {
    axum::Json(HealthBody {
        status: "ok",
        version: env!("CARGO_PKG_VERSION"),
        note: service.host.note(),
        notices: service.live.notice_trouble(),
    })
}

/// Takes readings; 503 with the reason while it does not.
#[utoipa::path(get, path = "/readyz", tag = "health",
    responses((status = 200, body = HealthBody), (status = 503, body = Problem)))]
async fn readyz(State(service): State<ServiceState>) -> Result<axum::Json<HealthBody>, Problem> {
    service.host.ready().map_err(Problem::unavailable)?;
    Ok(healthz(State(service)).await)
}

/// Counters and gauges in Prometheus' text format.
#[utoipa::path(get, path = "/metrics", tag = "health",
    responses((status = 200, content_type = "text/plain", body = String)))]
async fn metrics(State(service): State<ServiceState>) -> impl IntoResponse {
    (
        [(
            header::CONTENT_TYPE,
            "text/plain; version=0.0.4; charset=utf-8",
        )],
        service.host.metrics(),
    )
}
