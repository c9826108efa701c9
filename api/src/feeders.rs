//! What is in a feeder over time: the level sensor's curve in litres.

use crate::problem::{Id, Params};
use crate::span::Moments;
use crate::wire::{Columns, chart_samples, rounded};
use crate::{Problem, Service, ServiceState};
use axum::Json;
use axum::extract::State;
use larder_domain::units::DegreesCelsius;
use larder_domain::{Feeder, FeederId, Geometry, LevelSensor, Sample, Span, Strength, syrup};
use utoipa_axum::{router::OpenApiRouter, routes};

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(feeder_volume))
}

/// Syrup in the feeder as its level sensors see it, in litres, before any cleaning.
#[utoipa::path(get, path = "/api/v1/feeders/{id}/volume", tag = "feeders", params(("id" = String, Path), Moments),
    responses((status = 200, body = Columns), (status = 404, body = Problem)))]
async fn feeder_volume(
    State(service): State<ServiceState>,
    Id(id): Id<FeederId>,
    Params(moments): Params<Moments>,
) -> Result<Json<Columns>, Problem> {
    service
        .blocking(move |s| {
            let (span, points) = (moments.span(s.as_of())?, moments.points()?);
            let apiary = s.records.apiary()?;
            let feeder = apiary
                .feeder(&id)
                .ok_or_else(|| Problem::not_found(format!("there is no feeder \"{id}\"")))?;
            volume(s, feeder, span, points).map(Json)
        })
        .await
}

fn volume(
    service: &Service,
    feeder: &Feeder,
    span: Span,
    points: usize,
) -> Result<Columns, Problem> {
    let strength = strength_of(service, feeder, span)?;
    let mut samples = Vec::new();
    let mut reduced = false;
    for sensor in &feeder.sensors {
        if let Some(part) = sensor.assignment.during.intersect(span) {
            let source = &sensor.assignment.source;
            let (more, fewer) = chart_samples(service.readings.as_ref(), source, part, points)?;
            reduced |= fewer;
            samples.extend(more.into_iter().map(|s| Sample {
                time: s.time,
                value: rounded(litres(sensor, s.value, strength)),
            }));
        }
    }
    samples.sort_by_key(|sample| sample.time);
    Ok(Columns::new("l", reduced, &samples))
}

/// The strength poured last before the span's end; 1:1 where nobody wrote one down.
fn strength_of(service: &Service, feeder: &Feeder, span: Span) -> Result<Strength, Problem> {
    let before = Span {
        start: Span::ALWAYS.start,
        end: span.end,
    };
    let fills = service.records.recorded_fills(Some(&feeder.id), before)?;
    let even = Strength::by_mass(1.0, 1.0).expect("1:1 is a strength");
    Ok(fills
        .iter()
        .rev()
        .find_map(|fill| fill.strength)
        .unwrap_or(even))
}

fn litres(sensor: &LevelSensor, value: f64, strength: Strength) -> f64 {
    match &sensor.geometry {
        Geometry::Distance { mount_m, shape } => shape.litres_at(mount_m - value),
        Geometry::Depth { shape } => shape.litres_at(value),
        Geometry::Volume => value,
        Geometry::FeederWeight => {
            let density = syrup::density_kg_m3(strength.mass_fraction(), DegreesCelsius(20.0));
            value / density * 1000.0
        }
    }
}
