//! The pages on the demo, in a real Chromium: the shelf and a hive, at phone width and on a desk.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::larder::{Service, larder};
use larder_tests::python;
use std::time::Duration;

#[test]
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
