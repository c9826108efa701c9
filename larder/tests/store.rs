//! Commands about the store as they are run: the quarantine, printing into a pipe that closes, and a
//! store whose bits flipped.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use larder_domain::{ChannelName, DeviceId, Reading, Timestamp, Unit};
use larder_store::{Access, EmbeddedStore, Readings, Records, Refused};
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn command(data: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_larder"));
    command
        .args(args)
        .arg("--data")
        .arg(data)
        .env_remove("LARDER_CONFIG")
        .current_dir(data.parent().expect("a folder above"));
    command
}

fn run(data: &Path, args: &[&str]) -> Output {
    command(data, args)
        .output()
        .expect("the program can be started")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("it prints UTF-8")
}

#[track_caller]
fn printed(data: &Path, args: &[&str]) -> String {
    let output = run(data, args);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{args:?}: {}",
        text(&output.stderr)
    );
    text(&output.stdout)
}

fn refused(i: i64, size: usize) -> Refused {
    Refused {
        received_at: Timestamp(1_788_238_800_000 + i),
        topic: format!("larder/sc-{i}/readings"),
        bytes: vec![b'x'; size],
        content_type: None,
        retained: false,
        reason: "not JSON".into(),
        record: None,
        impossible: None,
        measured_at: None,
    }
}

fn filled(entries: i64, size: usize) -> (tempfile::TempDir, std::path::PathBuf, EmbeddedStore) {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let store = EmbeddedStore::open(&data, Access::Create).unwrap();
    let all: Vec<_> = (1..=entries).map(|i| refused(i, size)).collect();
    store.quarantine_durable(&all).unwrap();
    (dir, data, store)
}

/// `larder quarantine list --json | head -1`, and the same where lines are printed one by one.
#[test]
fn a_reader_that_has_seen_enough_ends_the_program_quietly() {
    let (_dir, data, store) = filled(200, 20_000);
    let reading = |i: i64| Reading {
        device: DeviceId::new(&format!("sc-{i}")).unwrap(),
        channel: ChannelName::new("weight").unwrap(),
        unit: Unit::new("kg").unwrap(),
        time: Timestamp(1_788_238_800_000),
        value: 40.0,
    };
    let readings: Vec<_> = (0..5_000).map(reading).collect();
    store.append_durable(&readings).unwrap();
    drop(store);
    for args in [
        &["quarantine", "list", "--json"][..],
        &["quarantine", "list"],
        &["export", "readings"],
    ] {
        let mut child = command(&data, args)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program can be started");
        let mut line = String::new();
        let mut out = BufReader::with_capacity(16, child.stdout.take().expect("a pipe"));
        out.read_line(&mut line).expect("a line comes");
        drop(out);
        let ended = child.wait_with_output().expect("it ends");
        assert_eq!(text(&ended.stderr), "", "{args:?}");
        assert_eq!(ended.status.code(), Some(0), "{args:?}");
    }
    // A pipe that is closed before the first line: `println!` would panic.
    for args in [&["check"][..], &["quarantine", "replay"]] {
        let mut child = command(&data, args);
        let (reader, writer) = std::io::pipe().expect("a pipe");
        drop(reader);
        let ended = child.stdout(writer).output().expect("it ends");
        assert_eq!(text(&ended.stderr), "", "{args:?}");
        assert_eq!(ended.status.code(), Some(0), "{args:?}");
    }
}

#[test]
fn entries_are_listed_in_pages_and_discarded_beside_a_service() {
    // Held open, as a running service does.
    let (_dir, data, store) = filled(6, 400_000);
    let ids = |args: &[&str]| -> Vec<i64> {
        let listed = printed(&data, &[&["quarantine", "list", "--json"], args].concat());
        let listed: Value = serde_json::from_str(&listed).expect("an array");
        let entries = listed.as_array().expect("an array");
        entries.iter().map(|e| e["id"].as_i64().unwrap()).collect()
    };
    assert_eq!(ids(&[]), [1, 2, 3, 4, 5, 6]);
    assert_eq!(ids(&["--after", "2", "--limit", "3"]), [3, 4, 5]);
    let undecided = run(&data, &["quarantine", "discard", "2"]);
    assert_eq!(undecided.status.code(), Some(2));
    assert!(text(&undecided.stderr).contains("--yes"));
    let unknown = run(&data, &["quarantine", "discard", "2", "77", "--yes"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(text(&unknown.stderr).contains("no entry 77"));
    let nothing = run(&data, &["quarantine", "discard", "--yes"]);
    assert_eq!(nothing.status.code(), Some(2));
    printed(&data, &["quarantine", "discard", "2", "5", "--yes"]);
    assert_eq!(ids(&[]), [1, 3, 4, 6]);
    assert_eq!(store.quarantine_size().unwrap().0, 4);
    let said = printed(
        &data,
        &["quarantine", "discard", "--all", "--yes", "--json"],
    );
    assert_eq!(said.trim(), r#"{"discarded":4}"#);
    assert_eq!(ids(&[]), [0; 0]);
}

/// The log as a killed service leaves it, with one flipped bit in the middle.
#[test]
fn a_flipped_bit_in_the_log_is_told_and_repaired() {
    let (dir, running, store) = filled(0, 0);
    for i in 0..300 {
        let reading = Reading {
            device: DeviceId::new("sc-1").unwrap(),
            channel: ChannelName::new("weight").unwrap(),
            unit: Unit::new("kg").unwrap(),
            time: Timestamp(1_788_238_800_000 + i * 60_000),
            value: 40.0,
        };
        store.append_durable(&[reading]).unwrap();
    }
    let data = dir.path().join("copy");
    std::fs::create_dir(&data).unwrap();
    for file in ["larder.sqlite", "larder.sqlite-wal"] {
        std::fs::copy(running.join(file), data.join(file)).unwrap();
    }
    let log = data.join("larder.sqlite-wal");
    let mut bytes = std::fs::read(&log).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 8;
    std::fs::write(&log, &bytes).unwrap();
    let listen = ["--listen", "127.0.0.1:0", "--mqtt-listen", "127.0.0.1:0"];
    for args in [&[&["serve"][..], &listen].concat()[..], &["check"]] {
        let output = run(&data, args);
        let said = text(&output.stderr);
        assert_eq!(output.status.code(), Some(1), "{args:?}: {said}");
        assert!(said.contains("larder check --repair"), "{args:?}: {said}");
        assert!(
            std::fs::read(&log).unwrap() == bytes,
            "{args:?} changed the log"
        );
    }
    let said = printed(&data, &["check", "--repair"]);
    assert!(said.contains("set right"), "{said}");
    assert!(said.contains("No reading"), "{said}");
    printed(&data, &["check"]);
    let exported = printed(&data, &["export", "readings"]);
    assert_eq!(exported.lines().count(), 301);
    assert!(printed(&data, &["check", "--repair"]).contains("is sound"));
}

#[test]
fn what_a_killed_backup_left_behind_is_not_in_the_way() {
    let (dir, data, store) = filled(3, 10);
    drop(store);
    let dest = dir.path().join("backup");
    std::fs::create_dir(&dest).unwrap();
    std::fs::write(dest.join("larder.sqlite.part"), "half of it").unwrap();
    std::fs::write(dest.join("larder.sqlite.part-journal"), "").unwrap();
    printed(&data, &["backup", dest.to_str().unwrap()]);
    printed(&dest, &["check"]);
    let again = run(&data, &["backup", dest.to_str().unwrap()]);
    assert_eq!(
        again.status.code(),
        Some(2),
        "a store is never written over"
    );
}
