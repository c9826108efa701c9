//! `larder feeder explain`.

mod inputs;

use crate::commands::mix::{Style, wrap};
use crate::settings::Shared;
use crate::units::UnitsOption;
use anyhow::Result;
use clap::Args;
use inputs::{Asked, gather};
use larder_syrup::Estimate;
use larder_syrup::level::{Budget, Term, budget};
use larder_syrup::units::{Litres, UnitSystem};
use serde_json::{Value, json};

const EXAMPLES: &str = "\
Examples:
  larder feeder explain --sensor ultrasonic --reading \"85 mm\" --mount \"145 mm\" --area 0.0759
      --air-at \"12 C\" --strength 2:1
  larder feeder explain --sensor weight --reading \"6.04 kg\" --strength 2:1
  larder feeder explain north-01-f --data larder-data
      a declared feeder, with its geometry and its newest reading

--doubt replaces a usual uncertainty (one standard deviation) by a better one: reading=2 mm,
air=1 C, syrup=1 C, mount=0.5 mm, shape=0.5 %, tilt=1 deg, hive-tilt=0.5 deg, tare=10 g,
strength=0.5 %, moist-air=0.1 %. It may be given again.";

/// How a reading becomes litres at 20 °C, and what makes it uncertain
#[derive(Args, Debug, Default)]
#[command(after_help = EXAMPLES)]
pub struct Explain {
    /// A declared feeder: its geometry, its newest reading and its last fill's strength
    #[arg(value_name = "FEEDER")]
    pub feeder: Option<String>,
    /// ultrasonic, optical, pressure, depth, volume or weight
    #[arg(long, value_name = "KIND")]
    pub sensor: Option<String>,
    /// What the sensor says: "85 mm", "4.5 L", "6 kg"
    #[arg(long, allow_hyphen_values = true, value_name = "READING")]
    pub reading: Option<String>,
    /// From the sensor's face to the feeder's floor: "145 mm"
    #[arg(long, allow_hyphen_values = true, value_name = "LENGTH")]
    pub mount: Option<String>,
    /// Plan area of straight walls in m2
    #[arg(long, allow_hyphen_values = true, value_name = "M2")]
    pub area: Option<String>,
    /// Instead of an area, pairs of depth m and litres: "[[0, 0], [0.05, 3.1], [0.1, 7.5]]"
    #[arg(long, value_name = "PAIRS")]
    pub table: Option<String>,
    /// Sugar to water [default: unknown, from 1:1 to 2:1]
    #[arg(long, allow_hyphen_values = true, value_name = "STRENGTH")]
    pub strength: Option<String>,
    /// The syrup's temperature [default: 20 C]
    #[arg(long, allow_hyphen_values = true, value_name = "TEMPERATURE")]
    pub syrup_at: Option<String>,
    /// The air's temperature under an ultrasonic sensor [default: the syrup's]
    #[arg(long, allow_hyphen_values = true, value_name = "TEMPERATURE")]
    pub air_at: Option<String>,
    /// The temperature that an ultrasonic sensor is set for; "air" if it measures the air and
    /// corrects itself [default: 20 C]
    #[arg(long, allow_hyphen_values = true, value_name = "TEMPERATURE")]
    pub set_for: Option<String>,
    /// A pressure sensor was set with water, not with syrup
    #[arg(long)]
    pub set_with_water: bool,
    /// The sensor's axis off plumb, degrees
    #[arg(long, allow_hyphen_values = true, value_name = "DEGREES")]
    pub tilt: Option<String>,
    /// From the feeder's middle to where the sensor looks: "60 mm"
    #[arg(long, allow_hyphen_values = true, value_name = "LENGTH")]
    pub off_middle: Option<String>,
    /// A better uncertainty: "reading=2 mm"; may be given again
    #[arg(long = "doubt", allow_hyphen_values = true, value_name = "NAME=AMOUNT")]
    pub doubts: Vec<String>,
    #[command(flatten)]
    pub units: UnitsOption,
}

