//! A mix as a person would say it.

use super::{Answer, Ask, BagCount, Load};
use crate::strength::Strength;
use crate::units::{Kilograms, Litres, UnitSystem};

/// The answer in one or two sentences.
pub fn headline(ask: &Ask, answer: &Answer, units: UnitSystem) -> String {
    let made = made_words(answer, units);
    if answer.leftover.is_some() {
        return leftover_headline(ask, answer, units);
    }
    let sugar = sugar_words(&answer.bags, answer.add_sugar, units);
    let water = pour(answer.add_water_volume(), units);
    // One bag or a weighed heap makes; several bags make.
    let s = if answer.bags.iter().map(|b| b.count).sum::<u32>() > 1 {
        ""
    } else {
        "s"
    };
    let mark = units.volume(answer.made.volume(answer.measured_at));
    match (&ask.sugar, &ask.water, ask.volume, ask.strength) {
        (Some(_), None, Some(_), None) => format!(
            "{} topped up with water to {mark} take{s} {water} of water and make{s} {}, \
             weighing {}.",
            capital(&sugar),
            strength_words(answer.made.strength()),
            units.mass(answer.made.mass())
        ),
        (None, Some(_), Some(_), None) => {
            format!("{} of water takes {sugar} to make {made}.", capital(&water))
        }
        _ if ask.raise.is_some() => format!(
            "To gain {} of stores the hive needs {made}: {sugar} and {water} of water.",
            units.mass(ask.raise.unwrap_or(Kilograms(0.0)))
        ),
        _ => format!("{} in {water} of water make{s} {made}.", capital(&sugar)),
    }
}

fn leftover_headline(ask: &Ask, answer: &Answer, units: UnitSystem) -> String {
    let made = made_words(answer, units);
    let (sugar, water) = (answer.add_sugar.0 > 0.0, answer.add_water.0 > 0.0);
    let sugar_text = units.mass(answer.add_sugar);
    let water_text = pour(answer.add_water_volume(), units);
    let to = if ask.leftovers.len() > 1 {
        "the leftovers together"
    } else {
        "the leftover"
    };
    match (sugar, water) {
        (true, true) => {
            format!("Add {sugar_text} of sugar and {water_text} of water to {to}: {made}.")
        }
        (true, false) => format!("Add {sugar_text} of sugar to {to}: {made}."),
        (false, true) => format!("Add {water_text} of water to {to}: {made}."),
        (false, false) => format!("{} make {made}.", capital(to)),
    }
}

/// `24.4 gal of 1:1 (50 % sugar), weighing 250 lb`
fn made_words(answer: &Answer, units: UnitSystem) -> String {
    format!(
        "{} of {}, weighing {}",
        units.volume(answer.made.volume(answer.measured_at)),
        strength_words(answer.made.strength()),
        units.mass(answer.made.mass())
    )
}

/// `1:1 (50.0 % sugar)`, `a syrup a little thinner than 1:1 (0.96:1), 48.9 % sugar`
fn strength_words(strength: Strength) -> String {
    let spoken = strength.spoken();
    let percent = strength.mass_fraction();
    if spoken.starts_with('a') {
        format!("syrup {spoken}, {percent} sugar")
    } else {
        format!("{spoken} syrup ({percent} sugar)")
    }
}

/// `five 25 lb bags of sugar`, `two 50 lb bags and one 25 lb bag of sugar`, `13.6 lb of sugar`
fn sugar_words(bags: &[BagCount], sugar: Kilograms, units: UnitSystem) -> String {
    if bags.is_empty() {
        format!("{} of sugar", units.mass(sugar))
    } else {
        format!("{} of sugar", bag_words(bags, units))
    }
}

/// `five 25 lb bags`, `two 50 lb bags and one 25 lb bag`
fn bag_words(bags: &[BagCount], units: UnitSystem) -> String {
    let each: Vec<String> = bags
        .iter()
        .map(|b| {
            let (count, bag) = (count_word(b.count), units.mass(b.bag));
            match b.count {
                1 => format!("{count} {bag} bag"),
                // Two numbers in a row would be misread.
                n if n > 12 => format!("{count} × {bag} bags"),
                _ => format!("{count} {bag} bags"),
            }
        })
        .collect();
    match each.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        _ => each.concat(),
    }
}

