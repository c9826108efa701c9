//! Whole bags into vessels that fit: what goes into which, so nobody weighs sugar in the yard.

use super::recipe::TWENTY;
use super::{MixError, Recipe, Vessel};
use crate::units::{Kilograms, Litres};

/// Bags of one size.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct BagCount {
    /// What one weighs.
    pub bag: Kilograms,
    /// How many.
    pub count: u32,
}

/// What goes into one vessel, and how often.
#[derive(Clone, PartialEq, Debug)]
pub struct Load {
    /// How many vessels are alike.
    pub times: u32,
    /// The vessel; `None` where none was named.
    pub vessel: Option<Vessel>,
    /// Whole bags, largest first; empty where the sugar is weighed.
    pub bags: Vec<BagCount>,
    /// Sugar and water of one vessel.
    pub recipe: Recipe,
}

/// All vessels together.
#[derive(Clone, PartialEq, Debug)]
pub struct Plan {
    /// Vessel by vessel; alike ones together.
    pub loads: Vec<Load>,
}

impl Plan {
    /// All sugar and water; whole bags make it a little more than was asked for.
    pub fn total(&self) -> Option<Recipe> {
        self.loads
            .iter()
            .map(|load| load.recipe.scaled(f64::from(load.times)))
            .reduce(Recipe::and)
    }

    /// All bags, size by size.
    pub fn bags(&self) -> Vec<BagCount> {
        let mut all: Vec<BagCount> = Vec::new();
        for load in &self.loads {
            for &BagCount { bag, count } in &load.bags {
                let count = count.saturating_mul(load.times);
                match all.iter_mut().find(|known| known.bag == bag) {
                    Some(known) => known.count = known.count.saturating_add(count),
                    None => all.push(BagCount { bag, count }),
                }
            }
        }
        all
    }
}

/// A sugar mass this close to nothing is rounding, not sugar.
const CRUMB_KG: f64 = 1e-6;

/// Spreads `wanted` over the vessels in their order, in whole bags where there are any.
/// `headspace` is the share of a vessel left empty for stirring and carrying. Without vessels
/// everything is one load; without bags the sugar is weighed.
pub fn plan(
    wanted: Recipe,
    bags: &[Kilograms],
    vessels: &[Vessel],
    headspace: f64,
) -> Result<Plan, MixError> {
    let mut sizes: Vec<f64> = bags
        .iter()
        .map(|bag| bag.0)
        .filter(|kg| *kg > 0.0)
        .collect();
    sizes.sort_by(|a, b| b.total_cmp(a));
    sizes.dedup();
    sizes.truncate(MOST_SIZES);
    let load = |times: u32, vessel: Option<Vessel>, counts: Vec<BagCount>, sugar_kg: f64| Load {
        times,
        vessel,
        bags: counts,
        recipe: wanted.scaled(sugar_kg / wanted.sugar().0),
    };

    if vessels.is_empty() {
        let (counts, sugar_kg) = cover(&sizes, wanted.sugar().0, f64::INFINITY);
        return Ok(Plan {
            loads: vec![load(1, None, counts, sugar_kg)],
        });
    }

    let sugar_per_l = wanted.sugar().0 / wanted.volume(TWENTY).0;
    let room_l = |vessel: &Vessel| vessel.holds.0 * (1.0 - headspace);
    if let Some(&smallest) = sizes.last() {
        let largest_l = vessels.iter().map(room_l).fold(0.0, f64::max);
        if smallest / sugar_per_l > largest_l * (1.0 + 1e-9) {
            return Err(MixError::VesselSmallerThanBag {
                bag: Kilograms(smallest),
                makes: Litres(smallest / sugar_per_l),
                vessel: Litres(largest_l),
            });
        }
    }

    let mut left_kg = wanted.sugar().0;
    let mut loads: Vec<Load> = Vec::new();
    for &vessel in vessels {
        let room_kg = room_l(&vessel) * sugar_per_l * (1.0 + 1e-9);
        let (counts, full_kg) = fill(&sizes, room_kg);
        if full_kg < CRUMB_KG {
            continue; // too small for a bag; a larger one takes it
        }
        let most = vessel.count.unwrap_or(u32::MAX);
        let full = ((left_kg + CRUMB_KG) / full_kg)
            .floor()
            .min(f64::from(most)) as u32;
        if full > 0 {
            loads.push(load(full, Some(vessel), counts, full_kg));
            left_kg -= full_kg * f64::from(full);
        }
        if left_kg > CRUMB_KG && full < most {
            let (counts, sugar_kg) = cover(&sizes, left_kg, room_kg);
            match loads.last_mut() {
                // Whole bags often make the last vessel as full as the others.
                Some(Load { times, bags, .. })
                    if full > 0 && *bags == counts && !counts.is_empty() =>
                {
                    *times += 1;
                }
                _ => loads.push(load(1, Some(vessel), counts, sugar_kg)),
            }
            left_kg = 0.0;
        }
        if left_kg <= CRUMB_KG {
            return Ok(Plan { loads });
        }
    }
    Err(MixError::VesselsFull {
        makes: wanted.volume(TWENTY),
        room: Litres((wanted.sugar().0 - left_kg) / sugar_per_l),
    })
}

