//! `larder mix`: what goes into which vessel, how it behaves and what it becomes.

mod card;
mod table;

pub use table::{Style, wrap};

use crate::failure::wrong_use;
use crate::settings::Shared;
use crate::units::UnitsOption;
use anyhow::{Context, Result};
use clap::Args;
use larder_api::mix::{MixRefusal, MixRequest, MixResponse, answer};
use std::path::{Path, PathBuf};

const EXAMPLES: &str = "\
Examples:
  larder mix --sugar \"25 lb bag\" --volume \"5 gal\" --units us
      one bag topped up with water to the 5 gallon mark
  larder mix --sugar \"5 x 25 lb\" --water \"15 gal\" --units us
      five bags into fifteen gallons of water
  larder mix --strength 2:1 --volume \"100 L\" --bag \"10 kg\" --vessel \"20 L\"
      vessel by vessel, in whole bags
  larder mix --leftover \"10 L of 1:1\" --strength 2:1
      strengthen what is left over
  larder mix --strength 2:1 --raise \"12 kg\" --price \"27.50 per 25 kg\" --card card.html
      for a hive that lacks 12 kg of stores, with a card to print

Every amount is written with its unit: kg g lb oz, L ml gal qt, C F. Gallons and quarts are US
ones. A strength is sugar to water by mass (2:1), or 2:1 by volume, 66.7 %, 60 Bx, 1 kg : 630 ml.";

/// Reckon a batch of syrup from any two of sugar, water, volume and strength
#[derive(Args, Debug, Default)]
#[command(after_help = EXAMPLES)]
pub struct Mix {
    /// Sugar: "25 lb", "5 x 25 lb"
    #[arg(long, allow_hyphen_values = true, value_name = "MASS")]
    pub sugar: Option<String>,
    /// Water, by volume at 20 °C or by mass: "15 gal", "10 kg"
    #[arg(long, allow_hyphen_values = true, value_name = "AMOUNT")]
    pub water: Option<String>,
    /// Finished volume: "5 gal"
    #[arg(long, allow_hyphen_values = true, value_name = "VOLUME")]
    pub volume: Option<String>,
    /// Finished strength: 2:1, "66.7 %", "60 Bx", "2:1 by volume"
    #[arg(long, allow_hyphen_values = true, value_name = "STRENGTH")]
    pub strength: Option<String>,
    /// Stores that a hive should gain, instead of a volume: "12 kg"
    #[arg(long, allow_hyphen_values = true, value_name = "MASS")]
    pub raise: Option<String>,
    /// Syrup left over that goes in too: "10 L of 1:1"; may be given again
    #[arg(long = "leftover", allow_hyphen_values = true, value_name = "SYRUP")]
    pub leftovers: Vec<String>,
    /// Bags to use whole: "25 lb"; may be given again
    #[arg(long = "bag", allow_hyphen_values = true, value_name = "MASS")]
    pub bags: Vec<String>,
    /// Vessels to fill: pail, drum, tote, "5 gal", "4 x 5 gal"; may be given again
    #[arg(long = "vessel", allow_hyphen_values = true, value_name = "VESSEL")]
    pub vessels: Vec<String>,
    /// Share of each vessel left empty: "5 %"
    #[arg(long, allow_hyphen_values = true, value_name = "PERCENT")]
    pub headspace: Option<String>,
    /// The syrup's temperature when its volume is read [default: 20 C]
    #[arg(long, allow_hyphen_values = true, value_name = "TEMPERATURE")]
    pub measured_at: Option<String>,
    /// Temperature of the hot water
    #[arg(long, allow_hyphen_values = true, value_name = "TEMPERATURE")]
    pub hot: Option<String>,
    /// Temperature of the cold water [default: 15 C]
    #[arg(long, allow_hyphen_values = true, value_name = "TEMPERATURE")]
    pub cold: Option<String>,
    /// Temperature of the sugar [default: 20 C]
    #[arg(long, allow_hyphen_values = true, value_name = "TEMPERATURE")]
    pub sugar_at: Option<String>,
    /// How warm the mix should end
    #[arg(long, allow_hyphen_values = true, value_name = "TEMPERATURE")]
    pub ends_at: Option<String>,
    /// The coolest that the syrup will stand at
    #[arg(long, allow_hyphen_values = true, value_name = "TEMPERATURE")]
    pub stands_at: Option<String>,
    /// Moisture of the stores it becomes [default: 18 %]
    #[arg(long, allow_hyphen_values = true, value_name = "PERCENT")]
    pub moisture: Option<String>,
    /// Share of the sugar that ends in the comb [default: 90 %]
    #[arg(long, allow_hyphen_values = true, value_name = "PERCENT")]
    pub kept: Option<String>,
    /// Price of sugar: "18.50 per 25 lb"
    #[arg(long, allow_hyphen_values = true, value_name = "PRICE")]
    pub price: Option<String>,
    /// What a litre of loose sugar weighs in kg, for strengths by volume [default: 0.845]
    #[arg(long = "loose", allow_hyphen_values = true, value_name = "KG")]
    pub loose_kg_per_l: Option<String>,
    /// A feed bought as syrup, with --volume: hfcs-42, hfcs-55 or labelled
    #[arg(long, value_name = "FEED")]
    pub feed: Option<String>,
    /// Sugars of a labelled feed: "72 %"
    #[arg(long, allow_hyphen_values = true, value_name = "PERCENT")]
    pub solids: Option<String>,
    /// What a litre of a labelled feed weighs in kg
    #[arg(long, allow_hyphen_values = true, value_name = "KG")]
    pub kg_per_l: Option<String>,
    /// Write a one-page card to print: card.html, card.txt, or - for the terminal
    #[arg(long, value_name = "FILE")]
    pub card: Option<PathBuf>,
    #[command(flatten)]
    pub units: UnitsOption,
}

