//! What sugar costs, as the shop says it: so much for a bag.

use crate::units::number::leading_number;
use crate::units::{Kilograms, NotUnderstood, typed};

/// A price of sugar.
#[derive(Clone, PartialEq, Debug)]
pub struct Price {
    /// Money for a kilogram of sugar.
    pub per_kg: f64,
    /// The money's sign or name as it was typed; may be empty.
    pub currency: String,
}

/// Why a price was not understood.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PriceNotUnderstood {
    /// Not `18.50 per 25 lb`.
    #[error("\"{0}\" is no price; write money for a mass, like 18.50 per 25 lb or 1.10/kg")]
    Shape(String),
    /// The mass was not understood.
    #[error("the price's mass: {0}")]
    Mass(#[from] NotUnderstood),
}

impl Price {
    /// Reads `18.50 per 25 lb`, `$18.50/25 lb`, `1.10 EUR/kg`.
    pub fn parse(text: &str) -> Result<Self, PriceNotUnderstood> {
        let shape = || PriceNotUnderstood::Shape(text.trim().chars().take(40).collect());
        let (money, mass) = text
            .split_once(" per ")
            .or_else(|| text.split_once('/'))
            .or_else(|| text.split_once(" for "))
            .ok_or_else(shape)?;
        let money = money.trim();
        let sign: String = money
            .chars()
            .take_while(|c| !c.is_ascii_digit() && *c != '.')
            .collect();
        let (amount, name) = leading_number(&money[sign.len()..]).map_err(|_| shape())?;
        let mass = mass.trim();
        let kg = if mass.starts_with(|c: char| c.is_ascii_digit()) {
            typed::mass(mass)?
        } else {
            typed::mass(&format!("1 {mass}"))?
        };
        let currency = format!("{}{}", sign.trim(), name.trim());
        let fits = amount >= 0.0
            && kg.0 > 0.0
            && !sign.contains(['-', '−'])
            && currency.chars().count() <= 8;
        let is_money = |c: char| c.is_alphabetic() || "$€£¥₹₩¢. ".contains(c);
        if fits && currency.chars().all(is_money) {
            Ok(Self {
                per_kg: amount / kg.0,
                currency,
            })
        } else {
            Err(shape())
        }
    }

    /// What some sugar costs.
    pub fn of(&self, sugar: Kilograms) -> f64 {
        self.per_kg * sugar.0
    }

    /// An amount with the money's sign before it or its name after it: `$12.34`, `12.34 EUR`.
    pub fn words(&self, amount: f64) -> String {
        let is_sign = self.currency.chars().count() == 1;
        match self.currency.as_str() {
            "" => format!("{amount:.2}"),
            sign if is_sign => format!("{sign}{amount:.2}"),
            name => format!("{amount:.2} {name}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prices_are_read_as_shops_write_them() {
        for (text, per_kg, words) in [
            ("18.50 per 25 lb", 1.631_420_9, "2.00"),
            ("$18.50/25 lb", 1.631_420_9, "$2.00"),
            ("1.10 EUR/kg", 1.1, "2.00 EUR"),
            ("€27,50 for 25 kg", 1.1, "€2.00"),
        ] {
            let price = Price::parse(text).unwrap();
            assert!((price.per_kg - per_kg).abs() < 1e-6, "{text}");
            assert_eq!(price.words(2.0), words);
        }
    }

    #[test]
    fn what_is_no_price_is_refused() {
        for bad in [
            "",
            "18.50",
            "per kg",
            "-1/kg",
            "1 per 5 gal",
            "1 per 0 kg",
            "<b>1/kg",
        ] {
            assert!(Price::parse(bad).is_err(), "{bad}");
        }
    }
}
