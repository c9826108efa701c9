//! Many numbered readings on command, and what they are: `clients/burst.py`.

use crate::child::Running;
use crate::larder::READY;
use crate::python;
use crate::readings::Readings;
use std::io::Write;
use std::process::ChildStdin;
use std::time::Duration;

/// As in `clients/burst.py`.
const DEVICES: u64 = 20;
const PACK: u64 = 10;
const BASE: u64 = 1_767_225_600; // 2026-01-01T00:00:00Z

/// What `clients/burst.py` publishes as its first `total` readings.
///
/// # Panics
/// Where `total` is not a whole number of messages.
pub fn published(total: u64) -> Readings {
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

/// A running `clients/burst.py`.
pub struct Burst {
    running: Running,
    commands: ChildStdin,
}

impl Burst {
    /// Starts one that publishes to a broker at `port`.
    ///
    /// # Panics
    /// When it cannot connect.
    pub fn start(port: u16) -> Self {
        Self::of("burst.py", port)
    }

    /// Starts one whose messages carry no time of their own: `clients/timeless.py`.
    ///
    /// # Panics
    /// When it cannot connect.
    pub fn timeless(port: u16) -> Self {
        Self::of("timeless.py", port)
    }

    fn of(client: &str, port: u16) -> Self {
        let mut running = python::start(client, &["--port", &port.to_string()]);
        let commands = running.input();
        running.line(READY, |line| line == "connected");
        Self { running, commands }
    }

    /// Publishes `count` readings from number `first` on, so many a second (0: as fast as it goes).
    ///
    /// # Panics
    /// When it is gone.
    pub fn publish(&mut self, first: u64, count: u64, per_second: u64) {
        writeln!(self.commands, "publish {first} {count} {per_second}").expect("it reads commands");
    }

    /// Waits until the broker has confirmed them.
    ///
    /// # Panics
    /// When it has not within five minutes.
    pub fn confirmed(&self, count: u64) {
        self.running.line(Duration::from_secs(300), |line| {
            line == format!("confirmed {count}")
        });
    }

    /// Whether the confirmation of `count` is still to come.
    pub fn is_publishing(&self, count: u64) -> bool {
        let said = self
            .running
            .try_line(Duration::ZERO, |line| line == format!("confirmed {count}"));
        said.is_none()
    }
}

/// Moments drawn from a seed (a linear congruential generator with the constants of Knuth's MMIX).
pub struct Moments(pub u64);

impl Moments {
    /// The next one.
    pub fn next_between(&mut self, least_ms: u64, most_ms: u64) -> Duration {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        Duration::from_millis(least_ms + (self.0 >> 33) % (most_ms - least_ms))
    }
}
