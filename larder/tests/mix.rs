//! `larder mix` and `larder feeder` as they are run: the worked cases of `tests/checks` (density
//! equation and mass balance, and recipes from keepers' guides) through the built program, and
//! wrong input answered with one sentence and exit code 2.

use larder_store::{Access, EmbeddedStore, Records};
use serde_json::Value;
use std::collections::HashMap;
use std::path::Path;
use std::process::{Command, Output};

fn larder(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_larder"))
        .args(args)
        .env_remove("LARDER_UNITS")
        .env_remove("LARDER_CONFIG")
        .env("LARDER_DATA", "no-store-here")
        .env("NO_COLOR", "1")
        .output()
        .expect("the program can be started")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("it prints UTF-8")
}

/// What it prints when all is well.
fn printed(args: &[&str]) -> String {
    let output = larder(args);
    let complaint = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{args:?}: {complaint}");
    text(&output.stdout)
}

fn json(args: &[&str]) -> Value {
    let mut all = args.to_vec();
    all.push("--json");
    serde_json::from_str(&printed(&all)).expect("it prints JSON")
}

fn number(value: &Value, field: &str) -> f64 {
    value[field]
        .as_f64()
        .unwrap_or_else(|| panic!("{field} is no number in {value}"))
}

type Row = HashMap<String, String>;

fn rows(table: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let header = reader.headers().expect("a header").clone();
    let named = |record: csv::StringRecord| -> Row {
        let pairs = header.iter().zip(record.iter());
        pairs.map(|(k, v)| (k.to_owned(), v.to_owned())).collect()
    };
    reader.records().map(|r| named(r.expect("a row"))).collect()
}

/// What the program says to a case of the table, named by its parts.
fn worked(id: &str) -> f64 {
    let parts: Vec<&str> = id.split('-').collect();
    match parts.as_slice() {
        ["make", strength, litres, of] => {
            let volume = format!("{litres} L");
            let made = json(&["mix", "--volume", &volume, "--strength", strength]);
            number(
                &made,
                if *of == "sugar" {
                    "add_sugar_kg"
                } else {
                    "add_water_kg"
                },
            )
        }
        ["strengthen", of] => {
            let made = json(&["mix", "--leftover", "10 L of 1:1", "--strength", "2:1"]);
            number(
                &made,
                if *of == "sugar" {
                    "add_sugar_kg"
                } else {
                    "volume_l"
                },
            )
        }
        ["dilute", of] => {
            let made = json(&["mix", "--leftover", "10 L of 2:1", "--strength", "1:1"]);
            number(
                &made,
                if *of == "water" {
                    "add_water_kg"
                } else {
                    "volume_l"
                },
            )
        }
        ["blend", of] => {
            let made = json(&["mix", "--leftover", "10 L 1:1", "--leftover", "10 L 2:1"]);
            number(&made, if *of == "w" { "percent" } else { "volume_l" })
        }
        ["deficit", strength, kept] => {
            let kept: f64 = kept.parse().expect("a share");
            let kept = format!("{} %", kept * 100.0);
            let args = [
                "mix",
                "--raise",
                "12 kg",
                "--strength",
                strength,
                "--kept",
                &kept,
            ];
            number(&json(&args), "volume_l")
        }
        ["temp", degrees] => {
            let at_20 = json(&["mix", "--volume", "10 L", "--strength", "2:1"]);
            let sugar = format!("{} kg", number(&at_20, "sugar_kg"));
            let water = format!("{} kg", number(&at_20, "water_kg"));
            let at = format!("{degrees} C");
            let args = [
                "mix",
                "--sugar",
                &sugar,
                "--water",
                &water,
                "--measured-at",
                &at,
            ];
            number(&json(&args), "measured_volume_l")
        }
        other => panic!("a new case: {other:?}"),
    }
}

#[test]
fn the_worked_cases_come_out_of_the_program() {
    let table = rows(include_str!("../../tests/checks/mixing_cases.csv"));
    assert_eq!(table.len(), 25);
    for row in &table {
        let id = row["id"].as_str();
        let got = worked(id);
        let value: f64 = row["value"].parse().expect("a value");
        let (amount, kind) = row["tolerance"].split_once(' ').expect("a tolerance");
        let amount: f64 = amount.parse().expect("an amount");
        let allowed = if kind == "%" {
            amount / 100.0 * value
        } else {
            amount
        };
        assert!(
            (got - value).abs() <= allowed,
            "{id}: {got}, not {value} ({})",
            row["source"]
        );
    }
}

