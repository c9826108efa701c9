//! The shelf: every yard, its hives and their feeders as they stand, in one answer.

use crate::hives::{FillBody, find_hive};
use crate::problem::Params;
use crate::wire::{EstimateBody, TotalBody, rounded};
use crate::wire_flag::{FlagBody, FlagWriter};
use crate::words::{FeederKindWord, GoalWord};
use crate::{Problem, Service, ServiceState};
use axum::Json;
use axum::extract::State;
use chrono::NaiveDate;
use larder_domain::{
    Apiary, ChannelKind, ChannelName, ChannelRef, Feeder, FeederId, FillEvent, FlagKind, Hive,
    HiveId, KeptFlag, Span, Timestamp, UptakeDay, WeightDay, Yard, time::local_day,
};
use larder_store::LatestSample;
use larder_syrup::{Estimate, Total};
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

/// How far back the last whole day, the last fill and the last night may lie to be shown.
const LOOK_BACK_DAYS: u64 = 60;

/// Every yard as it stands.
#[derive(Serialize, ToSchema)]
struct ShelfBody {
    /// The moment that it speaks of.
    #[schema(format = DateTime)]
    as_of: String,
    yards: Vec<YardShelf>,
}

/// A yard as it stands.
#[derive(Serialize, ToSchema)]
struct YardShelf {
    id: String,
    name: String,
    /// IANA name: `America/New_York`.
    timezone: String,
    latitude: Option<f64>,
    longitude: Option<f64>,
    weather: Option<WeatherNow>,
    /// Over all feeders of its hives.
    totals: TotalsBody,
    hives: Vec<HiveShelf>,
    /// Open flags that belong to the yard and to no hive.
    flags: Vec<FlagBody>,
}

/// The latest that is known of a yard's weather.
#[derive(Serialize, ToSchema)]
struct WeatherNow {
    #[schema(format = DateTime)]
    at: String,
    temperature_c: Option<f64>,
    rain_mm_24h: Option<f64>,
    wind_m_s: Option<f64>,
}

/// A hive as it stands.
#[derive(Serialize, ToSchema)]
struct HiveShelf {
    id: String,
    name: String,
    goal: Option<GoalWord>,
    target_weight_kg: Option<f64>,
    #[schema(format = Date)]
    target_date: Option<String>,
    supers_on: bool,
    /// The newest night-time weight.
    weight_kg: Option<EstimateBody>,
    #[schema(format = Date)]
    weight_date: Option<String>,
    net_change_kg: Option<EstimateBody>,
    /// Over its feeders.
    totals: TotalsBody,
    feeders: Vec<FeederShelf>,
    /// Open flags, quiet ones too.
    flags: Vec<FlagBody>,
}

/// What several feeders come to.
#[derive(Serialize, ToSchema)]
struct TotalsBody {
    /// What is left in them now. A feeder that is not heard counts as not known.
    remaining_l: TotalBody,
    /// null: nothing is known of any day.
    last_day: Option<DayTotal>,
}

/// The newest whole local day that any of the feeders knows.
#[derive(Serialize, ToSchema)]
struct DayTotal {
    date: String,
    /// What the colonies took; a feeder that has nothing of that day counts as not known.
    uptake_l: TotalBody,
}

/// A feeder as it stands.
#[derive(Serialize, ToSchema)]
struct FeederShelf {
    id: String,
    kind: FeederKindWord,
    capacity_l: f64,
    /// Whether a level sensor watches it.
    sensed: bool,
    /// The newest moment that readings speak of.
    #[schema(format = DateTime)]
    seen_at: Option<String>,
    remaining_l: Option<EstimateBody>,
    rate_l_per_day: Option<EstimateBody>,
    /// What will be left at the end of tomorrow at this rate.
    tomorrow_night_l: Option<f64>,
    last_day: Option<LastDay>,
    last_fill: Option<FillBody>,
}

/// The last whole local day.
#[derive(Serialize, ToSchema)]
struct LastDay {
    #[schema(format = Date)]
    date: String,
    uptake_l: Option<EstimateBody>,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(get_shelf))
}

/// Which part of the shelf is asked for.
#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct ShelfQuery {
    /// Only the yard in which this hive stands.
    hive: Option<String>,
}

/// Everything that the first look needs.
#[utoipa::path(get, path = "/api/v1/shelf", tag = "shelf", params(ShelfQuery),
    responses((status = 200, body = ShelfBody), (status = 404)))]
async fn get_shelf(
    State(service): State<ServiceState>,
    Params(query): Params<ShelfQuery>,
) -> Result<Json<ShelfBody>, Problem> {
    service
        .blocking(move |s| shelf_body(s, query.hive.as_deref()).map(Json))
        .await
}

/// All that is read from the store, once for the whole shelf.
struct Known {
    now: Timestamp,
    latest: HashMap<ChannelRef, LatestSample>,
    uptake: HashMap<FeederId, Vec<UptakeDay>>,
    weight: HashMap<HiveId, Vec<WeightDay>>,
    fills: HashMap<FeederId, FillEvent>,
    open: Vec<KeptFlag>,
}