pub(super) fn run(command: &Explain, shared: &Shared) -> Result<()> {
    let units = command.units.choose(shared)?;
    let asked = gather(command, shared, units)?;
    let made = budget(asked.gauge, &asked.wall, &asked.inputs, &asked.doubts);
    if shared.json {
        println!("{}", serde_json::to_string_pretty(&as_json(&asked, &made))?);
    } else {
        print!("{}", as_text(&asked, &made, units));
    }
    Ok(())
}

fn as_json(asked: &Asked, made: &Budget) -> Value {
    let interval = Estimate::normal(made.litres, made.sd);
    let terms: Vec<Value> = made
        .terms
        .iter()
        .map(|t| {
            json!({ "what": t.what, "sd": t.sd, "unit": t.unit, "litres": t.litres,
                "share": share(t, made), "source": t.source })
        })
        .collect();
    json!({
        "feeder": asked.feeder,
        "reading": asked.inputs.reading,
        "litres_at_20c": made.litres,
        "sd_l": made.sd,
        "lo_l": interval.lo,
        "hi_l": interval.hi,
        "terms": terms,
    })
}

/// The share of the variance that a term makes.
fn share(term: &Term, made: &Budget) -> f64 {
    if made.sd > 0.0 {
        (term.litres / made.sd).powi(2)
    } else {
        0.0
    }
}

fn as_text(asked: &Asked, made: &Budget, units: UnitSystem) -> String {
    let interval = Estimate::normal(made.litres, made.sd);
    let volume = |litres: f64| units.volume(Litres(litres));
    let sentence = format!(
        "{} is {} of syrup at {}, give or take {}; nine times in ten between {} and {}.",
        asked.reading_words,
        volume(made.litres),
        units.temperature(larder_syrup::units::DegreesCelsius(20.0)),
        volume(made.sd),
        volume(interval.lo),
        volume(interval.hi)
    );
    let mut text = format!("{}\n", wrap(&sentence, 80, "").join("\n"));
    for note in &asked.notes {
        text.push_str(&format!("{}\n", wrap(note, 80, "").join("\n")));
    }
    let heading = format!(
        "{:<18} {:>12} {:>9} {:>6}  {}",
        "uncertain", "by (1 sd)", "makes", "share", "because of"
    );
    text.push_str(&format!("\n{}\n", Style::of_stdout().heading(&heading)));
    for term in &made.terms {
        let head = format!(
            "{:<18} {:>12} {:>9} {:>5.0}%  ",
            term.what,
            amount(term, units),
            volume(term.litres).to_string(),
            100.0 * share(term, made)
        );
        let indent = " ".repeat(head.chars().count());
        let lines = wrap(term.source, 80 - indent.len(), "");
        for (i, line) in lines.iter().enumerate() {
            text.push_str(&format!("{}{line}\n", if i == 0 { &head } else { &indent }));
        }
    }
    text
}

fn amount(term: &Term, units: UnitSystem) -> String {
    use larder_syrup::units::{Kilograms, Metres};
    let trimmed = |text: String| text.trim_end_matches('0').trim_end_matches('.').to_owned();
    match term.unit {
        "m" => match units {
            UnitSystem::Metric => format!("{} mm", trimmed(format!("{:.2}", term.sd * 1000.0))),
            UnitSystem::Us => units.length(Metres(term.sd)).to_string(),
        },
        "kg" => units.mass(Kilograms(term.sd)).to_string(),
        "l" => units.volume(Litres(term.sd)).to_string(),
        "share" => format!("{} %", trimmed(format!("{:.2}", term.sd * 100.0))),
        "°C" => match units {
            UnitSystem::Metric => format!("{} °C", trimmed(format!("{:.1}", term.sd))),
            UnitSystem::Us => format!("{} °F", trimmed(format!("{:.1}", term.sd * 1.8))),
        },
        unit => format!("{} {unit}", trimmed(format!("{:.2}", term.sd))),
    }
}
