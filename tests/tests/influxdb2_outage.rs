//! Whatever happens to InfluxDB while readings come: none is lost, none counts twice, the service
//! says what is wrong, goes on with what it has, and catches up by itself.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::burst::{Burst, Moments, published};
use larder_tests::http;
use larder_tests::influx_settings::{self, InfluxSettings};
use larder_tests::influxd::Influxd;
use larder_tests::larder::{Service, ok};
use larder_tests::mosquitto::Mosquitto;
use larder_tests::proxy::Proxy;
use larder_tests::{program, readings, wait};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::Duration;

const WITHIN: Duration = Duration::from_secs(120);

#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2_outage"]
fn twenty_troubles_at_random_moments_lose_and_double_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let Some(mut server) = Influxd::start(dir.path()) else {
        return;
    };
    let proxy = Proxy::to(server.port);
    let broker = Mosquitto::start(dir.path());
    let data = dir.path().join("data");
    // A second of patience, so that a server which stands still is met by time-outs, too.
    let influx =
        InfluxSettings::new(dir.path(), proxy.port, "larder").and("--influx-timeout-s", "1");
    let start = || Service::on_broker(&data, broker.port, &influx.options());
    let mut service = start();
    service.takes_readings();
    let mut client = Burst::start(broker.port);
    let total = 160_000;
    client.publish(0, total, 3_000);
    let mut moments = Moments(0x1f1);
    for round in 0..20 {
        sleep(moments.next_between(50, 1_200));
        let while_it_lasts = moments.next_between(100, 2_200);
        match round % 4 {
            0 => {
                println!("round {round}: killed");
                server.kill_9();
                sleep(while_it_lasts);
                server.restart();
            }
            1 => {
                println!("round {round}: stands still for {while_it_lasts:?}");
                server.signal("STOP");
                sleep(while_it_lasts);
                server.signal("CONT");
            }
            2 => {
                println!("round {round}: the line is cut for {while_it_lasts:?}");
                proxy.cut();
                sleep(while_it_lasts);
                proxy.mend();
            }
            _ => {
                println!("round {round}: restarted, and the service killed meanwhile");
                server.stop();
                service.running.kill_9();
                service = start();
                server.restart();
            }
        }
    }
    let expected = published(total);
    client.confirmed(total);
    service.has_newest(&readings::newest(&expected), WITHIN);
    nothing_waits(&service);
    service.stop();

    // The server alone, asked by a data directory that knows nothing.
    assert_eq!(server.count("larder"), total, "lost or doubled");
    readings::assert_same(
        &expected,
        &readings::parse(&export_of_a_new_directory(dir.path(), &influx)),
    );
    let quarantine = ok(&["quarantine", "list", "--json", "--data", path(&data)]);
    assert_eq!(quarantine.trim(), "[]");
}

/// A data directory with a hundred days of a scale under a hive, of which sixty are kept here, and the
/// settings that say where the others are.
fn with_a_hundred_days(dir: &Path, server: &Influxd) -> (PathBuf, InfluxSettings) {
    let data = dir.join("data");
    let influx = InfluxSettings::of(dir, server, "larder").and("--influx-timeout-s", "2");
    let csv = hourly_until_now(dir, 100);
    let apiary = dir.join("apiary.toml");
    std::fs::write(&apiary, APIARY).unwrap();
    ok(&["apply", path(&apiary), "--data", path(&data)]);
    ok(&influx.after(&["import", "readings", path(&csv), "--data", path(&data)]));
    (data, influx)
}

/// How many nights have a weight.
fn nights(data: &Path) -> usize {
    let report = ok(&["report", "weight", "--format", "csv", "--data", path(data)]);
    report.lines().count() - 1
}

#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2_outage"]
fn the_last_days_are_estimated_also_where_older_ones_never_were() {
    let dir = tempfile::tempdir().unwrap();
    let Some(mut server) = Influxd::start(dir.path()) else {
        return;
    };
    let (data, influx) = with_a_hundred_days(dir.path(), &server);
    // The server goes before anything was estimated: all hundred days wait for that.
    server.kill_9();
    let service = Service::with_built_in_broker(&data, &influx.options());
    service.takes_readings();
    wait::until("the last nights to be estimated", WITHIN, || {
        (nights(&data) >= 3).then_some(())
    });
    server.restart();
    publish(&service, 1);
    wait::until("all nights to be estimated", WITHIN, || {
        (nights(&data) >= 99).then_some(())
    });
    service.stop();
}

