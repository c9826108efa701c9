//! Nothing confirmed is lost and nothing counts twice, whenever the service or the broker is killed or
//! stopped while readings come.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::child::Running;
use larder_tests::larder::{READY, Service, ok};
use larder_tests::mosquitto::Mosquitto;
use larder_tests::nats::Nats;
use larder_tests::python;
use larder_tests::readings::{self, Readings};
use std::io::Write;
use std::path::Path;
use std::process::ChildStdin;
use std::time::Duration;

/// As in `clients/burst.py`.
const DEVICES: u64 = 20;
const PACK: u64 = 10;
const BASE: u64 = 1_767_225_600; // 2026-01-01T00:00:00Z

const WITHIN: Duration = Duration::from_secs(180);

const TOTAL: u64 = 200_000;

#[test]
fn fifty_kills_of_the_service_lose_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let broker = Mosquitto::start(dir.path());
    let mut service = Service::on_broker(&data, broker.port, &[]);
    service.takes_readings();
    let mut client = Burst::start(broker.port);
    client.publish(0, TOTAL, 1_600);
    let mut moments = Moments(0x5eed);
    for kill in 1..=50 {
        std::thread::sleep(moments.next_between(50, 1_400));
        assert!(client.is_publishing(TOTAL), "over before kill {kill}");
        service.running.kill_9();
        println!("kill {kill} of 50");
        service = Service::on_broker(&data, broker.port, &[]);
    }
    client.confirmed(TOTAL);
    ends_with(service, &data, TOTAL);
}

#[test]
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

/// What `clients/burst.py` publishes as its first `total` readings.
fn published(total: u64) -> Readings {
    let mut readings = Readings::new();
    for message in 0..total / PACK {
        let device = message % DEVICES;
        let first = PACK * (message / DEVICES);
        for k in first..first + PACK {
            let value = (30 + device) as f64 + (k * 7919 % 10_007) as f64 / 1000.0;
            let identity = (
                format!("burst-{device}"),
                "weight".to_owned(),
                rfc3339(BASE + 60 * k),
            );
            readings.insert(identity, ("kg".to_owned(), value.to_bits()));
        }
    }
    assert_eq!(readings.len() as u64, total);
    readings
}

/// Of a moment in January 2026.
fn rfc3339(unix_s: u64) -> String {
    let s = unix_s - BASE;
    let (day, hour, minute, second) = (s / 86_400 + 1, s / 3600 % 24, s / 60 % 60, s % 60);
    assert!(day <= 31, "the burst is longer than a month");
    format!("2026-01-{day:02}T{hour:02}:{minute:02}:{second:02}Z")
}

struct Burst {
    running: Running,
    commands: ChildStdin,
}

impl Burst {
    fn start(port: u16) -> Self {
        let mut running = python::start("burst.py", &["--port", &port.to_string()]);
        let commands = running.input();
        running.line(READY, |line| line == "connected");
        Self { running, commands }
    }

    fn publish(&mut self, first: u64, count: u64, per_second: u64) {
        writeln!(self.commands, "publish {first} {count} {per_second}").unwrap();
    }

    fn confirmed(&self, count: u64) {
        self.running.line(Duration::from_secs(300), |line| {
            line == format!("confirmed {count}")
        });
    }

    /// Whether the confirmation of `count` is still to come.
    fn is_publishing(&self, count: u64) -> bool {
        let said = self
            .running
            .try_line(Duration::ZERO, |line| line == format!("confirmed {count}"));
        said.is_none()
    }
}

/// Moments drawn from a seed (a linear congruential generator with the constants of Knuth's MMIX).
struct Moments(u64);

impl Moments {
    fn next_between(&mut self, least_ms: u64, most_ms: u64) -> Duration {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        Duration::from_millis(least_ms + (self.0 >> 33) % (most_ms - least_ms))
    }
}

fn path(path: &Path) -> &str {
    path.to_str().unwrap()
}
