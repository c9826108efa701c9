//! The answer as headed lines in someone's own units: what a page, a terminal and a card show.

use super::response::{Row, Section, WeightBody, rounded};
use larder_syrup::mix::{Answer, Ask, Recipe, Warmth, weights};
use larder_syrup::physics::{Crystallises, SOLUBILITY_RANGE_C};
use larder_syrup::units::{DegreesCelsius, Kilograms, Litres, Shown, UnitSystem};

const TWENTY: DegreesCelsius = DegreesCelsius(20.0);

pub(super) fn sections(ask: &Ask, answer: &Answer, units: UnitSystem) -> Vec<Section> {
    let mut sections = vec![
        goes_in(answer, units),
        comes_out(answer, units),
        strength(ask, answer),
        behaves(answer, units),
    ];
    if let Some(plan) = &answer.plan
        && plan.loads.iter().any(|load| load.vessel.is_some())
    {
        let rows = plan.loads.iter().map(|load| {
            let vessel = load.vessel.map_or_else(String::new, |v| v.words(units));
            let makes = units.volume(load.recipe.volume(TWENTY));
            Row {
                label: format!("{} × {vessel}", load.times),
                note: format!(
                    "{} = {makes}, {}",
                    load.words(units),
                    units.mass(load.recipe.mass())
                ),
                ..Row::default()
            }
        });
        sections.insert(
            1,
            Section {
                title: "Vessel by vessel".into(),
                rows: rows.collect(),
            },
        );
    }
    sections.push(Section {
        title: "A full vessel holds, without its own weight".into(),
        rows: weights(answer.made, units)
            .iter()
            .map(|(vessel, mass)| row(&vessel.words(units), units.mass_in_main(*mass), ""))
            .collect(),
    });
    sections.push(becomes(answer, units));
    sections.extend(costs(ask, answer, units));
    sections
}

pub(super) fn row(label: &str, shown: Shown, note: &str) -> Row {
    Row {
        label: label.to_owned(),
        number: shown.number(),
        unit: shown.unit.to_owned(),
        note: note.to_owned(),
    }
}

fn plain(label: &str, number: f64, digits: usize, unit: &'static str, note: &str) -> Row {
    let shown = Shown {
        value: number,
        digits,
        unit,
    };
    row(label, shown, note)
}

fn goes_in(answer: &Answer, units: UnitSystem) -> Section {
    let mut rows = Vec::new();
    if let Some(left) = answer.leftover {
        let note = format!("{} sugar", left.mass_fraction());
        rows.push(row(
            "leftover",
            units.volume_in_main(left.volume(TWENTY)),
            &note,
        ));
    }
    if answer.add_sugar.0 > 0.0 {
        let bags: Vec<String> = answer
            .bags
            .iter()
            .map(|b| format!("{} × {}", b.count, units.mass(b.bag)))
            .collect();
        rows.push(row(
            "sugar",
            units.mass_in_main(answer.add_sugar),
            &bags.join(" + "),
        ));
    }
    match &answer.warmth {
        Some(warmth) if warmth.cold.0 > 0.0 => {
            let hot = format!("at {}", units.temperature(warmth.hot_at));
            rows.push(water("hot water", warmth.hot, &hot, units));
            rows.push(water("cold water", warmth.cold, "", units));
        }
        Some(warmth) if answer.add_water.0 > 0.0 => {
            let at = format!("at {}", units.temperature(warmth.water_at));
            rows.push(water("water", answer.add_water, &at, units));
        }
        _ if answer.add_water.0 > 0.0 => rows.push(water("water", answer.add_water, "", units)),
        _ => {}
    }
    Section {
        title: "Goes in".into(),
        rows,
    }
}

fn water(label: &str, water: Kilograms, note: &str, units: UnitSystem) -> Row {
    let volume = larder_syrup::mix::water_volume(water);
    let poured = larder_syrup::mix::pour(volume, units);
    let shown = units.volume_in_main(volume);
    let words = [
        (poured != shown.to_string()).then_some(poured),
        Some(units.mass(water).to_string()),
        (!note.is_empty()).then(|| note.to_owned()),
    ];
    let words: Vec<String> = words.into_iter().flatten().collect();
    row(label, shown, &words.join(", "))
}

fn comes_out(answer: &Answer, units: UnitSystem) -> Section {
    let made = answer.made;
    let mut rows = vec![row("syrup", units.volume_in_main(made.volume(TWENTY)), "")];
    if (answer.measured_at.0 - TWENTY.0).abs() > 0.05 {
        let label = format!("read at {}", units.temperature(answer.measured_at));
        let volume = made.volume(answer.measured_at);
        rows.push(row(&label, units.volume_in_main(volume), ""));
    }
    let kg_per_l = made.mass().0 / made.volume(TWENTY).0;
    rows.push(row("weighs", units.mass_in_main(made.mass()), ""));
    rows.push(row("density", units.density(kg_per_l), ""));
    Section {
        title: format!("Comes out, at {}", units.temperature(TWENTY)),
        rows,
    }
}

