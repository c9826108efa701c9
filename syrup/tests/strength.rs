//! What '1:1' and '2:1' by volume really are, against `mix_by_volume.csv`: density equation and
//! loose sugar of three densities.

mod checks;

use checks::oracles;
use larder_syrup::mix::{Known, Recipe};
use larder_syrup::physics::water_density_kg_m3;
use larder_syrup::strength::{LooseDensity, Views, typed};
use larder_syrup::units::{DegreesCelsius, Kilograms};

const TWENTY: DegreesCelsius = DegreesCelsius(20.0);

#[test]
fn parts_by_volume_give_the_published_percent() {
    for row in oracles(include_str!("../../tests/checks/mix_by_volume.csv"), 6) {
        let loose = LooseDensity::new(row.number("sugar_bulk_density_kg_L")).unwrap();
        let parts = row.number("sugar_to_water_volume_ratio");
        let strength = typed(&format!("{parts}:1 by volume"), loose).unwrap();
        let Views {
            percent,
            parts_by_volume,
            ..
        } = strength.views(loose);
        let allowed = row.number("tolerance_abs_percent_points");
        let expected = row.number("sucrose_mass_percent");
        assert!(
            (percent - expected).abs() <= allowed,
            "{}: {percent}",
            row.id()
        );
        assert!(
            (percent - expected).abs() < 0.01,
            "closer than it need be: {percent}"
        );
        assert!((parts_by_volume - parts).abs() < 1e-12);

        let litre_of_water = Known {
            sugar: None,
            water: Some(Kilograms(water_density_kg_m3(TWENTY) / 1000.0)),
            volume: None,
            strength: Some(strength),
            measured_at: TWENTY,
        };
        let makes = Recipe::from_known(&litre_of_water)
            .unwrap()
            .volume(TWENTY)
            .0;
        let expected = row.number("syrup_L_per_L_water");
        assert!((makes - expected).abs() < 0.001, "{}: {makes}", row.id());
    }
}
