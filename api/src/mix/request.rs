//! What is asked, as text, and what it means.

use crate::words::{FeedKindWord, UnitSystemWord};
use larder_domain::feed::{Label, ReadyFeed};
use larder_domain::mix::{Ask, Leftover, Price, Sugar, Vessel, WaterAmount, Wish};
use larder_domain::stores::{Kept, Moisture};
use larder_domain::strength::{LooseDensity, typed as strength};
use larder_domain::units::number::leading_number;
use larder_domain::units::{DegreesCelsius, Kilograms, MassFraction, UnitSystem, typed};
use serde::{Deserialize, Serialize};
use std::fmt;
use utoipa::ToSchema;

/// A mix to reckon. Every amount is text with its unit, as people type it.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct MixRequest {
    /// Sugar: `25 lb`, `5 x 25 lb`.
    pub sugar: Option<String>,
    /// Water, by volume at 20 °C or by mass: `15 gal`, `10 kg`.
    pub water: Option<String>,
    /// Finished volume: `5 gal`.
    pub volume: Option<String>,
    /// Finished strength: `2:1` (by mass), `2:1 by volume`, `66.7 %`, `60 Bx`, `1 kg : 630 ml`.
    pub strength: Option<String>,
    /// Stores that a hive should gain, instead of a volume: `12 kg`.
    pub raise: Option<String>,
    /// What is left over and goes in too: `10 L of 1:1`.
    pub leftovers: Vec<String>,
    /// The syrup's temperature when its volume is read; 20 °C where not said.
    pub measured_at: Option<String>,
    /// Sizes of bags to use whole: `25 lb`.
    pub bags: Vec<String>,
    /// Vessels to fill, in this order: `pail`, `4 x 5 gal`, `drum`.
    pub vessels: Vec<String>,
    /// Share of each vessel left empty: `5 %`.
    pub headspace: Option<String>,
    /// Temperature of the hot water.
    pub hot: Option<String>,
    /// Temperature of the cold water; 15 °C where not said.
    pub cold: Option<String>,
    /// Temperature of the sugar; 20 °C where not said.
    pub sugar_at: Option<String>,
    /// How warm the mix should end.
    pub ends_at: Option<String>,
    /// The coolest that it will stand at.
    pub stands_at: Option<String>,
    /// Moisture of the stores it becomes; 18 % where not said.
    pub moisture: Option<String>,
    /// Share of the sugar that ends in the comb; 90 % where not said.
    pub kept: Option<String>,
    /// Price of sugar: `18.50 per 25 lb`.
    pub price: Option<String>,
    /// What a litre of loose sugar weighs, for strengths by volume; 0.845 kg where not said.
    pub loose_kg_per_l: Option<f64>,
    /// A feed bought as syrup, instead of sugar and water.
    #[schema(value_type = Option<FeedKindWord>)]
    pub feed: Option<String>,
    /// Sugars of a labelled feed: `72 %`.
    pub solids: Option<String>,
    /// What a litre of a labelled feed weighs, kg.
    pub kg_per_l: Option<f64>,
    /// In which units the answer speaks; the operation's setting where not said.
    #[schema(value_type = Option<UnitSystemWord>)]
    pub units: Option<String>,
}

/// Why there is no answer: which field, and one sentence.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct MixRefusal {
    /// The field; `None`: they do not go together.
    pub field: Option<&'static str>,
    /// What to change.
    pub sentence: String,
}

impl MixRefusal {
    pub(super) fn of_all(sentence: impl Into<String>) -> Self {
        Self {
            field: None,
            sentence: sentence.into(),
        }
    }

    fn of(field: &'static str) -> impl Fn(String) -> Self {
        move |sentence| Self {
            field: Some(field),
            sentence,
        }
    }
}

impl fmt::Display for MixRefusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.field {
            Some(field) => write!(f, "{field}: {}", self.sentence),
            None => f.write_str(&self.sentence),
        }
    }
}

impl std::error::Error for MixRefusal {}

/// More is a mistake, and it bounds the work.
const MOST_IN_A_LIST: usize = 50;

impl MixRequest {
    pub(super) fn units(&self, usual: UnitSystem) -> Result<UnitSystem, MixRefusal> {
        read("units", &self.units, UnitSystem::parse).map(|units| units.unwrap_or(usual))
    }

    pub(super) fn ready_feed(&self) -> Result<Option<ReadyFeed>, MixRefusal> {
        let Some(name) = &self.feed else {
            return Ok(None);
        };
        let name = name.trim().to_lowercase();
        if let Some(feed) = ReadyFeed::from_name(&name) {
            return Ok(Some(feed));
        }
        if name != ReadyFeed::LABELLED {
            return Err(MixRefusal::of("feed")(format!(
                "a feed is hfcs-42, hfcs-55 or labelled, not \"{}\"",
                name.chars().take(40).collect::<String>()
            )));
        }
        let (Some(solids), Some(kg_per_l)) = (&self.solids, self.kg_per_l) else {
            return Err(MixRefusal::of_all(
                "a labelled feed needs solids and kg_per_l, both from its label",
            ));
        };
        let solids = share(solids).map_err(MixRefusal::of("solids"))?;
        let solids =
            MassFraction::new(solids).map_err(|e| MixRefusal::of("solids")(e.to_string()))?;
        let label =
            Label::new(solids, kg_per_l).map_err(|e| MixRefusal::of("kg_per_l")(e.to_string()))?;
        Ok(Some(ReadyFeed::Labelled(label)))
    }

