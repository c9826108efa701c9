//! Declares a yard with a hive on a scale and a watched tray feeder, and shows that an apiary whose
//! parts do not fit together is refused with everything that is wrong.

#![expect(clippy::print_stdout, reason = "an example shows what it found")]

use larder_domain::{
    Apiary, Assignment, ChannelName, ChannelRef, DeviceId, Feeder, FeederId, FeederKind, Geometry,
    Goal, Hive, HiveId, LevelSensor, Span, Yard, YardId,
};
use larder_syrup::feeder::Shape;
use std::error::Error;

fn from_the_start(device: &str, channel: &str) -> Result<Assignment, Box<dyn Error>> {
    Ok(Assignment {
        source: ChannelRef {
            device: DeviceId::new(device)?,
            channel: ChannelName::new(channel)?,
        },
        during: Span::ALWAYS,
    })
}

fn main() -> Result<(), Box<dyn Error>> {
    let yard = Yard {
        id: YardId::new("north")?,
        name: "North terrace".into(),
        timezone: chrono_tz::America::New_York,
        position: Some((41.2, -77.3)),
        weather: Some(DeviceId::new("wx-north")?),
    };
    let hive = Hive {
        id: HiveId::new("north-01")?,
        name: "Blue hive".into(),
        yard: yard.id.clone(),
        moves: Vec::new(),
        scales: vec![from_the_start("sc-north-01", "weight")?],
        goal: Some(Goal::WinterStores),
        target_weight_kg: Some(48.0),
        target_date: chrono::NaiveDate::from_ymd_opt(2026, 10, 15),
        supers_on: false,
    };
    let feeder = Feeder {
        id: FeederId::new("north-01-f")?,
        hive: hive.id.clone(),
        kind: FeederKind::Tray,
        capacity_l: 11.0,
        on_scale: true,
        sensors: vec![LevelSensor {
            assignment: from_the_start("lv-north-01", "distance")?,
            geometry: Geometry::Distance {
                mount_m: 0.145,
                shape: Shape::straight(0.0759)?,
            },
        }],
    };
    let (yards, hives, feeders) = (vec![yard], vec![hive], vec![feeder]);
    let whole = Apiary::new(yards.clone(), hives, feeders.clone(), Vec::new());
    for feeder in whole.iter().flat_map(Apiary::feeders) {
        let (id, kind, hive) = (&feeder.id, feeder.kind.name(), &feeder.hive);
        println!("{id}: a {kind} feeder of {} l on {hive}", feeder.capacity_l);
    }
    let without_hives = Apiary::new(yards, Vec::new(), feeders, Vec::new());
    for problem in without_hives.err().unwrap_or_default() {
        println!("Refused: {problem}");
    }
    Ok(())
}
