//! The built-in broker with strangers' clients, and what it refuses.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::larder::{Service, ok, refused};
use larder_tests::{program, python, wait};
use std::process::Command;
use std::time::Duration;

#[test]
#[ignore = "needs Python clients: cargo xtask e2e built_in_broker"]
fn strangers_clients_work_unchanged() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let service = Service::with_built_in_broker(&data, &[]);
    service.takes_readings();
    let port = service
        .mqtt
        .expect("it says where its broker listens")
        .to_string();
    let publish = |version: &str, device: &str, payload: &str| {
        let status = program::command("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &port, "-V", version, "-q", "1"])
            .args(["-t", &format!("larder/{device}/readings"), "-m", payload])
            .status()
            .expect("it can be started");
        assert!(status.success(), "mosquitto_pub with MQTT {version}");
    };
    publish(
        "mqttv311",
        "mp-3",
        r#"{"time": "2026-03-01T00:00:00Z", "weight_kg": 40.5}"#,
    );
    publish(
        "mqttv5",
        "mp-5",
        r#"{"time": "2026-03-01T00:00:00Z", "weight_lb": 100}"#,
    );
    let csv = dir.path().join("two.csv");
    let rows =
        "2026-03-01T00:00:00Z,paho,weight,kg,41.25\n2026-03-01T00:10:00Z,paho,weight,kg,41.5\n";
    std::fs::write(&csv, format!("time,device,channel,unit,value\n{rows}")).unwrap();
    for version in ["3", "5"] {
        python::ok(
            "publish_csv.py",
            &[csv.to_str().unwrap(), "--port", &port, "--version", version],
        );
    }
    let newest = [("mp-3", "00"), ("mp-5", "00"), ("paho", "10")].map(|(device, minute)| {
        (
            device.to_owned(),
            "weight".to_owned(),
            format!("2026-03-01T00:{minute}:00Z"),
        )
    });
    service.has_newest(&newest, Duration::from_secs(30));
    service.stop();
    let exported = ok(&["export", "readings", "--data", data.to_str().unwrap()]);
    let pounds = "2026-03-01T00:00:00Z,mp-5,weight,kg,45.359237";
    assert!(exported.contains(pounds), "{exported}");
    assert_eq!(
        exported.lines().count(),
        1 + 4,
        "the repeated pack counts once:\n{exported}"
    );
}

fn publisher(port: &str, device: &str) -> Command {
    let mut client = program::command("mosquitto_pub");
    client.args(["-h", "127.0.0.1", "-p", port, "-q", "1"]);
    client.args(["-t", &format!("larder/{device}/readings")]);
    client
}

fn latest_of(service: &Service, device: &str) -> Option<f64> {
    let latest = service.json("/api/v1/latest")?;
    let all = latest["latest"].as_array()?;
    all.iter().find(|one| one["device"] == device)?["value"].as_f64()
}

