//! Nothing confirmed is lost and nothing counts twice, whenever the service or the broker is killed or
//! stopped while readings come.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::burst::{Burst, Moments, published};
use larder_tests::child::free_port;
use larder_tests::larder::{Service, ok};
use larder_tests::mosquitto::Mosquitto;
use larder_tests::nats::Nats;
use larder_tests::readings;
use std::path::Path;
use std::time::Duration;

const WITHIN: Duration = Duration::from_secs(180);

const TOTAL: u64 = 200_000;

#[test]
#[ignore = "needs minutes, NATS and Python clients: cargo xtask e2e crash"]
fn a_hundred_kills_of_the_service_lose_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let broker = Mosquitto::start(dir.path());
    let mut service = Service::on_broker(&data, broker.port, &[]);
    service.takes_readings();
    let mut client = Burst::start(broker.port);
    client.publish(0, TOTAL, 1_600);
    let mut moments = Moments(0x5eed);
    for kill in 1..=100 {
        std::thread::sleep(moments.next_between(50, 900));
        assert!(client.is_publishing(TOTAL), "over before kill {kill}");
        service.running.kill_9();
        println!("kill {kill} of 100");
        service = Service::on_broker(&data, broker.port, &[]);
    }
    client.confirmed(TOTAL);
    ends_with(service, &data, TOTAL);
}

/// The built-in broker confirms what is on disk: what a device was told is stored outlives any kill.
#[test]
#[ignore = "needs minutes, NATS and Python clients: cargo xtask e2e crash"]
fn a_hundred_kills_with_the_built_in_broker_lose_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let port = free_port();
    let mut service = Service::with_built_in_broker_at(&data, port, &[]);
    service.takes_readings();
    let mut client = Burst::start(port);
    client.publish(0, TOTAL, 2_000);
    let mut moments = Moments(0xb417);
    for kill in 1..=100 {
        std::thread::sleep(moments.next_between(50, 900));
        assert!(client.is_publishing(TOTAL), "over before kill {kill}");
        service.running.kill_9();
        println!("kill {kill} of 100");
        service = Service::with_built_in_broker_at(&data, port, &[]);
    }
    client.confirmed(TOTAL);
    ends_with(service, &data, TOTAL);
}

/// A message without a time that is delivered again after a kill is the same message.
#[test]
#[ignore = "needs minutes, NATS and Python clients: cargo xtask e2e crash"]
fn readings_without_a_time_count_once_over_kills_with_the_built_in_broker() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let port = free_port();
    let start = || Service::with_built_in_broker_at(&data, port, &[]);
    timeless_over_kills(port, start, &data);
}

#[test]
#[ignore = "needs minutes, NATS and Python clients: cargo xtask e2e crash"]
fn readings_without_a_time_count_once_over_kills_with_mosquitto() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let broker = Mosquitto::start(dir.path());
    let start = || Service::on_broker(&data, broker.port, &[]);
    timeless_over_kills(broker.port, start, &data);
}

fn timeless_over_kills(port: u16, start: impl Fn() -> Service, data: &Path) {
    const MESSAGES: u64 = 3_000;
    let mut service = start();
    service.takes_readings();
    let mut client = Burst::timeless(port);
    client.publish(0, MESSAGES, 150);
    let mut moments = Moments(0x71e5);
    for kill in 1..=25 {
        std::thread::sleep(moments.next_between(50, 700));
        assert!(client.is_publishing(MESSAGES), "over before kill {kill}");
        service.running.kill_9();
        service = start();
    }
    client.confirmed(MESSAGES);
    larder_tests::wait::until("all are committed", WITHIN, || {
        let latest = service.json("/api/v1/latest")?;
        let latest = latest["latest"].as_array()?;
        (latest.iter().any(|one| one["value"] == 2.999)).then_some(())
    });
    service.stop();
    let exported = readings::parse(&ok(&["export", "readings", "--data", path(data)]));
    let mut seen: Vec<u64> = exported
        .values()
        .map(|(_, bits)| (f64::from_bits(*bits) * 1000.0).round() as u64)
        .collect();
    seen.sort_unstable();
    let twice = seen.windows(2).filter(|pair| pair[0] == pair[1]).count();
    assert_eq!(twice, 0, "so many count twice");
    assert_eq!(seen, (0..MESSAGES).collect::<Vec<_>>());
}

