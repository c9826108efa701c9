//! From what is known to the whole answer.

use super::caution::{self, Caution};
use super::recipe::{TWENTY, water_volume};
use super::warmth::{Poured, warmth};
use super::{Ask, BagCount, Known, MixError, Plan, Recipe, Warmth, plan};
use crate::physics::{Crystallises, crystallises, solubility, viscosity_mpa_s, water_activity};
use crate::reserves::{self, Stores};
use crate::units::{DegreesCelsius, Kilograms, Litres, MassFraction};

/// As warm as a mix with hot tap water ends, °C: the limit of what dissolves where nobody says
/// how hot it gets.
const WARM_MIX: DegreesCelsius = DegreesCelsius(40.0);

/// What goes in, what comes out, how it behaves and what it becomes.
#[derive(Clone, PartialEq, Debug)]
pub struct Answer {
    /// The leftovers that go in, together.
    pub leftover: Option<Recipe>,
    /// Sugar to add.
    pub add_sugar: Kilograms,
    /// Water to add.
    pub add_water: Kilograms,
    /// The sugar in whole bags, where bags were named.
    pub bags: Vec<BagCount>,
    /// The finished syrup. With whole bags it can be a little more than was asked for.
    pub made: Recipe,
    /// The temperature at which its volume is read.
    pub measured_at: DegreesCelsius,
    /// Whether it can throw crystals.
    pub crystallises: Crystallises,
    /// How warm it gets, where that was asked.
    pub warmth: Option<Warmth>,
    /// All sugar dissolves at the temperature it ends at; `None`: that was not asked.
    pub dissolves: Option<bool>,
    /// Vessel by vessel, where vessels or bags were named.
    pub plan: Option<Plan>,
    /// What a colony makes of all of it.
    pub stores: Stores,
    /// What the added sugar costs.
    pub sugar_cost: Option<f64>,
    /// What a kilogram of stores costs: at the usual share kept.
    pub cost_per_kg_stores: Option<f64>,
    /// What to mind, in the order of the work.
    pub cautions: Vec<Caution>,
}

impl Answer {
    /// The finished volume at 20 °C.
    pub fn volume(&self) -> Litres {
        self.made.volume(TWENTY)
    }

    /// The water to add as it is measured out, at 20 °C.
    pub fn add_water_volume(&self) -> Litres {
        water_volume(self.add_water)
    }

    /// Viscosity at a temperature, mPa s.
    pub fn viscosity_mpa_s(&self, at: DegreesCelsius) -> f64 {
        viscosity_mpa_s(self.made.mass_fraction(), at)
    }

    /// Water activity at 25 °C, where the limits of growth are stated.
    pub fn water_activity(&self) -> f64 {
        water_activity(self.made.mass_fraction(), DegreesCelsius(25.0))
    }

    /// The most sugar that it could hold at a temperature.
    pub fn most_at(&self, at: DegreesCelsius) -> MassFraction {
        solubility(at)
    }
}

/// The whole answer, or the one sentence that says what to change.
pub fn answer(ask: &Ask) -> Result<Answer, MixError> {
    let leftover = leftovers(ask)?;
    let (mut add_sugar, mut add_water, mut made) = match leftover {
        None => {
            let made = fresh(ask)?;
            (made.sugar(), made.water(), made)
        }
        Some(left) => with_leftover(ask, left)?,
    };
    check_dissolves_warm(made, WARM_MIX.0.max(wished_end(ask)))?;

    let bags_named = bag_sizes(ask);
    let mut plan_made = None;
    if leftover.is_none() && !(bags_named.is_empty() && ask.vessels.is_empty()) {
        let planned = plan(made, &bags_named, &ask.vessels, ask.headspace)?;
        if let Some(total) = planned.total() {
            (add_sugar, add_water, made) = (total.sugar(), total.water(), total);
        }
        plan_made = Some(planned);
    } else if leftover.is_some() {
        check_room(ask, made)?;
    }

    let poured = Poured {
        leftover,
        sugar: add_sugar,
        water: add_water,
        made,
    };
    let warmth = ask.warmth.map(|wish| warmth(&poured, &wish)).transpose()?;
    if let Some(warmth) = &warmth {
        check_dissolves_warm(made, WARM_MIX.0.max(warmth.ends_at.0))?;
    }
    let dissolves = warmth
        .map(|warmth| made.mass_fraction().value() <= solubility(warmth.ends_at).value() + 1e-9);

    let stores = reserves::from_syrup(made.sugar(), made.water(), ask.moisture, ask.kept);
    let sugar_cost = ask.price.as_ref().map(|price| price.of(add_sugar));
    let cost_per_kg_stores = ask
        .price
        .as_ref()
        .map(|price| price.of(reserves::sugar_for(Kilograms(1.0), ask.moisture, ask.kept)));
    let mut answer = Answer {
        leftover,
        add_sugar,
        add_water,
        bags: plan_made.as_ref().map_or(Vec::new(), Plan::bags),
        made,
        measured_at: ask.measured_at,
        crystallises: crystallises(made.mass_fraction()),
        warmth,
        dissolves,
        plan: plan_made,
        stores,
        sugar_cost,
        cost_per_kg_stores,
        cautions: Vec::new(),
    };
    answer.cautions = caution::for_answer(&answer, ask.stands_at);
    Ok(answer)
}

