//! What several tests share.
#![allow(dead_code, reason = "each test uses a part")]

use larder_domain::feeder::Shape;
use larder_domain::{
    Assignment, ChannelName, ChannelRef, DeviceId, Feeder, FeederId, FeederKind, Geometry, Goal,
    Hive, HiveId, LevelSensor, Sample, Span, Timestamp, Yard, YardId,
};
use larder_process::{FeederInput, HiveInput, LevelInput, Weather, YardInput};

/// Random numbers that are the same in every run: SplitMix64 (G. L. Steele, D. Lea, C. H. Flood,
/// *Fast splittable pseudorandom number generators*, OOPSLA 2014).
pub struct Random(pub u64);

impl Random {
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Standard normal, by the polar method (G. Marsaglia, T. A. Bray, 1964).
    pub fn normal(&mut self) -> f64 {
        loop {
            let (u, v) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                return u * (-2.0 * s.ln() / s).sqrt();
            }
        }
    }
}

/// 2025-09-01T04:00:00Z: a midnight in New York.
pub const START: Timestamp = Timestamp(1_756_699_200_000);
pub const CAPACITY_L: f64 = 6.0;
pub const AREA_M2: f64 = 0.06;
const KG_PER_LITRE: f64 = 1.3;

/// One hive on a scale with one feeder under a level sensor, as it truly was.
#[derive(Clone, Debug)]
pub struct Story {
    pub days: usize,
    /// Litres that the colony takes in an hour while there is any, for each day.
    pub appetite: Vec<f64>,
    /// Day and litres of each fill, at 15:00.
    pub fills: Vec<(usize, f64)>,
    pub seed: u64,
}

/// What the sensors made of it, and the truth.
pub struct Told {
    pub yard: Yard,
    pub hive: Hive,
    pub feeder: Feeder,
    pub level: Vec<Sample>,
    pub weight: Vec<Sample>,
    /// Litres taken on each day.
    pub taken: Vec<f64>,
}

impl Story {
    pub fn tell(&self) -> Told {
        let mut random = Random(self.seed);
        let (mut litres, mut taken_in_all) = (0.0f64, 0.0);
        let (mut level, mut weight) = (Vec::new(), Vec::new());
        let mut taken = vec![0.0; self.days];
        let mut poured_kg = 0.0;
        for tick in 0..self.days * 144 {
            let (day, time) = (tick / 144, START.plus_ms(tick as i64 * 600_000));
            if tick % 144 == 66 {
                // 11 hours after midnight there is 15:00 UTC.
                for (_, fill) in self.fills.iter().filter(|fill| fill.0 == day) {
                    litres += fill;
                    poured_kg += fill * KG_PER_LITRE;
                }
            }
            let noise = 0.0015 * random.normal();
            let depth = litres / (AREA_M2 * 1000.0) + noise;
            level.push(sample(time, (depth * 1000.0).round() / 1000.0));
            if tick % 3 == 0 {
                let kg = 30.0 + poured_kg - 0.3 * taken_in_all + 0.02 * random.normal();
                weight.push(sample(time, (kg * 100.0).round() / 100.0));
            }
            let bite = (self.appetite[day] / 6.0).min(litres);
            litres -= bite;
            taken[day] += bite;
            taken_in_all += bite;
        }
        Told {
            yard: yard(),
            hive: hive(),
            feeder: feeder(),
            level,
            weight,
            taken,
        }
    }
}

impl Told {
    /// The yard as it is known at `now`, with results asked for from the start on.
    pub fn input_at(&self, now: Timestamp) -> YardInput<'_> {
        self.input(
            Span {
                start: START,
                end: now,
            },
            now,
        )
    }

    pub fn input(&self, span: Span, now: Timestamp) -> YardInput<'_> {
        let [sensor] = self.feeder.sensors.as_slice() else {
            panic!("the feeder has one sensor")
        };
        YardInput {
            yard: &self.yard,
            span,
            now,
            weather: Weather::default(),
            hives: vec![HiveInput {
                hive: &self.hive,
                weight: until(&self.weight, now),
                scale_temperature: &[],
                feeders: vec![FeederInput {
                    feeder: &self.feeder,
                    levels: vec![LevelInput {
                        sensor,
                        samples: until(&self.level, now),
                        syrup_temperature: &[],
                    }],
                    recorded: &[],
                }],
            }],
            devices: Vec::new(),
        }
    }

    pub fn end(&self) -> Timestamp {
        START.plus_ms(self.taken.len() as i64 * 86_400_000)
    }
}

fn until(samples: &[Sample], now: Timestamp) -> &[Sample] {
    &samples[..samples.partition_point(|sample| sample.time < now)]
}

fn sample(time: Timestamp, value: f64) -> Sample {
    Sample { time, value }
}

fn yard() -> Yard {
    Yard {
        id: YardId::new("yard").expect("a name"),
        name: "Yard".into(),
        timezone: chrono_tz::America::New_York,
        position: None,
        weather: None,
    }
}

fn assignment(device: &str, channel: &str) -> Assignment {
    Assignment {
        source: ChannelRef {
            device: DeviceId::new(device).expect("a name"),
            channel: ChannelName::new(channel).expect("a name"),
        },
        during: Span::ALWAYS,
    }
}

fn hive() -> Hive {
    Hive {
        id: HiveId::new("hive").expect("a name"),
        name: "hive".into(),
        yard: YardId::new("yard").expect("a name"),
        moves: Vec::new(),
        scales: vec![assignment("scale", "weight")],
        goal: Some(Goal::WinterStores),
        target_weight_kg: None,
        target_date: None,
        supers_on: false,
    }
}

fn feeder() -> Feeder {
    Feeder {
        id: FeederId::new("feeder").expect("a name"),
        hive: HiveId::new("hive").expect("a name"),
        kind: FeederKind::Tray,
        capacity_l: CAPACITY_L,
        on_scale: true,
        sensors: vec![LevelSensor {
            assignment: assignment("level", "depth"),
            geometry: Geometry::Depth {
                shape: Shape::straight(AREA_M2).expect("an area"),
            },
        }],
    }
}
