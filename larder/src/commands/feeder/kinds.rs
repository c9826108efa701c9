//! `larder feeder kinds`.

use crate::commands::mix::wrap;
use crate::failure::wrong_use;
use crate::settings::Shared;
use crate::units::UnitsOption;
use anyhow::Result;
use clap::Args;
use larder_domain::FeederKind;
use larder_domain::feeder_kind::{KindFacts, facts};
use larder_syrup::units::{Litres, UnitSystem};
use serde_json::{Value, json};

/// What a kind of feeder is, how it fails, and what to look for
#[derive(Args, Debug)]
#[command(after_help = "Example: larder feeder kinds tray")]
pub struct Kinds {
    /// frame, pail, jar, tray or entrance [default: all]
    pub kind: Option<String>,
    #[command(flatten)]
    pub units: UnitsOption,
}

pub(super) fn run(command: &Kinds, shared: &Shared) -> Result<()> {
    let units = command.units.choose(shared)?;
    let kinds: Vec<FeederKind> = match &command.kind {
        None => FeederKind::ALL.to_vec(),
        Some(word) => vec![FeederKind::from_name(word).ok_or_else(|| {
            let names: Vec<&str> = FeederKind::ALL.iter().map(|k| k.name()).collect();
            wrong_use(format!(
                "a kind is one of {}, not \"{word}\"",
                names.join(", ")
            ))
        })?],
    };
    if shared.json {
        let all: Vec<Value> = kinds.iter().map(|kind| as_json(facts(*kind))).collect();
        println!("{}", serde_json::to_string_pretty(&all)?);
        return Ok(());
    }
    for (i, kind) in kinds.iter().enumerate() {
        if i > 0 {
            println!();
        }
        print!("{}", as_text(facts(*kind), units));
    }
    Ok(())
}

fn as_text(facts: &KindFacts, units: UnitSystem) -> String {
    let (least, typical, most) = facts.litres;
    let litres = |l: f64| units.volume(Litres(l)).to_string();
    let mut text = format!(
        "{} ({}): {}, {} to {}\n",
        facts.kind.name(),
        facts.words,
        litres(typical),
        litres(least),
        litres(most)
    );
    let mut paragraph = |lead: &str, body: &str| {
        let words = lead.trim_start();
        let indent = " ".repeat(2 + lead.len() - words.len());
        for line in wrap(&format!("{words}{body}"), 80 - indent.len(), "  ") {
            text.push_str(&format!("{indent}{line}\n"));
        }
    };
    paragraph("Stands: ", facts.stands);
    paragraph("To fill: ", opening(facts));
    paragraph("Dead volume: ", facts.dead_volume);
    paragraph("Sensing: ", facts.sensing);
    for failure in facts.failures {
        paragraph("Fails: ", failure.what);
        paragraph("  Shows as: ", failure.shows_as);
        paragraph("  Check: ", failure.check);
    }
    for caution in facts.cautions {
        paragraph("Mind: ", caution);
    }
    text
}

fn opening(facts: &KindFacts) -> &'static str {
    if facts.opens_hive {
        "the hive is opened"
    } else {
        "the hive stays closed, only the lid comes off"
    }
}

fn as_json(facts: &KindFacts) -> Value {
    let failures: Vec<Value> = facts
        .failures
        .iter()
        .map(|failure| {
            let flags: Vec<&str> = failure.flags.iter().map(|flag| flag.name()).collect();
            json!({ "what": failure.what, "shows_as": failure.shows_as, "flags": flags,
                "check": failure.check })
        })
        .collect();
    let (least, typical, most) = facts.litres;
    json!({
        "kind": facts.kind.name(),
        "words": facts.words,
        "least_l": least,
        "typical_l": typical,
        "most_l": most,
        "stands": facts.stands,
        "opens_hive": facts.opens_hive,
        "usual_area_m2": facts.usual_area_m2,
        "dead_volume": facts.dead_volume,
        "sensing": facts.sensing,
        "failures": failures,
        "cautions": facts.cautions,
    })
}
