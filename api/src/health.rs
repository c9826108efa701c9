//! Is it alive, does it take readings, and the metrics.

use crate::{Problem, ServiceState};
use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use larder_domain::Timestamp;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

/// How the service is.
#[derive(Serialize, ToSchema)]
struct HealthBody {
    status: HealthStatus,
    /// The program's version.
    version: &'static str,
    /// Something that an operator should know although readings are taken in; null: nothing.
    note: Option<String>,
    /// What of the notices does not get through, in a sentence; null: nothing.
    notices: Option<String>,
    /// How estimating goes.
    processing: ProcessingBody,
}

/// Whether all goes well.
#[derive(Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum HealthStatus {
    /// All goes well.
    Ok,
    /// Something that the service does beside taking readings in fails.
    Degraded,
}

/// How estimating goes.
#[derive(Serialize, ToSchema)]
struct ProcessingBody {
    /// When the last run ended that estimated what was due; null: none has since the start.
    #[schema(format = DateTime)]
    estimated_at: Option<String>,
    /// How long ago that is, s.
    age_s: Option<i64>,
    /// Why the last run estimated nothing; null: it did.
    problem: Option<String>,
    /// Yards that are not estimated in full; their results of before stand.
    failures: Vec<YardFailureBody>,
}

/// A yard that is not estimated in full.
#[derive(Serialize, ToSchema)]
struct YardFailureBody {
    yard: String,
    /// Since when.
    #[schema(format = DateTime)]
    since: String,
    /// Why.
    reason: String,
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
    let processing = service.live.processing();
    let is_whole = processing.problem.is_none() && processing.failures.is_empty();
    axum::Json(HealthBody {
        status: match is_whole {
            true => HealthStatus::Ok,
            false => HealthStatus::Degraded,
        },
        version: env!("CARGO_PKG_VERSION"),
        note: service.host.note(),
        notices: service.live.notice_trouble(),
        processing: ProcessingBody {
            estimated_at: processing.estimated_at.map(Timestamp::to_rfc3339),
            age_s: processing
                .estimated_at
                .map(|at| (service.host.now().0 - at.0) / 1000),
            problem: processing.problem,
            failures: processing
                .failures
                .into_iter()
                .map(|failure| YardFailureBody {
                    yard: failure.yard.to_string(),
                    since: failure.since.to_rfc3339(),
                    reason: failure.reason,
                })
                .collect(),
        },
    })
}

/// Takes readings; 503 with the reason while it does not.
#[utoipa::path(get, path = "/readyz", tag = "health",
    responses((status = 200, body = HealthBody), (status = 503, description = "It takes no readings in; `detail` says why.")))]
async fn readyz(State(service): State<ServiceState>) -> Result<axum::Json<HealthBody>, Problem> {
    service.host.ready().map_err(Problem::unavailable)?;
    Ok(healthz(State(service)).await)
}

/// Counters and gauges in Prometheus' text format.
#[utoipa::path(get, path = "/metrics", tag = "health",
    responses((status = 200, description = "Prometheus' text format.", content_type = "text/plain", body = String)))]
async fn metrics(State(service): State<ServiceState>) -> impl IntoResponse {
    (
        [(
            header::CONTENT_TYPE,
            "text/plain; version=0.0.4; charset=utf-8",
        )],
        service.host.metrics(),
    )
}
