//! A yard of a few hives with straight-walled feeders on scales, made from what happens to them.

use larder_domain::{
    Assignment, ChannelName, ChannelRef, DeviceId, Feeder, FeederId, FeederKind, Flag, FlagKind,
    Geometry, Goal, Hive, HiveId, LevelSensor, RecordedFill, Sample, Span, Timestamp, Yard, YardId,
};
use larder_estimate::analyse_yard;
use larder_estimate::input::{DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput};
use larder_syrup::Strength;
use larder_syrup::feeder::Shape;

/// Midnight in the zone of the scenes (UTC), 1 September 2025.
pub const START: i64 = 1_756_684_800_000;
const STEP_MS: i64 = 900_000;
/// kg/l of 2:1 at 20 Cel, near enough.
const KG_PER_L: f64 = 1.33;

/// What a hive lives through; every closure is of hours since the start.
pub struct Life {
    /// Litres in its feeder.
    pub litres: Box<dyn Fn(f64) -> f64>,
    /// Kilograms that come and go besides, on top of 30 kg and the feeder.
    pub kg: Box<dyn Fn(f64) -> f64>,
    /// Share of the syrup gone from the feeder that stays in the hive.
    pub stays: f64,
    /// What the scale shows instead, if it does.
    pub scale: Box<dyn Fn(f64, f64) -> Option<f64>>,
    /// What the level sensor (m of syrup) shows instead, if it does.
    pub level: Box<dyn Fn(f64, f64) -> Option<f64>>,
    /// Whether the feeder stands beside the scale.
    pub beside: bool,
    /// Recorded fill: hours and litres.
    pub fill: (f64, f64),
    /// Target on the scale, kg.
    pub target_kg: Option<f64>,
    /// What it is fed for.
    pub goal: Goal,
    /// Sugar to one part of water.
    pub sugar: f64,
    /// Kelvins by which its syrup is warmer than the air.
    pub warmer: Box<dyn Fn(f64) -> f64>,
}

impl Life {
    /// Filled with 8 l after twelve hours, takes half a litre a day.
    pub fn ordinary() -> Self {
        Self {
            litres: Box::new(|t| {
                if t < 12.0 {
                    0.0
                } else {
                    (8.0 - 0.5 / 24.0 * (t - 12.0)).max(0.0)
                }
            }),
            kg: Box::new(|_| 0.0),
            stays: 0.85,
            scale: Box::new(|_, kg| Some(kg)),
            level: Box::new(|_, m| Some(m)),
            beside: false,
            fill: (12.0, 8.0),
            target_kg: Some(60.0),
            goal: Goal::WinterStores,
            sugar: 2.0,
            warmer: Box::new(|_| 0.0),
        }
    }
}

/// A yard's weather: Cel and mm of rain in a quarter of an hour, by hours.
pub struct Sky {
    pub celsius: Box<dyn Fn(f64) -> f64>,
    pub rain: Box<dyn Fn(f64) -> f64>,
    /// Whether the yard has a rain gauge to say so.
    pub gauge: bool,
}

impl Sky {
    pub fn fair() -> Self {
        let day = |t: f64| 20.0 + 6.0 * ((t - 15.0) / 24.0 * std::f64::consts::TAU).cos();
        Self {
            celsius: Box::new(day),
            rain: Box::new(|_| 0.0),
            gauge: true,
        }
    }
}

/// Noise that is the same every time: -1 to 1.
fn hiss(i: i64, salt: i64) -> f64 {
    let mut x = (i.wrapping_mul(0x9E37_79B9) ^ salt.wrapping_mul(0x85EB_CA6B)) as u64;
    x ^= x >> 13;
    x = x.wrapping_mul(0xC2B2_AE35_9E37_79B9);
    ((x >> 40) as f64 / (1u64 << 24) as f64) * 2.0 - 1.0
}

/// Runs a yard for some days and returns its flags.
pub fn run(days: f64, sky: &Sky, lives: &[Life]) -> Vec<Flag> {
    run_until(days, days, sky, lives)
}

/// Runs a yard with the clock at `known` days, after which nothing has been measured, and returns its
/// flags.
pub fn run_until(days: f64, known: f64, sky: &Sky, lives: &[Life]) -> Vec<Flag> {
    let made: Vec<Made> = lives
        .iter()
        .enumerate()
        .map(|(i, life)| Made::of(i, known, sky, life))
        .collect();
    let yard = Yard {
        id: YardId::new("yard").unwrap(),
        name: "Yard".into(),
        timezone: chrono_tz::UTC,
        position: Some((45.0, 0.0)),
        weather: None,
    };
    let times: Vec<Timestamp> = moments(known).collect();
    let series = |f: &dyn Fn(f64) -> f64| -> Vec<Sample> {
        times
            .iter()
            .map(|&time| Sample {
                time,
                value: f(hours(time)),
            })
            .collect()
    };
    let (air, rain) = (series(&sky.celsius), series(&sky.rain));
    let wind = series(&|_| 1.0);
    let input = YardInput {
        yard: &yard,
        span: Span {
            start: Timestamp(START),
            end: at(days * 24.0),
        },
        now: at(known * 24.0),
        weather: Weather {
            temperature: &air,
            rain: if sky.gauge { &rain } else { &[] },
            wind: &wind,
            ..Weather::default()
        },
        hives: made.iter().map(Made::hive_input).collect(),
        devices: made.iter().flat_map(Made::devices).collect(),
    };
    crate::raise(
        &input,
        &analyse_yard(&input),
        &crate::YardParameters::default(),
    )
}

