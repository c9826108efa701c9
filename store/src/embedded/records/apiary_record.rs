//! What the apiary looks like in the store: JSON with a version. A new version is a new variant
//! beside the old one, which must still read; the fixtures in `tests/records` hold that.

use chrono::NaiveDate;
use larder_domain::{
    Assignment, ChannelName, ChannelRef, DeviceId, Feeder, FeederId, FeederKind, Geometry, Goal,
    Hive, HiveId, LevelSensor, Move, Span, Timestamp, Yard, YardId,
};
use larder_syrup::feeder::Shape;
use serde::{Deserialize, Serialize};

#[derive(Serialize, Deserialize)]
#[serde(tag = "v")]
pub(super) enum YardRecord {
    #[serde(rename = "1")]
    V1(YardV1),
}

#[derive(Serialize, Deserialize)]
#[serde(tag = "v")]
pub(super) enum HiveRecord {
    #[serde(rename = "1")]
    V1(HiveV1),
}

#[derive(Serialize, Deserialize)]
#[serde(tag = "v")]
pub(super) enum FeederRecord {
    #[serde(rename = "1")]
    V1(FeederV1),
}

#[derive(Serialize, Deserialize)]
pub(super) struct YardV1 {
    name: String,
    timezone: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    latitude: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    longitude: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    weather: Option<String>,
}

#[derive(Serialize, Deserialize)]
pub(super) struct HiveV1 {
    name: String,
    yard: String,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    moves: Vec<MoveV1>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    scales: Vec<AssignmentV1>,
    #[serde(skip_serializing_if = "Option::is_none")]
    goal: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    target_weight_kg: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    target_date: Option<String>,
    supers_on: bool,
}

#[derive(Serialize, Deserialize)]
pub(super) struct MoveV1 {
    yard: String,
    from_ms: i64,
}

#[derive(Serialize, Deserialize)]
pub(super) struct AssignmentV1 {
    device: String,
    channel: String,
    /// Absent: since ever.
    #[serde(skip_serializing_if = "Option::is_none")]
    from_ms: Option<i64>,
    /// Absent: until further notice.
    #[serde(skip_serializing_if = "Option::is_none")]
    to_ms: Option<i64>,
}

#[derive(Serialize, Deserialize)]
pub(super) struct FeederV1 {
    hive: String,
    kind: String,
    capacity_l: f64,
    on_scale: bool,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    sensors: Vec<SensorV1>,
}

