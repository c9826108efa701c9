//! How far off a level can be, term by term. Each input is moved by its standard uncertainty and
//! the model asked again (Kragten's way of doing the GUM's sum of squares, JCGM 100:2008, 5.1.2),
//! so bends such as a tilt's cosine count too. Inputs are taken as independent.

use super::{Gauge, Inputs, Wall, litres_at_20};

/// One source of doubt.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Term {
    /// What is uncertain.
    pub what: &'static str,
    /// Standard uncertainty of the cause, in `unit`.
    pub sd: f64,
    /// The unit of `sd`.
    pub unit: &'static str,
    /// The cause's share of the uncertainty in litres at 20 °C, one standard deviation.
    pub litres: f64,
    /// Where the uncertainty comes from.
    pub source: &'static str,
}

/// Litres with their standard uncertainty.
#[derive(Clone, PartialEq, Debug)]
pub struct Budget {
    /// Litres at 20 °C.
    pub litres: f64,
    /// One standard deviation of all terms together, l.
    pub sd: f64,
    /// The terms, largest first; those that do not matter to this gauge are left out.
    pub terms: Vec<Term>,
}

/// Standard uncertainties of the inputs: the same fields as [`Inputs`], each one standard
/// deviation.
pub type Doubts = Inputs;

/// Litres and how far off they can be. `doubts` holds one standard deviation of every input.
pub fn budget(gauge: Gauge, wall: &Wall, inputs: &Inputs, doubts: &Doubts) -> Budget {
    let litres = litres_at_20(gauge, wall, inputs);
    let mut terms: Vec<Term> = SOURCES
        .iter()
        .filter_map(|source| {
            let sd = *(source.field)(&mut doubts.clone());
            let moved = |by: f64| {
                let mut inputs = *inputs;
                *(source.field)(&mut inputs) += by;
                (litres_at_20(gauge, wall, &inputs) - litres).abs()
            };
            let effect = moved(sd).max(moved(-sd));
            (effect > 1e-9).then_some(Term {
                what: source.what,
                sd,
                unit: if source.what == "reading" {
                    reading_unit(gauge)
                } else {
                    source.unit
                },
                litres: effect,
                source: source.source,
            })
        })
        .collect();
    terms.sort_by(|a, b| b.litres.total_cmp(&a.litres));
    let sd = terms
        .iter()
        .map(|t| t.litres * t.litres)
        .sum::<f64>()
        .sqrt();
    Budget { litres, sd, terms }
}

/// Usual doubts of a gauge in a yard, for a start; every one can be replaced by a better one.
pub fn usual_doubts(gauge: Gauge) -> Doubts {
    Inputs {
        reading: match gauge {
            Gauge::Sound { .. } => 0.001,
            Gauge::Optical | Gauge::Depth => 0.001,
            Gauge::Pressure { .. } => 0.0015,
            Gauge::Volume => 0.1,
            Gauge::Weight => 0.02,
        },
        air_c: 2.0,
        moist_air: 0.0015,
        tilt_deg: 2.0,
        hive_tilt_deg: 1.0,
        off_middle_m: 0.0,
        mount_off_m: 0.001,
        shape_off: 0.01,
        tare_off_kg: 0.02,
        syrup_c: 3.0,
        sugar: 0.01,
    }
}

fn reading_unit(gauge: Gauge) -> &'static str {
    match gauge {
        Gauge::Volume => "l",
        Gauge::Weight => "kg",
        Gauge::Sound { .. } | Gauge::Optical | Gauge::Pressure { .. } | Gauge::Depth => "m",
    }
}

struct Source {
    what: &'static str,
    unit: &'static str,
    source: &'static str,
    field: fn(&mut Inputs) -> &mut f64,
}

