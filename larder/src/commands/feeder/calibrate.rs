//! `larder feeder calibrate`.

use crate::commands::mix::wrap;
use crate::failure::wrong_use;
use crate::settings::Shared;
use crate::units::UnitsOption;
use anyhow::Result;
use clap::Args;
use larder_syrup::feeder::{Calibration, calibrate, from_pours};
use larder_syrup::units::{Litres, Metres, UnitSystem, typed};
use serde_json::json;
use std::path::{Path, PathBuf};

const EXAMPLES: &str = "\
Examples:
  larder feeder calibrate --pour \"2 L = 26 mm\" --pour \"2 L = 53 mm\" --pour \"2 L = 79 mm\"
      poured in one after the other, with the depth after each
  larder feeder calibrate --pair \"26 mm = 2 L\" --pair \"53 mm = 4 L\" --pair \"79 mm = 6 L\"
      depth and litres in all
  larder feeder calibrate measured.csv
      columns depth_mm (or _m, _cm, _in) and volume_l (or _ml, _gal, _qt), or poured_l

Pour water or syrup into the feeder as it will hang or stand, level, with float and screen in
place. Read the depth at the place where the sensor looks.";

/// Measured depths and litres become straight walls or a table, with their error
#[derive(Args, Debug)]
#[command(after_help = EXAMPLES)]
pub struct Calibrate {
    /// A CSV file of depths and litres
    #[arg(value_name = "FILE")]
    pub file: Option<PathBuf>,
    /// Depth and litres in all: "26 mm = 2 L"; give at least three
    #[arg(long = "pair", allow_hyphen_values = true, value_name = "DEPTH=VOLUME")]
    pub pairs: Vec<String>,
    /// Litres poured in and the depth afterwards: "2 L = 26 mm"; give at least three
    #[arg(long = "pour", allow_hyphen_values = true, value_name = "VOLUME=DEPTH")]
    pub pours: Vec<String>,
    #[command(flatten)]
    pub units: UnitsOption,
}

pub(super) fn run(command: &Calibrate, shared: &Shared) -> Result<()> {
    let units = command.units.choose(shared)?;
    let measured = measured(command)?;
    let made = match &measured {
        Measured::Pairs(pairs) => calibrate(pairs),
        Measured::Pours(pours) => from_pours(pours),
    }
    .map_err(|problem| wrong_use(problem.to_string()))?;
    if shared.json {
        println!("{}", serde_json::to_string_pretty(&as_json(&made))?);
    } else {
        print!("{}", as_text(&made, units));
    }
    Ok(())
}

/// (depth m, litres): in all, or poured in one after the other.
#[derive(Debug, PartialEq)]
enum Measured {
    Pairs(Vec<(f64, f64)>),
    Pours(Vec<(f64, f64)>),
}

fn measured(command: &Calibrate) -> Result<Measured> {
    let ways = [
        command.file.is_some(),
        !command.pairs.is_empty(),
        !command.pours.is_empty(),
    ];
    if ways.into_iter().filter(|way| *way).count() != 1 {
        return Err(wrong_use(
            "give the measurements one way: as --pair, as --pour, or as a CSV file",
        ));
    }
    if let Some(path) = &command.file {
        return read_csv(path);
    }
    if command.pours.is_empty() {
        let pairs = command.pairs.iter().map(|text| {
            let (depth, volume) = sides(text, "26 mm = 2 L")?;
            Ok((length(depth)?, volume_of(volume)?))
        });
        Ok(Measured::Pairs(pairs.collect::<Result<_>>()?))
    } else {
        let pours = command.pours.iter().map(|text| {
            let (volume, depth) = sides(text, "2 L = 26 mm")?;
            Ok((length(depth)?, volume_of(volume)?))
        });
        Ok(Measured::Pours(pours.collect::<Result<_>>()?))
    }
}

fn sides<'a>(text: &'a str, example: &str) -> Result<(&'a str, &'a str)> {
    text.split_once('=')
        .ok_or_else(|| wrong_use(format!("\"{text}\" has no =; write it like \"{example}\"")))
}

fn length(text: &str) -> Result<f64> {
    typed::length(text)
        .map(|depth| depth.0)
        .map_err(|e| wrong_use(e.to_string()))
}

fn volume_of(text: &str) -> Result<f64> {
    typed::volume(text)
        .map(|volume| volume.0)
        .map_err(|e| wrong_use(e.to_string()))
}

