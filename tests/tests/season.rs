//! A season of real hive weights, through a foreign broker and by import: the same readings and the
//! same reports. The data: see `fixtures/hive_weight/README.md`.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::larder::{Service, ok, repository};
use larder_tests::mosquitto::Mosquitto;
use larder_tests::readings::{self, Readings};
use larder_tests::{program, python, shared, wait};
use std::fmt::Write as _;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

const WITHIN: Duration = Duration::from_secs(120);
/// The service gives processing a tenth of its time, so a debug build rests for minutes after a season.
const LIVE_WITHIN: Duration = Duration::from_secs(500);

#[test]
#[ignore = "needs minutes and Python clients: cargo xtask e2e season"]
fn a_season_is_the_same_by_mqtt_and_by_import() {
    let dir = tempfile::tempdir().unwrap();
    let fixture = repository().join("tests/fixtures/hive_weight");
    let csv = unpacked(&fixture.join("season_2014.csv.gz"), dir.path());
    let apiary = fixture.join("apiary.toml");
    let season = readings::parse(&std::fs::read_to_string(&csv).unwrap());
    assert_eq!(season.len(), 41_072);

    let by_mqtt = dir.path().join("by-mqtt");
    ok(&["apply", path(&apiary), "--data", path(&by_mqtt)]);
    let broker = Mosquitto::start(dir.path());
    let service = Service::on_broker(&by_mqtt, broker.port, &[]);
    service.takes_readings();
    // One hive by the broker's own client, a reading a message; the other by paho in packs.
    mosquitto_pub(broker.port, "az14-61", &season);
    let port = broker.port.to_string();
    python::ok(
        "publish_csv.py",
        &[path(&csv), "--port", &port, "--device", "az14-69"],
    );
    service.has_newest(&readings::newest(&season), WITHIN);

    let by_import = dir.path().join("by-import");
    ok(&["apply", path(&apiary), "--data", path(&by_import)]);
    let packed = fixture.join("season_2014.csv.gz");
    ok(&[
        "import",
        "readings",
        path(&packed),
        "--data",
        path(&by_import),
    ]);
    ok(&["process", "--data", path(&by_import)]);
    // What the service works out as readings arrive is what one run over all of them gives.
    let nights = |data: &Path| ok(&["report", "weight", "--format", "csv", "--data", path(data)]);
    let all_at_once = nights(&by_import);
    wait::until("the live results to be the same", LIVE_WITHIN, || {
        (nights(&by_mqtt) == all_at_once).then_some(())
    });
    service.stop();

    let exported = |data: &Path| ok(&["export", "readings", "--data", path(data)]);
    readings::assert_same(&season, &readings::parse(&exported(&by_mqtt)));
    assert!(
        exported(&by_mqtt) == exported(&by_import),
        "the two exports differ"
    );
    same_reports(&by_mqtt, &by_import);

    // What was exported can be imported again: nothing is added, nothing lost.
    let again = dir.path().join("again.csv");
    std::fs::write(&again, exported(&by_mqtt)).unwrap();
    ok(&[
        "import",
        "readings",
        path(&again),
        "--data",
        path(&by_import),
    ]);
    assert!(
        exported(&by_mqtt) == exported(&by_import),
        "a second import changed something"
    );
}

#[test]
#[ignore = "needs minutes and Python clients: cargo xtask e2e season"]
fn both_whole_seasons_are_the_same_by_mqtt_and_by_import() {
    let Some(folder) = shared::beside("data/hive_weight_15min", "two seasons, 14 hives") else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let csv = dir.path().join("all.csv");
    let text = ["weight_az2014.csv.gz", "weight_az2015.csv.gz"]
        .map(|file| {
            as_readings(&std::fs::read_to_string(unpacked(&folder.join(file), dir.path())).unwrap())
        })
        .concat();
    std::fs::write(&csv, format!("time,device,channel,unit,value\n{text}")).unwrap();
    let seasons = readings::parse(&std::fs::read_to_string(&csv).unwrap());
    let apiary = dir.path().join("apiary.toml");
    std::fs::write(&apiary, declare(&seasons)).unwrap();

    let by_mqtt = dir.path().join("by-mqtt");
    ok(&["apply", path(&apiary), "--data", path(&by_mqtt)]);
    let broker = Mosquitto::start(dir.path());
    let service = Service::on_broker(&by_mqtt, broker.port, &[]);
    service.takes_readings();
    let port = broker.port.to_string();
    python::ok(
        "publish_csv.py",
        &[path(&csv), "--port", &port, "--pack", "100"],
    );
    service.has_newest(&readings::newest(&seasons), WITHIN);
    service.stop();

    let by_import = dir.path().join("by-import");
    ok(&["apply", path(&apiary), "--data", path(&by_import)]);
    ok(&["import", "readings", path(&csv), "--data", path(&by_import)]);
    let exported = ok(&["export", "readings", "--data", path(&by_mqtt)]);
    readings::assert_same(&seasons, &readings::parse(&exported));
    assert!(exported == ok(&["export", "readings", "--data", path(&by_import)]));
    same_reports(&by_mqtt, &by_import);
}

