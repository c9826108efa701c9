//! Feeds that are bought as syrup: what they weigh and what they become.

use super::request::{MixRefusal, MixRequest};
use super::response::{BecomesBody, CautionBody, MixResponse, Row, Section, WeightBody, rounded};
use super::view::{litres, row};
use crate::words::Syrup;
use larder_domain::feed::ReadyFeed;
use larder_domain::mix::{Caution, CautionKind, LIFT_LIMIT, Vessel};
use larder_domain::stores;
use larder_domain::units::{Kilograms, Litres, UnitSystem, typed};

pub(super) fn answer(
    request: &MixRequest,
    feed: ReadyFeed,
    units: UnitSystem,
) -> Result<MixResponse, MixRefusal> {
    let volume = volume(request)?;
    let (mass, sugars) = (feed.mass(volume), feed.sugars(volume));
    let water = Kilograms(mass.0 - sugars.0);
    let becomes = stores::from_syrup(sugars, water, request.moisture()?, request.kept()?);
    let weighs: Vec<WeightBody> = Vessel::usual(units)
        .into_iter()
        .map(|vessel| WeightBody {
            vessel: vessel.words(units),
            holds_l: rounded(vessel.holds.0),
            mass_kg: rounded(feed.mass(vessel.holds).0),
        })
        .collect();
    let stores_text = units.mass(Kilograms(becomes.kg.value));
    Ok(MixResponse {
        sentence: format!(
            "{} of {} weighs {} and becomes about {stores_text} of stores.",
            units.volume(volume),
            name(feed),
            units.mass(mass)
        ),
        units: units.into(),
        kind: Syrup::Ready(feed).into(),
        sugar_kg: rounded(sugars.0),
        water_kg: rounded(water.0),
        water_l: rounded(larder_domain::mix::water_volume(water).0),
        volume_l: rounded(volume.0),
        mass_kg: rounded(mass.0),
        density_kg_m3: rounded(1000.0 * feed.kg_per_l()),
        strength: None,
        strength_words: None,
        parts_by_volume: None,
        percent: rounded(100.0 * feed.solids().value()),
        brix: None,
        add_sugar_kg: 0.0,
        add_water_kg: 0.0,
        add_water_l: 0.0,
        add_bags: Vec::new(),
        leftover: None,
        measured_at_c: 20.0,
        measured_volume_l: rounded(volume.0),
        saturated_at_c: feed.crystallises_below().map(|t| t.0),
        dissolves: None,
        viscosity_20c_mpa_s: None,
        viscosity_10c_mpa_s: None,
        water_activity_25c: None,
        warmth: None,
        vessels: Vec::new(),
        becomes: BecomesBody::from(&becomes),
        cost: None,
        cautions: cautions(mass, units),
        sections: sections(feed, volume, &becomes, &weighs, units),
        weighs,
    })
}

/// A ready feed is not mixed here: only its volume can be asked, and mixing with sugar or water
/// would need densities that nobody published.
fn volume(request: &MixRequest) -> Result<Litres, MixRefusal> {
    let mixed = [
        &request.sugar,
        &request.water,
        &request.strength,
        &request.raise,
    ];
    if mixed.into_iter().any(Option::is_some) || !request.leftovers.is_empty() {
        return Err(MixRefusal::of_all(
            "a feed bought as syrup goes with a volume only; mixtures of it have no published numbers",
        ));
    }
    let Some(text) = &request.volume else {
        return Err(MixRefusal::of_all("say the volume of the feed, like 5 gal"));
    };
    let volume = typed::volume(text).map_err(|e| MixRefusal {
        field: Some("volume"),
        sentence: e.to_string(),
    })?;
    if volume.0 > 0.0 && volume.0 <= 1e6 {
        Ok(volume)
    } else {
        Err(MixRefusal::of_all(
            "the volume must be more than nothing and at most a million litres",
        ))
    }
}

fn name(feed: ReadyFeed) -> &'static str {
    match feed {
        ReadyFeed::Hfcs42 => "HFCS-42",
        ReadyFeed::Hfcs55 => "HFCS-55",
        ReadyFeed::Labelled(_) => "this syrup",
    }
}

fn sections(
    feed: ReadyFeed,
    volume: Litres,
    becomes: &stores::Stores,
    weighs: &[WeightBody],
    units: UnitSystem,
) -> Vec<Section> {
    let mass = feed.mass(volume);
    let mut is = vec![
        litres(volume, units, "syrup"),
        row("weighs", units.mass_in_main(mass), ""),
        row(
            "sugars",
            units.mass_in_main(feed.sugars(volume)),
            &format!("{} of it", feed.solids()),
        ),
    ];
    if let Some(below) = feed.crystallises_below() {
        is.push(row("crystals below about", units.temperature(below), ""));
    }
    let band = format!(
        "{} by the rule of thumb, {} at the very best",
        units.mass(Kilograms(becomes.kg.lo)),
        units.mass(Kilograms(becomes.kg.hi))
    );
    vec![
        Section {
            title: "Is".into(),
            rows: is,
        },
        Section {
            title: "A full vessel holds, without its own weight".into(),
            rows: weighs
                .iter()
                .map(|w| row(&w.vessel, units.mass_in_main(Kilograms(w.mass_kg)), ""))
                .collect(),
        },
        Section {
            title: format!(
                "Becomes, at {:.0} % moisture",
                100.0 * becomes.moisture.value()
            ),
            rows: vec![
                row(
                    "stores",
                    units.mass_in_main(Kilograms(becomes.kg.value)),
                    &band,
                ),
                Row {
                    label: "water to dry off".into(),
                    ..row(
                        "",
                        units.mass_in_main(Kilograms(becomes.water_to_dry_kg)),
                        "",
                    )
                },
            ],
        },
    ]
}

fn cautions(mass: Kilograms, units: UnitSystem) -> Vec<CautionBody> {
    let lift = (mass > LIFT_LIMIT).then_some(Caution::LiftVessel {
        vessel: None,
        full: mass,
    });
    let old = CautionBody {
        kind: CautionKind::Keeping.into(),
        text: "Buy it fresh and keep it cool: stored warm it makes hydroxymethylfurfural, which \
               harms bees."
            .into(),
    };
    let feeding = [Caution::HoneySupers, Caution::Robbing, Caution::LocalRules];
    let body = |caution: Caution| CautionBody {
        kind: caution.kind().into(),
        text: caution.sentence(units),
    };
    lift.into_iter()
        .map(body)
        .chain([old])
        .chain(feeding.into_iter().map(body))
        .collect()
}
