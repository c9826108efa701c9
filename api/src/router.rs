//! The whole router, and the description of it that is generated from the code.

use crate::ServiceState;
use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::IntoResponse;
use std::time::Duration;
use tower_http::compression::CompressionLayer;
use tower_http::compression::predicate::{DefaultPredicate, NotForContentType, Predicate};
use tower_http::limit::RequestBodyLimitLayer;
use tower_http::timeout::{RequestBodyTimeoutLayer, TimeoutLayer};
use tower_http::trace::{DefaultOnFailure, TraceLayer};
use tracing::Level;
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;

/// Largest body taken: a declaration or a fill is a few hundred bytes.
const BODY_LIMIT: usize = 256 * 1024;

/// How long a request's body may say nothing on its way in.
const BODY_PAUSE: Duration = Duration::from_secs(20);

/// Answers that take longer are given up; charts of a season take milliseconds.
const ANSWER_LIMIT: Duration = Duration::from_secs(60);

#[derive(OpenApi)]
#[openapi(info(
    title = "Larder",
    description = "Sugar syrup feeding as seen by hive scales and level sensors. Times are RFC 3339 in UTC, days are the yard's local days, volumes are litres at 20 °C, an estimate comes with the interval that holds the truth nine times in ten."
))]
struct Description;

fn described() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::with_openapi(Description::openapi())
        .merge(crate::shelf::router())
        .merge(crate::declare::router())
        .merge(crate::hives::router())
        .merge(crate::feeders::router())
        .merge(crate::readings::router())
        .merge(crate::removal::router())
        .merge(crate::devices::router())
        .merge(crate::learned::router())
        .merge(crate::fills::router())
        .merge(crate::flags::router())
        .merge(crate::people::router())
        .merge(crate::quarantine::router())
        .merge(crate::mix::router())
        .merge(crate::settings::router())
        .merge(crate::events::router())
        .merge(crate::health::router())
}

/// The OpenAPI 3.1 description as JSON.
pub fn openapi_json() -> String {
    described()
        .into_openapi()
        .to_pretty_json()
        .unwrap_or_else(|error| {
            // Only a schema that can't be written as JSON could fail, and a test writes it.
            format!("{{\"error\": \"{error}\"}}")
        })
}

/// Everything that is served, without a socket.
pub fn router(service: ServiceState) -> Router {
    let (api, _) = described().split_for_parts();
    let not_events = DefaultPredicate::new().and(NotForContentType::SSE);
    api.route("/api/v1/openapi.json", axum::routing::get(openapi))
        .merge(crate::pages::router())
        .layer(CompressionLayer::new().compress_when(not_events))
        .layer(RequestBodyLimitLayer::new(BODY_LIMIT))
        .layer(RequestBodyTimeoutLayer::new(BODY_PAUSE))
        .layer(TimeoutLayer::with_status_code(
            StatusCode::GATEWAY_TIMEOUT,
            ANSWER_LIMIT,
        ))
        // A probe that is told "not now" every few seconds is no news; what fails says so where it fails.
        .layer(TraceLayer::new_for_http().on_failure(DefaultOnFailure::new().level(Level::DEBUG)))
        .with_state(service)
}

async fn openapi(State(_): State<ServiceState>) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "application/json")], openapi_json())
}
