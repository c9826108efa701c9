//! The answer as JSON: the numbers with their units in their names, and the same ready to be
//! shown in someone's own units.

use super::view;
use crate::words::{CautionKindWord, Syrup, SyrupWord, UnitSystemWord};
use larder_syrup::mix::{Answer, Ask, BagCount, Load, Recipe, headline};
use larder_syrup::physics::Crystallises;
use larder_syrup::units::{DegreesCelsius, Litres, UnitSystem};
use serde::Serialize;
use utoipa::ToSchema;

/// A mix, reckoned. Volumes are at 20 °C unless their name says otherwise; null where a number
/// has no meaning or no published source.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub struct MixResponse {
    /// The whole in a sentence or two.
    pub sentence: String,
    /// In which units `sentence`, `sections` and the cautions speak.
    pub units: UnitSystemWord,
    /// What it is made of.
    pub kind: SyrupWord,
    /// Sugar in the finished syrup.
    pub sugar_kg: f64,
    /// Water in the finished syrup.
    pub water_kg: f64,
    /// Water in the finished syrup as it is measured out.
    pub water_l: f64,
    /// Volume of the finished syrup.
    pub volume_l: f64,
    /// Mass of the finished syrup.
    pub mass_kg: f64,
    /// Density of the finished syrup.
    pub density_kg_m3: f64,
    /// Sugar to water by mass, `2:1`.
    pub strength: Option<String>,
    /// The strength as a keeper says it.
    pub strength_words: Option<String>,
    /// Sugar to water by volume, loose sugar to one part of water.
    pub parts_by_volume: Option<f64>,
    /// Sugar in percent of the mass.
    pub percent: f64,
    /// Degrees Brix.
    pub brix: Option<f64>,
    /// Sugar to add.
    pub add_sugar_kg: f64,
    /// Water to add.
    pub add_water_kg: f64,
    /// Water to add as it is measured out.
    pub add_water_l: f64,
    /// The added sugar in whole bags, where bags were named.
    pub add_bags: Vec<BagsBody>,
    /// What was left over and went in.
    pub leftover: Option<LeftoverBody>,
    /// The temperature at which the finished volume is read.
    pub measured_at_c: f64,
    /// The finished volume at that temperature.
    pub measured_volume_l: f64,
    /// Cooler than this it can throw crystals; null: it stays clear.
    pub saturated_at_c: Option<f64>,
    /// All sugar dissolves where the mix ends; null: not asked.
    pub dissolves: Option<bool>,
    /// How thick it is at 20 °C.
    pub viscosity_20c_mpa_s: Option<f64>,
    /// How thick it is at 10 °C.
    pub viscosity_10c_mpa_s: Option<f64>,
    /// What it leaves to yeasts and moulds, 0 to 1.
    #[schema(minimum = 0, maximum = 1)]
    pub water_activity_25c: Option<f64>,
    /// Temperatures, where they were asked.
    pub warmth: Option<WarmthBody>,
    /// Vessel by vessel, where vessels or bags were named.
    pub vessels: Vec<VesselBody>,
    /// What full vessels of it weigh, without the vessel.
    pub weighs: Vec<WeightBody>,
    /// What a colony makes of all of it.
    pub becomes: BecomesBody,
    /// What it costs, where a price was given.
    pub cost: Option<CostBody>,
    /// What to mind, in the order of the work.
    pub cautions: Vec<CautionBody>,
    /// The whole answer ready to be shown, part by part.
    pub sections: Vec<Section>,
}

/// Bags of one size.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, ToSchema)]
pub struct BagsBody {
    /// What one weighs.
    pub bag_kg: f64,
    /// How many.
    pub count: u32,
}

/// What was left over.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, ToSchema)]
pub struct LeftoverBody {
    /// Volume of what was left over.
    pub volume_l: f64,
    /// Sugar in the leftover.
    pub sugar_kg: f64,
    /// Water in the leftover.
    pub water_kg: f64,
    /// Sugar of the leftover in percent of the leftover's mass.
    pub percent: f64,
}

