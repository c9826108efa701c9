//! What is in a feeder over time: the level sensors' readings in litres, those that can be right
//! apart from those that cannot.

use crate::problem::{Id, Params};
use crate::span::Moments;
use crate::wire::{Columns, chart_samples, rounded};
use crate::{Problem, Service, ServiceState};
use axum::Json;
use axum::extract::State;
use larder_domain::{Apiary, Feeder, FeederId, LevelSensor, Sample, Span, Timestamp};
use larder_estimate::series::level::{litres, track_level};
use larder_estimate::series::strengths::Strengths;
use larder_estimate::{FeederInput, LevelInput};
use larder_store::reduce;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

/// Syrup in a feeder over time, in litres.
#[derive(Serialize, ToSchema)]
struct VolumeBody {
    /// The readings that the estimates rest on.
    #[serde(flatten)]
    believed: Columns,
    /// The readings that were left out: spikes, a value that sticks, more than the feeder holds.
    left_out: Columns,
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(get_feeder_volume))
}

/// Syrup in the feeder as its level sensors see it, in litres; what cannot be stands apart.
#[utoipa::path(get, path = "/api/v1/feeders/{id}/volume", tag = "feeders", params(Id<FeederId>, Moments),
    responses((status = 200, body = VolumeBody)))]
async fn get_feeder_volume(
    State(service): State<ServiceState>,
    Id(id): Id<FeederId>,
    Params(moments): Params<Moments>,
) -> Result<Json<VolumeBody>, Problem> {
    service
        .blocking(move |s| {
            let (span, points) = (moments.span(s.as_of())?, moments.points()?);
            let apiary = s.records.apiary()?;
            let feeder = apiary
                .feeder(&id)
                .ok_or_else(|| Problem::not_found(format!("there is no feeder \"{id}\"")))?;
            let strengths = strengths_of(s, &apiary, feeder, span.end)?;
            volume(s, feeder, &strengths, span, points).map(Json)
        })
        .await
}

fn volume(
    service: &Service,
    feeder: &Feeder,
    strengths: &Strengths,
    span: Span,
    points: usize,
) -> Result<VolumeBody, Problem> {
    let kg_per_litre = |at: Timestamp| strengths.kg_per_litre(feeder, at);
    let mut seen = Seen::default();
    for sensor in &feeder.sensors {
        if let Some(part) = sensor.assignment.during.intersect(span) {
            seen.add(read(service, feeder, sensor, part, points, &kg_per_litre)?);
        }
    }
    let reduced = seen.reduced || seen.believed.len() > points;
    let columns = |mut samples: Vec<Sample>| {
        samples.sort_by_key(|sample| sample.time);
        let mut samples = reduce(samples, points);
        for sample in &mut samples {
            sample.value = rounded(sample.value);
        }
        Columns::new("l", reduced, &samples)
    };
    Ok(VolumeBody {
        believed: columns(seen.believed),
        left_out: columns(seen.left_out),
    })
}

/// Readings in litres, told apart.
#[derive(Default)]
struct Seen {
    believed: Vec<Sample>,
    left_out: Vec<Sample>,
    /// Too many to be looked at one by one.
    reduced: bool,
}

impl Seen {
    fn add(&mut self, other: Self) {
        self.believed.extend(other.believed);
        self.left_out.extend(other.left_out);
        self.reduced |= other.reduced;
    }
}

/// Two years at five minutes. Beyond it readings are reduced unseen, absurd ones among them.
const MOST_LOOKED_AT: u64 = 210_000;

/// Whether a reading can be right is judged by those around it.
const AROUND_MS: i64 = 6 * 3_600_000;

/// Fewer readings tell nothing about each other.
const FEWEST: usize = 12;

fn read(
    service: &Service,
    feeder: &Feeder,
    sensor: &LevelSensor,
    part: Span,
    points: usize,
    kg_per_litre: &impl Fn(Timestamp) -> f64,
) -> Result<Seen, Problem> {
    let readings = service.readings.as_ref();
    let source = &sensor.assignment.source;
    let in_litres = |sample: &Sample| Sample {
        time: sample.time,
        value: litres(&sensor.geometry, sample.value, || kg_per_litre(sample.time)),
    };
    if readings.count(source, part)? > MOST_LOOKED_AT {
        let (few, reduced) = chart_samples(readings, source, part, points)?;
        return Ok(Seen {
            believed: few.iter().map(in_litres).collect(),
            reduced,
            ..Seen::default()
        });
    }
    let around = Span {
        start: Timestamp(part.start.0.saturating_sub(AROUND_MS)),
        end: Timestamp(part.end.0.saturating_add(AROUND_MS)),
    };
    let around = around.intersect(sensor.assignment.during).unwrap_or(part);
    let samples = readings.range(source, around)?;
    let kept = believed_times(feeder, sensor, &samples, kg_per_litre);
    let asked = samples.iter().filter(|sample| part.contains(sample.time));
    let (believed, left_out): (Vec<_>, Vec<_>) = asked
        .map(in_litres)
        .partition(|sample| kept.binary_search(&sample.time).is_ok());
    Ok(Seen {
        believed,
        left_out,
        reduced: false,
    })
}

/// The moments of the readings that the estimators keep, in order.
fn believed_times(
    feeder: &Feeder,
    sensor: &LevelSensor,
    samples: &[Sample],
    kg_per_litre: &impl Fn(Timestamp) -> f64,
) -> Vec<Timestamp> {
    if samples.len() < FEWEST {
        return samples.iter().map(|sample| sample.time).collect();
    }
    let input = FeederInput {
        feeder,
        levels: vec![LevelInput {
            sensor,
            samples,
            syrup_temperature: &[],
        }],
        recorded: &[],
    };
    let track = track_level(&input, kg_per_litre, &mut Vec::new());
    track.series.times
}

/// What was in the yard's feeders when, as the estimates take it.
fn strengths_of(
    service: &Service,
    apiary: &Apiary,
    feeder: &Feeder,
    until: Timestamp,
) -> Result<Strengths, Problem> {
    let before = Span {
        start: Span::ALWAYS.start,
        end: until,
    };
    let yard = apiary.hive(&feeder.hive).map(|hive| &hive.yard);
    let hives = || apiary.hives().filter(|hive| Some(&hive.yard) == yard);
    let mut fills = Vec::new();
    for feeder in hives().flat_map(|hive| apiary.feeders_of(&hive.id)) {
        fills.extend(service.records.recorded_fills(Some(&feeder.id), before)?);
    }
    let goals = hives().map(|hive| hive.goal);
    Ok(Strengths::written_down(fills.iter(), goals))
}
