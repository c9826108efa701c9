//! How fast the embedded store takes readings in, how little room they need, and how fast charts
//! come out, beside the plainest thing that would also work: one row for each reading, keyed by
//! series and time.
//!
//!     cargo bench -p larder-store                  ten million readings
//!     cargo bench -p larder-store -- 1000000       another number
//!     cargo bench -p larder-store -- 1000000 DIR   on the disk that DIR is on
//!
//! The load is invented: 2,000 series, a reading each five minutes with a clock that wavers by a
//! second, four shapes of signal at the resolution of real sensors, in the order in which readings
//! would arrive.
#![allow(clippy::unwrap_used, clippy::print_stdout, reason = "a benchmark")]

use larder_domain::{ChannelName, ChannelRef, DeviceId, Reading, Span, Timestamp, Unit};
use larder_store::{Access, EmbeddedStore, Readings};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

const SERIES: usize = 2_000;
const START_MS: i64 = 1_788_220_800_000;
const STEP_MS: i64 = 300_000;
const DAY_MS: i64 = 86_400_000;

fn main() {
    let mut arguments = std::env::args().skip(1).filter(|a| !a.starts_with("--"));
    let n: usize = arguments.next().map_or(10_000_000, |n| n.parse().unwrap());
    let dir: PathBuf = arguments
        .next()
        .map_or_else(std::env::temp_dir, PathBuf::from);
    let dir = tempfile::tempdir_in(dir).unwrap();

    println!("{n} readings of {SERIES} series, every append synced to disk\n");
    let live = dir.path().join("live");
    for batch in [100, 1_000] {
        let some = n / 20;
        let store = open(&dir.path().join(format!("live-{batch}")));
        take_in(
            &format!("as they arrive, {batch} an append"),
            &store,
            some,
            batch,
            arriving,
        );
    }
    let store = open(&live);
    take_in(
        "as they arrive, 10000 an append",
        &store,
        n,
        10_000,
        arriving,
    );
    sort_and_weigh(&store, &live, n);
    drop(store);
    let opened = Instant::now();
    let store = open(&live);
    println!("opening it again: {:.0} ms", ms(opened.elapsed()));
    read_charts(&store, n);
    take_in(
        "the same readings once more (all repeated)",
        &store,
        n / 10,
        10_000,
        arriving,
    );

    let seasons = dir.path().join("seasons");
    let store = open(&seasons);
    take_in(
        "seasons: a series at a time, out of order",
        &store,
        n,
        25_000,
        by_series,
    );
    sort_and_weigh(&store, &seasons, n);
    drop(store);

    let rows = Rows::new(&dir.path().join("rows.sqlite"));
    take_in_rows(&rows, n / 10);
    println!(
        "\npeak memory {} MiB",
        field("/proc/self/status", "VmHWM:") / 1024
    );
}

fn open(dir: &Path) -> EmbeddedStore {
    EmbeddedStore::open(dir, Access::Create).unwrap()
}

/// The `i`th reading of all in order of arrival.
fn arriving(i: usize, _n: usize) -> Reading {
    reading(i % SERIES, (i / SERIES) as i64)
}

/// The `i`th reading where each series comes whole, its readings out of order.
fn by_series(i: usize, n: usize) -> Reading {
    let each = (n / SERIES).max(1);
    let at = i % each;
    let shuffled = (at / 16) * 16 + (at * 7 + 5) % 16;
    reading(
        i / each,
        if shuffled < each {
            shuffled as i64
        } else {
            at as i64
        },
    )
}

fn series(of: usize) -> ChannelRef {
    let channel = ["weight", "distance", "temperature", "battery"][of % 4];
    ChannelRef {
        device: DeviceId::new(&format!("dev-{:06}", of / 4)).unwrap(),
        channel: ChannelName::new(channel).unwrap(),
    }
}