/// How warm it gets, without what the vessel and the air take.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, ToSchema)]
pub struct WarmthBody {
    /// All water together.
    pub water_at_c: f64,
    /// Where the mix ends.
    pub ends_at_c: f64,
    /// The part of the water that is hot.
    pub hot_kg: f64,
    /// The hot water's temperature.
    pub hot_at_c: f64,
    /// The rest is cold.
    pub cold_kg: f64,
}

/// What goes into one vessel, and into how many alike.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub struct VesselBody {
    /// How many vessels are alike.
    pub times: u32,
    /// `5 gal pail`; null: no vessel was named.
    pub vessel: Option<String>,
    /// What it holds.
    pub holds_l: Option<f64>,
    /// Whole bags, where bags were named.
    pub bags: Vec<BagsBody>,
    /// Sugar in each.
    pub sugar_kg: f64,
    /// Water in each.
    pub water_kg: f64,
    /// Water in each as it is measured out.
    pub water_l: f64,
    /// Syrup in each.
    pub volume_l: f64,
    /// Mass of the syrup in each.
    pub mass_kg: f64,
    /// The work in words: `one 25 lb bag + 3 gal of water`.
    pub words: String,
    /// What it makes: `4.9 gal, 51 lb`.
    pub makes: String,
}

/// What a full vessel weighs, without the vessel.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub struct WeightBody {
    /// `5 gal pail`.
    pub vessel: String,
    /// What it holds.
    pub holds_l: f64,
    /// The syrup in it.
    pub mass_kg: f64,
}

/// What a colony makes of it.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, ToSchema)]
pub struct BecomesBody {
    /// Ripe stores at the usual share of sugar kept.
    pub stores_kg: f64,
    /// By the rule of thumb.
    pub stores_lo_kg: f64,
    /// Nothing lost: the ceiling.
    pub stores_hi_kg: f64,
    /// The moisture that they are reckoned at, percent.
    pub moisture_percent: f64,
    /// Water that the bees must dry off.
    pub water_to_dry_kg: f64,
}

/// What it costs.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub struct CostBody {
    /// The added sugar.
    pub sugar: f64,
    /// A kilogram of stores.
    pub per_kg_stores: f64,
    /// The money as it was typed; may be empty.
    pub currency: String,
}

/// Something to mind.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub struct CautionBody {
    /// Which part of the work it belongs to.
    pub kind: CautionKindWord,
    /// One sentence.
    pub text: String,
}

/// A part of the answer, ready to be shown.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub struct Section {
    /// The section's heading.
    pub title: String,
    /// The section's lines.
    pub rows: Vec<Row>,
}

/// A line: a label, a number with its unit, and a note. Any but the label may be empty.
#[derive(Clone, PartialEq, Debug, Default, Serialize, ToSchema)]
pub struct Row {
    /// What it is.
    pub label: String,
    /// The number, all digits.
    pub number: String,
    /// The number's unit.
    pub unit: String,
    /// What else to know.
    pub note: String,
}

