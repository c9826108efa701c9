//! Commands beside a running service: they go through it, with the same promises.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::larder::{Service, larder, ok, refused, run};
use larder_tests::{readings, wait};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

const WITHIN: Duration = Duration::from_secs(60);

/// A file of so many readings of twenty scales, with every thousandth line bad.
fn file(folder: &Path, lines: u64) -> PathBuf {
    let mut text = String::from("time,device,channel,unit,value\n");
    for n in 0..lines {
        let (scale, minute) = (n % 20, n / 20);
        let (day, hour) = (minute / 1440 + 1, minute / 60 % 24);
        let value = if n % 1000 == 999 {
            "abc".into()
        } else {
            format!("{}", 30 + n % 7)
        };
        let month = 1 + (day - 1) / 28;
        let day = 1 + (day - 1) % 28;
        writeln!(
            text,
            "2026-{month:02}-{day:02}T{hour:02}:{:02}:00Z,sc-{scale},weight,kg,{value}",
            minute % 60
        )
        .unwrap();
    }
    let path = folder.join("readings.csv");
    std::fs::write(&path, text).unwrap();
    path
}

fn exported(data: &Path) -> readings::Readings {
    readings::parse(&ok(&[
        "export",
        "readings",
        "--data",
        data.to_str().unwrap(),
    ]))
}

fn import(data: &Path, file: &Path) -> serde_json::Value {
    let (data, file) = (data.to_str().unwrap(), file.to_str().unwrap());
    let said = ok(&["import", "readings", file, "--data", data, "--json"]);
    serde_json::from_str(&said).unwrap()
}

#[test]
fn an_import_beside_the_service_is_the_same_as_without_one() {
    let dir = tempfile::tempdir().unwrap();
    let file = file(dir.path(), 60_000);
    let alone = dir.path().join("alone");
    let without = import(&alone, &file);
    // A deep folder: the socket's path is longer than the system takes.
    let beside = dir.path().join("a".repeat(60)).join("b".repeat(60));
    let service = Service::with_built_in_broker(&beside, &[]);
    service.takes_readings();
    let with = import(&beside, &file);
    assert_eq!(with, without);
    assert_eq!(with["new"], 59_940);
    assert_eq!(with["quarantined"], 60);
    wait::until("the service knows them", WITHIN, || {
        let latest = service.json("/api/v1/latest")?;
        (latest["latest"].as_array()?.len() == 20).then_some(())
    });
    let again = import(&beside, &file);
    assert_eq!(
        (&again["new"], &again["repeated"]),
        (&0.into(), &59_940.into())
    );
    let socket = beside.join("larder.sock");
    let mode = std::os::unix::fs::PermissionsExt::mode(&socket.metadata().unwrap().permissions());
    assert_eq!(mode & 0o777, 0o600, "nobody else may write");
    service.stop();
    assert!(!socket.exists());
    readings::assert_same(&exported(&alone), &exported(&beside));
}

#[test]
fn an_import_whose_service_is_killed_is_repeated_safely() {
    let dir = tempfile::tempdir().unwrap();
    let file = file(dir.path(), 200_000);
    let data = dir.path().join("data");
    let mut service = Service::with_built_in_broker(&data, &[]);
    service.takes_readings();
    let mut command = larder(&[
        "import",
        "readings",
        file.to_str().unwrap(),
        "--data",
        data.to_str().unwrap(),
    ]);
    let importing = command
        .stderr(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    wait::until("some are taken in", WITHIN, || {
        let latest = service.json("/api/v1/latest")?;
        latest["latest"]
            .as_array()
            .filter(|all| !all.is_empty())
            .map(|_| ())
    });
    service.running.kill_9();
    let output = importing.wait_with_output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    if !output.status.success() {
        assert_eq!(output.status.code(), Some(1));
        assert!(said.contains("running this command again"), "{said}");
    }
    // The killed service's socket is in nobody's way.
    let service = Service::with_built_in_broker(&data, &[]);
    service.takes_readings();
    let done = import(&data, &file);
    let sum = |name: &str| done[name].as_u64().unwrap();
    assert_eq!(sum("new") + sum("repeated"), 199_800);
    assert_eq!(sum("replaced"), 0);
    service.stop();
    assert_eq!(exported(&data).len(), 199_800);
}

#[test]
fn readings_are_taken_out_and_brought_back_beside_the_service() {
    let dir = tempfile::tempdir().unwrap();
    let file = file(dir.path(), 20_000);
    let data = dir.path().join("data");
    let data_arg = data.to_str().unwrap().to_owned();
    import(&data, &file);
    let before = exported(&data);
    let remove = |extra: &[&str]| {
        let span = [
            "--from",
            "2026-01-01T02:00:00Z",
            "--to",
            "2026-01-01T04:00:00Z",
        ];
        let of = [
            "readings",
            "remove",
            "--device",
            "sc-3",
            "--channel",
            "weight",
        ];
        let arguments: Vec<&str> = of.iter().chain(&span).chain(extra).copied().collect();
        run(&[&arguments[..], &["--data", &data_arg, "--json"]].concat())
    };
    let asked = remove(&[]);
    assert_eq!(asked.status.code(), Some(2), "it asks, and nobody answers");
    let service = Service::with_built_in_broker(&data, &[]);
    service.takes_readings();
    let done = remove(&["--yes"]);
    let said = String::from_utf8_lossy(&done.stdout);
    assert!(
        said.contains("\"removed\":120") || said.contains("\"removed\": 120"),
        "{said}"
    );
    let again = remove(&["--yes"]);
    assert!(String::from_utf8_lossy(&again.stdout).contains('0'));
    let quarantine = ok(&["quarantine", "list", "--json", "--data", &data_arg]);
    let entries: serde_json::Value = serde_json::from_str(&quarantine).unwrap();
    let ours = entries
        .as_array()
        .unwrap()
        .iter()
        .find(|e| e["topic"] == "sc-3/weight")
        .unwrap();
    let id = ours["id"].to_string();
    ok(&["quarantine", "replay", &id, "--data", &data_arg]);
    service.stop();
    readings::assert_same(&before, &exported(&data));
    // The same with nobody else there.
    assert!(remove(&["--yes"]).status.success());
    assert_eq!(exported(&data).len(), before.len() - 120);
    let (code, complaint) = refused(&[
        "readings",
        "remove",
        "--device",
        "sc-3",
        "--channel",
        "weight",
        "--from",
        "yesterday",
        "--to",
        "2026-01-01T04:00:00Z",
        "--yes",
        "--data",
        &data_arg,
    ]);
    assert_eq!(code, 2);
    assert!(complaint.contains("--from is a moment like"), "{complaint}");
}
