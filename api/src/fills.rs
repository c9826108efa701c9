//! Fills that a keeper writes down.

use crate::problem::{Body, Params};
use crate::{Problem, ServiceState};
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use larder_domain::{Apiary, FeederId, RecordedFill, Strength, Timestamp, YardId};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

/// A fill as written down. Sending it twice writes it down once: feeder and time are its identity.
#[derive(Serialize, Deserialize, ToSchema, Clone)]
#[serde(deny_unknown_fields)]
struct FillRecord {
    /// The page's own number for it, given back unchanged.
    #[serde(default)]
    id: Option<String>,
    feeder: String,
    /// When.
    #[schema(format = DateTime)]
    time: String,
    /// Litres poured; null: not written down.
    volume_l: Option<f64>,
    /// Sugar to water by mass; null: not written down.
    strength: Option<String>,
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct FillIdentity {
    /// The feeder.
    feeder: String,
    /// When it was filled.
    #[param(format = DateTime)]
    time: String,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(record_fill, remove_fill))
}

/// Writes a fill down.
#[utoipa::path(post, path = "/api/v1/fills", tag = "fills", request_body = FillRecord,
    responses((status = 201, description = "It is written down.", body = FillRecord), (status = 200, description = "It was written down before.", body = FillRecord)))]
async fn record_fill(
    State(service): State<ServiceState>,
    Body(body): Body<FillRecord>,
) -> Result<(StatusCode, Json<FillRecord>), Problem> {
    let fill = parse(&body)?;
    let new = service
        .blocking(move |s| {
            let apiary = s.records.apiary()?;
            let Some(feeder) = apiary.feeder(&fill.feeder) else {
                let detail = format!("there is no feeder \"{}\"; declare it first", fill.feeder);
                return Err(Problem::bad_request(detail));
            };
            if let Some(volume_l) = fill.volume_l
                && volume_l > feeder.capacity_l * 1.5
            {
                return Err(Problem::bad_request(format!(
                    "{volume_l} l does not fit into \"{}\", which holds {} l",
                    feeder.id, feeder.capacity_l
                )));
            }
            if fill.time > s.host.now().plus_ms(larder_domain::reading::AHEAD_LIMIT_MS) {
                return Err(Problem::bad_request(
                    "the fill's time lies ahead of the clock",
                ));
            }
            let yards = yards_of(&apiary, &fill.feeder);
            let at = fill.time;
            let done = s.records.record_fills(&[fill])?;
            s.host.fill_changed(&yards, at);
            Ok(done.new > 0)
        })
        .await?;
    Ok((
        if new {
            StatusCode::CREATED
        } else {
            StatusCode::OK
        },
        Json(body),
    ))
}

fn parse(body: &FillRecord) -> Result<RecordedFill, Problem> {
    let feeder =
        FeederId::new(&body.feeder).map_err(|error| Problem::bad_request(error.to_string()))?;
    let time = parse_time(&body.time)?;
    if let Some(volume_l) = body.volume_l
        && !(volume_l > 0.0 && volume_l <= 2000.0)
    {
        return Err(Problem::bad_request(
            "volume_l must lie between 0 and 2000, or be null",
        ));
    }
    let strength = body
        .strength
        .as_deref()
        .map(Strength::parse)
        .transpose()
        .map_err(|error| Problem::bad_request(error.to_string()))?;
    Ok(RecordedFill {
        feeder,
        time,
        volume_l: body.volume_l,
        strength,
    })
}

/// The yards in which a feeder's hive ever stood.
fn yards_of(apiary: &Apiary, feeder: &FeederId) -> Vec<YardId> {
    let hive = apiary.feeder(feeder).and_then(|f| apiary.hive(&f.hive));
    let Some(hive) = hive else { return Vec::new() };
    let moved = hive.moves.iter().map(|carried| carried.yard.clone());
    std::iter::once(hive.yard.clone()).chain(moved).collect()
}

fn parse_time(text: &str) -> Result<Timestamp, Problem> {
    Timestamp::parse_rfc3339(text)
        .filter(|time| *time >= Timestamp::YEAR_2000)
        .ok_or_else(|| Problem::bad_request("time is written like 2026-09-01T05:00:00Z"))
}

/// Takes a fill out again.
#[utoipa::path(delete, path = "/api/v1/fills", tag = "fills", params(FillIdentity),
    responses((status = 204), (status = 404)))]
async fn remove_fill(
    State(service): State<ServiceState>,
    Params(identity): Params<FillIdentity>,
) -> Result<StatusCode, Problem> {
    let feeder =
        FeederId::new(&identity.feeder).map_err(|error| Problem::bad_request(error.to_string()))?;
    let time = parse_time(&identity.time)?;
    service
        .blocking(move |s| {
            if !s.records.remove_fill(&feeder, time)? {
                return Err(Problem::not_found("no such fill is written down"));
            }
            let yards = yards_of(&s.records.apiary()?, &feeder);
            s.host.fill_changed(&yards, time);
            Ok(StatusCode::NO_CONTENT)
        })
        .await
}
