//! The apiary as declared: reading it, and setting it up without a file. Field names are those of
//! the apiary file.

mod body;
mod place;

use crate::problem::{Body, Id};
use crate::{Problem, Service, ServiceState};
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use body::{FeederBody, HiveBody, YardBody};
use larder_domain::{Apiary, Feeder, FeederId, Hive, HiveId, Yard, YardId};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

#[derive(Serialize, ToSchema)]
struct YardsBody {
    yards: Vec<YardBody>,
}

#[derive(Serialize, ToSchema)]
struct HivesBody {
    hives: Vec<HiveBody>,
}

#[derive(Serialize, ToSchema)]
struct FeedersBody {
    feeders: Vec<FeederBody>,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(yards))
        .routes(routes!(yard, put_yard, delete_yard))
        .routes(routes!(hives))
        .routes(routes!(hive, put_hive, delete_hive))
        .routes(routes!(feeders))
        .routes(routes!(feeder, put_feeder, delete_feeder))
        .routes(routes!(place::place_device))
}

/// The apiary in parts, to be changed and put together again.
struct Parts {
    yards: Vec<Yard>,
    hives: Vec<Hive>,
    feeders: Vec<Feeder>,
}

/// Changes the apiary, or says everything that would no longer fit together.
fn change(service: &Service, edit: impl FnOnce(&mut Parts)) -> Result<(), Problem> {
    let apiary = service.records.apiary()?;
    let mut parts = Parts {
        yards: apiary.yards().cloned().collect(),
        hives: apiary.hives().cloned().collect(),
        feeders: apiary.feeders().cloned().collect(),
    };
    edit(&mut parts);
    let gateways = apiary.gateways().to_vec();
    let changed = Apiary::new(parts.yards, parts.hives, parts.feeders, gateways)
        .and_then(|new| {
            let kept = new.that_fit(apiary.thresholds());
            new.with_thresholds(kept)
        })
        .map_err(|problems| {
            let sentences: Vec<_> = problems.iter().map(ToString::to_string).collect();
            Problem::conflict(sentences.join("; "))
        })?;
    if service.records.set_apiary(&changed)? {
        service.host.changed();
    }
    Ok(())
}

fn missing(what: &str, id: impl std::fmt::Display) -> Problem {
    Problem::not_found(format!("there is no {what} \"{id}\""))
}

/// All yards.
#[utoipa::path(get, path = "/api/v1/yards", tag = "yards", responses((status = 200, body = YardsBody)))]
async fn yards(State(service): State<ServiceState>) -> Result<Json<YardsBody>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    Ok(Json(YardsBody {
        yards: apiary.yards().map(Into::into).collect(),
    }))
}

/// One yard.
#[utoipa::path(get, path = "/api/v1/yards/{id}", tag = "yards", params(("id" = String, Path)),
    responses((status = 200, body = YardBody), (status = 404, body = Problem)))]
async fn yard(
    State(service): State<ServiceState>,
    Id(id): Id<YardId>,
) -> Result<Json<YardBody>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    apiary
        .yard(&id)
        .map(|yard| Json(yard.into()))
        .ok_or_else(|| missing("yard", id))
}

/// Declares a yard, or declares it anew.
#[utoipa::path(put, path = "/api/v1/yards/{id}", tag = "yards", params(("id" = String, Path)), request_body = YardBody,
    responses((status = 200, body = YardBody), (status = 400, body = Problem), (status = 409, body = Problem)))]
async fn put_yard(
    State(service): State<ServiceState>,
    Id(id): Id<YardId>,
    Body(body): Body<YardBody>,
) -> Result<Json<YardBody>, Problem> {
    let yard = body.parse(id).map_err(Problem::bad_request)?;
    service
        .blocking(move |s| {
            change(s, |parts| {
                parts.yards.retain(|other| other.id != yard.id);
                parts.yards.push(yard.clone());
            })?;
            Ok(Json((&yard).into()))
        })
        .await
}

/// Takes a yard out; it must have no hives.
#[utoipa::path(delete, path = "/api/v1/yards/{id}", tag = "yards", params(("id" = String, Path)),
    responses((status = 204), (status = 404, body = Problem), (status = 409, body = Problem)))]
async fn delete_yard(
    State(service): State<ServiceState>,
    Id(id): Id<YardId>,
) -> Result<StatusCode, Problem> {
    service
        .blocking(move |s| {
            s.records
                .apiary()?
                .yard(&id)
                .ok_or_else(|| missing("yard", &id))?;
            change(s, |parts| parts.yards.retain(|yard| yard.id != id))?;
            Ok(StatusCode::NO_CONTENT)
        })
        .await
}

