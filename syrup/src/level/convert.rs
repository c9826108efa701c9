//! The model: from readings and what is known around them to litres.

use super::sound::{Reckons, air_distance};
use crate::feeder::Shape;
use crate::physics::{density_kg_m3, water_density_kg_m3};
use crate::units::{DegreesCelsius, MassFraction};

/// Where litres are stated.
const TWENTY: DegreesCelsius = DegreesCelsius(20.0);

/// What kind of sensor it is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Gauge {
    /// Ultrasonic, looking down.
    Sound {
        /// The speed of sound that it takes.
        reckons: Reckons,
    },
    /// Light, looking down.
    Optical,
    /// A pressure sensor on the floor, which knows depth only through density.
    Pressure {
        /// Whether it was set with water; otherwise with the syrup itself.
        set_with_water: bool,
    },
    /// A depth sensor that follows the surface (float, capacitance).
    Depth,
    /// A gauge that says litres itself.
    Volume,
    /// A load cell under the feeder, net of the empty feeder.
    Weight,
}

/// The feeder around the syrup.
#[derive(Clone, PartialEq, Debug)]
pub struct Wall {
    /// The feeder's shape.
    pub shape: Shape,
    /// From the sensor's face to the floor, m; only for gauges that look down.
    pub mount_m: f64,
}

/// Everything that the answer depends on. Each has its own standard uncertainty in a budget.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Inputs {
    /// What the sensor says: m, l or kg.
    pub reading: f64,
    /// Air between sensor and syrup, °C.
    pub air_c: f64,
    /// How much faster sound is because the air is moist, as a share.
    pub moist_air: f64,
    /// The sensor's axis off plumb, degrees.
    pub tilt_deg: f64,
    /// The hive off level along the line from the feeder's middle to the sensor, degrees.
    pub hive_tilt_deg: f64,
    /// From the feeder's middle to where the sensor looks, m.
    pub off_middle_m: f64,
    /// Mount height off by this, m.
    pub mount_off_m: f64,
    /// Litres of the shape off by this share.
    pub shape_off: f64,
    /// The empty feeder's weight off by this, kg.
    pub tare_off_kg: f64,
    /// The syrup's temperature, °C.
    pub syrup_c: f64,
    /// Sugar in the syrup as a share of its mass.
    pub sugar: f64,
}

impl Inputs {
    /// A reading with nothing else known: 20 °C, plumb and level, in the middle.
    pub fn of(reading: f64, sugar: MassFraction) -> Self {
        Self {
            reading,
            air_c: 20.0,
            // Air over syrup is about nine tenths saturated: the middle of 0.1 to 0.6 %.
            moist_air: 0.0035,
            tilt_deg: 0.0,
            hive_tilt_deg: 0.0,
            off_middle_m: 0.0,
            mount_off_m: 0.0,
            shape_off: 0.0,
            tare_off_kg: 0.0,
            syrup_c: 20.0,
            sugar: sugar.value(),
        }
    }
}

/// Litres at 20 °C. `wall` is needed by every gauge but `Volume` and `Weight`, which ignore it.
pub fn litres_at_20(gauge: Gauge, wall: &Wall, inputs: &Inputs) -> f64 {
    let sugar = MassFraction::new(inputs.sugar.clamp(0.0, 1.0)).expect("held between 0 and 1");
    let syrup_at = DegreesCelsius(inputs.syrup_c);
    let density = density_kg_m3(sugar, syrup_at);
    let density_20 = density_kg_m3(sugar, TWENTY);
    let by_depth = |depth_m: f64| {
        // A hive off level lifts the surface at the sensor on one side.
        let lift_m = inputs.off_middle_m * inputs.hive_tilt_deg.to_radians().tan();
        let litres = wall.shape.litres_at(depth_m - lift_m) * (1.0 + inputs.shape_off);
        litres * density / density_20
    };
    let by_distance = |metres: f64| {
        let plumb_m = metres * inputs.tilt_deg.to_radians().cos();
        by_depth(wall.mount_m + inputs.mount_off_m - plumb_m)
    };
    match gauge {
        Gauge::Sound { reckons } => {
            let dry = air_distance(inputs.reading, reckons, DegreesCelsius(inputs.air_c));
            by_distance(dry * (1.0 + inputs.moist_air))
        }
        Gauge::Optical => by_distance(inputs.reading),
        Gauge::Pressure { set_with_water } => {
            let set_density = if set_with_water {
                water_density_kg_m3(TWENTY)
            } else {
                density_20
            };
            by_depth(inputs.reading * set_density / density)
        }
        Gauge::Depth => by_depth(inputs.reading),
        Gauge::Volume => inputs.reading * (1.0 + inputs.shape_off) * density / density_20,
        Gauge::Weight => 1000.0 * (inputs.reading - inputs.tare_off_kg) / density_20,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn tray() -> Wall {
        Wall {
            shape: Shape::straight(0.0759).unwrap(),
            mount_m: 0.145,
        }
    }

    fn inputs(reading: f64) -> Inputs {
        Inputs::of(reading, MassFraction::new(2.0 / 3.0).unwrap())
    }

    #[test]
    fn each_gauge_says_the_same_of_the_same_syrup() {
        // 60 mm of 2:1 at 20 °C over 0.0759 m2: 4.554 l, 6.042 kg.
        let litres = 60e-3 * 75.9;
        let density = 1.326_75;
        let check = |gauge: Gauge, reading: f64| {
            let got = litres_at_20(gauge, &tray(), &inputs(reading));
            assert!((got - litres).abs() < 1e-3, "{gauge:?}: {got}");
        };
        check(Gauge::Optical, 0.085);
        check(Gauge::Depth, 0.060);
        check(Gauge::Volume, litres);
        check(Gauge::Weight, litres * density);
        check(
            Gauge::Pressure {
                set_with_water: false,
            },
            0.060,
        );
        check(
            Gauge::Pressure {
                set_with_water: true,
            },
            0.060 * density / 0.998_2,
        );
        let moist = 1.0 + inputs(0.0).moist_air;
        let reckons = Reckons::At(DegreesCelsius(20.0));
        check(Gauge::Sound { reckons }, 0.085 / moist);
    }

    #[test]
    fn warm_syrup_counts_for_less() {
        let warm = Inputs {
            syrup_c: 35.0,
            ..inputs(0.085)
        };
        let cold = litres_at_20(Gauge::Optical, &tray(), &inputs(0.085));
        let got = litres_at_20(Gauge::Optical, &tray(), &warm);
        assert!(got < cold && got > cold * 0.99);
    }

    proptest! {
        #[test]
        fn closer_is_fuller(d in 0.02f64..0.14, air in -10.0f64..40.0) {
            let gauge = Gauge::Sound { reckons: Reckons::At(DegreesCelsius(20.0)) };
            let at = |d: f64| litres_at_20(gauge, &tray(), &Inputs { air_c: air, ..inputs(d) });
            prop_assert!(at(d) > at(d + 0.001));
        }
    }
}
