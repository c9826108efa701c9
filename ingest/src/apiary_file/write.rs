//! From the domain to the file's words.

use super::{
    ApiaryFile, FeederFile, GatewayFile, HiveFile, MoveFile, ScaleFile, Scales, SensorFile,
    Sensors, ThresholdFile, YardFile,
};
use larder_domain::{
    Apiary, Assignment, ChannelKind, Feeder, Geometry, Hive, LevelSensor, Span, ThresholdPlace,
    Timestamp, Yard,
};
use larder_syrup::feeder::Shape;

impl From<&Apiary> for ApiaryFile {
    fn from(apiary: &Apiary) -> Self {
        Self {
            yard: apiary.yards().map(YardFile::from).collect(),
            hive: apiary.hives().map(HiveFile::from).collect(),
            feeder: apiary.feeders().map(FeederFile::from).collect(),
            threshold: apiary
                .thresholds()
                .into_iter()
                .map(|threshold| {
                    let (yard, hive) = match &threshold.place {
                        ThresholdPlace::Operation => (None, None),
                        ThresholdPlace::Yard(yard) => (Some(yard.to_string()), None),
                        ThresholdPlace::Hive(hive) => (None, Some(hive.to_string())),
                    };
                    ThresholdFile {
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
                .map(|id| GatewayFile { id: id.to_string() })
                .collect(),
        }
    }
}

impl From<&Yard> for YardFile {
    fn from(yard: &Yard) -> Self {
        Self {
            id: yard.id.to_string(),
            name: Some(yard.name.clone()).filter(|name| name != yard.id.as_str()),
            timezone: yard.timezone.name().to_owned(),
            latitude: yard.position.map(|(latitude, _)| latitude),
            longitude: yard.position.map(|(_, longitude)| longitude),
            weather: yard.weather.as_ref().map(ToString::to_string),
        }
    }
}

impl From<&Hive> for HiveFile {
    fn from(hive: &Hive) -> Self {
        let moves = hive.moves.iter().map(|one| MoveFile {
            yard: one.yard.to_string(),
            from: one.from.to_rfc3339(),
        });
        Self {
            id: hive.id.to_string(),
            name: Some(hive.name.clone()).filter(|name| name != hive.id.as_str()),
            yard: hive.yard.to_string(),
            scale: Scales(hive.scales.iter().map(ScaleFile::from).collect()),
            goal: hive.goal.map(|goal| goal.name().to_owned()),
            target_weight_kg: hive.target_weight_kg,
            target_date: hive.target_date.map(|date| date.to_string()),
            supers_on: hive.supers_on,
            moves: moves.collect(),
        }
    }
}

impl From<&Assignment> for ScaleFile {
    fn from(scale: &Assignment) -> Self {
        let channel = scale.source.channel.as_str();
        let (from, to) = ends(scale.during);
        Self {
            device: scale.source.device.to_string(),
            channel: (channel != ChannelKind::Weight.name()).then(|| channel.to_owned()),
            from,
            to,
        }
    }
}

impl From<&Feeder> for FeederFile {
    fn from(feeder: &Feeder) -> Self {
        Self {
            id: feeder.id.to_string(),
            hive: feeder.hive.to_string(),
            kind: feeder.kind.name().to_owned(),
            capacity_l: feeder.capacity_l,
            on_scale: feeder.on_scale,
            sensor: Sensors(feeder.sensors.iter().map(SensorFile::from).collect()),
        }
    }
}

impl From<&LevelSensor> for SensorFile {
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
