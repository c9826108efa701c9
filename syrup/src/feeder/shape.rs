//! A shape: from the level of the syrup to litres and back.

/// A shape that cannot be.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum BadShape {
    /// A straight-walled feeder needs an area above zero.
    #[error("the feeder's area must be above zero, not {0} m2")]
    Area(f64),
    /// A vessel's length must be above zero.
    #[error("a feeder's lengths must be above zero, not {0} m")]
    Length(f64),
    /// A round floor under an oblong rim, or the other way round.
    #[error("floor and rim must be both round or both oblong")]
    MixedSections,
    /// A table needs two rows or more.
    #[error("a feeder's table needs at least two rows of depth and litres")]
    TooShort,
    /// Depths and litres must both grow.
    #[error("row {row} of the feeder's table does not grow: depth and litres must both increase")]
    NotGrowing {
        /// Counted from 1.
        row: usize,
    },
    /// A number in the table is not finite or below zero.
    #[error("row {row} of the feeder's table has a number that is negative or not finite")]
    NotANumber {
        /// Counted from 1.
        row: usize,
    },
}

/// Depth of syrup against litres. Always grows, so it can be read both ways.
#[derive(Clone, PartialEq, Debug)]
pub enum Shape {
    /// Straight walls: plan area in m2.
    Straight {
        /// Plan area, m2; above zero.
        area_m2: f64,
    },
    /// Measured pairs of (depth m, litres), both growing.
    Table(Vec<(f64, f64)>),
}

impl Shape {
    /// Straight walls over `area_m2`.
    pub fn straight(area_m2: f64) -> Result<Self, BadShape> {
        if area_m2.is_finite() && area_m2 > 0.0 {
            Ok(Self::Straight { area_m2 })
        } else {
            Err(BadShape::Area(area_m2))
        }
    }

    /// Pairs of (depth m, litres).
    pub fn table(rows: &[(f64, f64)]) -> Result<Self, BadShape> {
        if rows.len() < 2 {
            return Err(BadShape::TooShort);
        }
        for (i, &(depth, litres)) in rows.iter().enumerate() {
            if !(depth.is_finite() && litres.is_finite() && depth >= 0.0 && litres >= 0.0) {
                return Err(BadShape::NotANumber { row: i + 1 });
            }
            if i > 0 && (depth <= rows[i - 1].0 || litres <= rows[i - 1].1) {
                return Err(BadShape::NotGrowing { row: i + 1 });
            }
        }
        Ok(Self::Table(rows.to_vec()))
    }

    /// Litres at a depth in metres. Beyond a table's ends its outermost slope goes on, so noise
    /// around empty and full keeps its size.
    pub fn litres_at(&self, depth_m: f64) -> f64 {
        match self {
            Self::Straight { area_m2 } => depth_m * area_m2 * 1000.0,
            Self::Table(rows) => interpolate(rows, depth_m, |row| row),
        }
    }

    /// Depth in metres at which the feeder holds `litres`.
    pub fn depth_at(&self, litres: f64) -> f64 {
        match self {
            Self::Straight { area_m2 } => litres / (area_m2 * 1000.0),
            Self::Table(rows) => interpolate(rows, litres, |(depth, litres)| (litres, depth)),
        }
    }

    /// Litres below a depth: what bees or a sensor do not reach is dead volume.
    pub fn dead_litres(&self, reach_m: f64) -> f64 {
        self.litres_at(reach_m).max(0.0)
    }

    /// Litres a metre of depth at `depth_m`: what a level error costs in litres.
    pub fn litres_per_metre_at(&self, depth_m: f64) -> f64 {
        match self {
            Self::Straight { area_m2 } => area_m2 * 1000.0,
            Self::Table(rows) => {
                let i = segment(rows, depth_m, |row| row.0);
                (rows[i + 1].1 - rows[i].1) / (rows[i + 1].0 - rows[i].0)
            }
        }
    }
}

fn segment(rows: &[(f64, f64)], x: f64, key: impl Fn((f64, f64)) -> f64) -> usize {
    rows.partition_point(|&row| key(row) <= x)
        .clamp(1, rows.len() - 1)
        - 1
}

fn interpolate(rows: &[(f64, f64)], x: f64, order: impl Fn((f64, f64)) -> (f64, f64)) -> f64 {
    let i = segment(rows, x, |row| order(row).0);
    let ((x0, y0), (x1, y1)) = (order(rows[i]), order(rows[i + 1]));
    y0 + (x - x0) * (y1 - y0) / (x1 - x0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn pail() -> Shape {
        Shape::table(&[(0.0, 0.0), (0.05, 3.1), (0.10, 7.5)]).unwrap()
    }

    #[test]
    fn tables_are_read_both_ways() {
        assert!((pail().litres_at(0.075) - 5.3).abs() < 1e-12);
        assert!((pail().depth_at(5.3) - 0.075).abs() < 1e-12);
        assert!((pail().litres_at(0.11) - 8.38).abs() < 1e-12);
    }

    #[test]
    fn shapes_that_cannot_be_are_refused() {
        assert!(Shape::straight(0.0).is_err());
        assert!(Shape::straight(f64::NAN).is_err());
        assert_eq!(Shape::table(&[(0.0, 0.0)]), Err(BadShape::TooShort));
        assert_eq!(
            Shape::table(&[(0.0, 0.0), (0.1, 1.0), (0.1, 2.0)]),
            Err(BadShape::NotGrowing { row: 3 })
        );
    }

    proptest! {
        #[test]
        fn depth_undoes_litres(litres in -1.0f64..20.0) {
            for shape in [pail(), Shape::straight(0.0759).unwrap()] {
                prop_assert!((shape.litres_at(shape.depth_at(litres)) - litres).abs() < 1e-9);
            }
        }
    }
}