fn same_reports(a: &Path, b: &Path) {
    for data in [a, b] {
        ok(&["process", "--data", path(data)]);
    }
    for report in ["weight", "uptake", "fills", "flags"] {
        let of = |data: &Path| {
            without_names(&ok(&[
                "report",
                report,
                "--format",
                "csv",
                "--data",
                path(data),
            ]))
        };
        let (one, other) = (of(a), of(b));
        let differs = one.lines().zip(other.lines()).find(|(x, y)| x != y);
        assert!(one == other, "the {report} reports differ: {differs:#?}");
    }
    let weights = ok(&["report", "weight", "--format", "csv", "--data", path(a)]);
    assert!(
        weights.lines().count() > 2 * 200,
        "a night's weight for every hive and day"
    );
}

/// A flag keeps the name that it was given when it was first raised, and live that was with fewer
/// readings at hand: names are left out, all else has to be the same.
fn without_names(report: &str) -> String {
    let is_named = report
        .lines()
        .next()
        .is_some_and(|head| head.ends_with(",id"));
    let cut = |line: &str| match line.rsplit_once(',') {
        Some((rest, _)) if is_named => format!("{rest}\n"),
        _ => format!("{line}\n"),
    };
    report.lines().map(cut).collect()
}

/// `mosquitto_pub -l`: every line a message, flat JSON.
fn mosquitto_pub(port: u16, device: &str, season: &Readings) {
    let mut lines = String::new();
    for ((of, _, time), (_, bits)) in season {
        if of == device {
            let kg = f64::from_bits(*bits);
            writeln!(lines, r#"{{"time": "{time}", "weight_kg": {kg}}}"#).unwrap();
        }
    }
    let mut client = program::command("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1", "-l"])
        .args(["-t", &format!("larder/{device}/readings")])
        .stdin(Stdio::piped())
        .spawn()
        .expect("it can be started");
    client
        .stdin
        .take()
        .unwrap()
        .write_all(lines.as_bytes())
        .unwrap();
    assert!(client.wait().unwrap().success());
}

fn unpacked(gz: &Path, into: &Path) -> PathBuf {
    let name = gz.file_stem().unwrap();
    let mut text = Vec::new();
    let mut gunzip = program::command("gzip")
        .arg("-dc")
        .arg(gz)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    gunzip
        .stdout
        .take()
        .unwrap()
        .read_to_end(&mut text)
        .unwrap();
    assert!(gunzip.wait().unwrap().success());
    let file = into.join(name);
    std::fs::write(&file, text).unwrap();
    file
}

/// `time_utc,hive,weight_kg` as lines of the readings file.
fn as_readings(source: &str) -> String {
    let mut lines = String::new();
    for line in source.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        writeln!(lines, "{},{},weight,kg,{}", fields[0], fields[1], fields[2]).unwrap();
    }
    lines
}

fn declare(seasons: &Readings) -> String {
    let mut toml = String::from("[[yard]]\nid = \"range\"\ntimezone = \"America/Phoenix\"\n");
    for (device, _, _) in readings::newest(seasons) {
        write!(
            toml,
            "\n[[hive]]\nid = \"h-{device}\"\nyard = \"range\"\nscale = \"{device}\"\n"
        )
        .unwrap();
    }
    toml
}

fn path(path: &Path) -> &str {
    path.to_str().unwrap()
}