    pub(super) fn ask(&self, units: UnitSystem) -> Result<Ask, MixRefusal> {
        let loose = match self.loose_kg_per_l {
            None => LooseDensity::USUAL,
            Some(kg) => LooseDensity::new(kg)
                .map_err(|e| MixRefusal::of("loose_kg_per_l")(e.to_string()))?,
        };
        let usual = Ask::default();
        Ok(Ask {
            sugar: read("sugar", &self.sugar, Sugar::parse)?,
            water: read("water", &self.water, WaterAmount::parse)?,
            volume: read("volume", &self.volume, typed::volume)?,
            strength: read("strength", &self.strength, |text| strength(text, loose))?,
            raise: read("raise", &self.raise, stores_above_zero)?,
            leftovers: list("leftovers", &self.leftovers, |text| {
                Leftover::parse(text, loose)
            })?,
            measured_at: read("measured_at", &self.measured_at, liquid)?
                .unwrap_or(usual.measured_at),
            bags: list("bags", &self.bags, bag)?,
            vessels: list("vessels", &self.vessels, |text| Vessel::parse(text, units))?,
            headspace: read("headspace", &self.headspace, headspace)?.unwrap_or(usual.headspace),
            warmth: self.wish()?,
            stands_at: read("stands_at", &self.stands_at, typed::temperature)?,
            moisture: self.moisture()?,
            kept: self.kept()?,
            price: read("price", &self.price, Price::parse)?,
            loose,
        })
    }

    pub(super) fn moisture(&self) -> Result<Moisture, MixRefusal> {
        let read = read("moisture", &self.moisture, |text| {
            Moisture::new(share(text)?).map_err(|e| e.to_string())
        })?;
        Ok(read.unwrap_or_default())
    }

    pub(super) fn kept(&self) -> Result<Kept, MixRefusal> {
        let read = read("kept", &self.kept, |text| {
            Kept::new(share(text)?).map_err(|e| e.to_string())
        })?;
        Ok(read.unwrap_or(Kept::USUAL))
    }

    fn wish(&self) -> Result<Option<Wish>, MixRefusal> {
        let hot = read("hot", &self.hot, liquid)?;
        let end = read("ends_at", &self.ends_at, liquid)?;
        let cold = read("cold", &self.cold, liquid)?;
        let sugar = read("sugar_at", &self.sugar_at, typed::temperature)?;
        if hot.is_none() && end.is_none() {
            return if cold.is_some() || sugar.is_some() {
                Err(MixRefusal::of_all(
                    "say hot, the hot water's temperature, or ends_at, how warm it should end",
                ))
            } else {
                Ok(None)
            };
        }
        Ok(Some(Wish {
            hot,
            cold: cold.unwrap_or(DegreesCelsius(15.0)),
            sugar: sugar.unwrap_or(DegreesCelsius(20.0)),
            leftover: DegreesCelsius(20.0),
            end,
        }))
    }
}

fn read<T, E: ToString>(
    field: &'static str,
    text: &Option<String>,
    parse: impl Fn(&str) -> Result<T, E>,
) -> Result<Option<T>, MixRefusal> {
    text.as_deref()
        .map(|text| parse(text).map_err(|problem| MixRefusal::of(field)(problem.to_string())))
        .transpose()
}

fn list<T, E: ToString>(
    field: &'static str,
    texts: &[String],
    parse: impl Fn(&str) -> Result<T, E>,
) -> Result<Vec<T>, MixRefusal> {
    if texts.len() > MOST_IN_A_LIST {
        return Err(MixRefusal::of(field)(format!(
            "at most {MOST_IN_A_LIST} at once"
        )));
    }
    texts
        .iter()
        .map(|text| parse(text).map_err(|problem| MixRefusal::of(field)(problem.to_string())))
        .collect()
}

/// `18 %`; a bare number is refused because 0.18 and 18 both make sense.
pub(super) fn share(text: &str) -> Result<f64, String> {
    let shown: String = text.trim().chars().take(40).collect();
    match leading_number(text.trim()) {
        Ok((value, rest)) if ["%", "percent"].contains(&rest.trim()) => Ok(value / 100.0),
        _ => Err(format!(
            "\"{shown}\" is no share; write it in percent, like 18 %"
        )),
    }
}

fn headspace(text: &str) -> Result<f64, String> {
    let value = share(text)?;
    if (0.0..=0.5).contains(&value) {
        Ok(value)
    } else {
        Err("the headspace lies between 0 and 50 %".into())
    }
}

fn bag(text: &str) -> Result<Kilograms, String> {
    let bag = typed::mass(text.trim().trim_end_matches("bag")).map_err(|e| e.to_string())?;
    if bag.0 >= 0.1 {
        Ok(bag)
    } else {
        Err("a bag holds at least 100 g".into())
    }
}

fn stores_above_zero(text: &str) -> Result<Kilograms, String> {
    let stores = typed::mass(text).map_err(|e| e.to_string())?;
    if stores.0 > 0.0 {
        Ok(stores)
    } else {
        Err("the stores to gain must be more than nothing".into())
    }
}

/// A temperature at which water is water.
fn liquid(text: &str) -> Result<DegreesCelsius, String> {
    let temperature = typed::temperature(text).map_err(|e| e.to_string())?;
    if (0.0..=100.0).contains(&temperature.0) {
        Ok(temperature)
    } else {
        Err(format!(
            "\"{}\" lies outside 0 to 100 °C (32 to 212 °F), where water is water",
            text.trim().chars().take(40).collect::<String>()
        ))
    }
}