#[test]
fn recipes_of_keepers_guides_come_out_of_the_program() {
    let table = rows(include_str!("../../tests/checks/syrup_yield_rules.csv"));
    assert_eq!(table.len(), 18);
    for row in &table {
        let sugar = format!("{} kg", row["sugar_kg"]);
        let water = format!("{} kg", row["water_kg"]);
        let made = json(&["mix", "--sugar", &sugar, "--water", &water]);
        for (field, column) in [
            ("percent", "sucrose_mass_percent"),
            ("density_kg_m3", "density_20C_kg_m3"),
            ("mass_kg", "total_mass_kg"),
            ("volume_l", "volume_20C_L"),
        ] {
            let expected: f64 = row[column].parse().expect("a number");
            let off = (number(&made, field) / expected - 1.0).abs();
            assert!(off <= 0.005, "{} {field}: off by {off}", row["id"]);
        }
    }
}

#[test]
fn the_two_everyday_ways_are_said_as_a_person_would() {
    let first = printed(&[
        "mix",
        "--sugar",
        "25 lb bag",
        "--volume",
        "5 gal",
        "--units",
        "us",
    ]);
    let says = |page: &str| -> String {
        let head = page.split("\n\n").next().unwrap_or_default();
        head.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    assert_eq!(
        says(&first),
        "One 25 lb bag of sugar topped up with water to 5 gal takes 3 gal ½ qt of water and makes \
         syrup a little thinner than 1:1 (0.96:1), 49.0 % sugar, weighing 51.1 lb."
    );
    assert!(
        first.contains("one person should lift 50.7 lb at best"),
        "{first}"
    );

    let second = printed(&[
        "mix",
        "--sugar",
        "5 x 25 lb",
        "--water",
        "15 gal",
        "--units",
        "us",
    ]);
    assert_eq!(
        says(&second),
        "Five 25 lb bags of sugar in 15 gal of water make 24.4 gal of 1:1 syrup (50.0 % sugar), \
         weighing 250 lb."
    );
    for page in [first, second] {
        assert!(page.lines().all(|l| l.chars().count() <= 80), "{page}");
        assert!(page.contains("Not with honey supers on"));
    }
}

/// What nobody can mix, and a part of the sentence that says why.
const WRONG: &[(&[&str], &str)] = &[
    (&["--sugar", "-3 kg", "--water", "1 L"], "below zero"),
    (
        &["--strength", "0:1", "--volume", "5 gal"],
        "not above zero",
    ),
    (
        &["--strength", "5:1", "--volume", "5 gal"],
        "dissolves at most",
    ),
    (&["--sugar", "20 kg", "--water", "4 L"], "dissolves at most"),
    (&["--sugar", "30 kg", "--volume", "10 L"], "by itself"),
    (
        &[
            "--sugar",
            "50 lb bag",
            "--strength",
            "1:1",
            "--vessel",
            "5 gal",
        ],
        "larger vessel",
    ),
    (
        &[
            "--strength",
            "1:1",
            "--volume",
            "50 gal",
            "--vessel",
            "4 x 5 gal",
        ],
        "add vessels",
    ),
    (
        &["--sugar", "25 stone", "--water", "15 gal"],
        "\"stone\" is no unit of mass",
    ),
    (&["--sugar", "25", "--water", "15 gal"], "has no unit"),
    (&["--sugar", "0 kg", "--water", "1 L"], "more than nothing"),
    (&["--sugar", "25 lb"], "give two of"),
    (
        &["--sugar", "1 kg", "--water", "1 L", "--strength", "1:1"],
        "give only two of",
    ),
    (
        &["--sugar", "1e999 kg", "--water", "1 L"],
        "no unit of mass",
    ),
    (&["--leftover", "5 L of 1:1"], "no mix"),
    (
        &[
            "--leftover",
            "5 L 2:1",
            "--strength",
            "1:1",
            "--volume",
            "6 L",
        ],
        "more sugar",
    ),
    (
        &["--strength", "2:1", "--volume", "5 L", "--ends-at", "90 C"],
        "the hottest is",
    ),
    (
        &[
            "--strength",
            "2:1",
            "--volume",
            "5 L",
            "--units",
            "imperial",
        ],
        "metric",
    ),
    (&["--feed", "nectar", "--volume", "5 L"], "hfcs-42"),
];

#[test]
fn wrong_input_is_one_sentence_and_code_2() {
    for (args, part) in WRONG {
        let mut all = vec!["mix"];
        all.extend_from_slice(args);
        let output = larder(&all);
        let complaint = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {complaint}");
        assert_eq!(
            complaint.trim_end().lines().count(),
            1,
            "{args:?}: {complaint}"
        );
        assert!(complaint.contains(part), "{args:?}: {complaint}");
        assert!(output.stdout.is_empty(), "{args:?}");
    }
}

#[test]
fn units_are_a_setting() {
    let args = ["mix", "--strength", "1:1", "--volume", "10 L"];
    assert!(printed(&args).contains("6.15 kg"));
    let folder = tempfile::tempdir().expect("a folder");
    let config = folder.path().join("larder.toml");
    std::fs::write(&config, "units = \"us\"\n").expect("a file");
    let config = config.to_str().expect("a path");
    let by_file = printed(&[&args[..], &["--config", config]].concat());
    assert!(by_file.contains("13.6 lb"), "{by_file}");
    let option_wins = printed(&[&args[..], &["--config", config, "--units", "metric"]].concat());
    assert!(option_wins.contains("6.15 kg"));
    let by_environment = Command::new(env!("CARGO_BIN_EXE_larder"))
        .args(args)
        .env("LARDER_UNITS", "us")
        .env("LARDER_DATA", "no-store-here")
        .output()
        .expect("the program can be started");
    assert!(text(&by_environment.stdout).contains("13.6 lb"));
}

#[test]
fn a_card_can_be_printed() {
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str| -> String {
        let path = folder.path().join(name);
        let path: &Path = &path;
        let shown = path.to_str().expect("a path");
        printed(&[
            "mix",
            "--strength",
            "2:1",
            "--volume",
            "60 gal",
            "--bag",
            "50 lb",
            "--vessel",
            "12 gal",
            "--units",
            "us",
            "--hot",
            "140 F",
            "--card",
            shown,
        ]);
        std::fs::read_to_string(path).expect("the card")
    };
    let page = write("card.html");
    assert!(page.starts_with("<!doctype html>") && page.contains("@page"));
    assert!(page.contains("scalds in less than five seconds"), "{page}");
    let plain = write("card.txt");
    assert!(plain.contains("[ ]") && plain.contains("VESSEL BY VESSEL"));
    let missing = folder.path().join("no/such/folder/card.txt");
    let missing = missing.to_str().expect("a path");
    let output = larder(&[
        "mix",
        "--strength",
        "2:1",
        "--volume",
        "5 L",
        "--card",
        missing,
    ]);
    assert_eq!(output.status.code(), Some(1), "{}", text(&output.stderr));
}

#[test]
fn a_feeder_is_measured_out() {
    let pours = [
        "--pour",
        "2 L = 26 mm",
        "--pour",
        "2 L = 53 mm",
        "--pour",
        "2 L = 79 mm",
    ];
    let made = json(&[&["feeder", "calibrate"], &pours[..]].concat());
    assert_eq!(made["straight_will_do"], Value::Bool(true));
    assert!(
        (number(&made["straight"], "area_m2") - 0.0755).abs() < 2e-4,
        "{made}"
    );
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("pail.csv");
    let table = "depth_mm,poured_l\n50,2.0\n100,2.4\n150,2.9\n200,3.5\n250,4.2\n";
    std::fs::write(&file, table).expect("a file");
    let made = json(&["feeder", "calibrate", file.to_str().expect("a path")]);
    assert_eq!(made["straight_will_do"], Value::Bool(false));
    assert_eq!(made["table"][4][1], serde_json::json!(15.0));
    assert!(
        made["table_rms_l"]
            .as_f64()
            .is_some_and(|rms| rms > 0.1 && rms < 0.6),
        "{made}"
    );

    for (args, part) in [
        (&["--pour", "2 L = 26 mm"][..], "at least three"),
        (
            &[
                "--pair",
                "1 mm = 1 L",
                "--pair",
                "2 mm = 2 L",
                "--pair",
                "3 mm = 2 L",
            ],
            "row 3",
        ),
        (&["--pair", "2 L = 26 mm"], "must be a length"),
        (&[], "one way"),
        (&["no-such-file.csv"], "no-such-file.csv"),
    ] {
        let output = larder(&[&["feeder", "calibrate"], args].concat());
        let complaint = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {complaint}");
        assert_eq!(complaint.trim_end().lines().count(), 1, "{complaint}");
        assert!(complaint.contains(part), "{args:?}: {complaint}");
    }
}

#[test]
fn a_level_is_explained() {
    let with_air = |air: &str, more: &[&str]| -> Vec<String> {
        let usual = [
            "feeder",
            "explain",
            "--sensor",
            "ultrasonic",
            "--reading",
            "85 mm",
            "--mount",
            "145 mm",
            "--area",
            "0.0759",
            "--syrup-at",
            "20 C",
            "--strength",
            "2:1",
            "--air-at",
            air,
        ];
        let all = usual.iter().chain(more).map(|word| (*word).to_owned());
        all.collect()
    };
    let explained = |air: &str, more: &[&str]| {
        let args = with_air(air, more);
        json(&args.iter().map(String::as_str).collect::<Vec<_>>())
    };
    let cold = explained("0 C", &[]);
    let warm = explained("40 C", &[]);
    // Between 0 and 40 °C the same echo is 8 mm apart over 85 mm (ideal-gas speed of sound).
    let apart_mm = (number(&cold, "litres_at_20c") - number(&warm, "litres_at_20c")) / 0.0759;
    let expected = 85.0 * 1.0035 * (354.729 - 331.300) / 343.215;
    assert!((apart_mm - expected).abs() < 0.02, "{apart_mm} {expected}");

    let terms = cold["terms"].as_array().expect("terms");
    let shares: f64 = terms.iter().map(|t| number(t, "share")).sum();
    assert!((shares - 1.0).abs() < 1e-9);
    assert!(
        terms
            .iter()
            .all(|t| t["source"].as_str().is_some_and(|s| !s.is_empty()))
    );
    let args = with_air("0 C", &[]);
    let page = printed(&args.iter().map(String::as_str).collect::<Vec<_>>());
    assert!(
        page.contains("give or take") && page.contains("air temperature"),
        "{page}"
    );
    assert!(page.lines().all(|l| l.chars().count() <= 80), "{page}");

    let better = explained(
        "0 C",
        &["--doubt", "hive-tilt=0 deg", "--doubt", "air=0.1 C"],
    );
    assert!(number(&better, "sd_l") < number(&cold, "sd_l"));

    for (args, part) in [
        (&["--sensor", "radar"][..], "not \"radar\""),
        (
            &["--sensor", "optical", "--reading", "85 mm", "--area", "0.1"],
            "--mount",
        ),
        (
            &["--sensor", "weight", "--reading", "85 mm"],
            "must be a mass",
        ),
        (
            &[
                "--sensor",
                "volume",
                "--reading",
                "4 L",
                "--doubt",
                "luck=1 L",
            ],
            "not \"luck\"",
        ),
    ] {
        let output = larder(&[&["feeder", "explain"], args].concat());
        let complaint = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {complaint}");
        assert!(complaint.contains(part), "{args:?}: {complaint}");
    }
}

#[test]
fn every_kind_of_feeder_is_described() {
    let all = json(&["feeder", "kinds"]);
    assert_eq!(all.as_array().map(Vec::len), Some(5));
    let tray = printed(&["feeder", "kinds", "tray", "--units", "us"]);
    assert!(
        tray.contains("hive-top tray") && tray.contains("gal"),
        "{tray}"
    );
    let output = larder(&["feeder", "kinds", "bucket"]);
    assert_eq!(output.status.code(), Some(2));
}

const APIARY: &str = r#"
[[yard]]
id = "north"
name = "North terrace"
timezone = "America/New_York"

[[hive]]
id = "north-01"
yard = "north"

[[feeder]]
id = "north-01-f"
hive = "north-01"
kind = "tray"
capacity_l = 11.0
[feeder.sensor]
device = "lv-north-01"
channel = "distance"
mount_m = 0.145
area_m2 = 0.0759
"#;

#[test]
fn a_declared_feeder_and_the_pages_setting_are_known() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| {
        folder
            .path()
            .join(name)
            .to_str()
            .expect("a path")
            .to_owned()
    };
    let data = path("data");
    std::fs::write(path("apiary.toml"), APIARY).expect("a file");
    let readings = "time,device,channel,unit,value\n\
                    2026-08-20T00:00:00Z,lv-north-01,distance,m,0.085\n\
                    2026-08-20T00:05:00Z,lv-north-01,distance,m,0.095\n";
    std::fs::write(path("readings.csv"), readings).expect("a file");
    printed(&["apply", &path("apiary.toml"), "--data", &data]);
    printed(&["import", "readings", &path("readings.csv"), "--data", &data]);

    let optical = ["--sensor", "optical", "--strength", "2:1", "--data", &data];
    let explain = ["feeder", "explain", "north-01-f"];
    let made = json(&[&explain[..], &optical].concat());
    // The newest reading: 145 - 95 mm over 0.0759 m2.
    let litres = number(&made, "litres_at_20c");
    assert!((litres - 50.0 * 0.0759).abs() < 1e-6, "{litres}");
    let output = larder(&["feeder", "explain", "south-09-f", "--data", &data]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("no feeder \"south-09-f\""));

    let store = EmbeddedStore::open(Path::new(&data), Access::Existing).expect("the store");
    store.set_setting("units", "us").expect("a setting");
    drop(store);
    let by_pages = printed(&[
        "mix",
        "--strength",
        "1:1",
        "--volume",
        "10 L",
        "--data",
        &data,
    ]);
    assert!(by_pages.contains("13.6 lb"), "{by_pages}");
}