/// All hives.
#[utoipa::path(get, path = "/api/v1/hives", tag = "hives", responses((status = 200, body = HivesBody)))]
async fn hives(State(service): State<ServiceState>) -> Result<Json<HivesBody>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    Ok(Json(HivesBody {
        hives: apiary.hives().map(Into::into).collect(),
    }))
}

/// One hive.
#[utoipa::path(get, path = "/api/v1/hives/{id}", tag = "hives", params(("id" = String, Path)),
    responses((status = 200, body = HiveBody), (status = 404, body = Problem)))]
async fn hive(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
) -> Result<Json<HiveBody>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    apiary
        .hive(&id)
        .map(|hive| Json(hive.into()))
        .ok_or_else(|| missing("hive", id))
}

/// Declares a hive, or declares it anew.
#[utoipa::path(put, path = "/api/v1/hives/{id}", tag = "hives", params(("id" = String, Path)), request_body = HiveBody,
    responses((status = 200, body = HiveBody), (status = 400, body = Problem), (status = 409, body = Problem)))]
async fn put_hive(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
    Body(body): Body<HiveBody>,
) -> Result<Json<HiveBody>, Problem> {
    let hive = body.parse(id).map_err(Problem::bad_request)?;
    service
        .blocking(move |s| {
            change(s, |parts| {
                parts.hives.retain(|other| other.id != hive.id);
                parts.hives.push(hive.clone());
            })?;
            Ok(Json((&hive).into()))
        })
        .await
}

/// Takes a hive out; it must have no feeders.
#[utoipa::path(delete, path = "/api/v1/hives/{id}", tag = "hives", params(("id" = String, Path)),
    responses((status = 204), (status = 404, body = Problem), (status = 409, body = Problem)))]
async fn delete_hive(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
) -> Result<StatusCode, Problem> {
    service
        .blocking(move |s| {
            s.records
                .apiary()?
                .hive(&id)
                .ok_or_else(|| missing("hive", &id))?;
            change(s, |parts| parts.hives.retain(|hive| hive.id != id))?;
            Ok(StatusCode::NO_CONTENT)
        })
        .await
}

/// All feeders.
#[utoipa::path(get, path = "/api/v1/feeders", tag = "feeders", responses((status = 200, body = FeedersBody)))]
async fn feeders(State(service): State<ServiceState>) -> Result<Json<FeedersBody>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    Ok(Json(FeedersBody {
        feeders: apiary.feeders().map(Into::into).collect(),
    }))
}

/// One feeder.
#[utoipa::path(get, path = "/api/v1/feeders/{id}", tag = "feeders", params(("id" = String, Path)),
    responses((status = 200, body = FeederBody), (status = 404, body = Problem)))]
async fn feeder(
    State(service): State<ServiceState>,
    Id(id): Id<FeederId>,
) -> Result<Json<FeederBody>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    apiary
        .feeder(&id)
        .map(|feeder| Json(feeder.into()))
        .ok_or_else(|| missing("feeder", id))
}

/// Declares a feeder, or declares it anew.
#[utoipa::path(put, path = "/api/v1/feeders/{id}", tag = "feeders", params(("id" = String, Path)), request_body = FeederBody,
    responses((status = 200, body = FeederBody), (status = 400, body = Problem), (status = 409, body = Problem)))]
async fn put_feeder(
    State(service): State<ServiceState>,
    Id(id): Id<FeederId>,
    Body(body): Body<FeederBody>,
) -> Result<Json<FeederBody>, Problem> {
    let feeder = body.parse(id).map_err(Problem::bad_request)?;
    service
        .blocking(move |s| {
            change(s, |parts| {
                parts.feeders.retain(|other| other.id != feeder.id);
                parts.feeders.push(feeder.clone());
            })?;
            Ok(Json((&feeder).into()))
        })
        .await
}

/// Takes a feeder out; its readings stay.
#[utoipa::path(delete, path = "/api/v1/feeders/{id}", tag = "feeders", params(("id" = String, Path)),
    responses((status = 204), (status = 404, body = Problem)))]
async fn delete_feeder(
    State(service): State<ServiceState>,
    Id(id): Id<FeederId>,
) -> Result<StatusCode, Problem> {
    service
        .blocking(move |s| {
            s.records
                .apiary()?
                .feeder(&id)
                .ok_or_else(|| missing("feeder", &id))?;
            change(s, |parts| parts.feeders.retain(|feeder| feeder.id != id))?;
            Ok(StatusCode::NO_CONTENT)
        })
        .await
}
