//! A process that appends is killed at random moments, with `kill -9`'s signal, and the store is
//! opened again: everything that was acknowledged is there, nothing is there twice, nothing is
//! there by halves. The process sorts readings into blocks all the while.
//!
//! This is a program of its own (no test harness), because it starts itself as that process.
#![allow(clippy::unwrap_used, clippy::print_stdout, reason = "a test program")]

use larder_domain::{ChannelName, ChannelRef, DeviceId, Reading, Sample, Span, Timestamp, Unit};
use larder_store::{Access, EmbeddedStore, Readings, Records};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

const ROUNDS: u64 = 20;
const AS_WRITER: &str = "LARDER_STORE_CRASH_WRITER";

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if std::env::var_os(AS_WRITER).is_some() {
        append_for_ever(Path::new(&arguments[0]), arguments[1].parse().unwrap());
    }
    if arguments.iter().any(|argument| argument == "--list") {
        println!("crash: test");
        return;
    }
    let seed = arguments
        .iter()
        .find_map(|argument| argument.strip_prefix("--seed="))
        .map_or_else(some_seed, |seed| seed.parse().unwrap());
    println!(
        "killing a writer {ROUNDS} times; again with: cargo test -p larder-store --test crash -- --seed={seed}"
    );
    kill_and_look(seed);
    println!("test result: ok");
}

fn some_seed() -> u64 {
    use std::hash::{BuildHasher, Hasher, RandomState};
    RandomState::new().build_hasher().finish() >> 32
}

fn mixed(x: u64) -> u64 {
    let x = (x ^ x >> 33).wrapping_mul(0xff51_afd7_ed55_8ccd);
    let x = (x ^ x >> 29).wrapping_mul(0xc4ce_b9fe_1a85_ec53);
    x ^ x >> 32
}

/// The `n`th batch, the same in both processes. Time goes a few hours a batch, so that days close
/// every few batches; some readings are late by days, some correct earlier ones.
fn batch(n: u64) -> Vec<Reading> {
    let size = 1 + mixed(n) % 400;
    let one = |i: u64| {
        let dice = mixed(n << 20 | i);
        let late_ms = match dice % 16 {
            0 => 86_400_000 * (1 + dice / 16 % 9),
            1 => 3_600_000,
            _ => 0,
        };
        let ms = 1_788_238_800_000 + n * 10_000_000 + (dice / 256 % 30) * 300_000 - late_ms;
        Reading {
            device: DeviceId::new(&format!("sc-{}", dice / 7 % 40)).unwrap(),
            channel: ChannelName::new("weight").unwrap(),
            unit: Unit::new("kg").unwrap(),
            time: Timestamp(ms as i64),
            value: (dice / 1024 % 5_000) as f64 / 100.0,
        }
    };
    (0..size).map(one).collect()
}

fn append_for_ever(dir: &Path, first: u64) -> ! {
    let store = EmbeddedStore::open(dir, Access::Create).unwrap();
    let mut out = std::io::stdout();
    for n in first.. {
        store.append_durable(&batch(n)).unwrap();
        writeln!(out, "{n}").unwrap();
        out.flush().unwrap();
    }
    unreachable!("it is killed long before")
}

type Model = BTreeMap<ChannelRef, BTreeMap<Timestamp, f64>>;

fn put(model: &mut Model, batch: &[Reading]) {
    for reading in batch {
        let series = model.entry(reading.series()).or_default();
        series.insert(reading.time, reading.value);
    }
}

fn kill_and_look(seed: u64) {
    let dir = tempfile::tempdir().unwrap();
    let mut model = Model::new();
    let mut next = 0;
    for round in 0..ROUNDS {
        let delay = Duration::from_micros(mixed(seed + round) % 400_000);
        let acknowledged = run_and_kill(dir.path(), next, delay);
        for n in next..acknowledged {
            put(&mut model, &batch(n));
        }
        let seen = found(&EmbeddedStore::open(dir.path(), Access::Read).unwrap());
        let store = EmbeddedStore::open(dir.path(), Access::Create).unwrap();
        assert!(
            found(&store) == seen,
            "round {round}: a reader sees something else"
        );
        store.check().unwrap();
        next = acknowledged;
        // The last batch may be on disk without having been acknowledged: whole, or not at all.
        if found(&store) != model {
            put(&mut model, &batch(next));
            next += 1;
            assert!(
                found(&store) == model,
                "round {round}: something is missing, twice or by halves"
            );
        }
        if next > 0 {
            let again = store.append_durable(&batch(next - 1)).unwrap();
            let distinct = again.new + again.replaced;
            assert!(
                again.new == 0,
                "round {round}: what is there is not new, {distinct}"
            );
            put(&mut model, &batch(next - 1));
        }
        let (changes, mark) = store.changes(1000).unwrap();
        assert_eq!(
            changes.len(),
            model.len(),
            "every series waits to be processed"
        );
        if round % 3 == 2 {
            store.acknowledge_changes(mark).unwrap();
            next = catch_up(&store, &mut model, next);
        }
        println!("round {round}: killed after {delay:?}, {next} batches");
    }
    assert!(
        next > ROUNDS,
        "only {next} batches in {ROUNDS} rounds; the machine is too slow for this test to mean anything"
    );
}

/// After settling, news for every series, so that the next round can count on them.
fn catch_up(store: &EmbeddedStore, model: &mut Model, mut next: u64) -> u64 {
    while store.changes(1000).unwrap().0.len() < model.len() {
        store.append_durable(&batch(next)).unwrap();
        put(model, &batch(next));
        next += 1;
    }
    next
}

/// Every reading, and that each stands once and in order.
fn found(store: &EmbeddedStore) -> Model {
    let all = store.series().unwrap().into_iter().map(|info| {
        let samples: Vec<Sample> = store.range(&info.series, Span::ALWAYS).unwrap();
        assert!(samples.windows(2).all(|pair| pair[0].time < pair[1].time));
        let by_time = samples.iter().map(|sample| (sample.time, sample.value));
        (info.series, by_time.collect())
    });
    all.collect()
}

/// Says how many batches, from the first one on, are acknowledged.
fn run_and_kill(dir: &Path, first: u64, delay: Duration) -> u64 {
    let mut writer = Command::new(std::env::current_exe().unwrap())
        .arg(dir)
        .arg(first.to_string())
        .env(AS_WRITER, "1")
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut acknowledged = BufReader::new(writer.stdout.take().unwrap()).lines();
    // The moment counts from the first acknowledgement, so that slow machines test the same.
    let mut last = acknowledged.next().and_then(Result::ok);
    let killer = std::thread::spawn(move || {
        std::thread::sleep(delay);
        writer.kill().unwrap();
        writer.wait().unwrap()
    });
    for line in acknowledged.map_while(Result::ok) {
        last = Some(line);
    }
    let ended = killer.join().unwrap();
    assert!(!ended.success(), "it was killed, it did not end");
    last.map_or(first, |n| n.parse::<u64>().unwrap() + 1)
}