fn shelf_body(service: &Service, of_hive: Option<&str>) -> Result<ShelfBody, Problem> {
    let now = service.as_of();
    let apiary = service.records.apiary()?;
    let yards: Vec<&Yard> = match of_hive {
        None => apiary.yards().collect(),
        Some(id) => {
            let hive = HiveId::new(id).map_err(|e| Problem::bad_request(e.to_string()))?;
            let yard = &find_hive(&apiary, &hive)?.yard;
            apiary.yard(yard).into_iter().collect()
        }
    };
    let known = read(service, &apiary, &yards, of_hive.is_some(), now)?;
    let writer = FlagWriter::new(service, &apiary)?;
    let yards = yards
        .into_iter()
        .map(|yard| yard_shelf(service, &apiary, yard, &known, &writer))
        .collect::<Result<_, _>>()?;
    Ok(ShelfBody {
        as_of: now.to_rfc3339(),
        yards,
    })
}

/// What is read from the store for these yards; `some`: they are not all there are.
fn read(
    service: &Service,
    apiary: &Apiary,
    yards: &[&Yard],
    some: bool,
    now: Timestamp,
) -> Result<Known, Problem> {
    let since = now.to_utc().date_naive() - chrono::Days::new(LOOK_BACK_DAYS);
    let hives = || yards.iter().flat_map(|yard| apiary.hives_in(&yard.id));
    let feeders = hives().flat_map(|hive| apiary.feeders_of(&hive.id));
    let feeders: Vec<_> = feeders.map(|feeder| feeder.id.clone()).collect();
    let hives: Vec<_> = hives().map(|hive| hive.id.clone()).collect();
    let span = Span {
        start: now.plus_ms(-86_400_000 * LOOK_BACK_DAYS as i64),
        end: now.plus_ms(1),
    };
    let mut known = Known {
        now,
        latest: HashMap::new(),
        uptake: HashMap::new(),
        weight: HashMap::new(),
        fills: HashMap::new(),
        open: Vec::new(),
    };
    if some {
        for yard in yards {
            let flags = service.records.flags(Some(&yard.id), span)?;
            known.open.extend(flags);
        }
    } else {
        known.open = service.records.flags(None, span)?;
    }
    known.open.retain(KeptFlag::is_open);
    for sample in service.readings.latest()? {
        known.latest.insert(sample.series.clone(), sample);
    }
    if !feeders.is_empty() {
        for day in service.records.uptake(&feeders, Some(since), None)? {
            known
                .uptake
                .entry(day.feeder.clone())
                .or_default()
                .push(day);
        }
        for fill in service.records.fill_events(&feeders, span)? {
            known.fills.insert(fill.feeder.clone(), fill);
        }
    }
    if !hives.is_empty() {
        for day in service.records.weight(&hives, Some(since), None)? {
            known.weight.entry(day.hive.clone()).or_default().push(day);
        }
    }
    Ok(known)
}

fn yard_shelf(
    service: &Service,
    apiary: &Apiary,
    yard: &Yard,
    known: &Known,
    writer: &FlagWriter<'_>,
) -> Result<YardShelf, Problem> {
    let of_yard = known
        .open
        .iter()
        .filter(|kept| kept.flag.hive.is_none() && kept.flag.yard.as_ref() == Some(&yard.id));
    let (mut hives, mut parts) = (Vec::new(), Vec::new());
    for hive in apiary.hives_in(&yard.id) {
        let (shelf, its_parts) = hive_shelf(service, apiary, yard, hive, known, writer);
        hives.push(shelf);
        parts.extend(its_parts);
    }
    Ok(YardShelf {
        id: yard.id.to_string(),
        name: yard.name.clone(),
        timezone: yard.timezone.to_string(),
        latitude: yard.position.map(|(latitude, _)| latitude),
        longitude: yard.position.map(|(_, longitude)| longitude),
        weather: weather_now(service, yard, known)?,
        totals: totals(&parts),
        hives,
        flags: of_yard.map(|kept| writer.body(kept)).collect(),
    })
}

/// What a sum takes of one feeder.
struct FeederPart {
    remaining_l: Option<Estimate>,
    last_day: Option<(NaiveDate, Option<Estimate>)>,
}

fn totals(parts: &[FeederPart]) -> TotalsBody {
    let newest = parts.iter().filter_map(|part| part.last_day).map(|d| d.0);
    let last_day = newest.max().map(|date| {
        let on_it = |part: &FeederPart| part.last_day.filter(|d| d.0 == date).and_then(|d| d.1);
        DayTotal {
            date: date.to_string(),
            uptake_l: litres(parts.iter().map(on_it)),
        }
    });
    TotalsBody {
        remaining_l: litres(parts.iter().map(|part| part.remaining_l)),
        last_day,
    }
}

