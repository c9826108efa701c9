//! Telling people, end to end: a real SMTP server with STARTTLS and login, a real webhook receiver and
//! Mosquitto. The service is killed in the middle and the mail server is dead for a while.

#![allow(clippy::unwrap_used, reason = "a test may panic, that is how it fails")]

use larder_tests::child::{Running, free_port};
use larder_tests::larder::{Service, larder, ok};
use larder_tests::mosquitto::Mosquitto;
use larder_tests::{certificate, http, program, python, wait};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::Path;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

const SOON: Duration = Duration::from_secs(45);

/// What a receiver was sent, as it comes.
struct Receiver {
    running: Running,
    seen: Vec<Value>,
}

impl Receiver {
    fn start(arguments: &[&str]) -> Self {
        let running = python::start("receivers.py", arguments);
        running.line(SOON, |line| line.contains("ready"));
        Self {
            running,
            seen: Vec::new(),
        }
    }

    /// Waits for a message that `wanted` accepts; keeps all.
    fn wait(&mut self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        if let Some(found) = self.seen.iter().find(|message| wanted(message)) {
            return found.clone();
        }
        let end = std::time::Instant::now() + SOON + SOON;
        loop {
            let left = end.saturating_duration_since(std::time::Instant::now());
            let Some(line) = self.running.try_line(left, |_| true) else {
                panic!("{what} did not come; there came {:#?}", self.seen);
            };
            let message: Value = serde_json::from_str(&line).unwrap();
            self.seen.push(message.clone());
            if wanted(&message) {
                return message;
            }
        }
    }

    fn take_all(&mut self) {
        while let Some(line) = self.running.try_line(Duration::from_millis(1), |_| true) {
            self.seen.push(serde_json::from_str(&line).unwrap());
        }
    }

    /// Ids of the different messages that `wanted` accepts.
    fn ids(&mut self, pointer: &str, wanted: impl Fn(&Value) -> bool) -> BTreeSet<String> {
        self.take_all();
        let found = self.seen.iter().filter(|message| wanted(message));
        found
            .map(|message| message.pointer(pointer).unwrap().to_string())
            .collect()
    }
}

fn to(who: &'static str) -> impl Fn(&Value) -> bool {
    move |mail| mail["to"][0] == format!("{who}@example.org")
}

fn says(mail: &Value, words: &str) -> bool {
    mail["body"].as_str().unwrap().contains(words)
}

/// Seconds since 1970.
fn now() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    i64::try_from(since.as_secs()).unwrap()
}

/// `HH:MM` of a moment in UTC.
fn clock(at: i64) -> String {
    format!("{:02}:{:02}", at / 3600 % 24, at / 60 % 60)
}