#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2_outage"]
fn an_outage_is_told_and_the_last_days_stay_within_reach() {
    let dir = tempfile::tempdir().unwrap();
    let Some(mut server) = Influxd::start(dir.path()) else {
        return;
    };
    let (data, influx) = with_a_hundred_days(dir.path(), &server);
    let service = Service::with_built_in_broker(&data, &influx.options());
    service.takes_readings();
    assert_eq!(note(&service), None);
    assert!(metric(&service, "larder_influx_up") > 0.5);
    let whole =
        "/api/v1/readings?device=sc-1&channel=weight&from=2020-01-01T00:00:00Z&points=20000";
    let n_of = |answer: &serde_json::Value| answer["value"].as_array().map_or(0, Vec::len);
    assert_eq!(n_of(&service.json(whole).unwrap()), 2_400);

    server.kill_9();
    publish(&service, 1);
    wait::until("the service to say so", WITHIN, || note(&service));
    let said = note(&service).unwrap();
    assert!(
        said.contains("nothing is lost") && said.contains("bucket larder"),
        "{said}"
    );
    let (status, _) = http::get(service.http, "/readyz").unwrap();
    assert_eq!(status, 200, "it takes readings all the same");
    assert!(metric(&service, "larder_influx_up") < 0.5);
    assert!(metric(&service, "larder_influx_waiting_bytes") > 0.5);
    assert!(
        metric(
            &service,
            "larder_influx_failures_total{kind=\"unreachable\"}"
        ) > 0.5
    );
    let recent = service
        .json("/api/v1/readings?device=sc-1&channel=weight&points=20000")
        .unwrap();
    assert!(n_of(&recent) >= 700, "the last thirty days are here");
    let (status, problem) = http::get(service.http, whole).unwrap();
    assert_eq!(status, 503, "{problem}");
    assert!(problem.contains("does not answer"), "{problem}");

    // Started anew without the server it does the same, and estimates what it can.
    service.stop();
    let service = Service::with_built_in_broker(&data, &influx.options());
    service.takes_readings();
    wait::until("the last days to be estimated", WITHIN, || {
        let said = service.running.complaints();
        said.contains("only the last days could be estimated")
            .then_some(())
    });
    assert!(nights(&data) >= 3, "the last nights");
    publish(&service, 2);
    wait::until("the service to say so again", WITHIN, || note(&service));
    server.restart();
    nothing_waits(&service);
    assert_eq!(server.count("larder"), 2_400 + 2);
    assert_eq!(n_of(&service.json(whole).unwrap()), 2_400);
    // A reading wakes the estimation; with the server back it is about everything.
    publish(&service, 3);
    wait::until("all nights to be estimated", WITHIN, || {
        (nights(&data) >= 99).then_some(())
    });
    service.stop();
}

const APIARY: &str = r#"
[[yard]]
id = "north"
name = "North terrace"
timezone = "UTC"

[[hive]]
id = "north-01"
yard = "north"
scale = "sc-1"
"#;