fn read_csv(path: &Path) -> Result<Measured> {
    let shown = path.display();
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_path(path)
        .map_err(|error| wrong_use(format!("cannot read {shown}: {error}")))?;
    let header = reader.headers()?.clone();
    let column = |names: &[(&str, f64)]| {
        names
            .iter()
            .find_map(|(name, factor)| Some((header.iter().position(|h| h == *name)?, *factor)))
    };
    let (depth, volume, poured) = (column(&DEPTHS), column(&VOLUMES), column(&POURS));
    let (Some(depth), Some(amount)) = (depth, volume.or(poured)) else {
        return Err(wrong_use(format!(
            "{shown}: the first line must name depth_mm (or _m, _cm, _in) and volume_l (or _ml, \
             _gal, _qt) or poured_l"
        )));
    };
    let mut rows = Vec::new();
    for (i, record) in reader.records().enumerate() {
        let record = record.map_err(|error| wrong_use(format!("{shown}: {error}")))?;
        let number = |(index, factor): (usize, f64)| {
            let text = record.get(index).unwrap_or("");
            text.parse::<f64>()
                .map(|value| value * factor)
                .map_err(|_| wrong_use(format!("{shown} line {}: \"{text}\" is no number", i + 2)))
        };
        rows.push((number(depth)?, number(amount)?));
    }
    Ok(if volume.is_some() {
        Measured::Pairs(rows)
    } else {
        Measured::Pours(rows)
    })
}

const DEPTHS: [(&str, f64); 4] = [
    ("depth_mm", 1e-3),
    ("depth_m", 1.0),
    ("depth_cm", 1e-2),
    ("depth_in", 0.0254),
];
const VOLUMES: [(&str, f64); 4] = [
    ("volume_l", 1.0),
    ("volume_ml", 1e-3),
    ("volume_gal", 3.785_411_784),
    ("volume_qt", 0.946_352_946),
];
const POURS: [(&str, f64); 4] = [
    ("poured_l", 1.0),
    ("poured_ml", 1e-3),
    ("poured_gal", 3.785_411_784),
    ("poured_qt", 0.946_352_946),
];

fn as_json(made: &Calibration) -> serde_json::Value {
    json!({
        "straight": {
            "area_m2": made.straight.area_m2,
            "area_sd_m2": made.straight.area_sd_m2,
            "empty_at_m": made.straight.empty_at_m,
            "rms_l": made.straight.rms_l,
            "worst_l": made.straight.worst_l,
        },
        "straight_will_do": made.straight_will_do,
        "table": made.rows,
        "table_rms_l": made.table_rms_l,
        "apiary_toml": toml_lines(made),
    })
}

fn as_text(made: &Calibration, units: UnitSystem) -> String {
    let litres = |l: f64| units.volume(Litres(l));
    let fit = &made.straight;
    let verdict = if made.straight_will_do {
        format!(
            "Straight walls will do: {:.4} ± {:.4} m2; the worst row is {} off, the scatter is {}.",
            fit.area_m2,
            fit.area_sd_m2,
            litres(fit.worst_l),
            litres(fit.rms_l)
        )
    } else {
        format!(
            "The walls are not straight: a straight line would be up to {} off. Use the table.",
            litres(fit.worst_l)
        )
    };
    let mut text = String::new();
    for line in wrap(&verdict, 80, "") {
        text.push_str(&format!("{line}\n"));
    }
    if made.straight_will_do && fit.empty_at_m.abs() > 0.001 {
        let words = format!(
            "It reads empty at {}: count depths from there, or make the mount height that much \
             {}.",
            units.length(Metres(fit.empty_at_m.abs())),
            if fit.empty_at_m > 0.0 { "less" } else { "more" }
        );
        for line in wrap(&words, 80, "") {
            text.push_str(&format!("{line}\n"));
        }
    }
    if let Some(rms) = made.table_rms_l {
        text.push_str(&format!(
            "Between rows the table is off by about {} at most.\n",
            litres(rms)
        ));
    }
    text.push_str("\nFor the apiary file:\n\n");
    text.push_str(&toml_lines(made));
    text
}

/// What goes into `[feeder.sensor]`.
fn toml_lines(made: &Calibration) -> String {
    if made.straight_will_do {
        return format!("area_m2 = {:.5}\n", made.straight.area_m2);
    }
    let rows: Vec<String> = made
        .rows
        .iter()
        .map(|(depth, litres)| format!("[{depth:.4}, {litres:.3}]"))
        .collect();
    format!("table = [{}]\n", rows.join(", "))
}
