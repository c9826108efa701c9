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

/// A page of the quarantine.
#[derive(Serialize, ToSchema)]
struct QuarantineBody {
    entries: Vec<QuarantineEntryBody>,
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
    #[schema(value_type = Option<i64>)]
    next: Option<QuarantinedId>,
}

/// What could not be read.
#[derive(Serialize, ToSchema)]
struct QuarantineEntryBody {
    #[schema(value_type = i64)]
    id: QuarantinedId,
    /// When it came first.
    #[schema(format = DateTime)]
    received_at: String,
    /// When it came last.
    #[schema(format = DateTime)]
    last_at: String,
    /// How often the same came.
    count: u64,
    topic: String,
    reason: String,
    /// The message as it came, base64.
    #[schema(content_encoding = "base64")]
    bytes: String,
    /// The index of the bad record in its pack; null: nothing of it could be read.
    record: Option<u32>,
}

impl From<Quarantined> for QuarantineEntryBody {
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
    #[param(value_type = i64)]
    after: QuarantinedId,
    /// At most so many; 100 where it is left out, 500 at most.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<usize>,
}

/// What to read again.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct ReplayRequest {
    /// Which entries; empty: all.
    #[serde(default)]
    #[schema(value_type = Vec<i64>)]
    ids: Vec<QuarantinedId>,
}

/// What a replay did.
#[derive(Serialize, ToSchema)]
struct ReplayBody {
    /// Entries that could be read now and left the quarantine.
    released: u64,
    /// Entries that still can't be read.
    kept: u64,
    /// Readings that came of it.
    readings: u64,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(list_quarantine))
        .routes(routes!(replay_quarantine))
}

/// The quarantine, oldest first.
#[utoipa::path(get, path = "/api/v1/quarantine", tag = "quarantine", params(PageQuery),
    responses((status = 200, body = QuarantineBody)))]
async fn list_quarantine(
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
async fn replay_quarantine(
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