#[test]
#[ignore = "needs minutes, NATS and Python clients: cargo xtask e2e crash"]
fn stopping_politely_while_readings_come_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let broker = Mosquitto::start(dir.path());
    let mut service = Service::on_broker(&data, broker.port, &[]);
    service.takes_readings();
    let mut client = Burst::start(broker.port);
    client.publish(0, TOTAL, 3_600);
    let mut moments = Moments(0x7e4);
    for stop in 1..=20 {
        std::thread::sleep(moments.next_between(100, 1_400));
        assert!(client.is_publishing(TOTAL), "over before stop {stop}");
        service.stop();
        service = Service::on_broker(&data, broker.port, &[]);
    }
    client.confirmed(TOTAL);
    ends_with(service, &data, TOTAL);
}

/// With a broker that confirms what it has saved. The client sends again what was not confirmed; the
/// broker sends again what we had not acknowledged: each of it counts once.
#[test]
#[ignore = "needs minutes, NATS and Python clients: cargo xtask e2e crash"]
fn twenty_kills_of_a_broker_that_saves_before_it_confirms_lose_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let mut broker = Nats::start(dir.path());
    let service = Service::on_broker(&data, broker.port, &[]);
    service.takes_readings();
    let mut client = Burst::start(broker.port);
    client.publish(0, TOTAL, 3_600);
    let mut moments = Moments(0xb20);
    for kill in 1..=20 {
        std::thread::sleep(moments.next_between(100, 2_000));
        assert!(client.is_publishing(TOTAL), "over before kill {kill}");
        broker.crash_and_restart();
    }
    client.confirmed(TOTAL);
    ends_with(service, &data, TOTAL);
}

/// Mosquitto saves when it stops.
#[test]
#[ignore = "needs minutes, NATS and Python clients: cargo xtask e2e crash"]
fn twenty_restarts_of_a_broker_that_saves_when_it_stops_lose_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let mut broker = Mosquitto::start(dir.path());
    let service = Service::on_broker(&data, broker.port, &[]);
    service.takes_readings();
    let mut client = Burst::start(broker.port);
    client.publish(0, TOTAL, 3_600);
    let mut moments = Moments(0x57a7);
    for stop in 1..=20 {
        std::thread::sleep(moments.next_between(100, 2_000));
        assert!(client.is_publishing(TOTAL), "over before stop {stop}");
        broker.stop_and_restart();
    }
    client.confirmed(TOTAL);
    ends_with(service, &data, TOTAL);
}

/// Mosquitto confirms before it saves, also with `autosave_on_changes`: killed between the two while
/// we are away, it loses what no client sends again. What it has saved arrives, whether the service
/// was connected, away, or half-way through at the time.
#[test]
#[ignore = "needs minutes, NATS and Python clients: cargo xtask e2e crash"]
fn a_broker_that_crashes_and_comes_back_loses_nothing_that_it_had_saved() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let mut broker = Mosquitto::that_saves_at_once(dir.path());
    let mut service = Service::on_broker(&data, broker.port, &[]);
    service.takes_readings();
    let mut client = Burst::start(broker.port);
    let each = 4_000;
    for round in 0..8 {
        let away = round % 2 == 1;
        if away {
            service.running.kill_9();
        }
        client.publish(round * each, each, 0);
        client.confirmed(each);
        broker.has_saved();
        broker.crash_and_restart();
        if away {
            service = Service::on_broker(&data, broker.port, &[]);
        }
    }
    ends_with(service, &data, 8 * each);
}

/// Everything is in, once, and a clean stop and the export agree.
fn ends_with(service: Service, data: &Path, total: u64) {
    let expected = published(total);
    service.has_newest(&readings::newest(&expected), WITHIN);
    service.stop();
    let exported = ok(&["export", "readings", "--data", path(data)]);
    readings::assert_same(&expected, &readings::parse(&exported));
    let quarantine = ok(&["quarantine", "list", "--json", "--data", path(data)]);
    assert_eq!(quarantine.trim(), "[]");
}

fn path(path: &Path) -> &str {
    path.to_str().unwrap()
}
