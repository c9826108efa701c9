//! A machine whose clock is wrong: nothing is lost, nothing gets a wrong time, and it says so. The
//! clock is played by libfaketime (Debian's package `faketime`), which reads the time to play from a
//! file.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::child::free_port;
use larder_tests::larder::{Service, larder, ok};
use larder_tests::{program, readings, wait};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

const WITHIN: Duration = Duration::from_secs(60);

/// Where Debian puts it, by machine.
fn libfaketime() -> PathBuf {
    let machines = std::fs::read_dir("/usr/lib").unwrap().flatten();
    machines
        .map(|machine| machine.path().join("faketime/libfaketimeMT.so.1"))
        .find(|library| library.exists())
        .expect("faketime is not installed: on Debian, apt-get install faketime")
}

/// `larder serve` whose clock is set by what stands in `offset`.
fn serve(data: &Path, port: u16, offset: &Path) -> Service {
    let listen = format!("127.0.0.1:{port}");
    let data = data.to_str().unwrap();
    let mut command = larder(&[
        "serve",
        "--data",
        data,
        "--listen",
        "127.0.0.1:0",
        "--mqtt-listen",
        &listen,
    ]);
    command
        .env("LD_PRELOAD", libfaketime())
        .env("FAKETIME_TIMESTAMP_FILE", offset)
        .env("FAKETIME_NO_CACHE", "1")
        .env("FAKETIME_DONT_FAKE_MONOTONIC", "1");
    Service::ready(command)
}

fn publish(port: u16, device: &str, payload: &str) -> Command {
    let mut client = program::command("mosquitto_pub");
    client
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1"])
        .args(["-t", &format!("larder/{device}/readings"), "-m", payload])
        .stderr(Stdio::inherit());
    client
}

fn unix_now() -> u64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    since.as_secs()
}

/// A single-board computer starts with the clock of the day before, until the network sets it.
#[test]
#[ignore = "needs libfaketime: cargo xtask e2e clock"]
fn a_clock_a_day_slow_is_waited_for_and_nothing_is_lost() {
    let dir = tempfile::tempdir().unwrap();
    let (data, offset) = (dir.path().join("data"), dir.path().join("offset"));
    let port = free_port();
    std::fs::write(&offset, "+0\n").unwrap();
    let service = serve(&data, port, &offset);
    service.takes_readings();
    let first = publish(port, "sc-1", r#"{"weight_kg": 40.1}"#).status();
    assert!(first.unwrap().success());
    service.stop();

    std::fs::write(&offset, "-2d\n").unwrap();
    let service = serve(&data, port, &offset);
    let (status, problem) = service.answer("/readyz");
    assert_eq!(status, 503, "{problem}");
    assert!(problem.contains("this machine's clock says"), "{problem}");
    // One that says no time, and one whose own clock is right: it would seem to come from the future.
    let mut timeless = publish(port, "sc-2", r#"{"weight_kg": 40.2}"#)
        .spawn()
        .unwrap();
    let right = format!(r#"{{"time": {}, "weight_kg": 40.3}}"#, unix_now());
    let mut timed = publish(port, "sc-3", &right).spawn().unwrap();
    std::thread::sleep(Duration::from_secs(2));
    assert!(
        timeless.try_wait().unwrap().is_none(),
        "it is not confirmed"
    );
    assert!(timed.try_wait().unwrap().is_none(), "it is not confirmed");

    let before = unix_now();
    std::fs::write(&offset, "+0\n").unwrap();
    wait::until("it takes readings", WITHIN, || {
        (service.answer("/readyz").0 == 200).then_some(())
    });
    assert!(timeless.wait().unwrap().success() && timed.wait().unwrap().success());
    service.stop();
    let data = data.to_str().unwrap();
    let stored = readings::parse(&ok(&["export", "readings", "--data", data]));
    assert_eq!(stored.len(), 3, "{stored:?}");
    let (_, _, time) = stored.keys().find(|key| key.0 == "sc-2").unwrap();
    let received = chrono_seconds(time);
    assert!(
        (before - 30..=unix_now()).contains(&received),
        "its time of receipt is right: {time}"
    );
    let quarantine = ok(&["quarantine", "list", "--json", "--data", data]);
    assert_eq!(quarantine.trim(), "[]");
}

/// What comes from ahead of the clock waits in the quarantine and comes back by itself; what a clock
/// that was ahead wrote down is set aside once the right one is believed.
#[test]
#[ignore = "needs libfaketime: cargo xtask e2e clock"]
fn what_is_ahead_of_the_clock_comes_back_when_it_has_passed() {
    let dir = tempfile::tempdir().unwrap();
    let (data, offset) = (dir.path().join("data"), dir.path().join("offset"));
    let port = free_port();
    std::fs::write(&offset, "+0\n").unwrap();
    let service = serve(&data, port, &offset);
    service.takes_readings();
    let quarantined = || {
        let entries = service.json("/api/v1/quarantine")?;
        Some(entries["total"].as_u64().unwrap_or(0))
    };
    let ahead = format!(r#"{{"time": {}, "weight_kg": 40.4}}"#, unix_now() + 7200);
    assert!(publish(port, "sc-4", &ahead).status().unwrap().success());
    wait::until("it is in the quarantine", WITHIN, || {
        (quarantined()? == 1).then_some(())
    });
    // Three hours pass.
    std::fs::write(&offset, "+3h\n").unwrap();
    wait::until("it came back", WITHIN, || {
        (quarantined()? == 0).then_some(())
    });
    service.stop();
    let stored = readings::parse(&ok(&[
        "export",
        "readings",
        "--data",
        data.to_str().unwrap(),
    ]));
    assert_eq!(stored.len(), 1, "{stored:?}");

    // The clock was two hours ahead all the while, less than what is waited for.
    std::fs::write(&offset, "+0\n").unwrap();
    let service = serve(&data, port, &offset);
    service.takes_readings();
    wait::until("it is set aside", WITHIN, || {
        let latest = service.json("/api/v1/latest")?;
        let entries = service.json("/api/v1/quarantine")?;
        (latest["latest"].as_array()?.is_empty() && entries["total"] == 1).then_some(())
    });
    std::fs::write(&offset, "+3h\n").unwrap();
    wait::until("it came back once more", WITHIN, || {
        let latest = service.json("/api/v1/latest")?;
        (latest["latest"].as_array()?.len() == 1).then_some(())
    });
    service.stop();
}

/// Seconds since 1970 of `2026-11-29T05:00:00Z`, by `date`.
fn chrono_seconds(time: &str) -> u64 {
    let date = Command::new("date").args(["-d", time, "+%s"]).output();
    let text = String::from_utf8(date.unwrap().stdout).unwrap();
    text.trim().parse().unwrap()
}