/// More sizes of bag than anybody stocks; it bounds the search.
const MOST_SIZES: usize = 6;
/// Combinations looked at before the best so far is taken: far above what real bags need.
const MOST_TRIES: usize = 20_000;

/// The bags that hold the most without exceeding `room_kg`, and their mass. Without sizes the
/// sugar is weighed to fill it.
fn fill(sizes: &[f64], room_kg: f64) -> (Vec<BagCount>, f64) {
    search(
        sizes,
        |kg| if kg <= room_kg { Some(-kg) } else { None },
        room_kg,
    )
    .unwrap_or((Vec::new(), if sizes.is_empty() { room_kg } else { 0.0 }))
}

/// The bags that just cover `wanted_kg` within `room_kg`, and their mass; the fullest that fit
/// where none covers it. Without sizes the sugar is weighed.
fn cover(sizes: &[f64], wanted_kg: f64, room_kg: f64) -> (Vec<BagCount>, f64) {
    if sizes.is_empty() {
        return (Vec::new(), wanted_kg.min(room_kg));
    }
    let just = wanted_kg - CRUMB_KG;
    search(
        sizes,
        |kg| (kg >= just && kg <= room_kg).then_some(kg),
        wanted_kg,
    )
    .unwrap_or_else(|| fill(sizes, room_kg))
}

/// Large bags are handier: a combination further down the list must be this share better, or half
/// the smallest bag where that is less.
const WORTH_IT: f64 = 0.01;

/// Tries combinations of bags with about `about_kg` of sugar, largest bags first, and keeps the
/// one with the least score; `None` from `score` rules one out.
fn search(
    sizes: &[f64],
    score: impl Fn(f64) -> Option<f64>,
    about_kg: f64,
) -> Option<(Vec<BagCount>, f64)> {
    let smallest = sizes.last().copied().unwrap_or(0.0);
    let worth_it_kg = (about_kg * WORTH_IT).min(smallest / 2.0);
    let mut best: Option<(f64, Vec<u32>)> = None;
    let mut tries = 0;
    let mut counts = vec![0; sizes.len()];
    try_counts(sizes, about_kg, &mut counts, 0, &mut |counts| {
        tries += 1;
        let kg: f64 = sizes
            .iter()
            .zip(counts)
            .map(|(s, n)| s * f64::from(*n))
            .sum();
        if let Some(score) = score(kg)
            && kg > 0.0
            && best
                .as_ref()
                .is_none_or(|(least, _)| score < least - worth_it_kg)
        {
            best = Some((score, counts.to_vec()));
        }
        tries < MOST_TRIES
    });
    best.map(|(_, counts)| {
        let kg = sizes
            .iter()
            .zip(&counts)
            .map(|(s, n)| s * f64::from(*n))
            .sum();
        let bags = sizes
            .iter()
            .zip(counts)
            .filter(|(_, count)| *count > 0)
            .map(|(&kg, count)| BagCount {
                bag: Kilograms(kg),
                count,
            });
        (bags.collect(), kg)
    })
}

