//! Vessels whose walls slope: pails, jars, some trays.

use super::{BadShape, Shape};
use std::f64::consts::PI;

/// A cross-section.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Section {
    /// Round, inside diameter in m.
    Round(f64),
    /// Oblong, inside length and width in m.
    Oblong(f64, f64),
}

/// A vessel between a bottom and a top section of the same kind, with straight sloping walls.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Tapered {
    bottom: (f64, f64),
    top: (f64, f64),
    height_m: f64,
    /// PI/4 for round ones, 1 for oblong ones.
    form: f64,
}

/// Rows of the table that stands for a tapered shape: the straight lines between them are off
/// by less than 0.2 ml in a pail.
const ROWS: usize = 65;

impl Tapered {
    /// From the floor's section to the rim's, `height_m` apart.
    pub fn new(bottom: Section, top: Section, height_m: f64) -> Result<Self, BadShape> {
        let (bottom, top, form) = match (bottom, top) {
            (Section::Round(a), Section::Round(b)) => ((a, a), (b, b), PI / 4.0),
            (Section::Oblong(a, b), Section::Oblong(c, d)) => ((a, b), (c, d), 1.0),
            _ => return Err(BadShape::MixedSections),
        };
        for metres in [bottom.0, bottom.1, top.0, top.1, height_m] {
            if !(metres.is_finite() && metres > 0.0) {
                return Err(BadShape::Length(metres));
            }
        }
        Ok(Self {
            bottom,
            top,
            height_m,
            form,
        })
    }

    /// Litres up to a depth between the floor and the rim: the exact integral of the section.
    pub fn litres_at(&self, depth_m: f64) -> f64 {
        let h = depth_m.clamp(0.0, self.height_m);
        let (a, b) = self.bottom;
        let (da, db) = (
            (self.top.0 - a) / self.height_m,
            (self.top.1 - b) / self.height_m,
        );
        let integral = a * b * h + (a * db + b * da) * h * h / 2.0 + da * db * h * h * h / 3.0;
        1000.0 * self.form * integral
    }

    /// As a table, which can be read both ways and kept like any measured one.
    pub fn shape(&self) -> Shape {
        let rows: Vec<(f64, f64)> = (0..ROWS)
            .map(|i| {
                let depth = self.height_m * i as f64 / (ROWS - 1) as f64;
                (depth, self.litres_at(depth))
            })
            .collect();
        Shape::table(&rows).expect("sections above zero make the volume grow with depth")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_cone_frustum_holds_what_geometry_says() {
        // h π/12 (D² + D d + d²), any handbook of mathematics.
        let pail = Tapered::new(Section::Round(0.26), Section::Round(0.285), 0.36).unwrap();
        let expected =
            1000.0 * 0.36 * PI / 12.0 * (0.26f64.powi(2) + 0.26 * 0.285 + 0.285f64.powi(2));
        assert!((pail.litres_at(0.36) - expected).abs() < 1e-9);
        let table = pail.shape();
        for i in 0..100 {
            let depth = 0.36 * f64::from(i) / 99.0;
            assert!((table.litres_at(depth) - pail.litres_at(depth)).abs() < 2e-4);
        }
    }

    #[test]
    fn walls_that_do_not_slope_are_straight() {
        let tray = Section::Oblong(0.465, 0.375);
        let shape = Tapered::new(tray, tray, 0.09).unwrap();
        let straight = Shape::straight(0.465 * 0.375).unwrap();
        assert!((shape.litres_at(0.05) - straight.litres_at(0.05)).abs() < 1e-12);
    }

    #[test]
    fn what_is_no_vessel_is_refused() {
        assert!(Tapered::new(Section::Round(0.0), Section::Round(0.3), 0.4).is_err());
        assert!(Tapered::new(Section::Round(0.3), Section::Oblong(0.3, 0.3), 0.4).is_err());
        assert!(Tapered::new(Section::Round(0.3), Section::Round(0.3), f64::NAN).is_err());
    }

    proptest! {
        #[test]
        fn depth_undoes_litres(d0 in 0.05f64..0.5, d1 in 0.05f64..0.5, h in 0.05f64..0.6, at in 0.0f64..1.0) {
            let shape = Tapered::new(Section::Round(d0), Section::Round(d1), h).unwrap().shape();
            let litres = shape.litres_at(at * h);
            prop_assert!((shape.depth_at(litres) - at * h).abs() < 1e-9);
        }
    }
}