/// The moment so many hours after the start.
pub fn at(hours: f64) -> Timestamp {
    Timestamp(START + (hours * 3.6e6) as i64)
}

/// Hours since the start.
pub fn hours(at: Timestamp) -> f64 {
    (at.0 - START) as f64 / 3.6e6
}

/// The flags of one kind.
pub fn of_kind(flags: &[Flag], kind: FlagKind) -> Vec<&Flag> {
    flags.iter().filter(|flag| flag.kind == kind).collect()
}

fn moments(days: f64) -> impl Iterator<Item = Timestamp> {
    (0..(days * 96.0) as i64).map(|i| Timestamp(START + i * STEP_MS))
}

struct Made {
    hive: Hive,
    feeder: Feeder,
    recorded: Vec<RecordedFill>,
    weight: Vec<Sample>,
    level: Vec<Sample>,
    syrup: Vec<Sample>,
    heard_scale: Vec<Timestamp>,
    heard_level: Vec<Timestamp>,
    devices: [DeviceId; 2],
}

/// Square metres of the feeders.
const AREA: f64 = 0.08;

impl Made {
    fn of(index: usize, days: f64, sky: &Sky, life: &Life) -> Self {
        let devices = ["sc", "lv"].map(|d| DeviceId::new(&format!("{d}-{index}")).unwrap());
        let source = |device: &DeviceId, channel: &str| Assignment {
            source: ChannelRef {
                device: device.clone(),
                channel: ChannelName::new(channel).unwrap(),
            },
            during: Span::ALWAYS,
        };
        let hive = Hive {
            id: HiveId::new(&format!("hive-{index}")).unwrap(),
            name: format!("Hive {index}"),
            yard: YardId::new("yard").unwrap(),
            moves: Vec::new(),
            scales: vec![source(&devices[0], "weight")],
            goal: Some(life.goal),
            target_weight_kg: life.target_kg,
            target_date: chrono::NaiveDate::from_ymd_opt(2025, 10, 15),
            supers_on: false,
        };
        let feeder = Feeder {
            id: FeederId::new(&format!("feeder-{index}")).unwrap(),
            hive: hive.id.clone(),
            kind: FeederKind::Tray,
            capacity_l: 10.0,
            on_scale: !life.beside,
            sensors: vec![LevelSensor {
                assignment: source(&devices[1], "depth"),
                geometry: Geometry::Depth {
                    shape: Shape::straight(AREA).unwrap(),
                },
            }],
        };
        let (mut weight, mut level, mut syrup) = (Vec::new(), Vec::new(), Vec::new());
        let (mut poured, mut before) = (0.0, (life.litres)(0.0));
        for (i, time) in moments(days).enumerate() {
            let (t, i) = (hours(time), i as i64);
            let litres = (life.litres)(t);
            poured += (litres - before).max(0.0);
            before = litres;
            let inside = life.stays * (poured - litres).max(0.0) * KG_PER_L;
            let breath = -0.012 * t;
            let outside = if life.beside { 0.0 } else { litres };
            let kg = 30.0 + outside * KG_PER_L + inside + breath + (life.kg)(t);
            let kg = (kg * 100.0 + hiss(i, index as i64)).round() / 100.0;
            let metres = litres / (AREA * 1000.0) + 0.0015 * hiss(i, 77 + index as i64);
            let metres = (metres * 1e4).round() / 1e4;
            weight.extend((life.scale)(t, kg).map(|value| Sample { time, value }));
            level.extend((life.level)(t, metres).map(|value| Sample { time, value }));
            let value = (sky.celsius)(t) + (life.warmer)(t);
            syrup.push(Sample { time, value });
        }
        let recorded = vec![RecordedFill {
            feeder: feeder.id.clone(),
            time: at(life.fill.0),
            volume_l: Some(life.fill.1),
            strength: Strength::by_mass(life.sugar, 1.0).ok(),
        }];
        let reported_at = |samples: &[Sample]| samples.iter().map(|s| s.time).collect();
        Self {
            heard_scale: reported_at(&weight),
            heard_level: reported_at(&level),
            hive,
            feeder,
            recorded,
            weight,
            level,
            syrup,
            devices,
        }
    }

    fn hive_input(&self) -> HiveInput<'_> {
        HiveInput {
            hive: &self.hive,
            weight: &self.weight,
            scale_temperature: &[],
            feeders: vec![FeederInput {
                feeder: &self.feeder,
                levels: vec![LevelInput {
                    sensor: &self.feeder.sensors[0],
                    samples: &self.level,
                    syrup_temperature: &self.syrup,
                }],
                recorded: &self.recorded,
            }],
        }
    }

    fn devices(&self) -> [DeviceInput<'_>; 2] {
        let of = |device, reported_at| DeviceInput {
            device,
            reported_at,
            battery: &[],
            impossible: &[],
            clock_off: None,
        };
        [
            of(&self.devices[0], &self.heard_scale),
            of(&self.devices[1], &self.heard_level),
        ]
    }
}
