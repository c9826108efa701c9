//! What is known of one hive: daily uptake, weight, fills, flags, the scale's curve.

use crate::problem::{Id, Params};
use crate::shelf::litres;
use crate::span::{Dates, Moments};
use crate::wire::{Columns, EstimateBody, TotalBody, chart_samples, rounded};
use crate::wire_flag::{FlagBody, FlagWriter};
use crate::words::{FillSourceWord, WeightQualityWord};
use crate::{Problem, Service, ServiceState};
use axum::Json;
use axum::extract::State;
use chrono::NaiveDate;
use chrono_tz::Tz;
use larder_domain::syrup::kg_per_litre;
use larder_domain::time::local_day;
use larder_domain::{Apiary, FeederId, FillEvent, Hive, HiveId, Span, UptakeDay, WeightDay};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

/// Daily uptake, by date and feeder.
#[derive(Serialize, ToSchema)]
pub(crate) struct UptakeBody {
    days: Vec<UptakeDayBody>,
    /// All feeders of a day together, oldest first.
    totals: Vec<UptakeTotal>,
}

/// What the colony took from all its feeders on one local day.
#[derive(Serialize, ToSchema)]
struct UptakeTotal {
    date: String,
    uptake_l: TotalBody,
    /// At the end of the day.
    remaining_l: TotalBody,
}

impl UptakeBody {
    fn of(days: Vec<UptakeDay>) -> Self {
        let mut by_date: BTreeMap<NaiveDate, Vec<&UptakeDay>> = BTreeMap::new();
        for day in &days {
            by_date.entry(day.date).or_default().push(day);
        }
        let total = |(date, feeders): (NaiveDate, Vec<&UptakeDay>)| UptakeTotal {
            date: date.to_string(),
            uptake_l: litres(feeders.iter().map(|day| day.uptake_l)),
            remaining_l: litres(feeders.iter().map(|day| day.remaining_l)),
        };
        Self {
            totals: by_date.into_iter().map(total).collect(),
            days: days.into_iter().map(Into::into).collect(),
        }
    }
}

/// What the colony took from one feeder on one local day.
#[derive(Serialize, ToSchema)]
pub(crate) struct UptakeDayBody {
    #[schema(format = Date)]
    date: String,
    feeder: String,
    /// null: not known.
    uptake_l: Option<EstimateBody>,
    /// At the end of the day.
    remaining_l: Option<EstimateBody>,
    sugar_kg: Option<f64>,
    /// The share of the day that readings cover.
    #[schema(minimum = 0, maximum = 1)]
    sensed_share: f64,
}

impl From<UptakeDay> for UptakeDayBody {
    fn from(day: UptakeDay) -> Self {
        Self {
            date: day.date.to_string(),
            feeder: day.feeder.to_string(),
            uptake_l: day.uptake_l.map(Into::into),
            remaining_l: day.remaining_l.map(Into::into),
            sugar_kg: day.sugar_kg.map(rounded),
            sensed_share: rounded(day.sensed_share),
        }
    }
}

/// Night-time weights, by date.
#[derive(Serialize, ToSchema)]
struct HiveWeightBody {
    days: Vec<WeightDayBody>,
}

/// The night-time weight that starts a local day.
#[derive(Serialize, ToSchema)]
struct WeightDayBody {
    #[schema(format = Date)]
    date: String,
    weight_kg: Option<EstimateBody>,
    /// To the next night, handling taken out.
    net_change_kg: Option<EstimateBody>,
    /// What hands put on or took off.
    handling_kg: f64,
    /// What of it the day's fills do not explain: boxes, frames. null: nobody knows how much was filled.
    beyond_fills_kg: Option<f64>,
    quality: WeightQualityWord,
}