#[derive(Serialize, Deserialize)]
pub(super) struct SensorV1 {
    #[serde(flatten)]
    assignment: AssignmentV1,
    geometry: GeometryV1,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum GeometryV1 {
    Distance { mount_m: f64, shape: ShapeV1 },
    Depth { shape: ShapeV1 },
    Volume,
    FeederWeight,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum ShapeV1 {
    /// m2.
    StraightM2(f64),
    /// Pairs of depth (m) and litres.
    #[serde(rename = "table_m_l")]
    Table(Vec<(f64, f64)>),
}

impl From<&Yard> for YardRecord {
    fn from(yard: &Yard) -> Self {
        Self::V1(YardV1 {
            name: yard.name.clone(),
            timezone: yard.timezone.name().to_owned(),
            latitude: yard.position.map(|(latitude, _)| latitude),
            longitude: yard.position.map(|(_, longitude)| longitude),
            weather: yard.weather.as_ref().map(ToString::to_string),
        })
    }
}

impl YardRecord {
    pub(super) fn into_yard(self, id: &str) -> Result<Yard, String> {
        let Self::V1(record) = self;
        Ok(Yard {
            id: YardId::new(id).map_err(say)?,
            name: record.name,
            timezone: record.timezone.parse().map_err(say)?,
            position: record.latitude.zip(record.longitude),
            weather: (record.weather.as_deref().map(DeviceId::new))
                .transpose()
                .map_err(say)?,
        })
    }
}

impl From<&Hive> for HiveRecord {
    fn from(hive: &Hive) -> Self {
        let moves = hive.moves.iter().map(|m| MoveV1 {
            yard: m.yard.to_string(),
            from_ms: m.from.0,
        });
        Self::V1(HiveV1 {
            name: hive.name.clone(),
            yard: hive.yard.to_string(),
            moves: moves.collect(),
            scales: hive.scales.iter().map(AssignmentV1::from).collect(),
            goal: hive.goal.map(|goal| goal.name().to_owned()),
            target_weight_kg: hive.target_weight_kg,
            target_date: hive.target_date.map(|date| date.to_string()),
            supers_on: hive.supers_on,
        })
    }
}

impl HiveRecord {
    pub(super) fn into_hive(self, id: &str) -> Result<Hive, String> {
        let Self::V1(record) = self;
        let moves = record.moves.into_iter().map(|m| {
            Ok(Move {
                yard: YardId::new(&m.yard).map_err(say)?,
                from: Timestamp(m.from_ms),
            })
        });
        let goal = |name: String| Goal::from_name(&name).ok_or(format!("goal \"{name}\""));
        let date = |text: String| text.parse::<NaiveDate>().map_err(say);
        Ok(Hive {
            id: HiveId::new(id).map_err(say)?,
            name: record.name,
            yard: YardId::new(&record.yard).map_err(say)?,
            moves: moves.collect::<Result<_, String>>()?,
            scales: (record.scales.into_iter().map(AssignmentV1::into_assignment))
                .collect::<Result<_, String>>()?,
            goal: record.goal.map(goal).transpose()?,
            target_weight_kg: record.target_weight_kg,
            target_date: record.target_date.map(date).transpose()?,
            supers_on: record.supers_on,
        })
    }
}

impl From<&Assignment> for AssignmentV1 {
    fn from(assignment: &Assignment) -> Self {
        let Span { start, end } = assignment.during;
        Self {
            device: assignment.source.device.to_string(),
            channel: assignment.source.channel.to_string(),
            from_ms: (start != Span::ALWAYS.start).then_some(start.0),
            to_ms: (end != Span::ALWAYS.end).then_some(end.0),
        }
    }
}

impl AssignmentV1 {
    fn into_assignment(self) -> Result<Assignment, String> {
        Ok(Assignment {
            source: ChannelRef {
                device: DeviceId::new(&self.device).map_err(say)?,
                channel: ChannelName::new(&self.channel).map_err(say)?,
            },
            during: Span {
                start: self.from_ms.map_or(Span::ALWAYS.start, Timestamp),
                end: self.to_ms.map_or(Span::ALWAYS.end, Timestamp),
            },
        })
    }
}

impl From<&Feeder> for FeederRecord {
    fn from(feeder: &Feeder) -> Self {
        let sensors = feeder.sensors.iter().map(|sensor| SensorV1 {
            assignment: AssignmentV1::from(&sensor.assignment),
            geometry: GeometryV1::from(&sensor.geometry),
        });
        Self::V1(FeederV1 {
            hive: feeder.hive.to_string(),
            kind: feeder.kind.name().to_owned(),
            capacity_l: feeder.capacity_l,
            on_scale: feeder.on_scale,
            sensors: sensors.collect(),
        })
    }
}

impl FeederRecord {
    pub(super) fn into_feeder(self, id: &str) -> Result<Feeder, String> {
        let Self::V1(record) = self;
        let sensors = record.sensors.into_iter().map(|sensor| {
            Ok(LevelSensor {
                assignment: sensor.assignment.into_assignment()?,
                geometry: sensor.geometry.into_geometry()?,
            })
        });
        Ok(Feeder {
            id: FeederId::new(id).map_err(say)?,
            hive: HiveId::new(&record.hive).map_err(say)?,
            kind: FeederKind::from_name(&record.kind).ok_or(format!("kind \"{}\"", record.kind))?,
            capacity_l: record.capacity_l,
            on_scale: record.on_scale,
            sensors: sensors.collect::<Result<_, String>>()?,
        })
    }
}

impl From<&Geometry> for GeometryV1 {
    fn from(geometry: &Geometry) -> Self {
        match geometry {
            Geometry::Distance { mount_m, shape } => Self::Distance {
                mount_m: *mount_m,
                shape: shape.into(),
            },
            Geometry::Depth { shape } => Self::Depth {
                shape: shape.into(),
            },
            Geometry::Volume => Self::Volume,
            Geometry::FeederWeight => Self::FeederWeight,
        }
    }
}

impl GeometryV1 {
    fn into_geometry(self) -> Result<Geometry, String> {
        Ok(match self {
            Self::Distance { mount_m, shape } => Geometry::Distance {
                mount_m,
                shape: shape.into_shape()?,
            },
            Self::Depth { shape } => Geometry::Depth {
                shape: shape.into_shape()?,
            },
            Self::Volume => Geometry::Volume,
            Self::FeederWeight => Geometry::FeederWeight,
        })
    }
}

impl From<&Shape> for ShapeV1 {
    fn from(shape: &Shape) -> Self {
        match shape {
            Shape::Straight { area_m2 } => Self::StraightM2(*area_m2),
            Shape::Table(rows) => Self::Table(rows.clone()),
        }
    }
}

impl ShapeV1 {
    fn into_shape(self) -> Result<Shape, String> {
        match self {
            Self::StraightM2(area_m2) => Shape::straight(area_m2),
            Self::Table(rows) => Shape::table(&rows),
        }
        .map_err(say)
    }
}

fn say(error: impl std::fmt::Display) -> String {
    error.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    const MOVED_AT: Timestamp = Timestamp(1_788_238_800_000);

    fn assignment(device: &str, channel: &str, during: Span) -> Assignment {
        Assignment {
            source: ChannelRef {
                device: DeviceId::new(device).unwrap(),
                channel: ChannelName::new(channel).unwrap(),
            },
            during,
        }
    }

    fn yard() -> Yard {
        Yard {
            id: YardId::new("north").unwrap(),
            name: "North terrace".into(),
            timezone: chrono_tz::America::New_York,
            position: Some((41.2, -77.3)),
            weather: Some(DeviceId::new("wx-north").unwrap()),
        }
    }

    fn hive() -> Hive {
        let ever = Span::ALWAYS;
        let before = Span {
            end: MOVED_AT,
            ..ever
        };
        let after = Span {
            start: MOVED_AT,
            ..ever
        };
        Hive {
            id: HiveId::new("north-01").unwrap(),
            name: "The tall one".into(),
            yard: YardId::new("north").unwrap(),
            moves: vec![Move {
                yard: YardId::new("south").unwrap(),
                from: MOVED_AT,
            }],
            scales: vec![
                assignment("lg-7", "a/weight", before),
                assignment("sc-1", "weight", after),
            ],
            goal: Some(Goal::WinterStores),
            target_weight_kg: Some(48.5),
            target_date: NaiveDate::from_ymd_opt(2026, 10, 15),
            supers_on: false,
        }
    }

    fn feeder() -> Feeder {
        let straight = Shape::straight(0.0759).unwrap();
        let table = Shape::table(&[(0.0, 0.0), (0.05, 3.1)]).unwrap();
        let sensor = |device, channel, geometry| LevelSensor {
            assignment: assignment(device, channel, Span::ALWAYS),
            geometry,
        };
        let distance = Geometry::Distance {
            mount_m: 0.145,
            shape: straight,
        };
        Feeder {
            id: FeederId::new("north-01-f").unwrap(),
            hive: HiveId::new("north-01").unwrap(),
            kind: FeederKind::Tray,
            capacity_l: 11.0,
            on_scale: true,
            sensors: vec![
                sensor("lv-1", "distance", distance),
                sensor("lv-2", "depth", Geometry::Depth { shape: table }),
                sensor("lv-3", "volume", Geometry::Volume),
                sensor("lv-4", "feeder_weight", Geometry::FeederWeight),
            ],
        }
    }

    /// What version 0.1 wrote must read for ever, and is what is written today.
    #[test]
    fn the_first_records_still_read() {
        let text = include_str!("../../../tests/records/yard-1.json").trim();
        let record: YardRecord = serde_json::from_str(text).unwrap();
        assert_eq!(record.into_yard("north").unwrap(), yard());
        assert_eq!(
            serde_json::to_string(&YardRecord::from(&yard())).unwrap(),
            text
        );

        let text = include_str!("../../../tests/records/hive-1.json").trim();
        let record: HiveRecord = serde_json::from_str(text).unwrap();
        assert_eq!(record.into_hive("north-01").unwrap(), hive());
        assert_eq!(
            serde_json::to_string(&HiveRecord::from(&hive())).unwrap(),
            text
        );

        let text = include_str!("../../../tests/records/feeder-1.json").trim();
        let record: FeederRecord = serde_json::from_str(text).unwrap();
        assert_eq!(record.into_feeder("north-01-f").unwrap(), feeder());
        assert_eq!(
            serde_json::to_string(&FeederRecord::from(&feeder())).unwrap(),
            text
        );
    }

    #[test]
    fn what_does_not_read_says_why() {
        let unknown = serde_json::from_str::<YardRecord>(r#"{"v":"99","name":"x"}"#);
        assert!(unknown.err().unwrap().to_string().contains("99"));
        let record: YardRecord =
            serde_json::from_str(r#"{"v":"1","name":"x","timezone":"Mars/Olympus"}"#).unwrap();
        assert!(record.into_yard("north").is_err());
    }
}
