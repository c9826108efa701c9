//! The declaration's JSON twins, and the way between them and the domain.

use crate::words::{FeederKindWord, GoalWord};
use larder_domain::apiary::{Assignment, Geometry, LevelSensor, Move};
use larder_domain::names;
use larder_domain::{
    ChannelName, ChannelRef, DeviceId, Feeder, FeederId, FeederKind, Goal, Hive, HiveId, Span,
    Timestamp, Yard, YardId,
};
use larder_syrup::feeder::Shape;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A yard as declared.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct YardBody {
    /// May be left out in a request; the path says it.
    #[serde(default)]
    #[schema(nullable = false)]
    id: Option<String>,
    name: String,
    /// IANA name: `America/New_York`.
    timezone: String,
    #[schema(minimum = -90, maximum = 90)]
    latitude: Option<f64>,
    #[schema(minimum = -180, maximum = 180)]
    longitude: Option<f64>,
    /// The device whose readings are this yard's weather.
    weather: Option<String>,
    /// Tells this state from any other. Sent back with a change, the change is refused with 412
    /// where somebody changed it meanwhile; left out, it is not looked at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub(super) revision: Option<String>,
}

/// A hive as declared.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct HiveBody {
    /// May be left out in a request; the path says it.
    #[serde(default)]
    #[schema(nullable = false)]
    id: Option<String>,
    /// What people call it; its id where left out.
    #[serde(default)]
    #[schema(nullable = false)]
    name: Option<String>,
    yard: String,
    /// The scales under it, each for its time.
    #[serde(default)]
    scale: Vec<ScaleBody>,
    /// What the colony is fed for.
    #[serde(default)]
    #[schema(value_type = Option<GoalWord>)]
    goal: Option<String>,
    /// Gross, on the scale.
    #[serde(default)]
    target_weight_kg: Option<f64>,
    #[serde(default)]
    #[schema(format = Date)]
    target_date: Option<String>,
    #[serde(default)]
    supers_on: bool,
    #[serde(default)]
    moves: Vec<MoveBody>,
    /// Tells this state from any other. Sent back with a change, the change is refused with 412
    /// where somebody changed it meanwhile; left out, it is not looked at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub(super) revision: Option<String>,
}

/// A channel that stands here for a while.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct ScaleBody {
    device: String,
    /// `weight` where left out.
    #[serde(default)]
    #[schema(nullable = false)]
    channel: Option<String>,
    /// Since when; null: from its first reading on.
    #[serde(default)]
    #[schema(format = DateTime)]
    from: Option<String>,
    /// Until when; null: it still does.
    #[serde(default)]
    #[schema(format = DateTime)]
    to: Option<String>,
}

/// A hive carried to another yard.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct MoveBody {
    yard: String,
    #[schema(format = DateTime)]
    from: String,
}

/// A feeder as declared.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct FeederBody {
    /// May be left out in a request; the path says it.
    #[serde(default)]
    #[schema(nullable = false)]
    id: Option<String>,
    hive: String,
    #[schema(value_type = FeederKindWord)]
    kind: String,
    capacity_l: f64,
    #[serde(default = "yes")]
    on_scale: bool,
    /// The feeder's level sensors, each for its time.
    #[serde(default)]
    sensor: Vec<SensorBody>,
    /// Tells this state from any other. Sent back with a change, the change is refused with 412
    /// where somebody changed it meanwhile; left out, it is not looked at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub(super) revision: Option<String>,
}

fn yes() -> bool {
    true
}

/// A level sensor. A distance needs `mount_m`; distance and depth need `area_m2` or `table`.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct SensorBody {
    pub device: String,
    /// `distance`, `depth`, `volume` or `feeder_weight`, with a logger's prefix.
    pub channel: String,
    /// Since when; null: from its first reading on.
    #[serde(default)]
    #[schema(format = DateTime)]
    pub from: Option<String>,
    /// Until when; null: it still does.
    #[serde(default)]
    #[schema(format = DateTime)]
    pub to: Option<String>,
    /// From the sensor's face to the feeder's floor.
    #[serde(default)]
    pub mount_m: Option<f64>,
    /// Plan area of straight walls.
    #[serde(default)]
    pub area_m2: Option<f64>,
    /// Pairs of depth in metres and litres.
    #[serde(default)]
    pub table: Option<Vec<(f64, f64)>>,
}

