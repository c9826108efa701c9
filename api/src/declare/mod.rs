//! The apiary as declared: reading it, and setting it up without a file. Field names are those of
//! the apiary file.

mod body;
mod place;
mod revision;

use crate::problem::{Body, Id};
use crate::{Problem, Service, ServiceState};
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use larder_domain::{Apiary, Feeder, FeederId, Hive, HiveId, Yard, YardId};
use larder_store::edit_apiary;
use larder_wire::apiary::{FeederWire, HiveWire, YardWire};
use revision::{Expected, Marked, Tagged};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

/// All yards as declared.
#[derive(Serialize, ToSchema)]
struct YardsBody {
    yards: Vec<YardWire>,
}

/// All hives as declared.
#[derive(Serialize, ToSchema)]
struct HivesBody {
    hives: Vec<HiveWire>,
}

/// All feeders as declared.
#[derive(Serialize, ToSchema)]
struct FeedersBody {
    feeders: Vec<FeederWire>,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(list_yards))
        .routes(routes!(get_yard, put_yard, delete_yard))
        .routes(routes!(list_hives))
        .routes(routes!(get_hive, put_hive, delete_hive))
        .routes(routes!(list_feeders))
        .routes(routes!(get_feeder, put_feeder, delete_feeder))
        .routes(routes!(place::place_device))
}

/// The apiary in parts, to be changed and put together again.
struct Parts {
    yards: Vec<Yard>,
    hives: Vec<Hive>,
    feeders: Vec<Feeder>,
}

/// Changes the apiary in one transaction, or says everything that would no longer fit together.
/// `check` looks at what is declared at that moment and may refuse.
fn change(
    service: &Service,
    check: impl Fn(&Apiary) -> Result<(), Problem>,
    edit: impl Fn(&mut Parts),
) -> Result<Apiary, Problem> {
    let mut edited = None;
    let changed = edit_apiary(service.records.as_ref(), |apiary| {
        check(apiary)?;
        let mut parts = Parts {
            yards: apiary.yards().cloned().collect(),
            hives: apiary.hives().cloned().collect(),
            feeders: apiary.feeders().cloned().collect(),
        };
        edit(&mut parts);
        let gateways = apiary.gateways().to_vec();
        Apiary::new(parts.yards, parts.hives, parts.feeders, gateways)
            .and_then(|new| {
                let kept = new.that_fit(apiary.thresholds());
                new.with_thresholds(kept)
            })
            .map_err(|problems| {
                let sentences: Vec<_> = problems.iter().map(ToString::to_string).collect();
                Problem::conflict(sentences.join("; "))
            })
            .inspect(|apiary| edited = Some(apiary.clone()))
    })??;
    if changed {
        service.host.changed();
    }
    edited.ok_or_else(|| Problem::internal("the apiary was not changed"))
}

fn missing(what: &str, id: impl std::fmt::Display) -> Problem {
    Problem::not_found(format!("there is no {what} \"{id}\""))
}

/// All yards.
#[utoipa::path(get, path = "/api/v1/yards", tag = "yards", responses((status = 200, body = YardsBody)))]
async fn list_yards(State(service): State<ServiceState>) -> Result<Json<YardsBody>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    Ok(Json(YardsBody {
        yards: apiary
            .yards()
            .map(|one| YardWire::from(one).marked())
            .collect(),
    }))
}

/// One yard.
#[utoipa::path(get, path = "/api/v1/yards/{id}", tag = "yards", params(Id<YardId>),
    responses((status = 200, body = YardWire)))]
async fn get_yard(
    State(service): State<ServiceState>,
    Id(id): Id<YardId>,
) -> Result<Tagged<YardWire>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    apiary
        .yard(&id)
        .map(|yard| Tagged(YardWire::from(yard).marked()))
        .ok_or_else(|| missing("yard", id))
}

