//! The store whose readings end up in InfluxDB 2 does what every store must do, against the real
//! server. Between the steps everything is sent and taken out here, so that answers come from there.

#![allow(clippy::unwrap_used, reason = "a test may panic, that is how it fails")]

use larder_domain::{ChannelName, DeviceId, Reading, Span, Timestamp, Unit};
use larder_store::archive::{ArchiveOptions, ArchivedReadings, WhenFull};
use larder_store::conformance::{Place, check_backlog_with, check_readings_with};
use larder_store::influxdb2::{InfluxConfig, InfluxDb2, Token};
use larder_store::{Access, Durability, EmbeddedStore, Readings, SeriesInfo};
use larder_tests::influxd::{Influxd, OPERATOR, ORG};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;
use tempfile::TempDir;

/// Histories invented for each of the two suites: every question costs the server milliseconds.
const CASES: u32 = 10;

struct Bucket<'a> {
    server: &'a Influxd,
    dir: TempDir,
    name: String,
}

static BUCKETS: AtomicU32 = AtomicU32::new(0);

fn new_bucket(server: &Influxd) -> Bucket<'_> {
    let name = format!("b{}", BUCKETS.fetch_add(1, Ordering::Relaxed));
    server.make_bucket(&name);
    Bucket {
        server,
        dir: tempfile::tempdir().unwrap(),
        name,
    }
}

fn open(server: &Influxd, dir: &TempDir, bucket: &str) -> ArchivedReadings {
    open_in(server, dir.path(), bucket)
}

fn open_in(server: &Influxd, dir: &Path, bucket: &str) -> ArchivedReadings {
    let config = InfluxConfig {
        url: server.url(),
        org: ORG.into(),
        bucket: bucket.into(),
        token: Token::new(OPERATOR),
        patience: Duration::from_secs(30),
        ca: None,
    };
    let options = ArchiveOptions {
        place: config.place(),
        identity: config.identity(),
        most_waiting_bytes: 1 << 30,
        keep_days: 45,
        when_full: WhenFull::Refuse,
        parcel: 5_000,
        clock: now,
    };
    let embedded = EmbeddedStore::open_with(dir, Access::Create, Durability::ProcessEnd).unwrap();
    let influx = Arc::new(InfluxDb2::new(config, now).unwrap());
    ArchivedReadings::open(Arc::new(embedded), influx.clone(), influx, options).unwrap()
}

/// Long after all invented readings.
fn now() -> Timestamp {
    Timestamp(1_788_238_800_000 + 2_000 * 86_400_000)
}

impl Place for Bucket<'_> {
    type Store = ArchivedReadings;

    fn open(&self) -> ArchivedReadings {
        open(self.server, &self.dir, &self.name)
    }

    fn tidy(&self, store: &ArchivedReadings) {
        store.send_and_forget_all().unwrap();
    }
}

#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2_store"]
fn readings() {
    let dir = tempfile::tempdir().unwrap();
    let Some(server) = Influxd::start(dir.path()) else {
        return;
    };
    check_readings_with(CASES, || new_bucket(&server));
    check_backlog_with(CASES, || new_bucket(&server));
}

/// A data directory that was lost, and one that was restored from a backup: the bucket knows the
/// rest.
#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2_store"]
fn a_new_or_restored_directory_takes_over_what_the_bucket_has() {
    let dir = tempfile::tempdir().unwrap();
    let Some(server) = Influxd::start(dir.path()) else {
        return;
    };
    let bucket = new_bucket(&server);
    let store = open(&server, &bucket.dir, &bucket.name);
    store.append_durable(&day_of_readings(0)).unwrap();
    store.send_all().unwrap();
    let backup = tempfile::tempdir().unwrap();
    store
        .embedded()
        .backup_to(&backup.path().join("copy"))
        .unwrap();
    store.append_durable(&day_of_readings(1)).unwrap();
    store.send_all().unwrap();
    let expected = everything(&store);
    assert_eq!(expected.len(), 4);
    drop(store);

    let new = tempfile::tempdir().unwrap();
    assert_eq!(everything(&open(&server, &new, &bucket.name)), expected);
    let copied = open_in(&server, &backup.path().join("copy"), &bucket.name);
    assert_eq!(everything(&copied), expected);
    let repeated = copied.append_durable(&day_of_readings(1)).unwrap();
    assert_eq!((repeated.new, repeated.replaced), (0, 0), "{repeated:?}");
    copied.embedded().check().unwrap();
}

/// Two devices with two channels each, half-hourly.
fn day_of_readings(day: i64) -> Vec<Reading> {
    let mut readings = Vec::new();
    for (device, channel, unit) in [
        ("a", "weight", "kg"),
        ("a", "co2", "p/m"),
        ("b", "x/weight", "kg"),
        ("b", "humid", "%RH"),
    ] {
        for i in 0..48 {
            readings.push(Reading {
                device: DeviceId::new(device).unwrap(),
                channel: ChannelName::new(channel).unwrap(),
                unit: Unit::new(unit).unwrap(),
                time: Timestamp(1_788_238_800_000 + day * 86_400_000 + i * 1_800_000),
                value: f64::from(i as i32) / 7.0,
            });
        }
    }
    readings
}

type Everything = Vec<(String, String, Vec<(i64, u64)>)>;

fn everything(store: &ArchivedReadings) -> Everything {
    let of = |info: SeriesInfo| {
        let samples = store.range(&info.series, Span::ALWAYS).unwrap();
        let bits = samples
            .iter()
            .map(|sample| (sample.time.0, sample.value.to_bits()));
        (
            info.series.to_string(),
            info.unit.to_string(),
            bits.collect(),
        )
    };
    store.series().unwrap().into_iter().map(of).collect()
}
