//! The estimator held against a cut of a simulated apiary with its truth
//! (`tests/fixtures/dev-b-cut`). Reached when the bounds were set: uptake 0.032 l, what is left
//! 0.069 l, coverage 0.95, net change 0.058 kg. A change that makes the estimates worse fails here.
//! The estimator was developed with this apiary in view: this guards against getting worse, it does
//! not show how good it is elsewhere.

#[path = "../examples/score_scenario/apiary_file.rs"]
mod apiary_file;
#[path = "../examples/score_scenario/readings.rs"]
mod readings;
#[path = "../examples/score_scenario/yard.rs"]
mod yard;

use larder_estimate::YardOutput;
use larder_process::process_yard;
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/fixtures/dev-b-cut")
}

fn estimate() -> YardOutput {
    let folder = folder();
    let apiary = apiary_file::read_apiary(&folder.join("apiary.toml")).expect("the apiary reads");
    let archive = readings::Archive::read(&folder.join("readings.csv.gz")).expect("they read");
    let fills = readings::read_fills(&folder.join("fills.csv")).expect("they read");
    let yard = apiary.yards().next().expect("there is one yard");
    process_yard(&yard::yard_input(&apiary, yard, &archive, &fills))
}

fn truth(name: &str) -> Vec<csv::StringRecord> {
    let path = folder().join("truth").join(name);
    let mut rows = csv::Reader::from_path(path).expect("the truth is there");
    rows.records()
        .map(|row| row.expect("it is whole"))
        .collect()
}

fn rms(errors: &[f64]) -> f64 {
    (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt()
}

#[test]
fn a_cut_of_an_apiary_is_estimated_as_well_as_it_was() {
    let output = estimate();
    let (mut uptake, mut remaining, mut covered) = (Vec::new(), Vec::new(), 0);
    for row in truth("uptake_daily.csv") {
        let day = output
            .uptake
            .iter()
            .find(|day| day.date.to_string() == row[0] && day.feeder.as_str() == &row[3])
            .expect("every day of the truth has a row");
        let found = day.uptake_l.expect("the level is watched");
        let (true_uptake, true_left): (f64, f64) = (parse(&row[4]), parse(&row[5]));
        uptake.push(found.value - true_uptake);
        remaining.push(day.remaining_l.expect("the level is watched").value - true_left);
        covered += usize::from((found.lo - 5e-4..=found.hi + 5e-4).contains(&true_uptake));
    }
    let coverage = covered as f64 / uptake.len() as f64;
    assert!(uptake.len() > 60, "{}", uptake.len());
    assert!(rms(&uptake) < 0.045, "uptake {}", rms(&uptake));
    assert!(rms(&remaining) < 0.10, "remaining {}", rms(&remaining));
    assert!(coverage > 0.88, "coverage {coverage}");
}

#[test]
fn its_fills_are_found() {
    let output = estimate();
    let true_fills = truth("fills_truth.csv");
    for row in &true_fills {
        let at = larder_domain::Timestamp::parse_rfc3339(&row[0]).expect("a time");
        let fill = output
            .fills
            .iter()
            .find(|f| f.feeder.as_str() == &row[3] && f.time.hours_since(at).abs() < 2.0)
            .unwrap_or_else(|| panic!("{} at {} was not found", &row[3], &row[0]));
        let litres = fill.volume_l.expect("it was seen").value;
        let off = litres / parse(&row[4]) - 1.0;
        assert!(off.abs() < 0.15, "{} at {}: {litres} l", &row[3], &row[0]);
    }
    assert_eq!(output.fills.len(), true_fills.len());
}

#[test]
fn its_night_weights_are_right() {
    let output = estimate();
    let mut changes = Vec::new();
    for row in truth("weight_daily.csv") {
        let night = output
            .weight
            .iter()
            .find(|w| w.date.to_string() == row[0] && w.hive.as_str() == &row[2]);
        let found = night.and_then(|night| night.net_change_kg);
        if let (Some(found), Ok(change), "0") = (found, row[5].parse::<f64>(), &row[7]) {
            changes.push(found.value - change);
        }
    }
    assert!(changes.len() > 60, "{}", changes.len());
    assert!(rms(&changes) < 0.08, "net change {}", rms(&changes));
}

fn parse(text: &str) -> f64 {
    text.parse().expect("the truth holds numbers")
}