pub(super) type Parsed<T> = Result<T, String>;

pub(super) fn words<E: std::fmt::Display>(error: E) -> String {
    error.to_string()
}

fn same_id(path: &str, body: Option<&str>) -> Parsed<()> {
    match body {
        Some(body) if body != path => Err(format!(
            "the id in the body, \"{body}\", is not the one in the path, \"{path}\""
        )),
        _ => Ok(()),
    }
}

impl YardBody {
    pub fn parse(self, id: YardId) -> Parsed<Yard> {
        same_id(id.as_str(), self.id.as_deref())?;
        let timezone = self.timezone.parse().map_err(|_| {
            format!(
                "timezone is an IANA name like America/New_York, not \"{}\"",
                self.timezone
            )
        })?;
        let position = match (self.latitude, self.longitude) {
            (Some(latitude), Some(longitude)) => Some((latitude, longitude)),
            (None, None) => None,
            _ => return Err("give both latitude and longitude, or neither".to_owned()),
        };
        let weather = self
            .weather
            .as_deref()
            .map(DeviceId::new)
            .transpose()
            .map_err(words)?;
        Ok(Yard {
            id,
            name: names::name(&self.name).map_err(words)?,
            timezone,
            position,
            weather,
        })
    }
}

impl From<&Yard> for YardBody {
    fn from(yard: &Yard) -> Self {
        Self {
            revision: None,
            id: Some(yard.id.to_string()),
            name: yard.name.clone(),
            timezone: yard.timezone.to_string(),
            latitude: yard.position.map(|(latitude, _)| latitude),
            longitude: yard.position.map(|(_, longitude)| longitude),
            weather: yard.weather.as_ref().map(ToString::to_string),
        }
    }
}

impl HiveBody {
    pub fn parse(self, id: HiveId) -> Parsed<Hive> {
        same_id(id.as_str(), self.id.as_deref())?;
        let goal = self.goal.as_deref().map(|word| {
            Goal::from_name(word).ok_or_else(|| {
                format!("goal is winter_stores, build_up, comb or emergency, not \"{word}\"")
            })
        });
        let target_date = self.target_date.as_deref().map(|text| {
            text.parse()
                .map_err(|_| format!("a date is written like 2026-10-15, not \"{text}\""))
        });
        let scales = self.scale.iter().map(|scale| {
            assignment(
                &scale.device,
                scale.channel.as_deref().unwrap_or("weight"),
                scale.from.as_deref(),
                scale.to.as_deref(),
            )
        });
        let moves = self.moves.iter().map(|carried| {
            Ok(Move {
                yard: YardId::new(&carried.yard).map_err(words)?,
                from: moment(&carried.from)?,
            })
        });
        Ok(Hive {
            name: match &self.name {
                Some(name) => names::name(name).map_err(words)?,
                None => id.to_string(),
            },
            yard: YardId::new(&self.yard).map_err(words)?,
            moves: moves.collect::<Parsed<_>>()?,
            scales: scales.collect::<Parsed<_>>()?,
            goal: goal.transpose()?,
            target_weight_kg: self.target_weight_kg,
            target_date: target_date.transpose()?,
            supers_on: self.supers_on,
            id,
        })
    }
}

impl From<&Hive> for HiveBody {
    fn from(hive: &Hive) -> Self {
        let scales = hive.scales.iter().map(|scale| ScaleBody {
            device: scale.source.device.to_string(),
            channel: Some(scale.source.channel.to_string()),
            from: start_text(scale.during),
            to: end_text(scale.during),
        });
        let moves = hive.moves.iter().map(|carried| MoveBody {
            yard: carried.yard.to_string(),
            from: carried.from.to_rfc3339(),
        });
        Self {
            revision: None,
            id: Some(hive.id.to_string()),
            name: Some(hive.name.clone()),
            yard: hive.yard.to_string(),
            scale: scales.collect(),
            goal: hive.goal.map(|goal| goal.name().to_owned()),
            target_weight_kg: hive.target_weight_kg,
            target_date: hive.target_date.map(|date| date.to_string()),
            supers_on: hive.supers_on,
            moves: moves.collect(),
        }
    }
}

