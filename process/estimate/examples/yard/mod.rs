//! One yard with a hive on a scale and a tray feeder whose sensor tells litres, for the examples of the
//! processing stage.

use larder_domain::{
    Assignment, ChannelName, ChannelRef, DeviceId, Feeder, FeederId, FeederKind, Geometry, Goal,
    Hive, HiveId, LevelSensor, RecordedFill, Sample, Span, Timestamp, Yard, YardId,
};
use larder_estimate::{FeederInput, HiveInput, LevelInput, Weather, YardInput};
use std::error::Error;

/// What was declared.
pub struct Declared {
    pub yard: Yard,
    pub hive: Hive,
    pub feeder: Feeder,
}

/// What was measured and written down.
#[derive(Default)]
pub struct Seen {
    /// Kilograms on the scale.
    pub weight: Vec<Sample>,
    /// Litres in the feeder.
    pub level: Vec<Sample>,
    pub recorded: Vec<RecordedFill>,
}

/// The midnight at which the examples start.
pub fn start() -> Result<Timestamp, Box<dyn Error>> {
    Ok(Timestamp::parse_rfc3339("2026-09-01T00:00:00Z").ok_or("a moment")?)
}

impl Declared {
    pub fn new() -> Result<Self, Box<dyn Error>> {
        let yard = Yard {
            id: YardId::new("north")?,
            name: "North terrace".into(),
            timezone: chrono_tz::UTC,
            position: None,
            weather: None,
        };
        let hive = Hive {
            id: HiveId::new("north-01")?,
            name: "Blue hive".into(),
            yard: yard.id.clone(),
            moves: Vec::new(),
            scales: vec![always("sc-north-01", "weight")?],
            goal: Some(Goal::WinterStores),
            target_weight_kg: Some(48.0),
            target_date: None,
            supers_on: false,
        };
        let feeder = Feeder {
            id: FeederId::new("north-01-f")?,
            hive: hive.id.clone(),
            kind: FeederKind::Tray,
            capacity_l: 11.0,
            on_scale: true,
            sensors: vec![LevelSensor {
                assignment: always("lv-north-01", "volume")?,
                geometry: Geometry::Volume,
            }],
        };
        Ok(Self { yard, hive, feeder })
    }

    /// The days from `start` to `end`, where the clock stands.
    pub fn input<'a>(&'a self, start: Timestamp, end: Timestamp, seen: &'a Seen) -> YardInput<'a> {
        let level = LevelInput {
            sensor: &self.feeder.sensors[0],
            samples: &seen.level,
            syrup_temperature: &[],
        };
        let feeder = FeederInput {
            feeder: &self.feeder,
            levels: vec![level],
            recorded: &seen.recorded,
        };
        let hive = HiveInput {
            hive: &self.hive,
            weight: &seen.weight,
            scale_temperature: &[],
            feeders: vec![feeder],
        };
        YardInput {
            yard: &self.yard,
            span: Span { start, end },
            now: end,
            weather: Weather::default(),
            hives: vec![hive],
            devices: Vec::new(),
        }
    }
}

fn always(device: &str, channel: &str) -> Result<Assignment, Box<dyn Error>> {
    let (device, channel) = (DeviceId::new(device)?, ChannelName::new(channel)?);
    Ok(Assignment {
        source: ChannelRef { device, channel },
        during: Span::ALWAYS,
    })
}