/// Readings do not pass through a session that a client of the same name could take over.
#[test]
fn nobody_can_take_over_what_others_send() {
    let dir = tempfile::tempdir().unwrap();
    let service = Service::with_built_in_broker(&dir.path().join("data"), &[]);
    service.takes_readings();
    let port = service
        .mqtt
        .expect("it says where its broker listens")
        .to_string();
    let mut thief = program::command("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &port, "-q", "1", "-c"])
        .args(["-i", "larder", "-t", "#"])
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    for n in 0..50 {
        let reading = format!("{{\"time\": {}, \"weight_kg\": {n}}}", 1_767_225_600 + n);
        let sent = publisher(&port, "sc-1").args(["-m", &reading]).status();
        assert!(sent.unwrap().success());
    }
    assert_eq!(
        latest_of(&service, "sc-1"),
        Some(49.0),
        "confirmed is stored"
    );
    thief.kill().unwrap();
    thief.wait().unwrap();
    service.stop();
}

/// A device at full speed waits, is counted and shown; another one's reading is stored meanwhile.
#[test]
fn one_device_at_full_speed_harms_no_other() {
    let dir = tempfile::tempdir().unwrap();
    let service = Service::with_built_in_broker(&dir.path().join("data"), &[]);
    service.takes_readings();
    let port = service
        .mqtt
        .expect("it says where its broker listens")
        .to_string();
    let lines = dir.path().join("lines");
    let mut text = String::new();
    for n in 0..40_000 {
        text.push_str(&format!(
            "{{\"time\":{},\"weight_kg\":4}}\n",
            1_767_225_600 + n
        ));
    }
    std::fs::write(&lines, text).unwrap();
    let mut flood = publisher(&port, "fast")
        .arg("-l")
        .stdin(std::fs::File::open(&lines).unwrap())
        .spawn()
        .unwrap();
    wait::until("the flood is noticed", Duration::from_secs(120), || {
        let devices = service.json("/api/v1/devices")?;
        let fast = devices["devices"].as_array()?.iter();
        let excess = fast
            .filter(|device| device["id"] == "fast")
            .map(|d| &d["excess"]);
        excess
            .filter_map(|excess| excess["messages"].as_u64())
            .next()
    });
    let sent = publisher(&port, "calm")
        .args(["-m", r#"{"weight_kg": 40.5}"#])
        .status();
    assert!(sent.unwrap().success());
    assert_eq!(latest_of(&service, "calm"), Some(40.5));
    assert!(flood.try_wait().unwrap().is_none(), "the flood is not over");
    flood.kill().unwrap();
    flood.wait().unwrap();
    service.stop();
}

#[test]
fn it_does_not_listen_beyond_this_machine_without_credentials() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let (code, complaint) = refused(&[
        "serve",
        "--data",
        data.to_str().unwrap(),
        "--listen",
        "127.0.0.1:0",
        "--mqtt-listen",
        "0.0.0.0:0",
    ]);
    assert_eq!(code, 2, "{complaint}");
    assert!(
        complaint.contains("credentials") || complaint.contains("password"),
        "{complaint}"
    );
}

#[test]
fn with_credentials_only_those_who_have_them_get_in() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let users = dir.path().join("users");
    std::fs::write(&users, "scales:a long password\n").unwrap();
    let service = Service::with_built_in_broker(&data, &["--mqtt-users", users.to_str().unwrap()]);
    service.takes_readings();
    let port = service
        .mqtt
        .expect("it says where its broker listens")
        .to_string();
    let publish = |extra: &[&str]| {
        let mut client = program::command("mosquitto_pub");
        client.args([
            "-h",
            "127.0.0.1",
            "-p",
            &port,
            "-q",
            "1",
            "-t",
            "larder/s1/readings",
        ]);
        client.args([
            "-m",
            r#"{"time": "2026-03-01T00:00:00Z", "weight_kg": 40.5}"#,
        ]);
        client
            .args(extra)
            .output()
            .expect("it can be started")
            .status
            .success()
    };
    assert!(!publish(&[]), "a stranger gets in");
    assert!(
        !publish(&["-u", "scales", "-P", "a guess"]),
        "a guess gets in"
    );
    assert!(publish(&["-u", "scales", "-P", "a long password"]));
    wait::until("the reading", Duration::from_secs(30), || {
        service.json("/api/v1/latest")?["latest"]
            .as_array()
            .filter(|all| all.len() == 1)
            .map(|_| ())
    });
    service.stop();
}

/// Whoever stops it as soon as it says that it is ready finds it listening.
#[test]
fn stopped_at_once_it_ends_in_order() {
    let dir = tempfile::tempdir().unwrap();
    for round in 0..20 {
        let data = dir.path().join(format!("data-{round}"));
        Service::with_built_in_broker(&data, &[]).stop();
    }
}

/// A thousand devices, each with a connection of its own, three thousand readings a second: what was
/// confirmed is stored, and memory stays within bounds. `tests/clients/crowd.py --devices 5000 --seconds
/// 600` is the long run behind the numbers in docs/operating.md.
#[test]
#[ignore = "needs Python clients: cargo xtask e2e built_in_broker"]
fn a_crowd_of_devices_is_taken_in() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let service = Service::with_built_in_broker(&data, &[]);
    service.takes_readings();
    let port = service
        .mqtt
        .expect("it says where its broker listens")
        .to_string();
    let said = python::ok(
        "crowd.py",
        &["--port", &port, "--devices", "1000", "--seconds", "15"],
    );
    let confirmed = said
        .lines()
        .find_map(|line| line.strip_prefix("confirmed "))
        .expect("it says how many were confirmed")
        .parse::<usize>()
        .unwrap();
    assert!(confirmed > 3 * 1000 * 5, "{said}");
    let resident = service.running.resident_bytes();
    assert!(resident < 200 << 20, "{resident} bytes");
    service.stop();
    let exported = ok(&["export", "readings", "--data", data.to_str().unwrap()]);
    assert_eq!(exported.lines().count() - 1, confirmed);
}