impl WeightDayBody {
    /// `fills`: those of the day into feeders that the scale carries.
    fn of<'a>(day: &WeightDay, fills: impl Iterator<Item = &'a FillEvent>) -> Self {
        let filled_kg: Option<f64> = fills
            .map(|fill| Some(fill.volume_l?.value * kg_per_litre(fill.strength)))
            .sum();
        Self {
            date: day.date.to_string(),
            weight_kg: day.weight_kg.map(Into::into),
            net_change_kg: day.net_change_kg.map(Into::into),
            handling_kg: rounded(day.handling_kg),
            beyond_fills_kg: filled_kg.map(|filled| rounded(day.handling_kg - filled)),
            quality: day.quality.into(),
        }
    }
}

/// Fills, by time.
#[derive(Serialize, ToSchema)]
struct FillsBody {
    fills: Vec<FillBody>,
}

/// A fill as it is believed to have happened.
#[derive(Serialize, ToSchema)]
pub(crate) struct FillBody {
    #[schema(format = DateTime)]
    pub time: String,
    pub feeder: String,
    pub volume_l: Option<EstimateBody>,
    pub strength: Option<String>,
    pub source: FillSourceWord,
}

impl From<&FillEvent> for FillBody {
    fn from(fill: &FillEvent) -> Self {
        Self {
            time: fill.time.to_rfc3339(),
            feeder: fill.feeder.to_string(),
            volume_l: fill.volume_l.map(Into::into),
            strength: fill.strength.map(|s| s.to_string()),
            source: fill.source.into(),
        }
    }
}

/// Flags of one hive, by the time at which they opened.
#[derive(Serialize, ToSchema)]
struct HiveFlagsBody {
    flags: Vec<FlagBody>,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(get_hive_uptake))
        .routes(routes!(get_hive_weight))
        .routes(routes!(get_hive_fills))
        .routes(routes!(get_hive_flags))
        .routes(routes!(get_hive_scale))
}

pub(crate) fn find_hive<'a>(apiary: &'a Apiary, id: &HiveId) -> Result<&'a Hive, Problem> {
    apiary
        .hive(id)
        .ok_or_else(|| Problem::not_found(format!("there is no hive \"{id}\"")))
}

fn feeder_ids(service: &Service, id: &HiveId) -> Result<Vec<FeederId>, Problem> {
    let apiary = service.records.apiary()?;
    find_hive(&apiary, id)?;
    Ok(apiary
        .feeders_of(id)
        .map(|feeder| feeder.id.clone())
        .collect())
}

/// Daily uptake.
#[utoipa::path(get, path = "/api/v1/hives/{id}/uptake", tag = "hives", params(Id<HiveId>, Dates),
    responses((status = 200, body = UptakeBody)))]
async fn get_hive_uptake(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
    Params(dates): Params<Dates>,
) -> Result<Json<UptakeBody>, Problem> {
    let (from, to) = dates.range()?;
    service
        .blocking(move |s| {
            let feeders = feeder_ids(s, &id)?;
            let days = match feeders.is_empty() {
                true => Vec::new(),
                false => s.records.uptake(&feeders, from, to)?,
            };
            Ok(Json(UptakeBody::of(days)))
        })
        .await
}

/// Night-time weights.
#[utoipa::path(get, path = "/api/v1/hives/{id}/weight", tag = "hives", params(Id<HiveId>, Dates),
    responses((status = 200, body = HiveWeightBody)))]
async fn get_hive_weight(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
    Params(dates): Params<Dates>,
) -> Result<Json<HiveWeightBody>, Problem> {
    let (from, to) = dates.range()?;
    service
        .blocking(move |s| {
            let apiary = s.records.apiary()?;
            let hive = find_hive(&apiary, &id)?;
            let zone = apiary
                .yard(&hive.yard)
                .map_or(Tz::UTC, |yard| yard.timezone);
            let days = s.records.weight(std::slice::from_ref(&id), from, to)?;
            let fills = fills_on_scale(s, &apiary, &id, &days, zone)?;
            let body = |day: &WeightDay| {
                let of_day = fills
                    .iter()
                    .filter(|fill| fill.time.local_date(zone) == day.date);
                WeightDayBody::of(day, of_day)
            };
            Ok(Json(HiveWeightBody {
                days: days.iter().map(body).collect(),
            }))
        })
        .await
}

