//! Readings: one channel over a span, the latest of every channel, all channels of a yard's day.

use crate::problem::{Id, Params};
use crate::span::Moments;
use crate::wire::{Columns, chart_samples};
use crate::{Problem, Service, ServiceState};
use axum::Json;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use chrono::NaiveDate;
use larder_domain::{ChannelName, ChannelRef, DeviceId, YardId, time::local_day};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

/// One channel over a span.
#[derive(Serialize, ToSchema)]
pub(crate) struct SeriesBody {
    pub device: String,
    pub channel: String,
    #[serde(flatten)]
    pub columns: Columns,
}

/// The latest value of every channel.
#[derive(Serialize, ToSchema)]
struct LatestBody {
    latest: Vec<LatestEntry>,
}

/// The latest value of one channel.
#[derive(Serialize, ToSchema)]
struct LatestEntry {
    device: String,
    channel: String,
    unit: String,
    #[schema(format = DateTime)]
    time: String,
    value: f64,
}

/// All channels of a yard on one local day.
#[derive(Serialize, ToSchema)]
struct YardDayBody {
    yard: String,
    #[schema(format = Date)]
    date: String,
    /// Every channel of every device that stood in the yard, at full resolution.
    series: Vec<SeriesBody>,
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct SeriesQuery {
    /// The device.
    device: String,
    /// The device's channel.
    channel: String,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(get_readings))
        .routes(routes!(list_latest))
        .routes(routes!(get_yard_day))
}

/// One channel over a span, at full resolution or reduced without losing peaks.
#[utoipa::path(get, path = "/api/v1/readings", tag = "readings", params(SeriesQuery, Moments),
    responses((status = 200, body = SeriesBody)))]
async fn get_readings(
    State(service): State<ServiceState>,
    Params(query): Params<SeriesQuery>,
    Params(moments): Params<Moments>,
) -> Result<Json<SeriesBody>, Problem> {
    let device =
        DeviceId::new(&query.device).map_err(|error| Problem::bad_request(error.to_string()))?;
    let channel = ChannelName::new(&query.channel)
        .map_err(|error| Problem::bad_request(error.to_string()))?;
    let series = ChannelRef { device, channel };
    service
        .blocking(move |s| series_body(s, &series, &moments).map(Json))
        .await
}

pub(crate) fn series_body(
    service: &Service,
    series: &ChannelRef,
    moments: &Moments,
) -> Result<SeriesBody, Problem> {
    let span = moments.span(service.as_of())?;
    let (samples, reduced) =
        chart_samples(service.readings.as_ref(), series, span, moments.points()?)?;
    let unit = unit_of(service, series)?;
    Ok(SeriesBody {
        device: series.device.to_string(),
        channel: series.channel.to_string(),
        columns: Columns::new(&unit, reduced, &samples),
    })
}

fn unit_of(service: &Service, series: &ChannelRef) -> Result<String, Problem> {
    if let Some(kind) = series.channel.kind() {
        return Ok(kind.unit().to_string());
    }
    let known = service.readings.latest()?;
    Ok(known
        .into_iter()
        .find(|l| l.series == *series)
        .map_or(String::new(), |l| l.unit.to_string()))
}

/// The latest value of every channel.
#[utoipa::path(get, path = "/api/v1/latest", tag = "readings",
    responses((status = 200, body = LatestBody)))]
async fn list_latest(State(service): State<ServiceState>) -> Result<Json<LatestBody>, Problem> {
    let latest = service.blocking(|s| Ok(s.readings.latest()?)).await?;
    let latest = latest
        .into_iter()
        .map(|l| LatestEntry {
            device: l.series.device.to_string(),
            channel: l.series.channel.to_string(),
            unit: l.unit.to_string(),
            time: l.sample.time.to_rfc3339(),
            value: l.sample.value,
        })
        .collect();
    Ok(Json(LatestBody { latest }))
}

/// All channels of a yard on one local day.
#[utoipa::path(get, path = "/api/v1/yards/{id}/readings/{date}", tag = "readings",
    params(Id<YardId>, ("date" = String, Path, format = Date, description = "A local day of the yard.")),
    responses((status = 200, body = YardDayBody), (status = 400)))]
async fn get_yard_day(
    State(service): State<ServiceState>,
    path: Result<Path<(String, String)>, PathRejection>,
) -> Result<Json<YardDayBody>, Problem> {
    let Path((id, date)) = path.map_err(|rejection| Problem::bad_request(rejection.body_text()))?;
    let id: YardId = id.parse().map_err(|e| Problem::not_found(format!("{e}")))?;
    let date: NaiveDate = date
        .parse()
        .map_err(|_| Problem::bad_request("a date is written like 2026-09-01"))?;
    service
        .blocking(move |s| day_body(s, &id, date).map(Json))
        .await
}

fn day_body(service: &Service, id: &YardId, date: NaiveDate) -> Result<YardDayBody, Problem> {
    let apiary = service.records.apiary()?;
    let yard = apiary
        .yard(id)
        .ok_or_else(|| Problem::not_found(format!("there is no yard \"{id}\"")))?;
    let day = local_day(yard.timezone, date);
    let devices = crate::devices::devices_of_yard(&apiary, id, day);
    let mut series = Vec::new();
    for known in service.readings.series()? {
        if !devices.contains(&known.series.device) {
            continue;
        }
        let samples = service.readings.range(&known.series, day)?;
        if !samples.is_empty() {
            series.push(SeriesBody {
                device: known.series.device.to_string(),
                channel: known.series.channel.to_string(),
                columns: Columns::new(known.unit.as_str(), false, &samples),
            });
        }
    }
    Ok(YardDayBody {
        yard: id.to_string(),
        date: date.to_string(),
        series,
    })
}
