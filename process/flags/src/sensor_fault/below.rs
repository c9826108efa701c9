//! Levels below the floor, where a sensor's own offset does not explain them.
//!
//! How low a sensor reads over an empty feeder is learned from its own readings: what sinks there step by
//! step is its floor. What is below that at once is none.

use larder_domain::Geometry;
use larder_estimate::math::robust::median_of_few;
use larder_estimate::series::level::litres_per_unit;
use larder_syrup::physics::kg_per_litre;
use std::collections::VecDeque;

larder_estimate::numbers! { "flags.sensor_fault.below":
    /// Before it has read lower, a sensor may be off by this, m.
    OFFSET_M: f64 = 0.01, "m", [0.005, 0.03], Chosen;
    /// A reading is below the floor from this on, m.
    BELOW_M: f64 = 0.012, "m", [0.008, 0.03], Chosen;
    /// A cell under a feeder may be off by this, kg.
    OFFSET_KG: f64 = 0.06, "kg", [0.02, 0.2], Chosen;
    /// A cell shows less than an empty feeder from this on, kg.
    BELOW_KG: f64 = 0.1, "kg", [0.05, 0.3], Chosen;
    /// A sensor that shows litres may be off by this share of the capacity.
    OFFSET_SHARE: f64 = 0.03, "1", [0.01, 0.1], Chosen;
    /// A sensor that shows litres shows less than none from this share of the capacity on.
    BELOW_SHARE: f64 = 0.05, "1", [0.02, 0.15], Chosen;
    /// Nothing within so many times the noise is below.
    BELOW_SDS: f64 = 6.0, "1", [4.0, 10.0], Chosen;
    /// The floor is followed with the median of so many readings.
    MEDIAN_OF: usize = 5, "1", [3.0, 9.0], Chosen;
}

/// For each level, l, whether it is below where the sensor's floor was seen to be.
pub(super) fn below_floor(
    levels: &[f64],
    geometry: &Geometry,
    capacity_l: f64,
    noise_l: f64,
) -> Vec<bool> {
    let per_unit = litres_per_unit(geometry, 0.0, kg_per_litre(None));
    let (offset, below) = match geometry {
        Geometry::FeederWeight => (OFFSET_KG, BELOW_KG),
        Geometry::Volume => (OFFSET_SHARE * capacity_l, BELOW_SHARE * capacity_l),
        _ => (OFFSET_M, BELOW_M),
    };
    let margin = (below * per_unit).max(BELOW_SDS * noise_l);
    let mut floor = -offset * per_unit;
    let mut recent = VecDeque::new();
    let judge = |&litres: &f64| {
        if litres.is_nan() {
            return false;
        }
        if litres < floor - margin {
            return true;
        }
        recent.push_back(litres);
        if recent.len() > MEDIAN_OF {
            recent.pop_front();
            floor = floor.min(median_of_few(recent.iter().copied()).unwrap_or(floor));
        }
        false
    };
    levels.iter().map(judge).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_syrup::feeder::Shape;

    #[test]
    fn what_sinks_to_its_floor_is_right_and_what_drops_below_is_not() {
        let geometry = Geometry::Distance {
            mount_m: 0.2,
            shape: Shape::straight(0.05).unwrap(),
        };
        let n_below = |levels: &[f64]| {
            let below = below_floor(levels, &geometry, 8.0, 0.02);
            below.iter().filter(|below| **below).count()
        };
        // Its floor is 2.5 cm too low; the colony empties it over days.
        let sinking: Vec<f64> = (0..200).map(|i| 2.0 - 0.016 * f64::from(i)).collect();
        assert_eq!(n_below(&sinking), 0);
        let dropped = [&sinking[..100], &[-2.0; 20]].concat();
        assert_eq!(n_below(&dropped), 20);
    }
}