fn leftovers(ask: &Ask) -> Result<Option<Recipe>, MixError> {
    let mut all: Option<Recipe> = None;
    for leftover in &ask.leftovers {
        let recipe = leftover.recipe()?;
        all = Some(all.map_or(recipe, |so_far| so_far.and(recipe)));
    }
    Ok(all)
}

/// Two of the four, or stores and a strength.
fn fresh(ask: &Ask) -> Result<Recipe, MixError> {
    let sugar = match ask.raise {
        None => ask.sugar.map(|sugar| sugar.mass),
        Some(_) if ask.sugar.is_some() || ask.water.is_some() || ask.volume.is_some() => {
            return Err(MixError::TooMany);
        }
        Some(stores) => Some(reserves::sugar_for(stores, ask.moisture, ask.kept)),
    };
    Recipe::from_known(&Known {
        sugar,
        water: ask.water.map(|water| water.mass()),
        volume: ask.volume,
        strength: ask.strength,
        measured_at: ask.measured_at,
    })
}

/// Blend, strengthen, dilute, fill up, or simply add.
fn with_leftover(ask: &Ask, left: Recipe) -> Result<(Kilograms, Kilograms, Recipe), MixError> {
    let nothing = Kilograms(0.0);
    let added = ask.sugar.is_some() || ask.water.is_some();
    let (sugar, water) = match (ask.strength, ask.volume) {
        _ if ask.raise.is_some() => return Err(MixError::TooMany),
        (Some(_), _) | (_, Some(_)) if added => return Err(MixError::TooMany),
        (Some(strength), None) => left.brought_to(strength),
        (Some(strength), Some(volume)) => {
            let target = Recipe::of_volume(volume, strength, ask.measured_at)?;
            left.filled_up_to(target)?
        }
        (None, Some(volume)) => (nothing, water_to_mark(left, volume, ask.measured_at)?),
        (None, None) if added => (
            ask.sugar.map_or(nothing, |sugar| sugar.mass),
            ask.water.map_or(nothing, |water| water.mass()),
        ),
        (None, None) if ask.leftovers.len() > 1 => (nothing, nothing),
        (None, None) => return Err(MixError::NothingToDo),
    };
    Ok((sugar, water, left.with(sugar, water)?))
}

/// Water that fills a leftover up to a mark.
fn water_to_mark(left: Recipe, volume: Litres, at: DegreesCelsius) -> Result<Kilograms, MixError> {
    if left.volume(at).0 > volume.0 * (1.0 + 1e-9) {
        return Err(MixError::LeftoverTooMuch { of: "syrup" });
    }
    let known = Known {
        sugar: Some(left.sugar()),
        water: None,
        volume: Some(volume),
        strength: None,
        measured_at: at,
    };
    let made = Recipe::from_known(&known)?;
    Ok(Kilograms((made.water().0 - left.water().0).max(0.0)))
}

fn bag_sizes(ask: &Ask) -> Vec<Kilograms> {
    if ask.bags.is_empty() {
        let typed = ask.sugar.and_then(|sugar| sugar.bags);
        typed.map(|bags| bags.bag).into_iter().collect()
    } else {
        ask.bags.clone()
    }
}

fn wished_end(ask: &Ask) -> f64 {
    ask.warmth
        .and_then(|wish| wish.end.or(wish.hot))
        .map_or(f64::NEG_INFINITY, |t| t.0)
}

fn check_dissolves_warm(made: Recipe, at: f64) -> Result<(), MixError> {
    let at = DegreesCelsius(at);
    let (sugar, most) = (made.mass_fraction(), solubility(at));
    if sugar.value() > most.value() + 1e-9 {
        Err(MixError::DoesNotDissolve { sugar, most, at })
    } else {
        Ok(())
    }
}

fn check_room(ask: &Ask, made: Recipe) -> Result<(), MixError> {
    let room: f64 = ask
        .vessels
        .iter()
        .map(|v| v.count.map_or(f64::INFINITY, f64::from) * v.holds.0 * (1.0 - ask.headspace))
        .sum();
    let makes = made.volume(TWENTY);
    if ask.vessels.is_empty() || makes.0 <= room * (1.0 + 1e-9) {
        Ok(())
    } else {
        Err(MixError::VesselsFull {
            makes,
            room: Litres(room),
        })
    }
}
