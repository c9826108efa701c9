//! What the processing stage is given of a yard.

use super::devices::Device;
use super::instruments::Shown;
use super::plan::YardPlan;
use super::sky::Season;
use super::story::Told;
use larder_domain::{
    Apiary, Assignment, ChannelName, ChannelRef, DeviceId, Feeder, FeederId, Geometry, Goal, Hive,
    HiveId, LevelSensor, Span, Yard, YardId,
};
use larder_estimate::{DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput};

/// As the keeper declares it.
pub struct Declared {
    yard: Yard,
    hives: Vec<(Hive, Feeder)>,
    devices: Vec<DeviceId>,
}

impl Declared {
    pub fn of(told: &Told) -> Self {
        let plan = &told.plan;
        let place = plan.when.place;
        Self {
            yard: Yard {
                id: YardId::new(&plan.name).expect("a name"),
                name: plan.name.clone(),
                timezone: place.zone,
                position: Some((place.latitude, place.longitude)),
                weather: told.station.as_ref().map(id),
            },
            hives: (0..plan.hives.len()).map(|i| hive(told, i)).collect(),
            devices: told.devices().map(id).collect(),
        }
    }

    /// The yard as an apiary of its own.
    pub fn apiary(&self) -> Apiary {
        let (hives, feeders) = self.hives.iter().cloned().unzip();
        Apiary::new(vec![self.yard.clone()], hives, feeders, Vec::new())
            .expect("a yard of the trial fits together")
    }

    pub fn input<'a>(&'a self, told: &'a Told) -> YardInput<'a> {
        let when = told.plan.when;
        let [humidity, rain, wind, irradiance] = &told.weather;
        let hives = self
            .hives
            .iter()
            .zip(&told.hives)
            .map(|((hive, feeder), lived)| {
                let levels = lived.level.iter().zip(&feeder.sensors);
                HiveInput {
                    hive,
                    weight: lived.scale.as_ref().map_or(&[], |d| &d.values),
                    scale_temperature: lived.scale.as_ref().map_or(&[], |d| &d.temperature),
                    feeders: vec![FeederInput {
                        feeder,
                        levels: levels
                            .map(|(device, sensor)| LevelInput {
                                sensor,
                                samples: &device.values,
                                syrup_temperature: &device.temperature,
                            })
                            .collect(),
                        recorded: &lived.fills,
                    }],
                }
            });
        let devices = self.devices.iter().zip(told.devices());
        YardInput {
            yard: &self.yard,
            span: Span {
                start: when.start,
                end: when.end(),
            },
            now: when.end(),
            weather: Weather {
                temperature: told.station.as_ref().map_or(&[], |d| &d.values),
                humidity,
                rain,
                wind,
                irradiance,
            },
            hives: hives.collect(),
            devices: devices
                .map(|(device, given)| DeviceInput {
                    device,
                    reported_at: &given.reported_at,
                    battery: &given.battery,
                    impossible: &given.impossible,
                    clock_off: None,
                })
                .collect(),
        }
    }
}

fn id(device: &Device) -> DeviceId {
    DeviceId::new(&device.name).expect("a name")
}

fn assignment(device: &Device, channel: &str) -> Assignment {
    Assignment {
        source: ChannelRef {
            device: id(device),
            channel: ChannelName::new(channel).expect("a channel's name"),
        },
        during: Span::ALWAYS,
    }
}

fn hive(told: &Told, index: usize) -> (Hive, Feeder) {
    let (plan, lived): (&YardPlan, _) = (&told.plan, &told.hives[index]);
    let of = &plan.hives[index];
    let autumn = plan.when.season == Season::Autumn;
    let scales = lived
        .scale
        .iter()
        .map(|device| assignment(device, "weight"));
    let hive = Hive {
        id: HiveId::new(&format!("{}-{index}", plan.name)).expect("a name"),
        name: format!("Hive {index}"),
        yard: YardId::new(&plan.name).expect("a name"),
        moves: Vec::new(),
        scales: scales.collect(),
        goal: Some(if autumn {
            Goal::WinterStores
        } else {
            Goal::BuildUp
        }),
        target_weight_kg: None,
        target_date: None,
        supers_on: false,
    };
    let sensors = lived.level.iter().zip(&of.level).map(|(device, sensor)| {
        let shape = of.shape.clone();
        LevelSensor {
            assignment: assignment(device, sensor.channel().name()),
            geometry: match sensor.shown {
                Shown::Distance { mount_m } => Geometry::Distance { mount_m, shape },
                Shown::Depth => Geometry::Depth { shape },
                Shown::Weight => Geometry::FeederWeight,
            },
        }
    });
    let feeder = Feeder {
        id: FeederId::new(&Told::feeder(index, plan)).expect("a name"),
        hive: hive.id.clone(),
        kind: of.kind,
        capacity_l: (of.traits.capacity_l * 10.0).round() / 10.0,
        on_scale: of.traits.on_scale,
        sensors: sensors.collect(),
    };
    (hive, feeder)
}
