//! Readings in InfluxDB 2 by the commands and the service: the same answers as from the embedded
//! store, moving there and back, and what outsiders see.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::influx_settings::{self, InfluxSettings};
use larder_tests::influxd::Influxd;
use larder_tests::larder::{Service, larder, ok, refused, repository};
use larder_tests::{certificate, readings, shared, wait};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

const REPORTS: [&str; 4] = ["uptake", "fills", "weight", "flags"];

/// A season of two hives: `fixtures/hive_weight/README.md`. It is years old, so what is sent leaves
/// this disk at once and everything is read back from the server.
#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2"]
fn a_season_gives_the_same_answers_on_either_store() {
    let dir = tempfile::tempdir().unwrap();
    let Some(server) = Influxd::start(dir.path()) else {
        return;
    };
    let fixture = repository().join("tests/fixtures/hive_weight");
    let influx = InfluxSettings::of(dir.path(), &server, "larder");
    let there = dir.path().join("there");
    let here = dir.path().join("here");
    for (data, influx) in [(&there, Some(&influx)), (&here, None)] {
        fill(
            data,
            influx,
            &fixture.join("apiary.toml"),
            &fixture.join("season_2014.csv.gz"),
            None,
        );
    }
    same_answers(&here, &there, &influx);
    assert_eq!(server.count("larder"), 41_072);

    // A second import changes nothing, although all comparing is done with the server.
    let csv = fixture.join("season_2014.csv.gz");
    let again = ok(&influx.after(&[
        "import",
        "readings",
        path(&csv),
        "--data",
        path(&there),
        "--json",
    ]));
    let again: serde_json::Value = serde_json::from_str(&again).unwrap();
    assert_eq!(
        (&again["new"], &again["replaced"]),
        (&0.into(), &0.into()),
        "{again}"
    );

    // The pages' charts, from a service over each.
    let services = [
        Service::with_built_in_broker(&there, &influx.options()),
        Service::with_built_in_broker(&here, &[]),
    ];
    for points in ["100", "1000", "5000"] {
        let chart = format!(
            "/api/v1/readings?device=az14-61&channel=weight&from=2014-01-01T00:00:00Z&to=2015-12-31T00:00:00Z&points={points}"
        );
        let [there, here] = services
            .each_ref()
            .map(|service| service.json(&chart).unwrap());
        let n = here["value"].as_array().map_or(0, Vec::len);
        assert!(n > 50, "{here}");
        assert!(there == here, "the charts differ");
    }
    for service in services {
        service.stop();
    }
}

/// The development scenario on either store: three yards, twenty hives, every kind of trouble.
#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2"]
fn a_whole_scenario_gives_the_same_answers_on_either_store() {
    let Some(scenario) = shared::beside("scenarios/dev-a", "a scenario on either store") else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let Some(server) = Influxd::start(dir.path()) else {
        return;
    };
    let influx = InfluxSettings::of(dir.path(), &server, "larder");
    let there = dir.path().join("there");
    let here = dir.path().join("here");
    let fills = scenario.join("fills.csv");
    for (data, influx) in [(&there, Some(&influx)), (&here, None)] {
        let csv = scenario.join("readings.csv.gz");
        fill(
            data,
            influx,
            &scenario.join("apiary.toml"),
            &csv,
            Some(&fills),
        );
    }
    same_answers(&here, &there, &influx);
}

fn fill(
    data: &Path,
    influx: Option<&InfluxSettings>,
    apiary: &Path,
    csv: &Path,
    fills: Option<&Path>,
) {
    let with = |arguments: &[&str]| {
        let arguments = [arguments, &["--data", path(data)]].concat();
        match influx {
            Some(influx) => ok(&influx.after(&arguments)),
            None => ok(&arguments),
        }
    };
    with(&["apply", path(apiary)]);
    with(&["import", "readings", path(csv)]);
    if let Some(fills) = fills {
        with(&["import", "fills", path(fills)]);
    }
    with(&["process"]);
}

fn same_answers(here: &Path, there: &Path, influx: &InfluxSettings) {
    let exported = ok(&["export", "readings", "--data", path(here)]);
    let from_there = ok(&influx.after(&["export", "readings", "--data", path(there)]));
    readings::assert_same(&readings::parse(&exported), &readings::parse(&from_there));
    assert!(exported == from_there, "the exports differ");
    let checked = ok(&influx.after(&["check", "--data", path(there)]));
    assert!(checked.contains("it answers"), "{checked}");
    for report in REPORTS {
        let of = |data: &Path| ok(&["report", report, "--format", "csv", "--data", path(data)]);
        let expected = of(here);
        println!("{report}: {} lines", expected.lines().count());
        assert!(expected == of(there), "the reports of {report} differ");
    }
}

