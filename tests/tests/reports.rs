//! The reports: their columns as the contract has them, on an apiary whose truth is known by
//! arithmetic, and on a simulated one with its own scoring program.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::larder::ok;
use larder_tests::{python, shared};
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

/// Columns of every report, from the contract.
const COLUMNS: [(&str, &str); 4] = [
    (
        "uptake",
        "date,yard,hive,feeder,uptake_l,uptake_lo_l,uptake_hi_l,remaining_l,remaining_lo_l,remaining_hi_l,sugar_kg,sensed_share",
    ),
    (
        "fills",
        "time,yard,hive,feeder,volume_l,volume_lo_l,volume_hi_l,strength,source",
    ),
    (
        "weight",
        "date,yard,hive,weight_kg,net_change_kg,handling_kg,quality",
    ),
    (
        "flags",
        // The contract's columns, and behind them what people said.
        "kind,yard,hive,feeder,device,opened_at,closed_at,severity,probability,evidence,state,known_at,acknowledged_by,snoozed_until,verdict,notes,id",
    ),
];

/// Litres a day that the tray loses, evenly, and the litres that are poured in at noon of day 4.
const RATE: f64 = 0.8;
const POURED: f64 = 5.0;
const DAYS: u32 = 8;
const AREA_M2: f64 = 0.08;
const MOUNT_M: f64 = 0.15;

#[test]
fn an_apiary_with_a_known_truth_is_reported_with_all_columns_and_right() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    write_apiary(dir.path());
    let file = |name: &str| dir.path().join(name).to_str().unwrap().to_owned();
    let data = data.to_str().unwrap();
    assert!(!ok(&["apply", &file("apiary.toml"), "--data", data]).is_empty());
    ok(&["import", "readings", &file("readings.csv"), "--data", data]);
    ok(&["import", "fills", &file("fills.csv"), "--data", data]);
    ok(&["process", "--data", data]);
    for (report, columns) in COLUMNS {
        let csv = ok(&["report", report, "--format", "csv", "--data", data]);
        assert_eq!(csv.lines().next(), Some(columns), "{report}");
        let json = ok(&["report", report, "--format", "json", "--data", data]);
        let rows: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert_eq!(
            rows.as_array().map(Vec::len),
            Some(csv.lines().count() - 1),
            "{report}"
        );
    }
    let uptake = rows(&ok(&[
        "report", "uptake", "--format", "csv", "--data", data,
    ]));
    for day in &uptake[1..7] {
        let (took, lo, hi) = (number(&day[4]), number(&day[5]), number(&day[6]));
        assert!((took - RATE).abs() < 0.15, "{day:?}");
        assert!(lo <= took && took <= hi, "{day:?}");
    }
    let fills = rows(&ok(&["report", "fills", "--format", "csv", "--data", data]));
    assert_eq!(fills.len(), 1, "{fills:?}");
    assert!((number(&fills[0][4]) - POURED).abs() < 0.5, "{fills:?}");
    assert_eq!(
        (fills[0][7].as_str(), fills[0][8].as_str()),
        ("2:1", "both")
    );
    let only = ok(&[
        "report",
        "uptake",
        "--format",
        "csv",
        "--data",
        data,
        "--from",
        "2026-03-03",
        "--to",
        "2026-03-04",
    ]);
    assert_eq!(rows(&only).len(), 2, "both ends are in it");
}

#[test]
#[ignore = "needs minutes and Python: cargo xtask e2e reports"]
fn a_simulated_apiary_is_scored_to_the_end() {
    let Some(scenario) = shared::beside(
        "scenarios/dev-a",
        "a simulated apiary and its scoring program",
    ) else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let (data, file) = (data.to_str().unwrap(), |name: &str| {
        scenario.join(name).to_str().unwrap().to_owned()
    });
    ok(&["apply", &file("apiary.toml"), "--data", data]);
    ok(&[
        "import",
        "readings",
        &file("readings.csv.gz"),
        "--data",
        data,
    ]);
    ok(&["import", "fills", &file("fills.csv"), "--data", data]);
    ok(&["process", "--data", data]);
    let mut score = Command::new(python::interpreter());
    score
        .arg(scenario.parent().unwrap().join("score.py"))
        .arg(&scenario);
    for report in ["uptake", "fills", "flags", "weight"] {
        let csv = dir.path().join(format!("{report}.csv"));
        std::fs::write(
            &csv,
            ok(&["report", report, "--format", "csv", "--data", data]),
        )
        .unwrap();
        score.arg(format!("--{report}")).arg(csv);
    }
    let json = dir.path().join("score.json");
    let output = score.arg("--json").arg(&json).output().unwrap();
    let told = String::from_utf8_lossy(&output.stdout);
    println!("{told}");
    assert!(
        output.status.success(),
        "{told}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let score: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(json).unwrap()).unwrap();
    assert!(score.as_object().is_some_and(|all| !all.is_empty()));
}

/// A tray on a scale, every ten minutes for eight days, without noise: 8 litres at the start, less
/// `RATE` a day, `POURED` more at noon of the fourth day. The colony keeps all of it.
fn write_apiary(dir: &Path) {
    let apiary = format!(
        "[[yard]]\nid = \"y\"\ntimezone = \"Etc/UTC\"\n\n\
         [[hive]]\nid = \"h\"\nyard = \"y\"\nscale = \"s\"\n\n\
         [[feeder]]\nid = \"f\"\nhive = \"h\"\nkind = \"tray\"\ncapacity_l = 11.0\n\
         [feeder.sensor]\ndevice = \"l\"\nchannel = \"distance\"\nmount_m = {MOUNT_M}\narea_m2 = {AREA_M2}\n"
    );
    std::fs::write(dir.join("apiary.toml"), apiary).unwrap();
    std::fs::write(
        dir.join("fills.csv"),
        format!("time,feeder,volume_l,strength\n2026-03-04T12:00:00Z,f,{POURED},2:1\n"),
    )
    .unwrap();
    let mut csv = String::from("time,device,channel,unit,value\n");
    for step in 0..DAYS * 144 {
        let days = f64::from(step) / 144.0;
        let poured = if days >= 3.5 { POURED } else { 0.0 };
        let litres = 8.0 - RATE * days + poured;
        // 2:1 syrup has 1.33 kg a litre at 20 °C.
        let kg = 30.0 + 8.0 * 1.33 + poured * 1.33;
        let (day, minute) = (step / 144 + 1, step % 144 * 10);
        let time = format!("2026-03-{day:02}T{:02}:{:02}:00Z", minute / 60, minute % 60);
        let distance = MOUNT_M - litres / (AREA_M2 * 1000.0);
        writeln!(
            csv,
            "{time},l,distance,m,{distance:.4}\n{time},s,weight,kg,{kg:.3}"
        )
        .unwrap();
    }
    std::fs::write(dir.join("readings.csv"), csv).unwrap();
}

fn rows(csv: &str) -> Vec<Vec<String>> {
    let split = |line: &str| line.split(',').map(str::to_owned).collect();
    csv.lines().skip(1).map(split).collect()
}

fn number(text: &str) -> f64 {
    text.parse()
        .unwrap_or_else(|_| panic!("not a number: {text:?}"))
}
