//! What cheap instruments make of the truth: noise, steps of resolution, temperature, echoes.

use larder_domain::{ChannelKind, Geometry};
use larder_sim::Dice;
use larder_sim::colony::Colony;
use larder_sim::weather::Sky;
use larder_syrup::feeder::Shape;

/// What an instrument is looking at.
pub struct View<'a> {
    /// The hive that it belongs to; `None` for a weather station.
    pub colony: Option<&'a Colony>,
    /// The air around it.
    pub sky: Sky,
    /// Rain since its last report, mm.
    pub rain_mm: f64,
    /// A keeper has the hive open.
    pub hands_on: bool,
}

/// A value of one channel, in the channel's own unit.
pub type Value = (ChannelKind, f64);

/// One instrument with its faults.
#[derive(Clone, Debug)]
pub enum Instrument {
    /// Under a hive.
    Scale {
        /// How far its zero wanders with its own temperature, kg/K around 15 °C.
        per_kelvin_kg: f64,
        /// Standard deviation of one value in still air, kg.
        noise_kg: f64,
        /// Resolution, kg.
        step_kg: f64,
    },
    /// In or over a feeder.
    Level {
        /// As declared.
        geometry: Geometry,
        /// True litres for one litre by the declared shape.
        true_litres_per_declared: f64,
        /// The echo's way is measured as if the air had 20 °C.
        blind_to_air_temperature: bool,
    },
    /// A yard's weather station.
    Station,
}

/// One distance in so many comes off a float or a rung instead of the syrup.
const ECHO_SHARE: f64 = 0.006;

impl Instrument {
    /// A scale drawn at random.
    pub fn scale(dice: &mut Dice) -> Self {
        Self::Scale {
            per_kelvin_kg: dice.normal(0.006),
            noise_kg: dice.between(0.008, 0.022),
            step_kg: if dice.chance(0.5) { 0.01 } else { 0.02 },
        }
    }

    /// A level sensor on a feeder of which the declared geometry is a little wrong.
    pub fn level(geometry: Geometry, dice: &mut Dice) -> Self {
        Self::Level {
            geometry,
            true_litres_per_declared: 1.0 + dice.normal(0.015).clamp(-0.04, 0.04),
            blind_to_air_temperature: dice.chance(0.5),
        }
    }

    /// One set of values.
    pub fn read(&self, view: &View<'_>, dice: &mut Dice) -> Vec<Value> {
        match (self, view.colony) {
            (
                Self::Scale {
                    per_kelvin_kg,
                    noise_kg,
                    step_kg,
                },
                Some(colony),
            ) => {
                let noise_kg = noise_kg * (1.0 + view.sky.wind_m_s / 5.0);
                let lifted_kg = if view.hands_on {
                    dice.between(3.0, 6.0)
                } else {
                    0.0
                };
                let kg = colony.gross_kg() - lifted_kg
                    + per_kelvin_kg * (view.sky.air_c - 15.0)
                    + dice.normal(noise_kg);
                vec![
                    (ChannelKind::Weight, round_to(kg, *step_kg)),
                    (
                        ChannelKind::Temperature,
                        round_to(view.sky.air_c + dice.normal(0.1), 0.1),
                    ),
                ]
            }
            (
                Self::Level {
                    geometry,
                    true_litres_per_declared,
                    blind_to_air_temperature,
                },
                Some(colony),
            ) => {
                let declared_l = colony.litres() / true_litres_per_declared;
                let air_c = if *blind_to_air_temperature {
                    view.sky.air_c
                } else {
                    20.0
                };
                read_level(geometry, declared_l, colony, air_c, dice)
            }
            _ => read_sky(view, dice),
        }
    }
}

fn read_level(
    geometry: &Geometry,
    declared_l: f64,
    colony: &Colony,
    air_c: f64,
    dice: &mut Dice,
) -> Vec<Value> {
    let depth_m = |shape: &Shape| shape.depth_at(declared_l).max(0.0);
    let syrup_c = (
        ChannelKind::SyrupTemperature,
        round_to(colony.syrup_c + dice.normal(0.15), 0.1),
    );
    match geometry {
        Geometry::Distance { mount_m, shape } => {
            let way_m = if dice.chance(ECHO_SHARE) {
                mount_m * dice.between(0.25, 0.6)
            } else {
                mount_m - depth_m(shape)
            };
            // The speed of sound goes with the root of the absolute temperature.
            let read_m = way_m * (293.15 / (273.15 + air_c)).sqrt() + dice.normal(0.0012);
            vec![(ChannelKind::Distance, round_to(read_m.max(0.0), 0.001))]
        }
        Geometry::Depth { shape } => {
            let read_m = depth_m(shape) + dice.normal(0.0015);
            vec![(ChannelKind::Depth, round_to(read_m, 0.001)), syrup_c]
        }
        Geometry::Volume => {
            let read_l = declared_l + dice.normal(0.02);
            vec![(ChannelKind::Volume, round_to(read_l, 0.01))]
        }
        Geometry::FeederWeight => {
            let read_kg = colony.syrup.mass_kg() + dice.normal(0.012);
            vec![
                (ChannelKind::FeederWeight, round_to(read_kg, 0.005)),
                syrup_c,
            ]
        }
    }
}

fn read_sky(view: &View<'_>, dice: &mut Dice) -> Vec<Value> {
    let sky = view.sky;
    let gust = (1.0 + dice.normal(0.2)).max(0.0);
    vec![
        (
            ChannelKind::Temperature,
            round_to(sky.air_c + dice.normal(0.1), 0.1),
        ),
        (
            ChannelKind::Humidity,
            round_to((sky.humidity_pct + dice.normal(1.0)).clamp(0.0, 100.0), 1.0),
        ),
        // A tipping bucket of 0.2 mm.
        (ChannelKind::Rain, (view.rain_mm / 0.2).floor() * 0.2),
        (ChannelKind::Wind, round_to(sky.wind_m_s * gust, 0.1)),
        (
            ChannelKind::Irradiance,
            round_to(
                (sky.irradiance_w_m2 * (1.0 + dice.normal(0.05))).max(0.0),
                1.0,
            ),
        ),
    ]
}

fn round_to(value: f64, step: f64) -> f64 {
    (value / step).round() * step
}

/// Rain that a tipping bucket has told so far, mm: what is left over tips the next time.
pub fn rain_told_mm(rain_mm: f64) -> f64 {
    (rain_mm / 0.2).floor() * 0.2
}