#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2"]
fn readings_move_there_and_back_and_a_cut_move_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let Some(mut server) = Influxd::start(dir.path()) else {
        return;
    };
    let data = dir.path().join("data");
    let csv = repository().join("tests/fixtures/hive_weight/season_2014.csv.gz");
    ok(&["import", "readings", path(&csv), "--data", path(&data)]);
    let before = ok(&["export", "readings", "--data", path(&data)]);
    let influx = InfluxSettings::of(dir.path(), &server, "larder");

    // The service does not start over readings that the server lacks.
    let serve = ["serve", "--data", path(&data), "--listen", "127.0.0.1:0"];
    let (code, complaint) = refused(&influx.after(&serve));
    assert_eq!(code, 2, "{complaint}");
    assert!(complaint.contains("larder move readings"), "{complaint}");

    let out = [
        "move",
        "readings",
        "--from",
        "embedded",
        "--to",
        "influxdb2",
        "--data",
        path(&data),
        "--json",
    ];
    server.kill_9();
    let (code, complaint) = refused(&influx.after(&out));
    assert_eq!(code, 1, "{complaint}");
    server.restart();
    let mut cut = larder(&influx.after(&out)).spawn().unwrap();
    wait::until("a part to be moved", Duration::from_secs(60), || {
        (server.count("larder") > 0).then_some(())
    });
    // It may have ended already; the second run then has nothing to do and says so.
    let _ = cut.kill();
    let was_cut = !cut.wait().unwrap().success();
    if was_cut {
        let moved = ok(&influx.after(&out));
        let moved: serde_json::Value = serde_json::from_str(&moved).unwrap();
        println!("after the cut: {moved}");
        assert!(moved["channel_days"].as_u64().unwrap() > 0, "{moved}");
    }
    assert_eq!(server.count("larder"), 41_072);
    let from_there = ok(&influx.after(&["export", "readings", "--data", path(&data)]));
    assert!(from_there == before, "something changed on the way");

    // Without the server's name the readings are not looked for in the wrong place.
    let (code, complaint) = refused(&["export", "readings", "--data", path(&data)]);
    assert_eq!(code, 2, "{complaint}");
    assert!(complaint.contains("--readings influxdb2"), "{complaint}");

    // Days leave this disk; back they come.
    let empty = dir.path().join("empty.csv");
    std::fs::write(&empty, "time,device,channel,unit,value\n").unwrap();
    ok(&influx.after(&["import", "readings", path(&empty), "--data", path(&data)]));
    let back = [
        "move",
        "readings",
        "--from",
        "influxdb2",
        "--to",
        "embedded",
        "--data",
        path(&data),
    ];
    let said = ok(&influx.after(&back));
    assert!(said.contains("count and checksum agree"), "{said}");
    server.kill_9();
    assert!(
        ok(&["export", "readings", "--data", path(&data)]) == before,
        "something was lost on the way back"
    );
    ok(&["check", "--data", path(&data)]);
}

#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2"]
fn init_makes_a_bucket_and_a_token_that_may_do_no_more() {
    let dir = tempfile::tempdir().unwrap();
    let Some(server) = Influxd::start(dir.path()) else {
        return;
    };
    let token = dir.path().join("made.token");
    let init = influx_settings::init(dir.path(), &server, &token);
    let more = [
        "--influx-bucket",
        "hives",
        "--retention-days",
        "24855",
        "--hourly",
    ];
    let init: Vec<&str> = init.iter().map(String::as_str).chain(more).collect();
    let said = ok(&init);
    let secret = std::fs::read_to_string(&token).unwrap();
    assert!(!said.contains(secret.trim()), "a token is printed");
    let mode = std::fs::metadata(&token).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600, "others may read the token");
    let (code, complaint) = refused(&init);
    assert_eq!(code, 2, "{complaint}");

    // The token is enough for the service's work, and for nothing else.
    let influx = InfluxSettings::with_token(&token, server.port, "hives");
    let data = dir.path().join("data");
    let csv = live_csv(dir.path());
    ok(&influx.after(&["import", "readings", path(&csv), "--data", path(&data)]));
    assert_eq!(server.count("hives"), 2 * 300);
    let elsewhere = InfluxSettings::with_token(&token, server.port, "larder");
    let other = dir.path().join("other");
    let (_, complaint) = refused(&elsewhere.after(&["check", "--data", path(&other)]));
    assert!(
        complaint.contains("token may not see it") || complaint.contains("refuses the token"),
        "{complaint}"
    );

    // The task that fills the hourly bucket runs.
    let tasks: serde_json::Value =
        serde_json::from_str(&server.ask("GET", "/api/v2/tasks", None).1).unwrap();
    let task = tasks["tasks"][0]["id"].as_str().unwrap().to_owned();
    let (status, body) = server.ask("POST", &format!("/api/v2/tasks/{task}/runs"), Some("{}"));
    assert_eq!(status, 201, "{body}");
    let hourly = "from(bucket: \"hives_hourly\") |> range(start: -3d) |> filter(fn: (r) => r.figure == \"mean\" and r._field == \"weight_kg\") |> sort(columns: [\"_time\"])";
    let rows = wait::until("the hourly figures", Duration::from_secs(60), || {
        let rows = server.query(hourly);
        (rows.len() > 1).then_some(rows)
    });
    let at = |name: &str| rows[0].iter().position(|column| column == name).unwrap();
    assert_eq!(rows[1][at("_field")], "weight_kg");
    let mean: f64 = rows[2][at("_value")].parse().unwrap();
    assert!((40.0..41.0).contains(&mean), "{rows:?}");
    let log = server
        .ask("GET", &format!("/api/v2/tasks/{task}/runs"), None)
        .1;
    assert!(!log.contains("failed"), "{log}");
}