/// Declares a yard, or declares it anew.
#[utoipa::path(put, path = "/api/v1/yards/{id}", tag = "yards", params(Id<YardId>, Expected), request_body = YardWire,
    responses((status = 200, body = YardWire), (status = 409)))]
async fn put_yard(
    State(service): State<ServiceState>,
    Id(id): Id<YardId>,
    expected: Expected,
    Body(body): Body<YardWire>,
) -> Result<Tagged<YardWire>, Problem> {
    let expected = expected.or(body.revision());
    let yard = body::yard(body, &id).map_err(Problem::bad_request)?;
    service
        .blocking(move |s| {
            let wanted = YardWire::from(&yard).marked();
            let check = |apiary: &Apiary| {
                let found = apiary
                    .yard(&yard.id)
                    .map(|one| YardWire::from(one).marked());
                expected.check("yard", found.as_ref(), Some(&wanted))
            };
            let apiary = change(s, check, |parts| {
                parts.yards.retain(|other| other.id != yard.id);
                parts.yards.push(yard.clone());
            })?;
            let declared = apiary.yard(&yard.id).unwrap_or(&yard);
            Ok(Tagged(YardWire::from(declared).marked()))
        })
        .await
}

/// Takes a yard out; it must have no hives.
#[utoipa::path(delete, path = "/api/v1/yards/{id}", tag = "yards", params(Id<YardId>, Expected),
    responses((status = 204), (status = 409)))]
async fn delete_yard(
    State(service): State<ServiceState>,
    Id(id): Id<YardId>,
    expected: Expected,
) -> Result<StatusCode, Problem> {
    service
        .blocking(move |s| {
            let check = |apiary: &Apiary| {
                let found = apiary.yard(&id).ok_or_else(|| missing("yard", &id))?;
                expected.check("yard", Some(&YardWire::from(found).marked()), None)
            };
            change(s, check, |parts| parts.yards.retain(|yard| yard.id != id))?;
            Ok(StatusCode::NO_CONTENT)
        })
        .await
}

/// All hives.
#[utoipa::path(get, path = "/api/v1/hives", tag = "hives", responses((status = 200, body = HivesBody)))]
async fn list_hives(State(service): State<ServiceState>) -> Result<Json<HivesBody>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    Ok(Json(HivesBody {
        hives: apiary
            .hives()
            .map(|one| HiveWire::from(one).marked())
            .collect(),
    }))
}

/// One hive.
#[utoipa::path(get, path = "/api/v1/hives/{id}", tag = "hives", params(Id<HiveId>),
    responses((status = 200, body = HiveWire)))]
async fn get_hive(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
) -> Result<Tagged<HiveWire>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    apiary
        .hive(&id)
        .map(|hive| Tagged(HiveWire::from(hive).marked()))
        .ok_or_else(|| missing("hive", id))
}

/// Declares a hive, or declares it anew.
#[utoipa::path(put, path = "/api/v1/hives/{id}", tag = "hives", params(Id<HiveId>, Expected), request_body = HiveWire,
    responses((status = 200, body = HiveWire), (status = 409)))]
async fn put_hive(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
    expected: Expected,
    Body(body): Body<HiveWire>,
) -> Result<Tagged<HiveWire>, Problem> {
    let expected = expected.or(body.revision());
    let hive = body::hive(body, &id).map_err(Problem::bad_request)?;
    service
        .blocking(move |s| {
            let wanted = HiveWire::from(&hive).marked();
            let check = |apiary: &Apiary| {
                let found = apiary
                    .hive(&hive.id)
                    .map(|one| HiveWire::from(one).marked());
                expected.check("hive", found.as_ref(), Some(&wanted))
            };
            let apiary = change(s, check, |parts| {
                parts.hives.retain(|other| other.id != hive.id);
                parts.hives.push(hive.clone());
            })?;
            let declared = apiary.hive(&hive.id).unwrap_or(&hive);
            Ok(Tagged(HiveWire::from(declared).marked()))
        })
        .await
}