/// Syrup added up.
pub(crate) fn litres(parts: impl IntoIterator<Item = Option<Estimate>>) -> TotalBody {
    Total::of(parts).not_negative().into()
}

fn weather_now(
    service: &Service,
    yard: &Yard,
    known: &Known,
) -> Result<Option<WeatherNow>, Problem> {
    let Some(device) = &yard.weather else {
        return Ok(None);
    };
    let series = |kind: ChannelKind| {
        let channel = ChannelName::new(kind.name()).expect("known channels have valid names");
        ChannelRef {
            device: device.clone(),
            channel,
        }
    };
    let newest = |kind| known.latest.get(&series(kind)).map(|l| l.sample);
    let (temperature, wind) = (newest(ChannelKind::Temperature), newest(ChannelKind::Wind));
    let Some(at) = [temperature, wind]
        .into_iter()
        .flatten()
        .map(|s| s.time)
        .max()
    else {
        return Ok(None);
    };
    let day = Span {
        start: known.now.plus_ms(-86_400_000),
        end: known.now.plus_ms(1),
    };
    let rain = service.readings.range(&series(ChannelKind::Rain), day)?;
    Ok(Some(WeatherNow {
        at: at.to_rfc3339(),
        temperature_c: temperature.map(|s| s.value),
        rain_mm_24h: (!rain.is_empty()).then(|| rounded(rain.iter().map(|s| s.value).sum())),
        wind_m_s: wind.map(|s| s.value),
    }))
}

fn hive_shelf(
    service: &Service,
    apiary: &Apiary,
    yard: &Yard,
    hive: &Hive,
    known: &Known,
    writer: &FlagWriter<'_>,
) -> (HiveShelf, Vec<FeederPart>) {
    let days = known.weight.get(&hive.id).map_or(&[][..], Vec::as_slice);
    let night = days.iter().rev().find(|day| day.weight_kg.is_some());
    let change = days.iter().rev().find_map(|day| day.net_change_kg);
    let flags = known
        .open
        .iter()
        .filter(|kept| kept.flag.hive.as_ref() == Some(&hive.id));
    let (feeders, parts): (Vec<_>, Vec<_>) = apiary
        .feeders_of(&hive.id)
        .map(|feeder| feeder_shelf(service, yard, feeder, known))
        .unzip();
    let shelf = HiveShelf {
        id: hive.id.to_string(),
        name: hive.name.clone(),
        goal: hive.goal.map(Into::into),
        target_weight_kg: hive.target_weight_kg,
        target_date: hive.target_date.map(|date| date.to_string()),
        supers_on: hive.supers_on,
        weight_kg: night.and_then(|day| day.weight_kg).map(Into::into),
        weight_date: night.map(|day| day.date.to_string()),
        net_change_kg: change.map(Into::into),
        totals: totals(&parts),
        feeders,
        flags: flags.map(|kept| writer.body(kept)).collect(),
    };
    (shelf, parts)
}

fn feeder_shelf(
    service: &Service,
    yard: &Yard,
    feeder: &Feeder,
    known: &Known,
) -> (FeederShelf, FeederPart) {
    let now = service.live.feeder(&feeder.id);
    let today = known.now.local_date(yard.timezone);
    let days = known.uptake.get(&feeder.id).map_or(&[][..], Vec::as_slice);
    let last_day = days.iter().rev().find(|day| day.date < today);
    let remaining = now.as_ref().and_then(|now| now.remaining_l);
    let rate = now.as_ref().and_then(|now| now.rate_l_per_day);
    let tomorrow = today + chrono::Days::new(1);
    let days_left = local_day(yard.timezone, tomorrow)
        .end
        .hours_since(known.now)
        / 24.0;
    // The level of a feeder that is not heard is a memory.
    let is_silent = known.open.iter().any(|kept| {
        kept.flag.kind == FlagKind::Silent && kept.flag.feeder.as_ref() == Some(&feeder.id)
    });
    let part = FeederPart {
        remaining_l: remaining.filter(|_| !is_silent),
        last_day: last_day.map(|day| (day.date, day.uptake_l)),
    };
    let shelf = FeederShelf {
        id: feeder.id.to_string(),
        kind: feeder.kind.into(),
        capacity_l: feeder.capacity_l,
        sensed: !feeder.sensors.is_empty(),
        seen_at: now.and_then(|now| now.seen_at).map(Timestamp::to_rfc3339),
        remaining_l: remaining.map(Into::into),
        rate_l_per_day: rate.map(Into::into),
        tomorrow_night_l: remaining
            .zip(rate)
            .map(|(left, rate)| rounded((left.value - rate.value * days_left).max(0.0))),
        last_day: last_day.map(|day| LastDay {
            date: day.date.to_string(),
            uptake_l: day.uptake_l.map(Into::into),
        }),
        last_fill: known.fills.get(&feeder.id).map(Into::into),
    };
    (shelf, part)
}