impl Load {
    /// What goes into one vessel: `one 25 lb bag + 2 gal 3¾ qt of water`.
    pub fn words(&self, units: UnitSystem) -> String {
        let sugar = if self.bags.is_empty() {
            format!("{} of sugar", units.mass(self.recipe.sugar()))
        } else {
            bag_words(&self.bags, units)
        };
        let water = pour(super::recipe::water_volume(self.recipe.water()), units);
        format!("{sugar} + {water} of water")
    }
}

/// Small numbers as words.
pub fn count_word(n: u32) -> String {
    const WORDS: [&str; 13] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
        "eleven", "twelve",
    ];
    usize::try_from(n)
        .ok()
        .and_then(|i| WORDS.get(i))
        .map_or_else(|| n.to_string(), |word| (*word).to_owned())
}

/// Gallons above this are metered, not poured by the jug.
const JUGGED_GAL: f64 = 10.0;

/// A volume as it is poured: `11.9 L`, and in the US by gallons and quarts to the quarter:
/// `3 gal ½ qt`.
pub fn pour(volume: Litres, units: UnitSystem) -> String {
    const L_PER_QT: f64 = 0.946_352_946;
    let quarters = (volume.0 / L_PER_QT * 4.0).round();
    if units == UnitSystem::Metric || !(1.0..JUGGED_GAL * 16.0).contains(&quarters) {
        return units.volume(volume).to_string();
    }
    let (gallons, rest) = (quarters as u32 / 16, quarters as u32 % 16);
    let (quarts, fraction) = (rest / 4, ["", "¼", "½", "¾"][(rest % 4) as usize]);
    let quart_text = match (quarts, fraction) {
        (0, "") => None,
        (0, fraction) => Some(format!("{fraction} qt")),
        (quarts, fraction) => Some(format!("{quarts}{fraction} qt")),
    };
    match (gallons, quart_text) {
        (0, Some(quarts)) => quarts,
        (gallons, None) => format!("{gallons} gal"),
        (gallons, Some(quarts)) => format!("{gallons} gal {quarts}"),
    }
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(chars).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mix::{Sugar, WaterAmount, answer};
    use crate::units::typed;

    #[test]
    fn pours_are_measured_as_people_measure() {
        let us = |litres: f64| pour(Litres(litres), UnitSystem::Us);
        assert_eq!(us(11.844), "3 gal ½ qt");
        assert_eq!(us(3.785_411_784), "1 gal");
        assert_eq!(us(0.946), "1 qt");
        assert_eq!(us(2.4), "2½ qt");
        assert_eq!(us(56.78), "15 gal");
        assert_eq!(us(0.05), "0.05 qt");
        assert_eq!(pour(Litres(11.844), UnitSystem::Metric), "11.8 L");
    }

    #[test]
    fn the_two_everyday_ways_are_said_as_a_person_would() {
        let one_bag = Ask {
            sugar: Some(Sugar::parse("25 lb bag").unwrap()),
            volume: Some(typed::volume("5 gal").unwrap()),
            ..Ask::default()
        };
        let made = answer(&one_bag).unwrap();
        assert_eq!(
            headline(&one_bag, &made, UnitSystem::Us),
            "One 25 lb bag of sugar topped up with water to 5 gal takes 3 gal ½ qt of water and \
             makes syrup a little thinner than 1:1 (0.96:1), 49.0 % sugar, weighing 51.1 lb."
        );

        let five_bags = Ask {
            sugar: Some(Sugar::parse("5 x 25 lb").unwrap()),
            water: Some(WaterAmount::parse("15 gal").unwrap()),
            ..Ask::default()
        };
        let made = answer(&five_bags).unwrap();
        assert_eq!(
            headline(&five_bags, &made, UnitSystem::Us),
            "Five 25 lb bags of sugar in 15 gal of water make 24.4 gal of 1:1 syrup \
             (50.0 % sugar), weighing 250 lb."
        );
    }
}