fn reading(of: usize, step: i64) -> Reading {
    let ChannelRef { device, channel } = series(of);
    let noise = |seed: u64| {
        let mut x = (of as u64) << 32 ^ (step as u64) ^ seed << 56;
        x = (x ^ x >> 33).wrapping_mul(0xff51_afd7_ed55_8ccd);
        x = (x ^ x >> 33).wrapping_mul(0xc4ce_b9fe_1a85_ec53);
        ((x ^ x >> 33) >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    };
    let day = step as f64 * STEP_MS as f64 / DAY_MS as f64;
    let wave = (day * std::f64::consts::TAU).sin();
    let rounded = |value: f64, decimals: f64| (value * decimals).round() / decimals;
    let (unit, value) = match of % 4 {
        0 => (
            "kg",
            rounded(41.0 - day * 0.11 + 0.25 * wave + 0.04 * noise(1), 100.0),
        ),
        1 => (
            "m",
            rounded(0.04 + (day * 0.013) % 0.1 + 0.002 * noise(2), 1000.0),
        ),
        2 => ("Cel", rounded(14.0 + 6.0 * wave + 0.6 * noise(3), 10.0)),
        _ => ("V", rounded(3.9 - day * 0.001 + 0.01 * wave, 100.0)),
    };
    let jitter = (noise(4) * 1000.0) as i64;
    Reading {
        device,
        channel,
        unit: Unit::new(unit).unwrap(),
        time: Timestamp(START_MS + step * STEP_MS + of as i64 * 150 + jitter),
        value,
    }
}

/// Only the store's own time counts, not that of inventing the readings.
fn take_in(
    what: &str,
    store: &EmbeddedStore,
    n: usize,
    batch: usize,
    nth: fn(usize, usize) -> Reading,
) {
    let mut spent = Spent::default();
    let mut waits = Vec::new();
    let mut i = 0;
    while i < n {
        let readings: Vec<Reading> = (i..(i + batch).min(n)).map(|i| nth(i, n)).collect();
        let wait = spent.on(|| store.append_durable(&readings).unwrap());
        waits.push(wait);
        i += batch;
    }
    println!(
        "{what}: {}, an append takes {}",
        spent.told(n),
        spread(&mut waits)
    );
}

fn sort_and_weigh(store: &EmbeddedStore, dir: &Path, n: usize) {
    let started = Instant::now();
    store.compact().unwrap();
    let sorted = started.elapsed();
    let copy = dir.with_extension("backup");
    let started = Instant::now();
    store.backup_to(&copy).unwrap();
    println!(
        "on disk {:.2} bytes a reading, {:.2} in a backup (sorting the rest {:.0} ms, the backup {:.0} ms)",
        size(dir) as f64 / n as f64,
        size(&copy) as f64 / n as f64,
        ms(sorted),
        ms(started.elapsed()),
    );
}

fn read_charts(store: &EmbeddedStore, n: usize) {
    let last = START_MS + (n / SERIES) as i64 * STEP_MS;
    let last_day = Span {
        start: Timestamp(last - DAY_MS),
        end: Timestamp(last + DAY_MS),
    };
    let each = |what: &str, read: &dyn Fn(&ChannelRef) -> usize| {
        let mut waits = Vec::new();
        let mut samples = 0;
        for i in 0..200 {
            let series = series((i * 37) % SERIES);
            let started = Instant::now();
            samples = read(&series);
            waits.push(started.elapsed());
        }
        println!("{what} ({samples} samples): {}", spread(&mut waits));
    };
    each("one series, all of it", &|s| {
        store.range(s, Span::ALWAYS).unwrap().len()
    });
    each("the same for a chart of 1000 points", &|s| {
        store.reduced(s, Span::ALWAYS, 1000).unwrap().len()
    });
    each("the same for a spark line of 24 points", &|s| {
        store.reduced(s, Span::ALWAYS, 24).unwrap().len()
    });
    each("one series, last day", &|s| {
        store.range(s, last_day).unwrap().len()
    });
    let started = Instant::now();
    let latest = store.latest().unwrap().len();
    println!("latest of {latest} series: {:.2} ms", ms(started.elapsed()));
    let started = Instant::now();
    let day: usize = (0..SERIES)
        .map(|i| store.range(&series(i), last_day).unwrap().len())
        .sum();
    println!(
        "last day of every series ({day} samples): {:.0} ms",
        ms(started.elapsed())
    );
}

/// The comparison: one row for each reading.
struct Rows(rusqlite::Connection);

impl Rows {
    fn new(file: &Path) -> Self {
        let db = rusqlite::Connection::open(file).unwrap();
        db.execute_batch(
            "PRAGMA journal_mode = wal; PRAGMA synchronous = full;
             PRAGMA wal_autocheckpoint = 8000;
             CREATE TABLE series (id INTEGER PRIMARY KEY, name TEXT UNIQUE);
             CREATE TABLE reading (series INTEGER, time INTEGER, value REAL,
                 PRIMARY KEY (series, time)) WITHOUT ROWID;",
        )
        .unwrap();
        Self(db)
    }
}

fn take_in_rows(rows: &Rows, n: usize) {
    for batch in [1_000, 10_000] {
        let mut spent = Spent::default();
        let mut waits = Vec::new();
        let ids: Vec<ChannelRef> = (0..SERIES).map(series).collect();
        let shift = batch as i64 * 1_000_000_000;
        let mut i = 0;
        while i < n {
            let readings: Vec<(usize, Reading)> = (i..(i + batch).min(n))
                .map(|i| (i % ids.len(), arriving(i, n)))
                .collect();
            let wait = spent.on(|| {
                let tx = rows.0.unchecked_transaction().unwrap();
                let mut insert = tx
                    .prepare_cached("INSERT OR REPLACE INTO reading VALUES (?1, ?2, ?3)")
                    .unwrap();
                for (id, reading) in &readings {
                    let time = reading.time.0 + shift;
                    insert
                        .execute(rusqlite::params![*id as i64, time, reading.value])
                        .unwrap();
                }
                drop(insert);
                tx.commit().unwrap();
            });
            waits.push(wait);
            i += batch;
        }
        let what = format!("for comparison, a row for each reading, {batch} a commit");
        println!(
            "{what}: {}, a commit takes {}",
            spent.told(n),
            spread(&mut waits)
        );
    }
}

#[derive(Default)]
struct Spent {
    time: Duration,
    cpu: f64,
    written: u64,
}

impl Spent {
    fn on<T>(&mut self, work: impl FnOnce() -> T) -> Duration {
        let (cpu, written, started) = (cpu_seconds(), bytes_written(), Instant::now());
        work();
        let time = started.elapsed();
        self.time += time;
        self.cpu += cpu_seconds() - cpu;
        self.written += bytes_written() - written;
        time
    }

    fn told(&self, n: usize) -> String {
        let n = n as f64;
        format!(
            "{:.0} readings/s, {:.2} us of CPU and {:.0} bytes written a reading",
            n / self.time.as_secs_f64(),
            self.cpu * 1e6 / n,
            self.written as f64 / n,
        )
    }
}

/// CPU seconds of this thread and its past, from the scheduler's own account in nanoseconds.
fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let ns = text.split(' ').next().and_then(|ns| ns.parse::<f64>().ok());
    ns.unwrap_or(f64::NAN) / 1e9
}

fn bytes_written() -> u64 {
    field("/proc/self/io", "write_bytes:")
}

fn field(file: &str, name: &str) -> u64 {
    let text = std::fs::read_to_string(file).unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix(name));
    let number = line.and_then(|rest| rest.split_whitespace().next());
    number.and_then(|number| number.parse().ok()).unwrap_or(0)
}

fn size(dir: &Path) -> u64 {
    let entries = std::fs::read_dir(dir).unwrap();
    entries
        .map(|entry| entry.unwrap())
        .filter(|entry| !entry.file_name().to_string_lossy().ends_with("-wal"))
        .map(|entry| entry.metadata().unwrap().len())
        .sum()
}

fn spread(waits: &mut [Duration]) -> String {
    waits.sort_unstable();
    let at = |share: f64| ms(waits[((waits.len() - 1) as f64 * share) as usize]);
    format!(
        "{:.3} ms (p50), {:.3} (p99), {:.3} (most)",
        at(0.5),
        at(0.99),
        at(1.0)
    )
}

fn ms(duration: Duration) -> f64 {
    duration.as_secs_f64() * 1e3
}