const SOURCES: [Source; 10] = [
    Source {
        what: "reading",
        unit: "m",
        source: "the sensor's data sheet: resolution and noise",
        field: |i| &mut i.reading,
    },
    Source {
        what: "air temperature",
        unit: "°C",
        source: "speed of sound 331.3 √(1 + t/273.15) m/s, ideal gas",
        field: |i| &mut i.air_c,
    },
    Source {
        what: "moist air",
        unit: "share",
        source: "saturated air carries sound 0.1 to 0.6 % faster",
        field: |i| &mut i.moist_air,
    },
    Source {
        what: "sensor off plumb",
        unit: "deg",
        source: "geometry: distance times the cosine",
        field: |i| &mut i.tilt_deg,
    },
    Source {
        what: "hive off level",
        unit: "deg",
        source: "geometry: distance from the middle times the tangent",
        field: |i| &mut i.hive_tilt_deg,
    },
    Source {
        what: "mount height",
        unit: "m",
        source: "how well it was measured, face to floor",
        field: |i| &mut i.mount_off_m,
    },
    Source {
        what: "feeder's shape",
        unit: "share",
        source: "how well it was measured out (larder feeder calibrate)",
        field: |i| &mut i.shape_off,
    },
    Source {
        what: "empty weight",
        unit: "kg",
        source: "how well it was tared",
        field: |i| &mut i.tare_off_kg,
    },
    Source {
        what: "syrup temperature",
        unit: "°C",
        source: "expansion by the density equation (ICUMSA SPS-4)",
        field: |i| &mut i.syrup_c,
    },
    Source {
        what: "strength",
        unit: "share",
        source: "density by the density equation (ICUMSA SPS-4)",
        field: |i| &mut i.sugar,
    },
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feeder::Shape;
    use crate::level::Reckons;
    use crate::units::{DegreesCelsius, MassFraction};

    fn tray() -> Wall {
        Wall {
            shape: Shape::straight(0.0759).unwrap(),
            mount_m: 0.145,
        }
    }

    fn two_to_one(reading: f64) -> Inputs {
        Inputs::of(reading, MassFraction::new(2.0 / 3.0).unwrap())
    }

    #[test]
    fn a_millimetre_on_a_tray_is_its_area() {
        let made = budget(
            Gauge::Optical,
            &tray(),
            &two_to_one(0.085),
            &usual_doubts(Gauge::Optical),
        );
        let reading = made.terms.iter().find(|t| t.what == "reading").unwrap();
        assert!((reading.litres - 0.0759).abs() < 1e-6);
        assert!(made.terms.iter().all(|t| t.what != "air temperature"));
        assert!(made.terms.iter().all(|t| t.what != "empty weight"));
        assert!(made.sd > reading.litres);
    }

    #[test]
    fn a_load_cell_fears_strength_and_tare_only() {
        let made = budget(
            Gauge::Weight,
            &tray(),
            &two_to_one(6.0),
            &usual_doubts(Gauge::Weight),
        );
        let mut what: Vec<&str> = made.terms.iter().map(|t| t.what).collect();
        what.sort_unstable();
        assert_eq!(what, ["empty weight", "reading", "strength"]);
    }

    /// The sum of squares against throwing dice: the model with every input drawn at random.
    #[test]
    fn the_budget_agrees_with_monte_carlo() {
        let gauge = Gauge::Sound {
            reckons: Reckons::At(DegreesCelsius(20.0)),
        };
        let inputs = Inputs {
            air_c: 12.0,
            off_middle_m: 0.06,
            tilt_deg: 3.0,
            ..two_to_one(0.085)
        };
        let doubts = usual_doubts(gauge);
        let made = budget(gauge, &tray(), &inputs, &doubts);

        let mut dice = Dice(42);
        let n = 20_000;
        let draws: Vec<f64> = (0..n)
            .map(|_| {
                let mut drawn = inputs;
                for source in &SOURCES {
                    let sd = *(source.field)(&mut doubts.clone());
                    *(source.field)(&mut drawn) += sd * dice.normal();
                }
                litres_at_20(gauge, &tray(), &drawn)
            })
            .collect();
        let mean = draws.iter().sum::<f64>() / f64::from(n);
        let variance = draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / f64::from(n - 1);
        let off = made.sd / variance.sqrt() - 1.0;
        assert!(
            off.abs() < 0.05,
            "budget {} l, dice {} l",
            made.sd,
            variance.sqrt()
        );
        assert!((made.litres - mean).abs() < 0.1 * made.sd);
    }

    /// A linear congruential generator (Knuth's MMIX constants) and twelve of its draws summed.
    struct Dice(u64);

    impl Dice {
        fn uniform(&mut self) -> f64 {
            self.0 = self
                .0
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        }

        fn normal(&mut self) -> f64 {
            (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
        }
    }
}