fn strength(ask: &Ask, answer: &Answer) -> Section {
    let views = answer.made.strength().views(ask.loose);
    let loose = format!(
        "with loose sugar of {:.3} kg/L; it varies from 0.80 to 0.93",
        ask.loose.kg_per_l()
    );
    let rows = vec![
        plain("sugar", views.percent, 1, "%", "of the weight"),
        plain("refractometer", views.percent, 1, "°Bx", ""),
        plain(
            "by weight",
            views.parts_by_mass,
            2,
            ": 1",
            "what 2:1 means here",
        ),
        plain("by volume", views.parts_by_volume, 2, ": 1", &loose),
    ];
    Section {
        title: "Strength, said every way".into(),
        rows,
    }
}

fn behaves(answer: &Answer, units: UnitSystem) -> Section {
    let mut rows = Vec::new();
    if let Some(warmth) = &answer.warmth {
        rows.push(ends_at(answer, warmth, units));
    }
    rows.push(match answer.crystallises {
        Crystallises::Below(limit) => row(
            "saturated at",
            units.temperature_to(limit, 1),
            "cooler than that it can throw crystals",
        ),
        Crystallises::Never | Crystallises::Always => Row {
            label: "crystals".into(),
            note: format!(
                "none above {}",
                units.temperature(DegreesCelsius(SOLUBILITY_RANGE_C.0))
            ),
            ..Row::default()
        },
    });
    for celsius in [20.0, 10.0] {
        let at = DegreesCelsius(celsius);
        let thick = answer.viscosity_mpa_s(at);
        let digits = if thick < 99.5 { 1 } else { 0 };
        let label = format!("thickness at {}", units.temperature(at));
        rows.push(plain(&label, thick, digits, "mPa s", "water: 1"));
    }
    let activity = answer.water_activity();
    rows.push(plain("water activity", activity, 3, "", growth(activity)));
    Section {
        title: "Behaves".into(),
        rows,
    }
}

fn ends_at(answer: &Answer, warmth: &Warmth, units: UnitSystem) -> Row {
    let note = if answer.dissolves == Some(false) {
        "too cool: not all of the sugar dissolves"
    } else {
        "all dissolves; vessel and air take a few degrees"
    };
    row("ends at", units.temperature(warmth.ends_at), note)
}

/// What can grow (Beuchat 1981 and handbook tables: bacteria from 0.91, most yeasts 0.88, most
/// moulds 0.80).
fn growth(activity: f64) -> &'static str {
    match activity {
        a if a >= 0.91 => "bacteria, yeasts and moulds can grow",
        a if a >= 0.88 => "yeasts and moulds can grow",
        a if a >= 0.80 => "moulds and sugar-tolerant yeasts can grow",
        _ => "only sugar-tolerant yeasts can grow",
    }
}

fn becomes(answer: &Answer, units: UnitSystem) -> Section {
    let stores = &answer.stores;
    let band = format!(
        "{} by the rule of thumb, {} at the very best",
        units.mass(Kilograms(stores.kg.lo)),
        units.mass(Kilograms(stores.kg.hi))
    );
    let rows = vec![
        row(
            "stores",
            units.mass_in_main(Kilograms(stores.kg.value)),
            &band,
        ),
        row(
            "water to dry off",
            units.mass_in_main(Kilograms(stores.water_to_dry_kg)),
            "",
        ),
    ];
    Section {
        title: format!(
            "Becomes, at {:.0} % moisture",
            100.0 * stores.moisture.value()
        ),
        rows,
    }
}

fn costs(ask: &Ask, answer: &Answer, units: UnitSystem) -> Option<Section> {
    let price = ask.price.as_ref()?;
    let per_kg = answer.cost_per_kg_stores?;
    let (per, unit) = match units {
        UnitSystem::Metric => (per_kg, "stores per kg"),
        UnitSystem::Us => (per_kg * 0.453_592_37, "stores per lb"),
    };
    let money = |label: &str, amount: f64| Row {
        label: label.to_owned(),
        number: price.words(amount),
        ..Row::default()
    };
    Some(Section {
        title: "Costs".into(),
        rows: vec![money("sugar", answer.sugar_cost?), money(unit, per)],
    })
}

pub(super) fn weights_of(made: Recipe, units: UnitSystem) -> Vec<WeightBody> {
    weights(made, units)
        .into_iter()
        .map(|(vessel, mass)| WeightBody {
            vessel: vessel.words(units),
            holds_l: rounded(vessel.holds.0),
            mass_kg: rounded(mass.0),
        })
        .collect()
}

pub(super) fn litres(volume: Litres, units: UnitSystem, label: &str) -> Row {
    row(label, units.volume_in_main(volume), "")
}
