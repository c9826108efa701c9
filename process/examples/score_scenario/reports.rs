//! The four reports of the outside contract, as CSV.

use larder_domain::{Apiary, FeederId, HiveId};
use larder_estimate::YardOutput;
use larder_syrup::Estimate;
use std::error::Error;
use std::path::Path;

/// Writes `uptake.csv`, `fills.csv`, `weight.csv` and `flags.csv` into `folder`.
pub fn write(folder: &Path, apiary: &Apiary, results: &YardOutput) -> Result<(), Box<dyn Error>> {
    std::fs::create_dir_all(folder)?;
    let place = |feeder: &FeederId| -> [String; 2] {
        let hive = apiary.feeder(feeder).map(|f| &f.hive);
        let name = hive.map_or_else(String::new, |id| id.to_string());
        [
            hive.map_or_else(String::new, |id| yard_of(apiary, id)),
            name,
        ]
    };
    let mut file = csv::Writer::from_path(folder.join("uptake.csv"))?;
    file.write_record([
        "date",
        "yard",
        "hive",
        "feeder",
        "uptake_l",
        "uptake_lo_l",
        "uptake_hi_l",
        "remaining_l",
        "remaining_lo_l",
        "remaining_hi_l",
        "sugar_kg",
        "sensed_share",
    ])?;
    for day in &results.uptake {
        let [yard, hive] = place(&day.feeder);
        let mut row = vec![day.date.to_string(), yard, hive, day.feeder.to_string()];
        row.extend(three(day.uptake_l));
        row.extend(three(day.remaining_l));
        row.push(number(day.sugar_kg));
        row.push(format!("{:.3}", day.sensed_share));
        file.write_record(&row)?;
    }
    file.flush()?;
    let mut file = csv::Writer::from_path(folder.join("fills.csv"))?;
    file.write_record([
        "time",
        "yard",
        "hive",
        "feeder",
        "volume_l",
        "volume_lo_l",
        "volume_hi_l",
        "strength",
        "source",
    ])?;
    for fill in &results.fills {
        let [yard, hive] = place(&fill.feeder);
        let mut row = vec![fill.time.to_rfc3339(), yard, hive, fill.feeder.to_string()];
        row.extend(three(fill.volume_l));
        row.push(fill.strength.map_or_else(String::new, |s| s.to_string()));
        row.push(fill.source.name().to_owned());
        file.write_record(&row)?;
    }
    file.flush()?;
    write_weight(folder, apiary, results)?;
    write_flags(folder, results)
}

fn write_weight(
    folder: &Path,
    apiary: &Apiary,
    results: &YardOutput,
) -> Result<(), Box<dyn Error>> {
    let mut file = csv::Writer::from_path(folder.join("weight.csv"))?;
    file.write_record([
        "date",
        "yard",
        "hive",
        "weight_kg",
        "net_change_kg",
        "handling_kg",
        "quality",
    ])?;
    for day in &results.weight {
        file.write_record([
            day.date.to_string(),
            yard_of(apiary, &day.hive),
            day.hive.to_string(),
            number(day.weight_kg.map(|e| e.value)),
            number(day.net_change_kg.map(|e| e.value)),
            format!("{:.3}", day.handling_kg),
            day.quality.name().to_owned(),
        ])?;
    }
    Ok(file.flush()?)
}

fn write_flags(folder: &Path, results: &YardOutput) -> Result<(), Box<dyn Error>> {
    let mut file = csv::Writer::from_path(folder.join("flags.csv"))?;
    file.write_record([
        "kind",
        "yard",
        "hive",
        "feeder",
        "device",
        "opened_at",
        "closed_at",
        "severity",
        "probability",
        "evidence",
    ])?;
    for flag in &results.flags {
        let text = |id: Option<String>| id.unwrap_or_default();
        file.write_record([
            flag.kind.name().to_owned(),
            text(flag.yard.as_ref().map(ToString::to_string)),
            text(flag.hive.as_ref().map(ToString::to_string)),
            text(flag.feeder.as_ref().map(ToString::to_string)),
            text(flag.device.as_ref().map(ToString::to_string)),
            flag.opened_at.to_rfc3339(),
            text(flag.closed_at.map(|at| at.to_rfc3339())),
            flag.severity.name().to_owned(),
            format!("{:.2}", flag.probability),
            flag.evidence.plain(),
        ])?;
    }
    Ok(file.flush()?)
}

fn yard_of(apiary: &Apiary, hive: &HiveId) -> String {
    let hive = apiary.hive(hive);
    hive.map_or_else(String::new, |hive| hive.yard_now().to_string())
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(String::new, |value| format!("{value:.4}"))
}

fn three(estimate: Option<Estimate>) -> [String; 3] {
    [
        number(estimate.map(|e| e.value)),
        number(estimate.map(|e| e.lo)),
        number(estimate.map(|e| e.hi)),
    ]
}