/// Every combination from `first` on: as many large bags as fit down to none, and of the
/// smallest just under and just over what is left. Stops when `visit` says so.
fn try_counts(
    sizes: &[f64],
    left_kg: f64,
    counts: &mut Vec<u32>,
    first: usize,
    visit: &mut impl FnMut(&[u32]) -> bool,
) -> bool {
    let Some(&size) = sizes.get(first) else {
        return true;
    };
    let under = ((left_kg.max(0.0) + CRUMB_KG) / size).floor().min(1e9) as u32;
    let is_last = first + 1 == sizes.len();
    let least = if is_last { under } else { 0 };
    for count in (least..=under + 1).rev() {
        counts[first] = count;
        let goes_on = if is_last {
            visit(counts)
        } else {
            let left = left_kg - size * f64::from(count);
            try_counts(sizes, left, counts, first + 1, visit)
        };
        if !goes_on {
            return false;
        }
    }
    counts[first] = 0;
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::UnitSystem;
    use proptest::prelude::*;

    const LB: f64 = 0.453_592_37;

    fn syrup(sugar_kg: f64, parts: f64) -> Recipe {
        Recipe::new(Kilograms(sugar_kg), Kilograms(sugar_kg / parts)).unwrap()
    }

    fn vessel(text: &str) -> Vessel {
        Vessel::parse(text, UnitSystem::Us).unwrap()
    }

    fn counts(load: &Load) -> Vec<(f64, u32)> {
        let pairs = load.bags.iter().map(|b| ((b.bag.0 / LB).round(), b.count));
        pairs.collect()
    }

    #[test]
    fn one_bag_to_a_pail() {
        // 25 lb makes 4.88 gal of 1:1; ten bags need ten pails.
        let made = plan(
            syrup(250.0 * LB, 1.0),
            &[Kilograms(25.0 * LB)],
            &[vessel("pail")],
            0.0,
        )
        .unwrap();
        assert_eq!(made.loads.len(), 1);
        assert_eq!(made.loads[0].times, 10);
        assert_eq!(counts(&made.loads[0]), [(25.0, 1)]);
    }

    #[test]
    fn sizes_are_combined_and_the_last_vessel_takes_the_rest() {
        let bags = [50.0, 25.0, 10.0, 4.0].map(|lb| Kilograms(lb * LB));
        // A drum of 55 gal takes 406 lb of sugar as 2:1.
        let made = plan(syrup(600.0 * LB, 2.0), &bags, &[vessel("drum")], 0.0).unwrap();
        let full_lb: f64 = counts(&made.loads[0])
            .iter()
            .map(|(lb, n)| lb * f64::from(*n))
            .sum();
        assert!((402.0..406.0).contains(&full_lb), "{full_lb}");
        assert_eq!(made.loads.len(), 2);
        let total = made.total().unwrap().sugar().0 / LB;
        assert!((600.0 - 1e-6..606.0).contains(&total), "{total}");
    }

    #[test]
    fn a_bag_must_fit_and_so_must_all() {
        let bag = [Kilograms(50.0 * LB)];
        let wanted = syrup(50.0 * LB, 1.0);
        assert!(matches!(
            plan(wanted, &bag, &[vessel("pail")], 0.0),
            Err(MixError::VesselSmallerThanBag { .. })
        ));
        assert!(matches!(
            plan(wanted, &[], &[vessel("1 x pail")], 0.0),
            Err(MixError::VesselsFull { .. })
        ));
        let both = plan(wanted, &bag, &[vessel("1 x pail"), vessel("drum")], 0.0).unwrap();
        assert_eq!(both.loads[0].vessel.unwrap().name, Some("drum"));
    }

    proptest! {
        #[test]
        fn all_sugar_is_placed_and_nothing_overflows(
            sugar in 1.0f64..500.0, parts in 0.4f64..2.2, headspace in 0.0f64..0.3,
            n_bags in 0usize..4, weighed in 20.0f64..300.0,
        ) {
            let bags: Vec<Kilograms> = [10.0, 4.5, 2.0, 1.0].iter().take(n_bags).map(|kg| Kilograms(*kg)).collect();
            let holds = Vessel { name: None, holds: Litres(weighed), count: None };
            let wanted = syrup(sugar, parts);
            match plan(wanted, &bags, &[holds], headspace) {
                Ok(made) => {
                    let total = made.total().unwrap();
                    let smallest = bags.last().map_or(0.0, |b| b.0);
                    prop_assert!(total.sugar().0 >= sugar - 1e-5);
                    prop_assert!(total.sugar().0 <= sugar + smallest + 1e-5);
                    let ratio = total.sugar().0 / total.water().0;
                    prop_assert!((ratio - parts).abs() < 1e-9 * parts);
                    for load in &made.loads {
                        let room = weighed * (1.0 - headspace);
                        prop_assert!(load.recipe.volume(TWENTY).0 <= room * (1.0 + 1e-6));
                    }
                }
                Err(MixError::VesselSmallerThanBag { bag, .. }) => {
                    let litres = syrup(bag.0, parts).volume(TWENTY).0;
                    prop_assert!(litres > weighed * (1.0 - headspace));
                }
                Err(other) => prop_assert!(false, "{other}"),
            }
        }
    }
}