/// Finer than anybody weighs; it keeps JSON short.
pub(super) fn rounded(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

const TWENTY: DegreesCelsius = DegreesCelsius(20.0);

impl MixResponse {
    pub(super) fn new(ask: &Ask, answer: &Answer, units: UnitSystem) -> Self {
        let made = answer.made;
        let views = made.strength().views(ask.loose);
        let saturated_at_c = match answer.crystallises {
            Crystallises::Below(limit) => Some(rounded(limit.0)),
            Crystallises::Never | Crystallises::Always => None,
        };
        Self {
            sentence: headline(ask, answer, units),
            units: units.into(),
            kind: Syrup::Sucrose.into(),
            sugar_kg: rounded(made.sugar().0),
            water_kg: rounded(made.water().0),
            water_l: rounded(litres_of_water(made.water().0)),
            volume_l: rounded(made.volume(TWENTY).0),
            mass_kg: rounded(made.mass().0),
            density_kg_m3: rounded(1000.0 * made.mass().0 / made.volume(TWENTY).0),
            strength: Some(made.strength().parts_text()),
            strength_words: Some(made.strength().spoken()),
            parts_by_volume: Some(rounded(views.parts_by_volume)),
            percent: rounded(views.percent),
            brix: Some(rounded(views.percent)),
            add_sugar_kg: rounded(answer.add_sugar.0),
            add_water_kg: rounded(answer.add_water.0),
            add_water_l: rounded(answer.add_water_volume().0),
            add_bags: answer.bags.iter().map(BagsBody::from).collect(),
            leftover: answer.leftover.map(LeftoverBody::from),
            measured_at_c: rounded(answer.measured_at.0),
            measured_volume_l: rounded(made.volume(answer.measured_at).0),
            saturated_at_c,
            dissolves: answer.dissolves,
            viscosity_20c_mpa_s: Some(rounded(answer.viscosity_mpa_s(TWENTY))),
            viscosity_10c_mpa_s: Some(rounded(answer.viscosity_mpa_s(DegreesCelsius(10.0)))),
            water_activity_25c: Some(rounded(answer.water_activity())),
            warmth: answer.warmth.map(|warmth| WarmthBody {
                water_at_c: rounded(warmth.water_at.0),
                ends_at_c: rounded(warmth.ends_at.0),
                hot_kg: rounded(warmth.hot.0),
                hot_at_c: rounded(warmth.hot_at.0),
                cold_kg: rounded(warmth.cold.0),
            }),
            vessels: answer
                .plan
                .iter()
                .flat_map(|plan| &plan.loads)
                .map(|load| VesselBody::new(load, units))
                .collect(),
            weighs: view::weights_of(made, units),
            becomes: BecomesBody::from(&answer.stores),
            cost: cost(ask, answer),
            cautions: answer
                .cautions
                .iter()
                .map(|caution| CautionBody {
                    kind: caution.kind().into(),
                    text: caution.sentence(units),
                })
                .collect(),
            sections: view::sections(ask, answer, units),
        }
    }
}

fn litres_of_water(kg: f64) -> f64 {
    kg / larder_syrup::physics::water_density_kg_m3(TWENTY) * 1000.0
}

fn cost(ask: &Ask, answer: &Answer) -> Option<CostBody> {
    Some(CostBody {
        sugar: rounded(answer.sugar_cost?),
        per_kg_stores: rounded(answer.cost_per_kg_stores?),
        currency: ask.price.as_ref()?.currency.clone(),
    })
}

impl From<&BagCount> for BagsBody {
    fn from(bags: &BagCount) -> Self {
        Self {
            bag_kg: rounded(bags.bag.0),
            count: bags.count,
        }
    }
}

impl From<Recipe> for LeftoverBody {
    fn from(recipe: Recipe) -> Self {
        Self {
            volume_l: rounded(recipe.volume(TWENTY).0),
            sugar_kg: rounded(recipe.sugar().0),
            water_kg: rounded(recipe.water().0),
            percent: rounded(100.0 * recipe.mass_fraction().value()),
        }
    }
}

impl From<&larder_syrup::reserves::Stores> for BecomesBody {
    fn from(stores: &larder_syrup::reserves::Stores) -> Self {
        Self {
            stores_kg: rounded(stores.kg.value),
            stores_lo_kg: rounded(stores.kg.lo),
            stores_hi_kg: rounded(stores.kg.hi),
            moisture_percent: rounded(100.0 * stores.moisture.value()),
            water_to_dry_kg: rounded(stores.water_to_dry_kg),
        }
    }
}

impl VesselBody {
    fn new(load: &Load, units: UnitSystem) -> Self {
        let volume = load.recipe.volume(TWENTY);
        Self {
            times: load.times,
            vessel: load.vessel.map(|vessel| vessel.words(units)),
            holds_l: load.vessel.map(|vessel| rounded(vessel.holds.0)),
            bags: load.bags.iter().map(BagsBody::from).collect(),
            sugar_kg: rounded(load.recipe.sugar().0),
            water_kg: rounded(load.recipe.water().0),
            water_l: rounded(litres_of_water(load.recipe.water().0)),
            volume_l: rounded(volume.0),
            mass_kg: rounded(load.recipe.mass().0),
            words: load.words(units),
            makes: format!(
                "{}, {}",
                units.volume(Litres(volume.0)),
                units.mass(load.recipe.mass())
            ),
        }
    }
}
