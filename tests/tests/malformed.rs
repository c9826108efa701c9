//! A thousand messages that are wrong in a way each: all in quarantine with a reason, the good ones
//! between them all in, and the memory flat.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::larder::{Service, ok};
use larder_tests::mosquitto::Mosquitto;
use larder_tests::python;
use larder_tests::readings;
use larder_tests::wait;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

const MESSAGES: usize = 1000;
/// What the memory may grow by while the same thousand come three more times.
const GROWTH_BYTES: u64 = 24 * 1024 * 1024;

#[test]
#[ignore = "needs Python clients: cargo xtask e2e malformed"]
fn every_malformed_message_is_kept_with_its_reason_and_every_good_one_is_in() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let broker = Mosquitto::start(dir.path());
    let port = broker.port.to_string();
    // Retained messages are told apart from new ones only by a subscriber that comes later.
    let mut sent = sent(&python::ok(
        "malformed.py",
        &["--port", &port, "--only", "retained"],
    ));
    let service = Service::on_broker(&data, broker.port, &[]);
    service.takes_readings();
    sent.extend(self::sent(&python::ok(
        "malformed.py",
        &["--port", &port, "--only", "new"],
    )));
    assert_eq!(sent.len(), MESSAGES);
    everything_in_quarantine(&service, MESSAGES);
    let before = service.running.resident_bytes();
    python::ok(
        "malformed.py",
        &["--port", &port, "--only", "new", "--rounds", "3"],
    );
    service.has_newest(
        &[(
            "marker".into(),
            "weight".into(),
            "2026-01-02T00:00:00Z".into(),
        )],
        WITHIN,
    );
    let grown = service.running.resident_bytes().saturating_sub(before);
    println!(
        "memory grew by {} kB over 3,000 messages more",
        grown / 1024
    );
    assert!(grown < GROWTH_BYTES, "memory grew by {grown} bytes");
    everything_in_quarantine(&service, MESSAGES);
    service.stop();

    let listed: Vec<Value> = serde_json::from_str(&ok(&[
        "quarantine",
        "list",
        "--json",
        "--data",
        path(&data),
    ]))
    .unwrap();
    let mut by_bytes = BTreeMap::new();
    for entry in &listed {
        let key = (text(entry, "topic"), kept(text(entry, "bytes")));
        assert!(
            by_bytes.insert(key, entry).is_none(),
            "one entry for each: {entry}"
        );
    }
    for message in &sent {
        let kind = text(message, "kind");
        let entry = by_bytes.get(&(text(message, "topic"), kept(text(message, "bytes"))));
        let entry = entry.unwrap_or_else(|| panic!("not in quarantine: {kind}: {message}"));
        let reason = text(entry, "reason");
        assert!(
            reason.len() > 8 && !reason.contains('\n'),
            "{kind}: {reason:?}"
        );
        assert!(entry["count"].as_u64().unwrap() >= 1, "{entry}");
        let record = entry["record"].as_u64();
        if kind == "one bad record among good ones" {
            assert_eq!(record, Some(2), "{entry}");
        } else {
            assert!(matches!(record, None | Some(0)), "{kind}: {entry}");
        }
    }
    assert_eq!(listed.len(), sent.len());
    good_ones_are_in(
        &data,
        sent.iter()
            .filter(|m| text(m, "kind").starts_with("one bad"))
            .count(),
    );
}

/// What is kept of a payload is its first 64 KiB; in base64, up to the last whole group of them.
fn kept(mut base64: String) -> String {
    base64.truncate(65_536 / 3 * 4);
    base64
}

fn good_ones_are_in(data: &Path, mixed: usize) {
    let found = readings::parse(&ok(&["export", "readings", "--data", path(data)]));
    let of = |prefix: &str, channel: &str| {
        let fits = |(device, ch, _): &&(String, String, String)| {
            device.starts_with(prefix) && ch == channel
        };
        found.keys().filter(fits).count()
    };
    assert_eq!(of("good-", "weight"), MESSAGES);
    // The good records of a pack with a bad one; nothing else of those devices is readable.
    assert_eq!(
        (of("bad-", "weight"), of("bad-", "battery")),
        (mixed, mixed)
    );
    assert_eq!(found.len(), MESSAGES + 2 * mixed + 1);
}

fn everything_in_quarantine(service: &Service, n: usize) {
    wait::until(format!("{n} entries in quarantine"), WITHIN, || {
        let counted = service.json("/api/v1/quarantine?limit=1")?["total"].as_u64()?;
        (counted == n as u64).then_some(())
    });
}

fn sent(lines: &str) -> Vec<Value> {
    lines
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn text(value: &Value, key: &str) -> String {
    value[key]
        .as_str()
        .unwrap_or_else(|| panic!("no {key} in {value}"))
        .to_owned()
}

const WITHIN: Duration = Duration::from_secs(60);

fn path(path: &Path) -> &str {
    path.to_str().unwrap()
}
