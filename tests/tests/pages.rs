//! The pages on the demo, in a real Chromium: the shelf and a hive, at phone width and on a desk.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::larder::{Service, larder, ok};
use larder_tests::python;
use std::time::Duration;

#[test]
#[ignore = "needs a browser: cargo xtask e2e pages"]
fn the_demo_shows_its_shelf_and_a_hive() {
    let dir = tempfile::tempdir().unwrap();
    let service = Service::ready_within(
        larder(&[
            "demo",
            "--json",
            "--days",
            "8",
            "--hives",
            "4",
            "--listen",
            "127.0.0.1:0",
        ]),
        Duration::from_secs(120),
    );
    let pictures = dir.path().to_str().unwrap();
    let url = format!("http://127.0.0.1:{}/", service.http);
    let told = python::ok("look.py", &[&url, pictures]);
    let views: Vec<serde_json::Value> = serde_json::from_str(&told).unwrap();
    assert_eq!(views.len(), 4);
    for view in &views {
        let name = view["view"].as_str().unwrap();
        let text = view["text"].as_str().unwrap();
        assert_eq!(view["failed"], serde_json::json!([]), "{name}");
        assert_eq!(view["complaints"], serde_json::json!([]), "{name}");
        assert!(
            view["rows"].as_u64().unwrap() > 60,
            "{name} looks blank: {view}"
        );
        assert!(text.len() > 100, "{name} says little: {text}");
        if name.starts_with("shelf") {
            for yard in ["Clover bank", "Alder corner", "Behind the barn"] {
                assert!(text.contains(yard), "{name}: no {yard} in: {text}");
            }
        }
    }
    service.stop();
}

/// The longest cards fit as well: many batches, hot water, stores, costs, every caution.
#[test]
#[ignore = "needs a browser: cargo xtask e2e pages"]
fn a_mixing_card_prints_on_one_page_of_a4_and_of_letter() {
    let dir = tempfile::tempdir().unwrap();
    let cards: [&[&str]; 4] = [
        &["--sugar", "25 lb bag", "--volume", "5 gal", "--units", "us"],
        &["--sugar", "5 x 25 lb", "--water", "15 gal", "--units", "us"],
        &[
            "--strength",
            "2:1",
            "--raise",
            "12 kg",
            "--price",
            "27.50 per 25 kg",
            "--hot",
            "60 C",
        ],
        &[
            "--strength",
            "2:1",
            "--volume",
            "1000 L",
            "--bag",
            "10 kg",
            "--vessel",
            "20 L",
            "--hot",
            "70 C",
            "--price",
            "27.50 per 25 kg",
        ],
    ];
    let files: Vec<String> = (0..cards.len())
        .map(|i| {
            dir.path()
                .join(format!("card-{i}.html"))
                .display()
                .to_string()
        })
        .collect();
    for (asked, file) in cards.iter().zip(&files) {
        ok(&[&["mix"], *asked, &["--card", file]].concat());
    }
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    let printed: Vec<serde_json::Value> =
        serde_json::from_str(&python::ok("print.py", &files)).unwrap();
    assert_eq!(printed.len(), 2 * cards.len());
    for card in &printed {
        assert_eq!(card["pages"], 1, "{card}");
        assert_eq!(card["cut_off"], false, "{card}");
    }
}