fn apiary(dir: &Path) -> String {
    let mut text = String::from(
        "[[yard]]\nid = \"north\"\nname = \"North terrace\"\ntimezone = \"Etc/UTC\"\n",
    );
    for hive in ["1", "2", "9"] {
        text += &format!(
            "[[hive]]\nid = \"h{hive}\"\nname = \"Terrace {hive}\"\nyard = \"north\"\nscale = \"sc-{hive}\"\n"
        );
    }
    let path = dir.join("apiary.toml");
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

/// Three hours of reports of a scale with this battery, every ten minutes, ending at `end`.
fn publish(broker: u16, device: &str, end: i64, volts: f64) {
    let reports: Vec<Value> = (0..18)
        .map(|i| {
            let weight = 40.0 + f64::from(i % 3) * 0.011;
            json!({ "time": end - 600 * i64::from(17 - i), "weight_kg": weight, "battery_v": volts })
        })
        .collect();
    let topic = format!("larder/{device}/readings");
    let sent = program::command("mosquitto_pub")
        .args(["-p", &broker.to_string(), "-q", "1", "-t", &topic])
        .args(["-m", &Value::from(reports).to_string()])
        .status();
    assert!(sent.unwrap().success());
}

/// The retained states that the broker holds, by topic.
fn states(broker: u16) -> Vec<(String, Value)> {
    let heard = program::command("mosquitto_sub")
        .args(["-p", &broker.to_string(), "-t", "larder/hives/+/state"])
        .args(["-W", "1", "--retained-only", "-F", "%t %p"])
        .output()
        .unwrap();
    let text = String::from_utf8(heard.stdout).unwrap();
    text.lines()
        .map(|line| {
            let (topic, payload) = line.split_once(' ').unwrap();
            (topic.to_owned(), serde_json::from_str(payload).unwrap())
        })
        .collect()
}

fn person(service: &Service, id: &str, more: Value) {
    let mut body = json!({ "name": id, "from_severity": "info",
        "ways": [{ "way": "mail", "address": format!("{id}@example.org") }] });
    body.as_object_mut()
        .unwrap()
        .extend(more.as_object().unwrap().clone());
    let path = format!("/api/v1/people/{id}");
    let (status, answer) = http::send(service.http, "PUT", &path, &body).unwrap();
    assert_eq!(status, 200, "{answer}");
}

fn flag_of(service: &Service, hive: &str) -> Option<Value> {
    let all = service.json("/api/v1/flags?open=true")?;
    let flags = all["flags"].as_array()?;
    let found = flags
        .iter()
        .find(|f| f["hive"] == hive && f["kind"] == "low_battery");
    found.cloned()
}

/// A record of the past, with a battery that was low then.
fn import_history(dir: &Path, data: &str) {
    let mut csv = "time,device,channel,unit,value\n".to_owned();
    for i in 0..40 {
        let time = format!("2026-09-01T{:02}:{:02}:00Z", 5 + i / 6, i % 6 * 10);
        csv += &format!("{time},sc-9,weight,kg,40.0\n{time},sc-9,battery,V,3.1\n");
    }
    let file = dir.join("history.csv");
    std::fs::write(&file, csv).unwrap();
    let file = file.to_str().unwrap();
    ok(&["import", "readings", file, "--data", data]);
}

/// Options that name a mail server at a port, with its password and authority in `dir`.
fn mail_options(dir: &Path, mail_url: &str) -> Vec<String> {
    let password = dir.join("password");
    std::fs::write(&password, "pollen\n").unwrap();
    let ca = dir.join("cert.pem");
    let options = [
        ("--mail-server", mail_url),
        ("--mail-from", "Larder <larder@example.org>"),
        ("--mail-password-file", password.to_str().unwrap()),
        ("--mail-ca", ca.to_str().unwrap()),
    ];
    let words = options.iter().flat_map(|(name, value)| [name, value]);
    words.map(|word| (*word).to_owned()).collect()
}

/// One with a webhook as well, one with quiet hours, and one with a digest.
fn declare_people(service: &Service, hook_port: u16) {
    let url = format!("http://127.0.0.1:{hook_port}/in");
    let ways = json!([{ "way": "mail", "address": "ada@example.org" },
        { "way": "webhook", "address": url }]);
    person(service, "ada", json!({ "units": "us", "ways": ways }));
    let quiet = json!({ "from": clock(now() - 3600), "to": clock(now() + 7200) });
    person(service, "bo", json!({ "quiet": quiet }));
    // To the minute, so 30 to 90 seconds from now: after the first mail has failed to go out.
    let digest_at = clock(now() + 90);
    person(service, "cy", json!({ "digest_at": digest_at }));
}

/// The event of a flag that opened at a hive.
fn opened(hive: &'static str) -> impl Fn(&Value) -> bool {
    move |m| m["event"]["type"] == "larder.flag.opened" && m["event"]["data"]["hive"] == hive
}

/// CloudEvents 1.0, structured mode: the required attributes (section 3.1 of the specification).
fn events_come(hook: &mut Receiver) {
    let event = hook.wait("the event of hive 1", opened("h1"));
    assert_eq!(event["type"], "application/cloudevents+json; charset=UTF-8");
    assert_eq!(event["event"]["specversion"], "1.0");
    for attribute in ["id", "source", "time", "subject"] {
        assert!(event["event"][attribute].is_string(), "{attribute}");
    }
    hook.wait("the event of hive 2", opened("h2"));
}

fn a_dead_mail_server_is_told(service: &Service) {
    let trouble = wait::until("trouble to be told", SOON, || {
        service.json("/healthz")?["notices"]
            .as_str()
            .map(str::to_owned)
    });
    assert!(
        trouble.contains("mail to ada@example.org does not get through"),
        "{trouble}"
    );
    let (_, metrics) = http::get(service.http, "/metrics").unwrap();
    assert!(metrics.contains("larder_notices_failed_total"), "{metrics}");
}

/// Someone sees to hive 2, and its state is taken away.
fn one_is_seen_to(service: &Service, broker: u16) {
    let flag = flag_of(service, "h2").unwrap();
    let path = format!("/api/v1/flags/{}/acknowledge", flag["id"].as_str().unwrap());
    let acted = http::send(service.http, "POST", &path, &json!({ "who": "Ada" })).unwrap();
    assert_eq!(acted.0, 200, "{}", acted.1);
    let state = wait::until("the state of hive 1 alone", SOON, || {
        let held = states(broker);
        (held.len() == 1).then(|| held[0].clone())
    });
    assert_eq!(state.0, "larder/hives/h1/state");
    assert_eq!(state.1["flags"][0]["kind"], "low_battery");
}

fn mails_come(mail: &mut Receiver, service: &Service) {
    let told = mail.wait("the mail to ada", to("ada"));
    assert_eq!(told["tls"], true);
    assert_eq!(
        told["subject"],
        "Terrace 1's scale has a nearly empty battery"
    );
    assert!(
        says(&told, "Take a charged battery along") && !says(&told, "sc-2"),
        "{told}"
    );
    let digest = mail.wait("the digest to cy", to("cy"));
    assert!(
        digest["subject"].as_str().unwrap().contains(": Terrace 1"),
        "{digest}"
    );
    assert!(mail.ids("/id", to("bo")).is_empty(), "bo has quiet hours");
    person(service, "bo", json!({ "quiet": null }));
    mail.wait("the mail to bo", to("bo"));
}

/// The flag was wrong, and whoever was told hears it.
fn a_withdrawal_is_told(mail: &mut Receiver, hook: &mut Receiver, service: &Service, broker: u16) {
    let wrong = mail.wait("the withdrawal", |m| {
        to("ada")(m) && says(m, "this was wrong")
    });
    assert!(
        wrong["subject"]
            .as_str()
            .unwrap()
            .contains("is well after all"),
        "{wrong}"
    );
    hook.wait("the event of the withdrawal", |m| {
        m["event"]["type"] == "larder.flag.withdrawn"
    });
    wait::until("the state of hive 1 to be cleared", SOON, || {
        states(broker).is_empty().then_some(())
    });
    wait::until("all to be quiet", SOON, || {
        (service.json("/healthz")?["notices"].is_null()
            && service.json("/api/v1/notices")?["waiting"] == 0)
            .then_some(())
    });
}

/// At least once, and under one id: what arrived twice can be known.
fn each_was_told_under_one_id(mail: &mut Receiver, hook: &mut Receiver) {
    let low = |m: &Value| to("ada")(m) && says(m, "When to act");
    assert_eq!(mail.ids("/id", low).len(), 1, "{:#?}", mail.seen);
    assert_eq!(hook.ids("/event/id", opened("h1")).len(), 1);
    assert!(
        mail.seen.iter().all(|m| !says(m, "sc-9")),
        "history is told to nobody"
    );
    assert!(hook.seen.iter().all(|m| m["event"]["data"]["hive"] != "h9"));
}

fn reports_know_of_it(data: &str) {
    let flags = |more: &str| ok(&["report", "flags", more, "--format", "csv", "--data", data]);
    let review = flags("--review");
    assert!(review.contains("low_battery,3,"), "{review}");
    let withdrawn = flags("--withdrawn");
    assert!(withdrawn.contains(",withdrawn,"), "{withdrawn}");
    let listed = ok(&["notices", "list", "--json", "--data", data]);
    assert!(listed.contains("\"sent\""), "{listed}");
}

/// With a wrong password the mail does not go out, and the webhook does.
fn a_test_says_what_came_of_it(data: &str, mail_url: &str, ca: &Path) {
    let mut test = larder(&["notices", "test", "ada", "--data", data]);
    test.env("LARDER_MAIL_SERVER", mail_url)
        .env("LARDER_MAIL_FROM", "larder@example.org")
        .env("LARDER_MAIL_PASSWORD", "wrong")
        .env("LARDER_MAIL_CA", ca);
    let refused = test.output().unwrap();
    let said = String::from_utf8_lossy(&refused.stdout);
    assert_eq!(refused.status.code(), Some(1), "{refused:?}");
    assert!(
        said.contains("mail to ada@example.org: ")
            && said.contains("webhook to http")
            && said.contains(": sent."),
        "{said}"
    );
}

#[test]
#[ignore = "needs a mail server in Python: cargo xtask e2e notices"]
fn people_are_told_once_whatever_dies() {
    let dir = tempfile::tempdir().unwrap();
    certificate::make(dir.path());
    let data_dir = dir.path().join("data");
    let data = data_dir.to_str().unwrap();
    let broker = Mosquitto::start(dir.path());
    ok(&["apply", &apiary(dir.path()), "--data", data]);
    import_history(dir.path(), data);

    let (mail_port, hook_port) = (free_port(), free_port());
    let mail_url = format!("smtp://larder@localhost:{mail_port}");
    let options = mail_options(dir.path(), &mail_url);
    let options: Vec<&str> = options.iter().map(String::as_str).collect();
    let mut hook = Receiver::start(&["hook", &hook_port.to_string()]);
    let mut service = Service::on_broker(&data_dir, broker.port, &options);
    service.takes_readings();
    declare_people(&service, hook_port);

    let end = now() - 60;
    publish(broker.port, "sc-1", end, 3.2);
    publish(broker.port, "sc-2", end, 3.2);
    events_come(&mut hook);
    a_dead_mail_server_is_told(&service);
    one_is_seen_to(&service, broker.port);

    service.running.kill_9();
    let [cert, key] = ["cert.pem", "key.pem"].map(|name| dir.path().join(name));
    let (cert_text, key_text) = (cert.to_str().unwrap(), key.to_str().unwrap());
    let mut mail = Receiver::start(&["smtp", &mail_port.to_string(), cert_text, key_text]);
    service = Service::on_broker(&data_dir, broker.port, &options);
    mails_come(&mut mail, &service);

    // What the scale said is put right.
    publish(broker.port, "sc-1", end, 4.0);
    a_withdrawal_is_told(&mut mail, &mut hook, &service, broker.port);
    each_was_told_under_one_id(&mut mail, &mut hook);
    reports_know_of_it(data);
    a_test_says_what_came_of_it(data, &mail_url, &cert);
    service.stop();
}
