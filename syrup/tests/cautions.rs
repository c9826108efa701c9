//! The numbers in cautions against their sources: the revised lifting equation (Waters et al. 1993)
//! and a children's hospital's burn leaflet.

mod checks;

use larder_syrup::mix::{Ask, Caution, LIFT_LIMIT, Sugar, WaterAmount, Wish, answer};
use larder_syrup::strength::{LooseDensity, typed as strength};
use larder_syrup::units::{DegreesCelsius, Kilograms, Litres, UnitSystem, typed};

fn limits() -> Vec<checks::Row> {
    checks::rows(include_str!("../../tests/checks/safety_limits.csv"))
}

#[test]
fn the_lifting_limit_is_the_load_constant() {
    let rows = limits();
    let row = rows
        .iter()
        .find(|row| row.id() == "lift-23kg")
        .expect("a row");
    assert!(row.is_oracle());
    assert!((LIFT_LIMIT.0 - row.number("value")).abs() < 1e-12);
}

#[test]
fn scalds_are_timed_as_published() {
    for (id, words) in [
        ("scald-49", "within minutes"),
        ("scald-54", "half a minute"),
        ("scald-57", "ten seconds"),
        ("scald-60", "less than five seconds"),
        ("scald-66", "second and a half"),
    ] {
        let rows = limits();
        let row = rows.iter().find(|row| row.id() == id).expect("a row");
        assert!(row.is_oracle());
        let celsius = id.trim_start_matches("scald-").parse().expect("degrees");
        let water_at = DegreesCelsius(celsius);
        let said = Caution::Scald { water_at }.sentence(UnitSystem::Metric);
        assert!(
            said.contains(words),
            "{celsius} °C, {} s: {said}",
            row.text("value")
        );
    }
}

/// A full 5 gal pail of syrup is heavier than one person should lift, whatever the strength.
#[test]
fn a_full_pail_is_too_heavy_and_says_so() {
    for parts in ["1:1", "5:3", "2:1"] {
        let made = answer(&Ask {
            volume: Some(typed::volume("5 gal").unwrap()),
            strength: Some(strength(parts, LooseDensity::USUAL).unwrap()),
            ..Ask::default()
        })
        .unwrap();
        assert!(made.made.mass() > LIFT_LIMIT);
        let warns = made
            .cautions
            .iter()
            .any(|c| matches!(c, Caution::LiftVessel { .. }));
        assert!(warns, "{parts}");
    }
}

#[test]
fn cautions_stand_where_they_belong() {
    let small = Ask {
        sugar: Some(Sugar::parse("1 kg").unwrap()),
        water: Some(WaterAmount::Volume(Litres(1.0))),
        ..Ask::default()
    };
    let has =
        |ask: &Ask, what: fn(&Caution) -> bool| answer(ask).unwrap().cautions.iter().any(what);
    let scald: fn(&Caution) -> bool = |c| matches!(c, Caution::Scald { .. });
    let power: fn(&Caution) -> bool = |c| matches!(c, Caution::Electricity);
    let lift: fn(&Caution) -> bool = |c| matches!(c, Caution::LiftVessel { .. });
    assert!(!has(&small, scald) && !has(&small, power) && !has(&small, lift));
    let hot = Ask {
        warmth: Some(Wish {
            hot: Some(DegreesCelsius(60.0)),
            cold: DegreesCelsius(15.0),
            sugar: DegreesCelsius(20.0),
            leftover: DegreesCelsius(20.0),
            end: None,
        }),
        ..small.clone()
    };
    assert!(has(&hot, scald) && has(&hot, power));
    for always in [
        (|c: &Caution| matches!(c, Caution::WhiteSugar)) as fn(&Caution) -> bool,
        |c| matches!(c, Caution::DoNotBoil),
        |c| matches!(c, Caution::HoneySupers),
        |c| matches!(c, Caution::LocalRules),
    ] {
        assert!(has(&small, always));
    }
    let thick = Ask {
        strength: Some(strength("2:1", LooseDensity::USUAL).unwrap()),
        raise: Some(Kilograms(5.0)),
        stands_at: Some(DegreesCelsius(10.0)),
        ..Ask::default()
    };
    let cold: fn(&Caution) -> bool = |c| {
        matches!(
            c,
            Caution::Crystals {
                for_sure_cooler: true,
                ..
            }
        )
    };
    assert!(has(&thick, cold));
}
