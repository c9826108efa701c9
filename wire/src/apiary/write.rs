//! From the domain to the file's words.

use super::{
    ApiaryFile, FeederWire, GatewayWire, HiveWire, MoveWire, ScaleWire, Scales, SensorWire,
    Sensors, ThresholdWire, YardWire,
};
use larder_domain::{
    Apiary, Assignment, Feeder, Geometry, Hive, LevelSensor, Span, ThresholdPlace, Timestamp, Yard,
};
use larder_syrup::feeder::Shape;

impl From<&Apiary> for ApiaryFile {
    fn from(apiary: &Apiary) -> Self {
        Self {
            yard: apiary.yards().map(YardWire::from).collect(),
            hive: apiary.hives().map(HiveWire::from).collect(),
            feeder: apiary.feeders().map(FeederWire::from).collect(),
            threshold: apiary
                .thresholds()
                .into_iter()
                .map(|threshold| {
                    let (yard, hive) = match &threshold.place {
                        ThresholdPlace::Operation => (None, None),
                        ThresholdPlace::Yard(yard) => (Some(yard.to_string()), None),
                        ThresholdPlace::Hive(hive) => (None, Some(hive.to_string())),
                    };
                    ThresholdWire {
                        name: threshold.name,
                        value: threshold.value,
                        yard,
                        hive,
                    }
                })
                .collect(),
            gateway: apiary
                .gateways()
                .iter()
                .map(|id| GatewayWire { id: id.to_string() })
                .collect(),
        }
    }
}

impl From<&Yard> for YardWire {
    fn from(yard: &Yard) -> Self {
        Self {
            id: Some(yard.id.to_string()),
            name: Some(yard.name.clone()),
            timezone: yard.timezone.name().to_owned(),
            latitude: yard.position.map(|(latitude, _)| latitude),
            longitude: yard.position.map(|(_, longitude)| longitude),
            weather: yard.weather.as_ref().map(ToString::to_string),
            revision: None,
        }
    }
}

impl From<&Hive> for HiveWire {
    fn from(hive: &Hive) -> Self {
        let moves = hive.moves.iter().map(|one| MoveWire {
            yard: one.yard.to_string(),
            from: one.from.to_rfc3339(),
        });
        Self {
            id: Some(hive.id.to_string()),
            name: Some(hive.name.clone()),
            yard: hive.yard.to_string(),
            scale: Scales(hive.scales.iter().map(ScaleWire::from).collect()),
            goal: hive.goal.map(|goal| goal.name().to_owned()),
            target_weight_kg: hive.target_weight_kg,
            target_date: hive.target_date.map(|date| date.to_string()),
            supers_on: hive.supers_on,
            moves: moves.collect(),
            revision: None,
        }
    }
}

impl From<&Assignment> for ScaleWire {
    fn from(scale: &Assignment) -> Self {
        let (from, to) = ends(scale.during);
        Self {
            device: scale.source.device.to_string(),
            channel: Some(scale.source.channel.to_string()),
            from,
            to,
        }
    }
}

impl From<&Feeder> for FeederWire {
    fn from(feeder: &Feeder) -> Self {
        Self {
            id: Some(feeder.id.to_string()),
            hive: feeder.hive.to_string(),
            kind: feeder.kind.name().to_owned(),
            capacity_l: feeder.capacity_l,
            on_scale: feeder.on_scale,
            sensor: Sensors(feeder.sensors.iter().map(SensorWire::from).collect()),
            revision: None,
        }
    }
}

impl From<&LevelSensor> for SensorWire {
    fn from(sensor: &LevelSensor) -> Self {
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
        let (from, to) = ends(sensor.assignment.during);
        Self {
            device: sensor.assignment.source.device.to_string(),
            channel: sensor.assignment.source.channel.to_string(),
            mount_m,
            area_m2,
            table,
            from,
            to,
        }
    }
}

fn ends(span: Span) -> (Option<String>, Option<String>) {
    let text = |moment: Timestamp, open: Timestamp| (moment != open).then(|| moment.to_rfc3339());
    (
        text(span.start, Span::ALWAYS.start),
        text(span.end, Span::ALWAYS.end),
    )
}
