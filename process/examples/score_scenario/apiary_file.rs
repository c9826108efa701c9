//! The apiary file, as far as a scenario uses it.

use larder_domain::{
    Apiary, Assignment, ChannelName, ChannelRef, DeviceId, Feeder, FeederId, FeederKind, Geometry,
    Goal, Hive, HiveId, LevelSensor, Span, Yard, YardId,
};
use larder_syrup::feeder::Shape;
use serde::Deserialize;
use std::error::Error;
use std::path::Path;

#[derive(Deserialize)]
struct File {
    yard: Vec<YardRow>,
    hive: Vec<HiveRow>,
    #[serde(default)]
    feeder: Vec<FeederRow>,
}

#[derive(Deserialize)]
struct YardRow {
    id: String,
    name: String,
    timezone: String,
    latitude: Option<f64>,
    longitude: Option<f64>,
    weather: Option<String>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum ScaleRow {
    Device(String),
    Channel { device: String, channel: String },
}

#[derive(Deserialize)]
struct HiveRow {
    id: String,
    yard: String,
    scale: Option<ScaleRow>,
    goal: Option<String>,
    target_weight_kg: Option<f64>,
    target_date: Option<String>,
    #[serde(default)]
    supers_on: bool,
}

#[derive(Deserialize)]
struct FeederRow {
    id: String,
    hive: String,
    kind: String,
    capacity_l: f64,
    on_scale: Option<bool>,
    sensor: Option<SensorRow>,
}

#[derive(Deserialize)]
struct SensorRow {
    device: String,
    channel: String,
    mount_m: Option<f64>,
    area_m2: Option<f64>,
    table: Option<Vec<(f64, f64)>>,
}

/// Reads the file and checks it.
pub fn read_apiary(path: &Path) -> Result<Apiary, Box<dyn Error>> {
    parse_apiary(&std::fs::read_to_string(path)?)
}

/// The same of its text.
pub fn parse_apiary(text: &str) -> Result<Apiary, Box<dyn Error>> {
    let file: File = toml::from_str(text)?;
    let yards: Result<Vec<_>, _> = file.yard.into_iter().map(yard).collect();
    let hives: Result<Vec<_>, _> = file.hive.into_iter().map(hive).collect();
    let feeders: Result<Vec<_>, _> = file.feeder.into_iter().map(feeder).collect();
    Apiary::new(yards?, hives?, feeders?, Vec::new())
        .map_err(|problems| format!("the apiary does not fit together: {problems:?}").into())
}

fn yard(row: YardRow) -> Result<Yard, Box<dyn Error>> {
    Ok(Yard {
        id: YardId::new(&row.id)?,
        name: row.name,
        timezone: row.timezone.parse()?,
        position: row.latitude.zip(row.longitude),
        weather: row.weather.as_deref().map(DeviceId::new).transpose()?,
    })
}

fn assignment(device: &str, channel: &str) -> Result<Assignment, Box<dyn Error>> {
    Ok(Assignment {
        source: ChannelRef {
            device: DeviceId::new(device)?,
            channel: ChannelName::new(channel)?,
        },
        during: Span::ALWAYS,
    })
}

fn hive(row: HiveRow) -> Result<Hive, Box<dyn Error>> {
    let scale = match row.scale {
        None => None,
        Some(ScaleRow::Device(device)) => Some(assignment(&device, "weight")?),
        Some(ScaleRow::Channel { device, channel }) => Some(assignment(&device, &channel)?),
    };
    Ok(Hive {
        name: row.id.clone(),
        id: HiveId::new(&row.id)?,
        yard: YardId::new(&row.yard)?,
        moves: Vec::new(),
        scales: scale.into_iter().collect(),
        goal: row.goal.as_deref().and_then(Goal::from_name),
        target_weight_kg: row.target_weight_kg,
        target_date: row.target_date.map(|date| date.parse()).transpose()?,
        supers_on: row.supers_on,
    })
}

fn feeder(row: FeederRow) -> Result<Feeder, Box<dyn Error>> {
    let sensor = row.sensor.map(sensor).transpose()?;
    Ok(Feeder {
        id: FeederId::new(&row.id)?,
        hive: HiveId::new(&row.hive)?,
        kind: FeederKind::ALL
            .iter()
            .copied()
            .find(|kind| kind.name() == row.kind)
            .ok_or("unknown kind of feeder")?,
        capacity_l: row.capacity_l,
        on_scale: row.on_scale.unwrap_or(true),
        sensors: sensor.into_iter().collect(),
    })
}

fn sensor(row: SensorRow) -> Result<LevelSensor, Box<dyn Error>> {
    let shape = || -> Result<Shape, Box<dyn Error>> {
        match (&row.table, row.area_m2) {
            (Some(table), _) => Ok(Shape::table(table)?),
            (None, Some(area)) => Ok(Shape::straight(area)?),
            (None, None) => Err("a level sensor needs area_m2 or a table".into()),
        }
    };
    let base = row.channel.rsplit('/').next().unwrap_or(&row.channel);
    let geometry = match base {
        "distance" => Geometry::Distance {
            mount_m: row.mount_m.ok_or("a distance sensor needs mount_m")?,
            shape: shape()?,
        },
        "depth" => Geometry::Depth { shape: shape()? },
        "volume" => Geometry::Volume,
        "feeder_weight" => Geometry::FeederWeight,
        other => return Err(format!("no level sensor measures {other}").into()),
    };
    Ok(LevelSensor {
        assignment: assignment(&row.device, &row.channel)?,
        geometry,
    })
}
