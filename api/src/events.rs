//! Server-sent events: what changed, so that a page knows what to load anew.

use crate::server::Peer;
use crate::service::FlagNews;
use crate::{News, Problem, ServiceState};
use axum::Extension;
use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::{Stream, StreamExt};
use serde_json::json;
use std::convert::Infallible;
use std::time::Duration;
use tokio_stream::wrappers::BroadcastStream;
use tokio_stream::wrappers::errors::BroadcastStreamRecvError;
use utoipa_axum::{router::OpenApiRouter, routes};

/// Pages that may listen at once, and from one address that is not this machine.
pub(crate) const MOST_LISTENERS: usize = 256;
pub(crate) const MOST_LISTENERS_FROM_ONE_ADDRESS: usize = 64;

/// Proxies and phones drop connections that stay quiet for longer.
const KEEP_ALIVE: Duration = Duration::from_secs(20);

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(listen))
}

/// What changes, as it changes.
///
/// A stream of `readings` ({devices}), `results` ({yards, hives}), `flags` ({flags: id, kind, state, yard,
/// hive}: opened, changed, closed, withdrawn, or something was said of them), `people`, `apiary`, and `missed` where a
/// listener was too slow and should load everything anew.
#[utoipa::path(get, path = "/api/v1/events", tag = "events",
    responses((status = 200, description = "Server-sent events.", content_type = "text/event-stream", body = String),
        (status = 503, description = "Too many listen already.")))]
async fn listen(
    State(service): State<ServiceState>,
    peer: Option<Extension<Peer>>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let address = peer.map(|Extension(Peer(address))| address);
    let listener = service.listeners.admit(address).ok_or_else(|| {
        Problem::unavailable("too many pages listen already; close some, or load this one by hand")
    })?;
    let stream = BroadcastStream::new(service.news.subscribe())
        .map(|news| Ok(event(news)))
        .take_until(service.stopping.clone().cancelled_owned())
        .inspect(move |_| {
            // Counted as long as the stream lives.
            let _ = &listener;
        });
    Ok(Sse::new(stream).keep_alive(KeepAlive::new().interval(KEEP_ALIVE)))
}

fn event(news: Result<News, BroadcastStreamRecvError>) -> Event {
    let text = |ids: &mut dyn Iterator<Item = String>| ids.collect::<Vec<_>>();
    let (name, data) = match news {
        Ok(News::Readings(devices)) => (
            "readings",
            json!({ "devices": text(&mut devices.iter().map(ToString::to_string)) }),
        ),
        Ok(News::Results { yards, hives }) => (
            "results",
            json!({
                "yards": text(&mut yards.iter().map(ToString::to_string)),
                "hives": text(&mut hives.iter().map(ToString::to_string)),
            }),
        ),
        Ok(News::Flags(flags)) => {
            let flag = |flag: &FlagNews| {
                json!({ "id": flag.id.as_str(), "kind": flag.kind.name(), "state": flag.state.name(),
                    "yard": flag.yard.as_ref().map(ToString::to_string),
                    "hive": flag.hive.as_ref().map(ToString::to_string) })
            };
            let flags: Vec<_> = flags.iter().map(flag).collect();
            ("flags", json!({ "flags": flags }))
        }
        Ok(News::People) => ("people", json!({})),
        Ok(News::Apiary) => ("apiary", json!({})),
        Err(BroadcastStreamRecvError::Lagged(missed)) => ("missed", json!({ "count": missed })),
    };
    Event::default().event(name).data(data.to_string())
}