/// Runs `larder mix`.
pub fn run(mix: Mix, shared: &Shared) -> Result<()> {
    let units = mix.units.choose(shared)?;
    let card = mix.card.clone();
    let response =
        answer(&request(mix)?, units).map_err(|refusal| wrong_use(sentence(&refusal)))?;
    if let Some(path) = &card
        && path.as_os_str() != "-"
    {
        write_card(path, &response)?;
        if !shared.json {
            println!("Wrote the card to {}.\n", path.display());
        }
    }
    if shared.json {
        println!("{}", serde_json::to_string_pretty(&response)?);
    } else if card.is_some_and(|path| path.as_os_str() == "-") {
        print!("{}", card::text(&response));
    } else {
        print!("{}", table::page(&response, Style::of_stdout()));
    }
    Ok(())
}

fn write_card(path: &Path, response: &MixResponse) -> Result<()> {
    let is_html = path
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("html") || e.eq_ignore_ascii_case("htm"));
    let page = if is_html {
        card::html(response)
    } else {
        card::text(response)
    };
    std::fs::write(path, page)
        .with_context(|| format!("cannot write the card to {}", path.display()))
}

fn request(mix: Mix) -> Result<MixRequest> {
    Ok(MixRequest {
        sugar: mix.sugar,
        water: mix.water,
        volume: mix.volume,
        strength: mix.strength,
        raise: mix.raise,
        leftovers: mix.leftovers,
        measured_at: mix.measured_at,
        bags: mix.bags,
        vessels: mix.vessels,
        headspace: mix.headspace,
        hot: mix.hot,
        cold: mix.cold,
        sugar_at: mix.sugar_at,
        ends_at: mix.ends_at,
        stands_at: mix.stands_at,
        moisture: mix.moisture,
        kept: mix.kept,
        price: mix.price,
        loose_kg_per_l: kilograms("--loose", mix.loose_kg_per_l)?,
        feed: mix.feed,
        solids: mix.solids,
        kg_per_l: kilograms("--kg-per-l", mix.kg_per_l)?,
        units: None,
    })
}

/// Kilograms a litre: a bare number, because the option's name says the unit.
fn kilograms(option: &str, text: Option<String>) -> Result<Option<f64>> {
    text.map(|text| {
        let number = text.trim().trim_end_matches("kg").trim().replace(',', ".");
        number.parse().map_err(|_| {
            wrong_use(format!(
                "{option}: \"{text}\" is no number of kilograms, like 0.845"
            ))
        })
    })
    .transpose()
}

/// The refusal with the option's name instead of the field's.
fn sentence(refusal: &MixRefusal) -> String {
    let option = match refusal.field {
        None => return refusal.sentence.clone(),
        Some("leftovers") => "leftover".to_owned(),
        Some("bags") => "bag".to_owned(),
        Some("vessels") => "vessel".to_owned(),
        Some("loose_kg_per_l") => "loose".to_owned(),
        Some(field) => field.replace('_', "-"),
    };
    format!("--{option}: {}", refusal.sentence)
}