/// Takes a hive out; it must have no feeders.
#[utoipa::path(delete, path = "/api/v1/hives/{id}", tag = "hives", params(Id<HiveId>, Expected),
    responses((status = 204), (status = 409)))]
async fn delete_hive(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
    expected: Expected,
) -> Result<StatusCode, Problem> {
    service
        .blocking(move |s| {
            let check = |apiary: &Apiary| {
                let found = apiary.hive(&id).ok_or_else(|| missing("hive", &id))?;
                expected.check("hive", Some(&HiveWire::from(found).marked()), None)
            };
            change(s, check, |parts| parts.hives.retain(|hive| hive.id != id))?;
            Ok(StatusCode::NO_CONTENT)
        })
        .await
}

/// All feeders.
#[utoipa::path(get, path = "/api/v1/feeders", tag = "feeders", responses((status = 200, body = FeedersBody)))]
async fn list_feeders(State(service): State<ServiceState>) -> Result<Json<FeedersBody>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    Ok(Json(FeedersBody {
        feeders: apiary
            .feeders()
            .map(|one| FeederWire::from(one).marked())
            .collect(),
    }))
}

/// One feeder.
#[utoipa::path(get, path = "/api/v1/feeders/{id}", tag = "feeders", params(Id<FeederId>),
    responses((status = 200, body = FeederWire)))]
async fn get_feeder(
    State(service): State<ServiceState>,
    Id(id): Id<FeederId>,
) -> Result<Tagged<FeederWire>, Problem> {
    let apiary = service.blocking(|s| Ok(s.records.apiary()?)).await?;
    apiary
        .feeder(&id)
        .map(|feeder| Tagged(FeederWire::from(feeder).marked()))
        .ok_or_else(|| missing("feeder", id))
}

/// Declares a feeder, or declares it anew.
#[utoipa::path(put, path = "/api/v1/feeders/{id}", tag = "feeders", params(Id<FeederId>, Expected), request_body = FeederWire,
    responses((status = 200, body = FeederWire), (status = 409)))]
async fn put_feeder(
    State(service): State<ServiceState>,
    Id(id): Id<FeederId>,
    expected: Expected,
    Body(body): Body<FeederWire>,
) -> Result<Tagged<FeederWire>, Problem> {
    let expected = expected.or(body.revision());
    let feeder = body::feeder(body, &id).map_err(Problem::bad_request)?;
    service
        .blocking(move |s| {
            let wanted = FeederWire::from(&feeder).marked();
            let check = |apiary: &Apiary| {
                let found = apiary
                    .feeder(&feeder.id)
                    .map(|one| FeederWire::from(one).marked());
                expected.check("feeder", found.as_ref(), Some(&wanted))
            };
            let apiary = change(s, check, |parts| {
                parts.feeders.retain(|other| other.id != feeder.id);
                parts.feeders.push(feeder.clone());
            })?;
            let declared = apiary.feeder(&feeder.id).unwrap_or(&feeder);
            Ok(Tagged(FeederWire::from(declared).marked()))
        })
        .await
}

/// Takes a feeder out; its readings stay.
#[utoipa::path(delete, path = "/api/v1/feeders/{id}", tag = "feeders", params(Id<FeederId>, Expected),
    responses((status = 204)))]
async fn delete_feeder(
    State(service): State<ServiceState>,
    Id(id): Id<FeederId>,
    expected: Expected,
) -> Result<StatusCode, Problem> {
    service
        .blocking(move |s| {
            let check = |apiary: &Apiary| {
                let found = apiary.feeder(&id).ok_or_else(|| missing("feeder", &id))?;
                expected.check("feeder", Some(&FeederWire::from(found).marked()), None)
            };
            change(s, check, |parts| {
                parts.feeders.retain(|feeder| feeder.id != id)
            })?;
            Ok(StatusCode::NO_CONTENT)
        })
        .await
}
