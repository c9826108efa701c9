//! The whole router, and the description of it that is generated from the code.

use crate::describe::completed;
use crate::{Problem, ServiceState};
use axum::Router;
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::map_response;
use axum::response::{IntoResponse, Response};
use std::sync::LazyLock;
use std::time::Duration;
use tower_http::compression::CompressionLayer;
use tower_http::compression::predicate::{DefaultPredicate, NotForContentType, Predicate};
use tower_http::limit::RequestBodyLimitLayer;
use tower_http::timeout::{RequestBodyTimeoutLayer, TimeoutLayer};
use tower_http::trace::{DefaultOnFailure, TraceLayer};
use tracing::Level;
use utoipa::OpenApi;
use utoipa_axum::{router::OpenApiRouter, routes};

/// Largest body taken: a declaration or a fill is a few hundred bytes.
pub(crate) const BODY_LIMIT: usize = 256 * 1024;

/// How long a request's body may say nothing on its way in.
const BODY_PAUSE: Duration = Duration::from_secs(20);

/// Answers that take longer are given up; charts of a season take milliseconds.
pub(crate) const ANSWER_LIMIT: Duration = Duration::from_secs(60);

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Larder",
        description = "Sugar syrup feeding as seen by hive scales and level sensors. Times are RFC 3339 in UTC, days are the yard's local days, volumes are litres at 20 °C, an estimate comes with the interval that holds the truth nine times in ten. What is refused is answered with a problem (RFC 9457), whose `detail` says what to change.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    servers((url = "/", description = "Where this description came from.")),
    components(schemas(Problem)),
    tags(
        (name = "shelf", description = "Every yard, hive and feeder as they stand."),
        (name = "yards", description = "Yards as declared."),
        (name = "hives", description = "Hives as declared, and what is known of each."),
        (name = "feeders", description = "Feeders as declared, and what is in them."),
        (name = "readings", description = "What devices measured."),
        (name = "devices", description = "Scales, level sensors, weather stations: where they stand and how they are."),
        (name = "fills", description = "Fills that a keeper writes down."),
        (name = "flags", description = "What is wrong, and what people say about it."),
        (name = "notices", description = "Who is told of flags, and what became of the notices."),
        (name = "quarantine", description = "What could not be read."),
        (name = "mix", description = "Mixing syrup."),
        (name = "settings", description = "The operation's own settings."),
        (name = "events", description = "News, for pages that listen."),
        (name = "health", description = "The service itself.")
    )
)]
struct Description;

/// The resources, each with its own description.
fn parts() -> [OpenApiRouter<ServiceState>; 17] {
    [
        crate::shelf::router(),
        crate::declare::router(),
        crate::hives::router(),
        crate::feeders::router(),
        crate::readings::router(),
        crate::removal::router(),
        crate::devices::router(),
        crate::learned::router(),
        crate::fills::router(),
        crate::flags::router(),
        crate::people::router(),
        crate::quarantine::router(),
        crate::mix::router(),
        crate::settings::router(),
        crate::events::router(),
        crate::health::router(),
        OpenApiRouter::new().routes(routes!(get_description)),
    ]
}

fn described() -> OpenApiRouter<ServiceState> {
    let whole = OpenApiRouter::with_openapi(Description::openapi());
    parts().into_iter().fold(whole, OpenApiRouter::merge)
}

static DESCRIPTION: LazyLock<String> = LazyLock::new(|| {
    let api = completed(described().into_openapi());
    api.to_pretty_json().unwrap_or_else(|error| {
        // Only a schema that can't be written as JSON could fail, and a test writes it.
        format!("{{\"error\": \"{error}\"}}")
    })
});

/// The OpenAPI 3.1 description as JSON.
pub fn openapi_json() -> &'static str {
    &DESCRIPTION
}

/// Everything that is served, without a socket.
pub fn router(service: ServiceState) -> Router {
    let (api, _) = described().split_for_parts();
    let not_events = DefaultPredicate::new().and(NotForContentType::SSE);
    api.merge(crate::pages::router())
        .layer(CompressionLayer::new().compress_when(not_events))
        .layer(RequestBodyLimitLayer::new(BODY_LIMIT))
        .layer(RequestBodyTimeoutLayer::new(BODY_PAUSE))
        .layer(TimeoutLayer::with_status_code(
            StatusCode::GATEWAY_TIMEOUT,
            ANSWER_LIMIT,
        ))
        .layer(map_response(with_a_reason))
        // A probe that is told "not now" every few seconds is no news; what fails says so where it fails.
        .layer(TraceLayer::new_for_http().on_failure(DefaultOnFailure::new().level(Level::DEBUG)))
        .with_state(service)
}

/// What the layers and the router itself refuse is a problem like any other.
async fn with_a_reason(response: Response) -> Response {
    let detail = match response.status() {
        StatusCode::METHOD_NOT_ALLOWED => {
            "this address takes other methods; the Allow header names them".to_owned()
        }
        StatusCode::PAYLOAD_TOO_LARGE => {
            format!(
                "the body is too long: at most {} KiB are taken",
                BODY_LIMIT / 1024
            )
        }
        StatusCode::GATEWAY_TIMEOUT => format!(
            "there was no answer within {} s; ask for less, or try again",
            ANSWER_LIMIT.as_secs()
        ),
        _ => return response,
    };
    let problem = Problem::new(response.status(), detail).into_response();
    let (mut parts, body) = problem.into_parts();
    if let Some(allowed) = response.headers().get(header::ALLOW) {
        parts.headers.insert(header::ALLOW, allowed.clone());
    }
    Response::from_parts(parts, body)
}

/// This description.
#[utoipa::path(get, path = "/api/v1/openapi.json", tag = "health",
    responses((status = 200, description = "An OpenAPI 3.1 document.", content_type = "application/json", body = Object)))]
async fn get_description() -> impl IntoResponse {
    let json = HeaderValue::from_static("application/json");
    ([(header::CONTENT_TYPE, json)], openapi_json())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    /// The description keeps one schema of a name, whichever came last.
    #[test]
    fn no_two_types_share_a_name() {
        let mut seen = BTreeMap::new();
        for part in parts() {
            let schemas = part.into_openapi().components.unwrap_or_default().schemas;
            for (name, schema) in schemas {
                let short = name.trim_end_matches("Body").to_owned();
                let this = (
                    name,
                    serde_json::to_string(&schema).expect("a schema is JSON"),
                );
                let before = seen.entry(short).or_insert_with(|| this.clone());
                assert_eq!(*before, this, "two types of one name");
            }
        }
    }
}