/// Setting up and asking go through two HTTP clients; both must know the authority that is named.
#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2"]
fn a_server_with_tls_is_trusted_when_its_authority_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let Some(mut server) = Influxd::start(dir.path()) else {
        return;
    };
    certificate::make(dir.path());
    server.restart_with_tls(dir.path());
    let token = dir.path().join("made.token");
    let mut init = influx_settings::init(dir.path(), &server, &token);
    let url = format!("https://127.0.0.1:{}", server.port);
    let at = init.iter().position(|one| *one == server.url()).unwrap();
    init[at].clone_from(&url);
    let init: Vec<&str> = init.iter().map(String::as_str).collect();
    let ca = dir.path().join("cert.pem");
    let named = ["--influx-ca", path(&ca)];
    let (code, complaint) = refused(&init);
    assert_eq!(code, 1, "{complaint}");
    assert!(complaint.contains("certificate"), "{complaint}");
    assert!(!token.exists());
    ok(&[&init[..], &named].concat());

    let influx =
        InfluxSettings::with_token(&token, server.port, "larder").and("--influx-url", &url);
    let data = dir.path().join("data");
    let check = influx.after(&["check", "--data", path(&data)]);
    let (_, complaint) = refused(&check);
    assert!(complaint.contains("certificate"), "{complaint}");
    ok(&[&check[..], &named].concat());
}

/// The queries that `docs/influxdb.md` shows answer what it says they do.
#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2"]
fn the_documented_queries_answer() {
    let dir = tempfile::tempdir().unwrap();
    let Some(server) = Influxd::start(dir.path()) else {
        return;
    };
    let influx = InfluxSettings::of(dir.path(), &server, "larder");
    let data = dir.path().join("data");
    let csv = live_csv(dir.path());
    ok(&influx.after(&["import", "readings", path(&csv), "--data", path(&data)]));
    // Three days ago it weighed less.
    let earlier = dir.path().join("earlier.csv");
    let time = rfc3339(unix_now() - 3 * 86_400);
    let line = format!("time,device,channel,unit,value\n{time},sc-1,weight,kg,38.5\n");
    std::fs::write(&earlier, line).unwrap();
    ok(&influx.after(&["import", "readings", path(&earlier), "--data", path(&data)]));

    let text = std::fs::read_to_string(repository().join("docs/influxdb.md")).unwrap();
    let queries: Vec<&str> = text
        .split("```flux\n")
        .skip(1)
        .map(|rest| rest.split("```").next().unwrap())
        .collect();
    assert_eq!(queries.len(), 3);
    let cells = |query: &str, column: &str| -> Vec<String> {
        let rows = server.query(query);
        let at = rows[0].iter().position(|name| name == column);
        let at = at.unwrap_or_else(|| panic!("{query} has no {column}: {rows:?}"));
        rows[1..].iter().map(|row| row[at].clone()).collect()
    };
    let newest = 40.0 + 299.0 / 300.0;
    let numbers = |query: &str, column: &str| -> Vec<f64> {
        let cells = cells(query, column);
        cells.iter().filter_map(|cell| cell.parse().ok()).collect()
    };
    let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
    assert_eq!(cells(queries[0], "device"), ["sc-1"]);
    assert!(near(numbers(queries[0], "_value")[0], newest));
    let gained: f64 = numbers(queries[1], "_value").iter().sum();
    assert!(near(gained, newest - 38.5), "{gained}");
    let (weights, degrees) = (
        numbers(queries[2], "weight_kg"),
        numbers(queries[2], "temperature_c"),
    );
    assert_eq!(weights.len(), degrees.len());
    assert!((10..=12).contains(&weights.len()), "{weights:?}");
    assert!(weights.is_sorted() && degrees.is_sorted());
}

fn unix_now() -> u64 {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    now.unwrap().as_secs()
}

/// Ten hours of two channels that ended an hour ago.
fn live_csv(dir: &Path) -> PathBuf {
    let now = unix_now();
    let mut csv = String::from("time,device,channel,unit,value\n");
    for i in 0..300 {
        let time = rfc3339(now - 3_600 - (300 - i) * 120);
        csv += &format!("{time},sc-1,weight,kg,{}\n", 40.0 + i as f64 / 300.0);
        csv += &format!("{time},sc-1,temperature,Cel,{}\n", i as f64 / 100.0);
    }
    let file = dir.join("live.csv");
    std::fs::write(&file, csv).unwrap();
    file
}

fn rfc3339(unix_s: u64) -> String {
    larder_domain::Timestamp(i64::try_from(unix_s).unwrap() * 1000).to_rfc3339()
}

fn path(path: &Path) -> &str {
    path.to_str().unwrap()
}
