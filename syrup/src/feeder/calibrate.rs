//! Measuring a feeder out: pour, read the depth, pour again. The pairs become straight walls or a
//! table, with the error that they show.

use super::{BadShape, Shape};

/// Straight walls through measured pairs, by least squares of litres on depth.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct StraightFit {
    /// Plan area, m2.
    pub area_m2: f64,
    /// Standard error of the area, m2.
    pub area_sd_m2: f64,
    /// The depth at which it is empty, m: a floor that slopes or bulges makes it differ from 0.
    pub empty_at_m: f64,
    /// Root mean square of what the fit leaves over, l (with n - 2 in the denominator).
    pub rms_l: f64,
    /// The largest of what it leaves over, l.
    pub worst_l: f64,
}

/// A feeder, measured out.
#[derive(Clone, PartialEq, Debug)]
pub struct Calibration {
    /// Depth m and litres, both growing.
    pub rows: Vec<(f64, f64)>,
    /// As straight walls.
    pub straight: StraightFit,
    /// How far each inner row lies from the line between its neighbours, root mean square, l;
    /// `None` with fewer than three rows inside. Half of it and less is what the table is off by.
    pub table_rms_l: Option<f64>,
    /// Straight walls do: no row is further off than the readings are.
    pub straight_will_do: bool,
}

/// Why pairs make no calibration.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum CalibrationError {
    /// Two points always lie on a line.
    #[error("measure at least three depths; {0} can't show how far off they are")]
    TooFew(usize),
    /// The pairs do not grow.
    #[error("{0}; measure that row again")]
    Shape(#[from] BadShape),
    /// A pour of nothing.
    #[error("pour {0} is not above zero")]
    Pour(usize),
}

/// A depth is read to about this, m (a millimetre scale, common practice).
const READ_TO_M: f64 = 0.0015;
/// A pour is measured to about this share (a kitchen jug, common practice).
const POURED_TO: f64 = 0.01;

/// From pairs of (depth m, litres in all), in order.
pub fn calibrate(pairs: &[(f64, f64)]) -> Result<Calibration, CalibrationError> {
    if pairs.len() < 3 {
        return Err(CalibrationError::TooFew(pairs.len()));
    }
    Shape::table(pairs)?;
    let straight = fit(pairs);
    let most_l = pairs.last().map_or(0.0, |pair| pair.1);
    let allowed_l = READ_TO_M * straight.area_m2 * 1000.0 + POURED_TO * most_l;
    Ok(Calibration {
        rows: pairs.to_vec(),
        straight,
        table_rms_l: neighbours_rms(pairs),
        straight_will_do: straight.worst_l <= allowed_l,
    })
}

/// From pours of (depth m afterwards, litres poured in), starting empty.
pub fn from_pours(pours: &[(f64, f64)]) -> Result<Calibration, CalibrationError> {
    let mut sum = 0.0;
    let mut pairs = Vec::with_capacity(pours.len());
    for (i, &(depth, litres)) in pours.iter().enumerate() {
        if !(litres.is_finite() && litres > 0.0) {
            return Err(CalibrationError::Pour(i + 1));
        }
        sum += litres;
        pairs.push((depth, sum));
    }
    calibrate(&pairs)
}

fn fit(pairs: &[(f64, f64)]) -> StraightFit {
    let n = pairs.len() as f64;
    let mean = |f: fn(&(f64, f64)) -> f64| pairs.iter().map(f).sum::<f64>() / n;
    let (x, y) = (mean(|p| p.0), mean(|p| p.1));
    let sxx: f64 = pairs.iter().map(|p| (p.0 - x).powi(2)).sum();
    let sxy: f64 = pairs.iter().map(|p| (p.0 - x) * (p.1 - y)).sum();
    let slope = sxy / sxx; // depths grow, so sxx is above zero
    let left_over: Vec<f64> = pairs
        .iter()
        .map(|p| p.1 - (y + slope * (p.0 - x)))
        .collect();
    let squares: f64 = left_over.iter().map(|r| r * r).sum();
    let rms_l = (squares / (n - 2.0)).sqrt();
    StraightFit {
        area_m2: slope / 1000.0,
        area_sd_m2: rms_l / sxx.sqrt() / 1000.0,
        empty_at_m: x - y / slope,
        rms_l,
        worst_l: left_over.iter().fold(0.0, |worst, r| r.abs().max(worst)),
    }
}

/// Each inner row against the line between its neighbours.
fn neighbours_rms(pairs: &[(f64, f64)]) -> Option<f64> {
    let off: Vec<f64> = pairs
        .windows(3)
        .map(|w| {
            let share = (w[1].0 - w[0].0) / (w[2].0 - w[0].0);
            w[1].1 - (w[0].1 + share * (w[2].1 - w[0].1))
        })
        .collect();
    let squares: f64 = off.iter().map(|o| o * o).sum();
    (off.len() >= 3).then(|| (squares / off.len() as f64).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_line_is_found_with_its_error() {
        // Least squares by hand: depths 1..4 cm, litres 1.0, 2.1, 2.9, 4.0.
        let made = calibrate(&[(0.01, 1.0), (0.02, 2.1), (0.03, 2.9), (0.04, 4.0)]).unwrap();
        assert!((made.straight.area_m2 - 0.098).abs() < 1e-12);
        assert!((made.straight.rms_l - (0.018f64 / 2.0).sqrt()).abs() < 1e-9);
        assert!(made.straight_will_do);
        assert!(made.table_rms_l.is_none());
    }

    #[test]
    fn a_pail_is_not_straight() {
        let shape = super::super::Tapered::new(
            super::super::Section::Round(0.20),
            super::super::Section::Round(0.285),
            0.36,
        )
        .unwrap();
        let pairs: Vec<(f64, f64)> = (1..=8)
            .map(|i| 0.045 * f64::from(i))
            .map(|depth| (depth, shape.litres_at(depth)))
            .collect();
        assert!(!calibrate(&pairs).unwrap().straight_will_do);
    }

    #[test]
    fn mistakes_are_named() {
        assert_eq!(
            calibrate(&[(0.0, 0.0), (0.1, 1.0)]),
            Err(CalibrationError::TooFew(2))
        );
        let falls = calibrate(&[(0.01, 1.0), (0.02, 2.0), (0.03, 1.9)]).unwrap_err();
        assert_eq!(
            falls.to_string(),
            "row 3 of the feeder's table does not grow: depth and litres must both increase; \
             measure that row again"
        );
        assert_eq!(from_pours(&[(0.01, 0.0)]), Err(CalibrationError::Pour(1)));
    }

    proptest! {
        #[test]
        fn straight_walls_come_back(area in 0.005f64..0.3, empty_mm in -10.0f64..10.0) {
            let pours: Vec<(f64, f64)> = (1..=6).map(|i| {
                let litres = f64::from(i) * 0.5;
                (empty_mm / 1000.0 + 0.02 + litres / (area * 1000.0), litres)
            }).collect();
            let made = calibrate(&pours).unwrap();
            prop_assert!((made.straight.area_m2 / area - 1.0).abs() < 1e-9);
            prop_assert!((made.straight.empty_at_m - (empty_mm / 1000.0 + 0.02)).abs() < 1e-9);
            prop_assert!(made.straight.rms_l < 1e-9);
        }
    }
}
