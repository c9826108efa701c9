//! The devices of a yard: when they are heard and what they say.

use super::ailments::{Ailments, Kind};
use super::colony::Frame;
use super::instruments::{Memory, failing_at};
use super::plan::YardPlan;
use super::sky::{PER_HOUR, STEP_MS, Sky};
use larder_domain::{ChannelKind, FeederKind, Sample, Timestamp};
use larder_sim::Dice;

/// One device: when it was heard, what it said.
pub struct Device {
    pub name: String,
    pub ailments: Ailments,
    pub values: Vec<Sample>,
    pub temperature: Vec<Sample>,
    pub battery: Vec<Sample>,
    pub reported_at: Vec<Timestamp>,
    pub impossible: Vec<Timestamp>,
}

impl Device {
    fn new(plan: &YardPlan, name: String, kind: Kind) -> (Self, Dice) {
        let mut dice = Dice::of(plan.seed, &name);
        let device = Self {
            ailments: Ailments::draw(plan.when.days, kind, &mut dice),
            name,
            values: Vec::new(),
            temperature: Vec::new(),
            battery: Vec::new(),
            reported_at: Vec::new(),
            impossible: Vec::new(),
        };
        (device, dice)
    }

    /// Whether it is heard at a step.
    fn hears(&self, step: usize, minutes: usize, lost: f64, dice: &mut Dice) -> bool {
        step.is_multiple_of(minutes / 5) && !self.ailments.silent(step) && !dice.chance(lost)
    }

    /// Takes in a value of its main channel, and its battery once an hour.
    fn say(
        &mut self,
        kind: ChannelKind,
        time: Timestamp,
        step: usize,
        value: f64,
        dice: &mut Dice,
    ) {
        self.reported_at.push(time);
        let (least, most) = kind.possible();
        if (least..=most).contains(&value) {
            self.values.push(Sample { time, value });
        } else {
            self.impossible.push(time);
        }
        if step.is_multiple_of(PER_HOUR) {
            let volts = self.ailments.volts(step) + dice.normal(0.006);
            let value = (volts * 100.0).round() / 100.0;
            self.battery.push(Sample { time, value });
        }
    }
}

pub fn scale(
    plan: &YardPlan,
    index: usize,
    frames: &[Frame],
    skies: &[Sky],
    hands: &[f64],
) -> Option<Device> {
    let scale = plan.hives[index].scale?;
    let (mut device, mut dice) =
        Device::new(plan, format!("sc-{}-{index}", plan.name), Kind::Scale);
    let mut memory = Memory::default();
    for (step, frame) in frames.iter().enumerate() {
        if !device.hears(step, scale.minutes, scale.lost, &mut dice) {
            continue;
        }
        let time = plan.when.time(step).plus_ms(scale.offset_s * 1000);
        let (sky, failing) = (&skies[step], failing_at(&device.ailments.faults, step));
        let kg = scale.read(frame, sky, hands[step], failing, &mut memory, &mut dice);
        device.say(ChannelKind::Weight, time, step, kg, &mut dice);
        if scale.thermometer {
            let value = ((sky.air_c + sky.sun + dice.normal(0.1)) * 10.0).round() / 10.0;
            device.temperature.push(Sample { time, value });
        }
    }
    Some(device)
}

pub fn level(plan: &YardPlan, index: usize, frames: &[Frame], skies: &[Sky]) -> Option<Device> {
    let hive = &plan.hives[index];
    let sensor = hive.level?;
    let (mut device, mut dice) =
        Device::new(plan, format!("lv-{}-{index}", plan.name), Kind::Level);
    let mut memory = Memory::default();
    let feeder = (&hive.shape, hive.traits.capacity_l, hive.traits.strength);
    for (step, frame) in frames.iter().enumerate() {
        if !device.hears(step, sensor.minutes, sensor.lost, &mut dice) {
            continue;
        }
        let time = plan.when.time(step).plus_ms(sensor.offset_s * 1000);
        let (sky, failing) = (&skies[step], failing_at(&device.ailments.faults, step));
        let value = sensor.read(feeder, frame, sky, failing, &mut memory, &mut dice);
        device.say(sensor.channel(), time, step, value, &mut dice);
        // A jar at the entrance has its sensor outside.
        if sensor.thermometer && hive.kind != FeederKind::Entrance {
            let dry = frame.off || frame.litres < 0.03 * hive.traits.capacity_l;
            let celsius = if dry {
                sky.air_c + 0.5 * hive.traits.warmth_k
            } else {
                frame.syrup_c
            };
            let value = ((celsius + dice.normal(0.1)) * 10.0).round() / 10.0;
            device.temperature.push(Sample { time, value });
        }
    }
    Some(device)
}

pub fn weather(plan: &YardPlan, skies: &[Sky]) -> (Option<Device>, [Vec<Sample>; 4]) {
    let mut others: [Vec<Sample>; 4] = Default::default();
    if !plan.station.stands {
        return (None, others);
    }
    let station = plan.station;
    let (mut device, mut dice) = Device::new(plan, format!("wx-{}", plan.name), Kind::Station);
    let mut fallen_mm = 0.0;
    for (step, sky) in skies.iter().enumerate() {
        fallen_mm += sky.rain_mm;
        if !device.hears(step, station.minutes, 0.005, &mut dice) {
            continue;
        }
        let time = Timestamp(plan.when.time(step).0 + STEP_MS / 2);
        let celsius = ((sky.air_c + dice.normal(0.15)) * 10.0).round() / 10.0;
        device.say(ChannelKind::Temperature, time, step, celsius, &mut dice);
        let tipped_mm = (fallen_mm / 0.2).floor() * 0.2;
        fallen_mm -= tipped_mm;
        let gust = (1.0 + dice.normal(0.25)).max(0.0);
        let bright = 950.0 * sky.sun * (1.0 - 0.75 * sky.cloud);
        let humidity = (sky.humidity_pct + dice.normal(2.0))
            .clamp(5.0, 100.0)
            .round();
        others[0].push(Sample {
            time,
            value: humidity,
        });
        if station.gauge {
            others[1].push(Sample {
                time,
                value: tipped_mm,
            });
        }
        if station.sun_and_wind {
            let value = (sky.wind_m_s * gust * 10.0).round() / 10.0;
            others[2].push(Sample { time, value });
            others[3].push(Sample {
                time,
                value: bright.round(),
            });
        }
    }
    (Some(device), others)
}