#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2_outage"]
fn a_token_that_is_refused_and_a_field_of_another_type_are_told_and_got_over() {
    let dir = tempfile::tempdir().unwrap();
    let Some(server) = Influxd::start(dir.path()) else {
        return;
    };
    let token = dir.path().join("made.token");
    let init = influx_settings::init(dir.path(), &server, &token);
    ok(&init.iter().map(String::as_str).collect::<Vec<_>>());
    let data = dir.path().join("data");
    let influx = InfluxSettings::with_token(&token, server.port, "larder");
    let service = Service::with_built_in_broker(&data, &influx.options());
    service.takes_readings();
    publish(&service, 1);
    wait::until("it to arrive", WITHIN, || {
        (server.count("larder") == 1).then_some(())
    });
    nothing_waits(&service);

    // The token is withdrawn, and given back.
    let listed = server.ask("GET", "/api/v2/authorizations", None).1;
    let listed: serde_json::Value = serde_json::from_str(&listed).unwrap();
    let all = listed["authorizations"].as_array().unwrap();
    let ours = all
        .iter()
        .find(|one| one["description"].as_str().unwrap().starts_with("Larder"))
        .unwrap();
    let at = format!("/api/v2/authorizations/{}", ours["id"].as_str().unwrap());
    let set = |status: &str| {
        let (code, body) = server.ask("PATCH", &at, Some(&format!("{{\"status\":\"{status}\"}}")));
        assert_eq!(code, 200, "{body}");
    };
    set("inactive");
    publish(&service, 2);
    let said = wait::until("the token to be missed", WITHIN, || note(&service));
    assert!(said.contains("refuses the token"), "{said}");
    set("active");
    nothing_waits(&service);
    assert_eq!((note(&service), server.count("larder")), (None, 2));

    // Somebody else writes whole numbers where Larder's are not.
    let bucket = "larder";
    server.empty_bucket(bucket);
    let now = publish(&service, 3);
    wait::until("it to arrive", WITHIN, || {
        (server.count(bucket) == 1).then_some(())
    });
    nothing_waits(&service);
    server.empty_bucket(bucket);
    let foreign = format!("reading,channel=humidity,device=x humidity_pct=5i {now}");
    assert_eq!(server.write(bucket, &foreign).0, 204);
    publish_json(
        &service,
        "x-1",
        &format!("{{\"humidity_pct\": 61.5, \"time\": {now}}}"),
    );
    let said = wait::until("the conflict to be told", WITHIN, || note(&service));
    assert!(
        said.contains("humidity_pct") && said.contains("another type"),
        "{said}"
    );
    assert!(metric(&service, "larder_influx_failures_total{kind=\"refused\"}") > 0.5);
    server.empty_bucket(bucket);
    nothing_waits(&service);
    assert_eq!(server.count(bucket), 1);
    service.stop();
}

#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2_outage"]
fn when_no_more_may_wait_the_broker_keeps_the_rest() {
    let dir = tempfile::tempdir().unwrap();
    let Some(mut server) = Influxd::start(dir.path()) else {
        return;
    };
    let broker = Mosquitto::start(dir.path());
    let data = dir.path().join("data");
    let influx = InfluxSettings::of(dir.path(), &server, "larder").and("--influx-spool-mb", "1");
    let service = Service::on_broker(&data, broker.port, &influx.options());
    service.takes_readings();
    server.kill_9();
    let mut client = Burst::start(broker.port);
    // More messages than the service holds in memory: the broker sends them again and again.
    let total = 300_000;
    client.publish(0, total, 0);
    client.confirmed(total);
    let reason = wait::until("the service to be full", WITHIN, || {
        http::get(service.http, "/readyz").filter(|(status, _)| *status == 503)
    });
    assert!(
        reason.1.contains("no more readings may wait"),
        "{}",
        reason.1
    );
    let waiting = metric(&service, "larder_influx_waiting_bytes");
    assert!((1e6..2e6).contains(&waiting), "{waiting} bytes wait");
    server.restart();
    let expected = published(total);
    service.has_newest(&readings::newest(&expected), WITHIN);
    nothing_waits(&service);
    service.takes_readings();
    service.stop();
    assert_eq!(server.count("larder"), total);
    readings::assert_same(
        &expected,
        &readings::parse(&export_of_a_new_directory(dir.path(), &influx)),
    );
}