impl FeederBody {
    pub fn parse(self, id: FeederId) -> Parsed<Feeder> {
        same_id(id.as_str(), self.id.as_deref())?;
        let kind = FeederKind::from_name(&self.kind).ok_or_else(|| {
            format!(
                "kind is frame, pail, jar, tray or entrance, not \"{}\"",
                self.kind
            )
        })?;
        Ok(Feeder {
            hive: HiveId::new(&self.hive).map_err(words)?,
            kind,
            capacity_l: self.capacity_l,
            on_scale: self.on_scale,
            sensors: self
                .sensor
                .into_iter()
                .map(SensorBody::parse)
                .collect::<Parsed<_>>()?,
            id,
        })
    }
}

impl From<&Feeder> for FeederBody {
    fn from(feeder: &Feeder) -> Self {
        Self {
            revision: None,
            id: Some(feeder.id.to_string()),
            hive: feeder.hive.to_string(),
            kind: feeder.kind.name().to_owned(),
            capacity_l: feeder.capacity_l,
            on_scale: feeder.on_scale,
            sensor: feeder.sensors.iter().map(Into::into).collect(),
        }
    }
}

impl SensorBody {
    pub fn parse(self) -> Parsed<LevelSensor> {
        let (from, to) = (self.from.as_deref(), self.to.as_deref());
        let assignment = assignment(&self.device, &self.channel, from, to)?;
        let base = self.channel.rsplit('/').next().unwrap_or_default();
        let geometry = match base {
            "distance" => Geometry::Distance {
                mount_m: self.mount_m.ok_or("a distance sensor needs mount_m")?,
                shape: shape(self.area_m2, self.table.as_deref())?,
            },
            "depth" => Geometry::Depth {
                shape: shape(self.area_m2, self.table.as_deref())?,
            },
            "volume" => Geometry::Volume,
            "feeder_weight" => Geometry::FeederWeight,
            _ => {
                return Err(format!(
                    "a sensor's channel is distance, depth, volume or feeder_weight, not \"{}\"",
                    self.channel
                ));
            }
        };
        Ok(LevelSensor {
            assignment,
            geometry,
        })
    }
}

impl From<&LevelSensor> for SensorBody {
    fn from(sensor: &LevelSensor) -> Self {
        let during = sensor.assignment.during;
        let (mount_m, shape) = match &sensor.geometry {
            Geometry::Distance { mount_m, shape } => (Some(*mount_m), Some(shape)),
            Geometry::Depth { shape } => (None, Some(shape)),
            Geometry::Volume | Geometry::FeederWeight => (None, None),
        };
        let (area_m2, table) = match shape {
            Some(Shape::Straight { area_m2 }) => (Some(*area_m2), None),
            Some(Shape::Table(rows)) => (None, Some(rows.clone())),
            None => (None, None),
        };
        Self {
            device: sensor.assignment.source.device.to_string(),
            channel: sensor.assignment.source.channel.to_string(),
            from: start_text(during),
            to: end_text(during),
            mount_m,
            area_m2,
            table,
        }
    }
}

fn shape(area_m2: Option<f64>, table: Option<&[(f64, f64)]>) -> Parsed<Shape> {
    match (area_m2, table) {
        (Some(area_m2), None) => Shape::straight(area_m2).map_err(words),
        (None, Some(rows)) => Shape::table(rows).map_err(words),
        _ => Err("give the feeder's shape as area_m2 or as a table, one of the two".to_owned()),
    }
}

pub(super) fn assignment(
    device: &str,
    channel: &str,
    from: Option<&str>,
    to: Option<&str>,
) -> Parsed<Assignment> {
    let device = DeviceId::new(device).map_err(words)?;
    let channel = ChannelName::new(channel).map_err(words)?;
    let start = from.map(moment).transpose()?.unwrap_or(Span::ALWAYS.start);
    let end = to.map(moment).transpose()?.unwrap_or(Span::ALWAYS.end);
    Ok(Assignment {
        source: ChannelRef { device, channel },
        during: Span { start, end },
    })
}

fn moment(text: &str) -> Parsed<Timestamp> {
    Timestamp::parse_rfc3339(text)
        .ok_or_else(|| format!("a time is written like 2026-06-01T00:00:00Z, not \"{text}\""))
}

fn start_text(during: Span) -> Option<String> {
    (during.start > Span::ALWAYS.start).then(|| during.start.to_rfc3339())
}

fn end_text(during: Span) -> Option<String> {
    (during.end < Span::ALWAYS.end).then(|| during.end.to_rfc3339())
}