/// The fills of these days into feeders that the hive's scale carries.
fn fills_on_scale(
    service: &Service,
    apiary: &Apiary,
    hive: &HiveId,
    days: &[WeightDay],
    zone: Tz,
) -> Result<Vec<FillEvent>, Problem> {
    let on_scale = apiary.feeders_of(hive).filter(|feeder| feeder.on_scale);
    let feeders: Vec<_> = on_scale.map(|feeder| feeder.id.clone()).collect();
    let dates = || days.iter().map(|day| day.date);
    let Some((first, last)) = dates().min().zip(dates().max()) else {
        return Ok(Vec::new());
    };
    if feeders.is_empty() {
        return Ok(Vec::new());
    }
    let span = Span {
        start: local_day(zone, first).start,
        end: local_day(zone, last).end,
    };
    Ok(service.records.fill_events(&feeders, span)?)
}

/// Fills.
#[utoipa::path(get, path = "/api/v1/hives/{id}/fills", tag = "hives", params(Id<HiveId>, Moments),
    responses((status = 200, body = FillsBody)))]
async fn get_hive_fills(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
    Params(moments): Params<Moments>,
) -> Result<Json<FillsBody>, Problem> {
    service
        .blocking(move |s| {
            let span = moments.span(s.as_of())?;
            let feeders = feeder_ids(s, &id)?;
            let fills = match feeders.is_empty() {
                true => Vec::new(),
                false => s.records.fill_events(&feeders, span)?,
            };
            Ok(Json(FillsBody {
                fills: fills.iter().map(Into::into).collect(),
            }))
        })
        .await
}

/// Flags of the hive, its feeders and the devices that stand there; withdrawn ones too.
#[utoipa::path(get, path = "/api/v1/hives/{id}/flags", tag = "hives", params(Id<HiveId>, Moments),
    responses((status = 200, body = HiveFlagsBody)))]
async fn get_hive_flags(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
    Params(moments): Params<Moments>,
) -> Result<Json<HiveFlagsBody>, Problem> {
    service
        .blocking(move |s| {
            let span = moments.span(s.as_of())?;
            let apiary = s.records.apiary()?;
            let hive = find_hive(&apiary, &id)?;
            let writer = FlagWriter::new(s, &apiary)?;
            let moved = hive.moves.iter().map(|carried| &carried.yard);
            let yards: BTreeSet<_> = std::iter::once(&hive.yard).chain(moved).collect();
            let mut flags = Vec::new();
            for yard in yards {
                flags.extend(s.records.flags(Some(yard), span)?);
            }
            flags.sort_by_key(|kept| kept.flag.opened_at);
            let flags = flags
                .iter()
                .filter(|kept| kept.flag.hive.as_ref() == Some(&id));
            Ok(Json(HiveFlagsBody {
                flags: flags.map(|kept| writer.body(kept)).collect(),
            }))
        })
        .await
}

/// The scale's curve, across every scale that stood under the hive.
#[utoipa::path(get, path = "/api/v1/hives/{id}/scale", tag = "hives", params(Id<HiveId>, Moments),
    responses((status = 200, body = Columns)))]
async fn get_hive_scale(
    State(service): State<ServiceState>,
    Id(id): Id<HiveId>,
    Params(moments): Params<Moments>,
) -> Result<Json<Columns>, Problem> {
    service
        .blocking(move |s| {
            let (span, points) = (moments.span(s.as_of())?, moments.points()?);
            let apiary = s.records.apiary()?;
            let hive = find_hive(&apiary, &id)?;
            let mut samples = Vec::new();
            let mut reduced = false;
            for scale in &hive.scales {
                if let Some(part) = scale.during.intersect(span) {
                    let (more, fewer) =
                        chart_samples(s.readings.as_ref(), &scale.source, part, points)?;
                    samples.extend(more);
                    reduced |= fewer;
                }
            }
            samples.sort_by_key(|sample| sample.time);
            Ok(Json(Columns::new("kg", reduced, &samples)))
        })
        .await
}
