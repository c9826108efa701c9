//! What could not be read, and reading it again.

use crate::problem::{Body, Params};
use crate::{Problem, ServiceState};
use axum::Json;
use axum::extract::State;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use larder_store::{Quarantined, QuarantinedId};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

/// Most entries in one answer. Their messages are bounded as well: see
/// [`larder_store::QUARANTINE_PAGE_BYTES`].
const MOST_ENTRIES: usize = 500;

#[derive(Serialize, ToSchema)]
struct QuarantineBody {
    entries: Vec<EntryBody>,
    /// Number of entries in all.
    total: u64,
    /// Number of messages that they stand for.
    messages: u64,
    /// Entries that went because the quarantine was full, since ever.
    dropped: u64,
    /// Most entries that this answer could have had. It has fewer where their messages come to more than
    /// a megabyte.
    limit: usize,
    /// What to give as `after` for the next page; null: there is none.
    next: Option<QuarantinedId>,
}

#[derive(Serialize, ToSchema)]
struct EntryBody {
    id: QuarantinedId,
    received_at: String,
    last_at: String,
    count: u64,
    topic: String,
    reason: String,
    /// The message as it came, base64.
    bytes: String,
    /// The index of the bad record in its pack; null: nothing of it could be read.
    record: Option<u32>,
}

impl From<Quarantined> for EntryBody {
    fn from(entry: Quarantined) -> Self {
        Self {
            id: entry.id,
            received_at: entry.refused.received_at.to_rfc3339(),
            last_at: entry.last_at.to_rfc3339(),
            count: entry.count,
            topic: entry.refused.topic,
            reason: entry.refused.reason,
            bytes: STANDARD.encode(&entry.refused.bytes),
            record: entry.refused.record,
        }
    }
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct PageQuery {
    /// Only entries with a greater number.
    #[serde(default)]
    after: QuarantinedId,
    /// At most so many; 100 where it is left out, 500 at most.
    limit: Option<usize>,
}

#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct ReplayRequest {
    /// Which entries; empty: all.
    #[serde(default)]
    ids: Vec<QuarantinedId>,
}

#[derive(Serialize, ToSchema)]
struct ReplayBody {
    released: u64,
    kept: u64,
    readings: u64,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(list))
        .routes(routes!(replay))
}

/// The quarantine, oldest first.
#[utoipa::path(get, path = "/api/v1/quarantine", tag = "quarantine", params(PageQuery),
    responses((status = 200, body = QuarantineBody)))]
async fn list(
    State(service): State<ServiceState>,
    Params(page): Params<PageQuery>,
) -> Result<Json<QuarantineBody>, Problem> {
    let limit = page.limit.unwrap_or(100).clamp(1, MOST_ENTRIES);
    service
        .blocking(move |s| {
            let (total, messages) = s.records.quarantine_size()?;
            let entries = s.records.quarantined(page.after, limit)?;
            let next = match entries.last() {
                Some(last) if !s.records.quarantined(last.id, 1)?.is_empty() => Some(last.id),
                _ => None,
            };
            let entries = entries.into_iter().map(Into::into).collect();
            Ok(Json(QuarantineBody {
                entries,
                total,
                messages,
                dropped: s.records.quarantine_dropped()?,
                limit,
                next,
            }))
        })
        .await
}

/// Reads entries again; those that can be read now leave the quarantine.
#[utoipa::path(post, path = "/api/v1/quarantine/replay", tag = "quarantine", request_body = ReplayRequest,
    responses((status = 200, body = ReplayBody)))]
async fn replay(
    State(service): State<ServiceState>,
    Body(request): Body<ReplayRequest>,
) -> Result<Json<ReplayBody>, Problem> {
    service
        .blocking(move |s| {
            let done = s.host.replay(&request.ids)?;
            Ok(Json(ReplayBody {
                released: done.released,
                kept: done.kept,
                readings: done.readings,
            }))
        })
        .await
}