/// Something else fills the server's disk. Readings are taken in all the same, also over a kill of the
/// service; when there is room again they follow.
#[test]
#[ignore = "needs an InfluxDB 2 server: cargo xtask e2e influxdb2_outage"]
fn a_full_disk_of_the_server_loses_and_doubles_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let Some(mut server) = Influxd::start_on_a_disk(dir.path(), 256) else {
        return;
    };
    let broker = Mosquitto::start(dir.path());
    let data = dir.path().join("data");
    let influx = InfluxSettings::of(dir.path(), &server, "larder");
    let start = || Service::on_broker(&data, broker.port, &influx.options());
    let mut service = start();
    service.takes_readings();
    let mut client = Burst::start(broker.port);
    let (before, while_full) = (20_000, 100_000);
    client.publish(0, before, 0);
    client.confirmed(before);
    service.has_newest(&readings::newest(&published(before)), WITHIN);
    nothing_waits(&service);

    server.disk().fill();
    client.publish(before, while_full, 0);
    let said = wait::until("the service to say so", WITHIN, || note(&service));
    assert!(said.contains("no space left on device"), "{said}");
    assert!(metric(&service, "larder_influx_failures_total{kind=\"busy\"}") > 0.5);
    let (status, _) = http::get(service.http, "/readyz").unwrap();
    assert_eq!(status, 200, "it takes readings all the same");
    service.running.kill_9();
    service = start();
    client.confirmed(while_full);
    let expected = published(before + while_full);
    service.has_newest(&readings::newest(&expected), WITHIN);
    wait::until("the service to say so again", WITHIN, || note(&service));
    assert!(metric(&service, "larder_influx_waiting_bytes") > 0.5);

    server.disk().make_room();
    // Its log stays as it broke until it is started anew.
    server.stop();
    server.restart();
    nothing_waits(&service);
    service.stop();
    assert_eq!(
        server.count("larder"),
        before + while_full,
        "lost or doubled"
    );
    readings::assert_same(
        &expected,
        &readings::parse(&export_of_a_new_directory(dir.path(), &influx)),
    );
}

/// Everything that the server has.
fn export_of_a_new_directory(dir: &Path, influx: &InfluxSettings) -> String {
    let (empty, new) = (dir.join("empty.csv"), dir.join("new"));
    std::fs::write(&empty, "time,device,channel,unit,value\n").unwrap();
    ok(&influx.after(&["import", "readings", path(&empty), "--data", path(&new)]));
    ok(&influx.after(&["export", "readings", "--data", path(&new)]))
}

fn nothing_waits(service: &Service) {
    wait::until("everything to be sent on", WITHIN, || {
        let is_done =
            note(service).is_none() && metric(service, "larder_influx_waiting_bytes") < 0.5;
        is_done.then_some(())
    });
}

/// What the service wants an operator to know.
fn note(service: &Service) -> Option<String> {
    Some(service.json("/healthz")?["note"].as_str()?.to_owned())
}

fn metric(service: &Service, name: &str) -> f64 {
    let (_, text) = http::get(service.http, "/metrics").unwrap();
    let line = text
        .lines()
        .find_map(|line| line.strip_prefix(name)?.strip_prefix(' '));
    line.map_or(0.0, |value| value.parse().unwrap())
}

/// One reading of a scale, now; says when that is, in milliseconds.
fn publish(service: &Service, n: u32) -> u128 {
    let now = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .unwrap()
        .as_millis();
    publish_json(
        service,
        "live-1",
        &format!("{{\"weight_kg\": {n}, \"time\": {now}}}"),
    );
    now
}

fn publish_json(service: &Service, device: &str, json: &str) {
    let status = program::command("mosquitto_pub")
        .args(["-p", &service.mqtt.unwrap().to_string(), "-q", "1"])
        .args(["-t", &format!("larder/{device}/readings"), "-m", json])
        .status();
    assert!(status.unwrap().success());
}

fn hourly_until_now(dir: &Path, days: u64) -> std::path::PathBuf {
    let now = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .unwrap()
        .as_secs();
    let mut csv = String::from("time,device,channel,unit,value\n");
    for i in 0..days * 24 {
        let ms = i64::try_from(now - 600 - (days * 24 - 1 - i) * 3_600).unwrap() * 1000;
        let time = larder_domain::Timestamp(ms).to_rfc3339();
        writeln!(
            csv,
            "{time},sc-1,weight,kg,{}",
            40.0 + (i % 24) as f64 / 8.0
        )
        .unwrap();
    }
    let file = dir.join("hourly.csv");
    std::fs::write(&file, csv).unwrap();
    file
}

fn path(path: &Path) -> &str {
    path.to_str().unwrap()
}
