//! The whole router over a real embedded store, without a socket.

#![allow(
    clippy::unwrap_used,
    reason = "a test ends where an answer is not as it should be"
)]

mod described;

use axum::Router;
use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use larder_api::{Host, Live, ReplayOutcome, Service, router};
use larder_domain::{
    Care, ChannelName, ChannelRef, DeviceId, Evidence, FeederId, FillEvent, FillSource, Flag,
    FlagId, FlagKind, HiveId, KeptFlag, Learned, Measure, Reading, Severity, Timestamp, Trait,
    UptakeDay, WeightDay, WeightQuality, YardId,
};
use larder_estimate::FeederNow;
use larder_store::{
    Access, EmbeddedStore, QuarantinedId, Readings, Records, Refused, ResultsPatch, StoreError,
};
use larder_syrup::{Estimate, Strength};
use serde_json::{Value, json};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tower::ServiceExt;

const NOW: Timestamp = Timestamp(1_788_234_000_000); // 2026-09-01T03:40:00Z, late on 31 August in New York

struct TestHost {
    ready: Arc<AtomicBool>,
    store: Arc<EmbeddedStore>,
    all_changed: Arc<std::sync::atomic::AtomicUsize>,
    fills_at: Arc<std::sync::Mutex<Vec<YardId>>>,
}

impl Host for TestHost {
    fn now(&self) -> Timestamp {
        NOW
    }
    fn ready(&self) -> Result<(), String> {
        match self.ready.load(Ordering::Relaxed) {
            true => Ok(()),
            false => Err("not connected to the broker".to_owned()),
        }
    }
    fn replay(&self, _: &[QuarantinedId]) -> Result<ReplayOutcome, StoreError> {
        Ok(ReplayOutcome {
            released: 1,
            kept: 2,
            readings: 3,
        })
    }
    fn take_out(
        &self,
        removal: &larder_store::Removal<'_>,
    ) -> Result<larder_store::Removed, StoreError> {
        self.store.remove(removal)
    }
    fn changed(&self) {
        self.all_changed.fetch_add(1, Ordering::Relaxed);
    }
    fn fill_changed(&self, yards: &[YardId], _: Timestamp) {
        self.fills_at.lock().unwrap().extend_from_slice(yards);
    }
    fn metrics(&self) -> String {
        "larder_readings_total 7\n".to_owned()
    }
}

struct Api {
    router: Router,
    store: Arc<EmbeddedStore>,
    live: Live,
    ready: Arc<AtomicBool>,
    all_changed: Arc<std::sync::atomic::AtomicUsize>,
    fills_at: Arc<std::sync::Mutex<Vec<YardId>>>,
    _folder: tempfile::TempDir,
}

impl Api {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Arc::new(EmbeddedStore::open(folder.path(), Access::Create).unwrap());
        let live = Live::default();
        let ready = Arc::new(AtomicBool::new(true));
        let (news, _) = tokio::sync::broadcast::channel(16);
        let all_changed = Arc::new(std::sync::atomic::AtomicUsize::new(0));
        let fills_at = Arc::new(std::sync::Mutex::new(Vec::new()));
        let service = Service {
            readings: store.clone(),
            records: store.clone(),
            notices: store.clone(),
            live: live.clone(),
            news,
            host: Arc::new(TestHost {
                ready: ready.clone(),
                store: store.clone(),
                all_changed: all_changed.clone(),
                fills_at: fills_at.clone(),
            }),
            listeners: Service::usual_listeners(),
            stopping: tokio_util::sync::CancellationToken::new(),
        };
        let router = router(Arc::new(service));
        Self {
            router,
            store,
            live,
            ready,
            all_changed,
            fills_at,
            _folder: folder,
        }
    }

    async fn send(&self, request: Request<Body>) -> (StatusCode, String, Vec<u8>) {
        let (head, body) = request.into_parts();
        let sent = axum::body::to_bytes(body, 10_000_000).await.unwrap();
        let (method, path) = (head.method.clone(), head.uri.to_string());
        let request = Request::from_parts(head, Body::from(sent.clone()));
        let response = self.router.clone().oneshot(request).await.unwrap();
        let status = response.status();
        let kind = response.headers().get(header::CONTENT_TYPE);
        let kind = kind.map_or(String::new(), |k| k.to_str().unwrap().to_owned());
        let bytes = axum::body::to_bytes(response.into_body(), 10_000_000)
            .await
            .unwrap();
        described::Exchange {
            method: &method,
            path: &path,
            sent: &sent,
            status,
            content_type: &kind,
            answer: &bytes,
        }
        .check();
        (status, kind, bytes.to_vec())
    }

    async fn get(&self, path: &str) -> (StatusCode, Value) {
        let (status, _, bytes) = self
            .send(Request::get(path).body(Body::empty()).unwrap())
            .await;
        (
            status,
            serde_json::from_slice(&bytes).unwrap_or(Value::Null),
        )
    }

    async fn write(&self, method: &str, path: &str, body: &Value) -> (StatusCode, Value) {
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header(header::CONTENT_TYPE, "application/json")
            .body(Body::from(body.to_string()))
            .unwrap();
        let (status, _, bytes) = self.send(request).await;
        (
            status,
            serde_json::from_slice(&bytes).unwrap_or(Value::Null),
        )
    }

    /// One yard with one hive with one feeder, declared through the API as a page would.
    async fn with_a_yard() -> Self {
        let api = Self::new();
        let yard = json!({ "name": "North terrace", "timezone": "America/New_York",
            "latitude": 41.2, "longitude": -77.3, "weather": "wx-north" });
        assert_eq!(
            api.write("PUT", "/api/v1/yards/north", &yard).await.0,
            StatusCode::OK
        );
        let hive = json!({ "yard": "north", "scale": [{ "device": "sc-1" }],
            "goal": "winter_stores", "target_weight_kg": 48.0, "target_date": "2026-10-15" });
        assert_eq!(
            api.write("PUT", "/api/v1/hives/north-01", &hive).await.0,
            StatusCode::OK
        );
        let feeder = json!({ "hive": "north-01", "kind": "tray", "capacity_l": 11.0, "sensor": [
            { "device": "lv-1", "channel": "distance", "mount_m": 0.145, "area_m2": 0.0759 }] });
        assert_eq!(
            api.write("PUT", "/api/v1/feeders/north-01-f", &feeder)
                .await
                .0,
            StatusCode::OK
        );
        api
    }

    fn append(&self, device: &str, channel: &str, values: &[(i64, f64)]) {
        let readings: Vec<_> = values
            .iter()
            .map(|&(minutes, value)| {
                Reading::check(
                    DeviceId::new(device).unwrap(),
                    ChannelName::new(channel).unwrap(),
                    None,
                    NOW.plus_ms(minutes * 60_000),
                    value,
                    NOW,
                )
                .unwrap()
            })
            .collect();
        self.store.append_durable(&readings).unwrap();
    }
}

#[tokio::test]
async fn the_shelf_says_how_every_feeder_stands() {
    let api = Api::with_a_yard().await;
    api.append("wx-north", "temperature", &[(-10, 17.5)]);
    api.append("wx-north", "rain", &[(-2000, 5.0), (-70, 0.4), (-10, 0.8)]);
    let feeder = FeederId::new("north-01-f").unwrap();
    api.live.update(vec![FeederNow {
        feeder: feeder.clone(),
        seen_at: Some(NOW.plus_ms(-60_000)),
        remaining_l: Some(Estimate {
            value: 6.2,
            lo: 6.0,
            hi: 6.4,
        }),
        rate_l_per_day: Some(Estimate {
            value: 0.9,
            lo: 0.7,
            hi: 1.1,
        }),
    }]);
    let day = |date: &str, litres: f64| UptakeDay {
        date: date.parse().unwrap(),
        feeder: feeder.clone(),
        uptake_l: Some(Estimate {
            value: litres,
            lo: litres - 0.1,
            hi: litres + 0.1,
        }),
        remaining_l: None,
        sugar_kg: None,
        sensed_share: 1.0,
    };
    api.store
        .replace_results(&ResultsPatch {
            feeders: vec![feeder.clone()],
            dates: Some(("2026-08-30".parse().unwrap(), "2026-08-31".parse().unwrap())),
            uptake: vec![day("2026-08-30", 0.8), day("2026-08-31", 0.3)],
            ..ResultsPatch::default()
        })
        .unwrap();
    let flag = Flag {
        kind: FlagKind::Stalled,
        yard: Some(YardId::new("north").unwrap()),
        hive: Some(HiveId::new("north-01").unwrap()),
        feeder: Some(feeder),
        device: None,
        opened_at: NOW.plus_ms(-3_600_000),
        closed_at: None,
        severity: Severity::Warning,
        probability: 0.82,
        evidence: Evidence::new("Took {took} yesterday.").with("took", 0.05, Measure::Volume),
    };
    api.store.keep_flags(&[kept(flag)]).unwrap();

    let (status, shelf) = api.get("/api/v1/shelf").await;
    assert_eq!(status, StatusCode::OK);
    insta::assert_json_snapshot!("shelf", shelf);
}

#[tokio::test]
async fn the_shelf_of_a_hive_holds_its_yard_alone() {
    let api = Api::with_a_yard().await;
    let (_, all) = api.get("/api/v1/shelf").await;
    let (status, own) = api.get("/api/v1/shelf?hive=north-01").await;
    assert_eq!(status, 200);
    let yards = own["yards"].as_array().unwrap();
    assert_eq!(yards.len(), 1);
    let same = |yard: &&Value| yard["id"] == yards[0]["id"];
    assert_eq!(
        all["yards"].as_array().unwrap().iter().find(same),
        Some(&yards[0])
    );
    assert_eq!(api.get("/api/v1/shelf?hive=nowhere").await.0, 404);
    assert_eq!(api.get("/api/v1/shelf?yard=north").await.0, 400);
}

fn feeder(id: &str) -> FeederId {
    FeederId::new(id).unwrap()
}

/// A yard with three feeders: two are known, of one only an older day.
async fn with_three_feeders() -> Api {
    let api = Api::with_a_yard().await;
    let jar = |hive: &str| json!({ "hive": hive, "kind": "jar", "capacity_l": 2.0 });
    for (path, body) in [
        ("/api/v1/hives/north-02", json!({ "yard": "north" })),
        ("/api/v1/feeders/north-01-g", jar("north-01")),
        ("/api/v1/feeders/north-02-f", jar("north-02")),
    ] {
        assert_eq!(api.write("PUT", path, &body).await.0, StatusCode::OK);
    }
    let around = |value: f64, half: f64| Estimate {
        value,
        lo: value - half,
        hi: value + half,
    };
    let level = |id: &str, value: f64, half: f64| FeederNow {
        feeder: feeder(id),
        seen_at: Some(NOW),
        remaining_l: Some(around(value, half)),
        rate_l_per_day: None,
    };
    api.live.update(vec![
        level("north-01-f", 6.0, 0.3),
        level("north-01-g", 1.0, 0.4),
    ]);
    let day = |id: &str, date: &str, uptake_l: Option<Estimate>| UptakeDay {
        date: date.parse().unwrap(),
        feeder: feeder(id),
        uptake_l,
        remaining_l: None,
        sugar_kg: None,
        sensed_share: 1.0,
    };
    api.store
        .replace_results(&ResultsPatch {
            feeders: ["north-01-f", "north-01-g", "north-02-f"]
                .map(feeder)
                .into(),
            dates: Some(("2026-08-28".parse().unwrap(), "2026-08-31".parse().unwrap())),
            uptake: vec![
                day("north-01-f", "2026-08-30", Some(around(0.8, 0.3))),
                day("north-01-g", "2026-08-30", Some(around(0.5, 0.4))),
                day("north-01-g", "2026-08-29", Some(around(0.5, 0.4))),
                day("north-01-f", "2026-08-29", None),
                day("north-02-f", "2026-08-28", Some(around(0.2, 0.1))),
            ],
            ..ResultsPatch::default()
        })
        .unwrap();
    api
}

/// The sums of a yard with three feeders: one is known, one is not heard, of one nothing is known.
#[tokio::test]
async fn sums_say_how_many_feeders_are_not_in_them() {
    let api = with_three_feeders().await;
    let (_, shelf) = api.get("/api/v1/shelf").await;
    let yard = &shelf["yards"][0];
    assert_eq!(
        yard["totals"]["remaining_l"],
        json!({ "value": 7.0, "lo": 6.5, "hi": 7.5, "n_known": 2, "n_unknown": 1 })
    );
    // The third feeder knows an older day only: of this one it is not known.
    assert_eq!(
        yard["totals"]["last_day"],
        json!({ "date": "2026-08-30",
            "uptake_l": { "value": 1.3, "lo": 0.8, "hi": 1.8, "n_known": 2, "n_unknown": 1 } })
    );
    assert_eq!(
        yard["hives"][1]["totals"]["remaining_l"],
        json!({ "value": null, "lo": null, "hi": null, "n_known": 0, "n_unknown": 1 })
    );
    let (_, uptake) = api.get("/api/v1/hives/north-01/uptake").await;
    let totals = uptake["totals"].as_array().unwrap();
    let (first, second) = (&totals[0], &totals[1]);
    assert_eq!(
        first["uptake_l"],
        json!({ "value": 0.5, "lo": 0.1, "hi": 0.9, "n_known": 1, "n_unknown": 1 })
    );
    assert_eq!(second["date"], json!("2026-08-30"));
    assert_eq!(second["uptake_l"]["n_unknown"], json!(0));
    assert_eq!(first["remaining_l"]["n_unknown"], json!(2));

    let flag = Flag {
        kind: FlagKind::Silent,
        yard: Some(YardId::new("north").unwrap()),
        hive: Some(HiveId::new("north-01").unwrap()),
        feeder: Some(feeder("north-01-f")),
        device: Some(DeviceId::new("lv-1").unwrap()),
        opened_at: NOW,
        closed_at: None,
        severity: Severity::Warning,
        probability: 0.99,
        evidence: Evidence::default(),
    };
    api.store.keep_flags(&[kept(flag)]).unwrap();
    let (_, shelf) = api.get("/api/v1/shelf").await;
    assert_eq!(
        shelf["yards"][0]["totals"]["remaining_l"],
        json!({ "value": 1.0, "lo": 0.6, "hi": 1.4, "n_known": 1, "n_unknown": 2 })
    );
    let texts = &shelf["yards"][0]["hives"][0]["flags"][0]["texts"];
    assert_eq!(
        texts["sentence"],
        json!("north-01's level sensor is not heard.")
    );
    assert_eq!(texts["when"], json!("on the next trip"));
    assert_eq!(texts["sure"], json!("as good as certain"));
}

/// The pages' invented API speaks in the service's own words: this test writes them down for it.
#[tokio::test]
async fn kinds_of_flags_are_listed_with_their_words() {
    let api = Api::new();
    let (status, kinds) = api.get("/api/v1/flag-kinds").await;
    assert_eq!(status, StatusCode::OK);
    let known = kinds["kinds"].as_array().unwrap();
    assert_eq!(known.len(), FlagKind::ALL.len());
    let of = |name: &str| known.iter().find(|k| k["kind"] == name).unwrap();
    assert_eq!(of("needs_feed")["only_when_named"], json!(true));
    assert_eq!(of("silent")["word"], json!("silent"));
    assert_eq!(kinds["severities"][1]["when"], json!("on the next trip"));

    let mock = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../dashboards/mock/flag-kinds.json"
    );
    let written: Option<Value> = std::fs::read(mock)
        .ok()
        .and_then(|bytes| serde_json::from_slice(&bytes).ok());
    if written.as_ref() != Some(&kinds) {
        let text = serde_json::to_string_pretty(&kinds).unwrap();
        std::fs::write(mock, text + "\n").unwrap();
        panic!("dashboards/mock/flag-kinds.json was out of date and is written anew: commit it");
    }
}

/// A box of 12 kg and a fill of 2 l of 1:1 (1.23 kg/l) on one day, and a fill that nobody measured on
/// the next.
#[tokio::test]
async fn what_fills_do_not_explain_was_done_by_hand() {
    let api = Api::with_a_yard().await;
    let feeder = FeederId::new("north-01-f").unwrap();
    let fill = |time: &str, volume_l: Option<f64>| FillEvent {
        feeder: feeder.clone(),
        time: Timestamp::parse_rfc3339(time).unwrap(),
        volume_l: volume_l.map(|value| Estimate::normal(value, 0.05)),
        strength: Strength::parse("1:1").ok(),
        source: FillSource::Both,
    };
    let day = |date: &str, handling_kg: f64| WeightDay {
        date: date.parse().unwrap(),
        hive: HiveId::new("north-01").unwrap(),
        weight_kg: None,
        net_change_kg: None,
        handling_kg,
        quality: WeightQuality::Good,
    };
    api.store
        .replace_results(&ResultsPatch {
            feeders: vec![feeder.clone()],
            hives: vec![HiveId::new("north-01").unwrap()],
            dates: Some(("2026-08-28".parse().unwrap(), "2026-08-30".parse().unwrap())),
            weight: vec![
                day("2026-08-28", 0.0),
                day("2026-08-29", 14.5),
                day("2026-08-30", 2.5),
            ],
            fills_span: Some(larder_domain::Span::ALWAYS),
            fills: vec![
                fill("2026-08-29T22:00:00Z", Some(2.0)),
                fill("2026-08-30T22:00:00Z", None),
            ],
            ..ResultsPatch::default()
        })
        .unwrap();
    let (_, weight) = api.get("/api/v1/hives/north-01/weight").await;
    let beyond = |i: usize| weight["days"][i]["beyond_fills_kg"].as_f64();
    assert_eq!(beyond(0), Some(0.0));
    assert!((beyond(1).unwrap() - 12.04).abs() < 0.02, "{weight}");
    assert_eq!(beyond(2), None);
}

#[tokio::test]
async fn people_are_declared_tested_and_taken_out() {
    let api = Api::with_a_yard().await;
    let ada = json!({ "name": "Ada", "ways": [{ "way": "mail", "address": "ada@example.org" }],
        "yards": ["north"], "kinds": ["leaking", "robbed"], "from_severity": "urgent",
        "quiet": { "from": "21:00", "to": "06:30" }, "digest_at": "07:00", "units": "us" });
    let (status, answer) = api.write("PUT", "/api/v1/people/ada", &ada).await;
    assert_eq!(status, StatusCode::OK, "{answer}");
    let (_, listed) = api.get("/api/v1/people").await;
    assert_eq!(listed["people"], json!([answer]));
    let wrong = [
        (
            json!({ "ways": [{ "way": "mail", "address": "ada" }] }),
            "a mail address is like",
        ),
        (
            json!({ "ways": [{ "way": "pigeon", "address": "x" }] }),
            "a way is mail or webhook",
        ),
        (json!({ "kinds": ["leeking"] }), "there is no kind"),
        (json!({ "yards": ["nowhere"] }), "there is no yard"),
        (json!({ "digest_at": "7 o'clock" }), "a time of day is like"),
        (json!({ "from_severity": "dire" }), "from_severity is"),
    ];
    for (body, sentence) in wrong {
        let (status, answer) = api.write("PUT", "/api/v1/people/bo", &body).await;
        assert_eq!(status, StatusCode::BAD_REQUEST);
        assert!(
            answer["detail"].as_str().unwrap().contains(sentence),
            "{answer}"
        );
    }
    let test = api
        .write("POST", "/api/v1/people/ada/test", &json!({}))
        .await;
    assert_eq!(test.0, StatusCode::ACCEPTED);
    let (_, notices) = api.get("/api/v1/notices").await;
    assert_eq!(notices["waiting"], json!(1));
    assert_eq!(notices["notices"][0]["kind"], json!("test"));
    for expected in [StatusCode::NO_CONTENT, StatusCode::NOT_FOUND] {
        let gone = api.write("DELETE", "/api/v1/people/ada", &json!({})).await;
        assert_eq!(gone.0, expected);
    }
    let (_, notices) = api.get("/api/v1/notices").await;
    assert_eq!(notices["waiting"], json!(0));
    assert_eq!(notices["notices"][0]["state"], json!("moot"));
}

fn kept(flag: Flag) -> KeptFlag {
    KeptFlag {
        id: FlagId::first_of(&flag),
        known_at: Some(flag.opened_at),
        changed_at: flag.opened_at,
        flag,
        withdrawn_at: None,
        care: Care::default(),
    }
}

#[tokio::test]
async fn what_people_say_about_a_flag_is_kept_once_and_makes_it_quiet() {
    let api = Api::with_a_yard().await;
    let flag = kept(Flag {
        kind: FlagKind::Leaking,
        yard: Some(YardId::new("north").unwrap()),
        hive: Some(HiveId::new("north-01").unwrap()),
        feeder: None,
        device: None,
        opened_at: NOW.plus_ms(-3_600_000),
        closed_at: None,
        severity: Severity::Urgent,
        probability: 0.9,
        evidence: Evidence::new("{left} left, at {when}.")
            .with("left", 3.785_411_784, Measure::Volume)
            .with("when", NOW.0 as f64, Measure::Moment),
    });
    api.store.keep_flags(std::slice::from_ref(&flag)).unwrap();
    let path = format!("/api/v1/flags/{}", flag.id);
    let (_, before) = api.get(&path).await;
    assert_eq!(
        before["evidence"],
        json!("3.79 L left, at Mon 31 Aug 23:40.")
    );
    assert_eq!(before["numbers"][0]["unit"], json!("l"));
    assert_eq!(
        (&before["quiet"], &before["state"]),
        (&json!(false), &json!("open"))
    );
    let us = json!({ "units": "us" });
    assert_eq!(
        api.write("PUT", "/api/v1/settings", &us).await.0,
        StatusCode::OK
    );
    let at = NOW.plus_ms(-60_000).to_rfc3339();
    let later = NOW.plus_ms(86_400_000).to_rfc3339();
    let acts = [
        ("acknowledge", json!({ "who": "Ada", "at": at })),
        ("snooze", json!({ "until": later, "who": "Ada", "at": at })),
        (
            "note",
            json!({ "text": " lid was open ", "who": "Ada", "at": at }),
        ),
        (
            "verdict",
            json!({ "verdict": "right", "who": "Ada", "at": at }),
        ),
    ];
    for (act, body) in &acts {
        for _ in 0..2 {
            let (status, answer) = api.write("POST", &format!("{path}/{act}"), body).await;
            assert_eq!(status, StatusCode::OK, "{act}: {answer}");
        }
    }
    let (_, after) = api.get(&path).await;
    let who = json!({ "who": "Ada", "at": at });
    assert_eq!(after["evidence"], json!("1 gal left, at Mon 31 Aug 23:40."));
    assert_eq!(
        (&after["quiet"], &after["care"]["acknowledged"]),
        (&json!(true), &who)
    );
    assert_eq!(
        after["care"]["notes"],
        json!([{ "text": "lid was open", "who": "Ada", "at": at }])
    );
    assert_eq!(after["care"]["verdict"]["verdict"], json!("right"));
    assert_eq!(after["care"]["snoozed"]["until"], json!(later));
    let (_, shelf) = api.get("/api/v1/shelf").await;
    assert_eq!(shelf["yards"][0]["hives"][0]["flags"][0], after);
    let back = json!({ "acknowledged": false, "who": "Ada" });
    let (_, answer) = api
        .write("POST", &format!("{path}/acknowledge"), &back)
        .await;
    assert_eq!(answer["care"]["acknowledged"], Value::Null);
}

#[tokio::test]
async fn what_is_wrong_with_an_act_is_said() {
    let api = Api::with_a_yard().await;
    let flag = kept(Flag {
        kind: FlagKind::Silent,
        yard: None,
        hive: None,
        feeder: None,
        device: Some(DeviceId::new("sc-1").unwrap()),
        opened_at: NOW,
        closed_at: None,
        severity: Severity::Urgent,
        probability: 0.9,
        evidence: Evidence::default(),
    });
    api.store.keep_flags(std::slice::from_ref(&flag)).unwrap();
    let here = format!("/api/v1/flags/{}", flag.id);
    let far = NOW.plus_ms(3_600_000).to_rfc3339();
    let wrong = [
        (
            "/api/v1/flags/silent:sc-2:1/acknowledge".to_owned(),
            json!({}),
            StatusCode::NOT_FOUND,
            "there is no flag",
        ),
        (
            format!("{here}/verdict"),
            json!({ "verdict": "maybe" }),
            StatusCode::BAD_REQUEST,
            "verdict is",
        ),
        (
            format!("{here}/note"),
            json!({ "text": "  " }),
            StatusCode::BAD_REQUEST,
            "a note has 1 to",
        ),
        (
            format!("{here}/note"),
            json!({ "text": "x".repeat(2001) }),
            StatusCode::BAD_REQUEST,
            "a note has 1 to",
        ),
        (
            format!("{here}/snooze"),
            json!({ "until": "tomorrow" }),
            StatusCode::BAD_REQUEST,
            "a time is written",
        ),
        (
            format!("{here}/acknowledge"),
            json!({ "at": far }),
            StatusCode::BAD_REQUEST,
            "ahead of the clock",
        ),
        (
            format!("{here}/acknowledge"),
            json!({ "whom": "x" }),
            StatusCode::BAD_REQUEST,
            "unknown field",
        ),
    ];
    for (path, body, expected, sentence) in wrong {
        let (status, answer) = api.write("POST", &path, &body).await;
        assert_eq!(status, expected, "{path} {answer}");
        assert!(
            answer["detail"].as_str().unwrap().contains(sentence),
            "{answer}"
        );
    }
}

#[tokio::test]
async fn series_come_as_columns_and_are_reduced_without_losing_peaks() {
    let api = Api::with_a_yard().await;
    let values: Vec<_> = (0..1000)
        .map(|i| (i - 1000, if i == 500 { 90.0 } else { 40.0 }))
        .collect();
    api.append("sc-1", "weight", &values);
    let (_, whole) = api
        .get("/api/v1/readings?device=sc-1&channel=weight&points=2000")
        .await;
    assert_eq!(whole["value"].as_array().unwrap().len(), 1000);
    assert_eq!(whole["reduced"], json!(false));
    assert_eq!(whole["unit"], json!("kg"));
    assert_eq!(whole["start_ms"].as_i64().unwrap(), NOW.0 - 60_000_000);
    assert_eq!(whole["step_ms"][0], json!(0));
    assert_eq!(whole["step_ms"][1], json!(60_000));
    let (_, few) = api
        .get("/api/v1/readings?device=sc-1&channel=weight&points=50")
        .await;
    let few_values = few["value"].as_array().unwrap();
    assert!(few_values.len() <= 60 && few["reduced"] == json!(true));
    assert!(few_values.contains(&json!(90.0)), "the peak is gone");
    let (_, scale) = api.get("/api/v1/hives/north-01/scale?points=2000").await;
    assert_eq!(scale["value"], whole["value"]);
}

#[tokio::test]
async fn levels_become_litres() {
    let api = Api::with_a_yard().await;
    // 0.145 m - 0.045 m = 0.1 m over 0.0759 m2 is 7.59 l.
    api.append("lv-1", "distance", &[(-10, 0.045), (-5, 0.145)]);
    let (_, volume) = api.get("/api/v1/feeders/north-01-f/volume").await;
    assert_eq!(volume["value"], json!([7.59, 0.0]));
    assert_eq!(volume["unit"], json!("l"));
    assert_eq!(volume["left_out"]["value"], json!([]));
}

#[tokio::test]
async fn a_level_that_cannot_be_stands_apart() {
    let api = Api::with_a_yard().await;
    // A slow fall, a millimetre's noise, one echo from the lid and one from beyond the floor.
    let values: Vec<_> = (0..200)
        .map(|i| match i {
            80 => (i * 5 - 1000, 0.010),
            150 => (i * 5 - 1000, 0.9),
            _ => (
                i * 5 - 1000,
                0.07 + 0.0001 * i as f64 + 0.001 * (i % 3) as f64,
            ),
        })
        .collect();
    api.append("lv-1", "distance", &values);
    let (_, volume) = api.get("/api/v1/feeders/north-01-f/volume").await;
    assert_eq!(volume["value"].as_array().unwrap().len(), 198);
    // (0.145 - 0.010) m and (0.145 - 0.9) m over 0.0759 m2.
    assert_eq!(volume["left_out"]["value"], json!([10.2465, -57.3045]));
    assert_eq!(volume["left_out"]["step_ms"], json!([0, 70 * 5 * 60_000]));
    let (_, few) = api.get("/api/v1/feeders/north-01-f/volume?points=20").await;
    assert_eq!(few["reduced"], json!(true));
    assert!(few["value"].as_array().unwrap().len() <= 20);
    assert_eq!(
        few["left_out"],
        volume["left_out"]
            .as_object()
            .map(|_| {
                let mut same = volume["left_out"].clone();
                same["reduced"] = json!(true);
                same
            })
            .unwrap()
    );
}

#[tokio::test]
async fn all_channels_of_a_yards_day_come_in_one_answer() {
    let api = Api::with_a_yard().await;
    api.append("sc-1", "weight", &[(-10, 41.0), (-3000, 40.0)]);
    api.append("stranger", "weight", &[(-10, 50.0)]);
    let (status, day) = api.get("/api/v1/yards/north/readings/2026-08-31").await;
    assert_eq!(status, StatusCode::OK);
    assert_eq!(day["series"].as_array().unwrap().len(), 1);
    assert_eq!(day["series"][0]["value"], json!([41.0]));
}

#[tokio::test]
async fn what_would_not_fit_together_is_refused_with_a_sentence() {
    let api = Api::with_a_yard().await;
    let hive = json!({ "yard": "nowhere" });
    let (status, problem) = api.write("PUT", "/api/v1/hives/h", &hive).await;
    assert_eq!(status, StatusCode::CONFLICT);
    assert_eq!(
        problem,
        json!({ "type": "about:blank", "title": "Conflict", "status": 409,
            "detail": "hive \"h\": there is no yard \"nowhere\"; declare it or correct the name" })
    );
    let (status, _) = api.write("DELETE", "/api/v1/yards/north", &json!({})).await;
    assert_eq!(status, StatusCode::CONFLICT);
    assert_eq!(
        api.get("/api/v1/yards/north").await.0,
        StatusCode::OK,
        "nothing changed"
    );
}

#[tokio::test]
async fn wrong_requests_are_problem_details() {
    let api = Api::with_a_yard().await;
    for (path, status) in [
        ("/api/v1/nothing", 404),
        ("/api/v1/hives/none", 404),
        ("/api/v1/hives/none/uptake", 404),
        ("/api/v1/hives/north-01/uptake?from=yesterday", 400),
        (
            "/api/v1/hives/north-01/uptake?from=2026-09-02&to=2026-09-01",
            400,
        ),
        ("/api/v1/readings?device=a%20b&channel=weight", 400),
        ("/api/v1/readings?device=a&channel=weight&points=1", 400),
        ("/api/v1/readings?channel=weight", 400),
        ("/api/v1/readings?device=a&channel=weight&from=2026", 400),
    ] {
        let request = Request::get(path).body(Body::empty()).unwrap();
        let (got, kind, bytes) = api.send(request).await;
        assert_eq!(got.as_u16(), status, "{path}");
        assert_eq!(kind, "application/problem+json", "{path}");
        let problem: Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!(problem["status"], json!(status), "{path}");
        assert!(problem["detail"].as_str().unwrap().len() > 10, "{path}");
    }
}

#[tokio::test]
async fn a_form_on_a_foreign_page_can_write_nothing() {
    let api = Api::with_a_yard().await;
    let request = Request::post("/api/v1/fills")
        .header(header::CONTENT_TYPE, "text/plain")
        .body(Body::from(
            r#"{"feeder":"north-01-f","time":"2026-09-01T03:00:00Z"}"#,
        ))
        .unwrap();
    assert_eq!(api.send(request).await.0, StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn the_bounds_that_are_described_are_held() {
    let api = Api::new();
    let (_, description) = api.get("/api/v1/openapi.json").await;
    for (path, query, name) in [
        ("/api/v1/readings", "device=a&channel=weight&", "points"),
        ("/api/v1/flags", "", "limit"),
    ] {
        let parameters = description["paths"][path]["get"]["parameters"].as_array();
        let parameter = parameters.unwrap().iter().find(|one| one["name"] == name);
        let bound = |which: &str| parameter.unwrap()["schema"][which].as_i64().unwrap();
        let (least, most) = (bound("minimum"), bound("maximum"));
        for (value, status) in [(least - 1, 400), (least, 200), (most, 200), (most + 1, 400)] {
            let (got, _) = api.get(&format!("{path}?{query}{name}={value}")).await;
            assert_eq!(got.as_u16(), status, "{path} {name}={value}");
        }
    }
}

/// What is refused before any handler sees it is a problem as well.
#[tokio::test]
async fn what_no_handler_sees_is_refused_with_a_reason() {
    let api = Api::new();
    let json = (header::CONTENT_TYPE, "application/json");
    let long = Request::post("/api/v1/fills").header(json.0, json.1);
    let long = long.header(header::CONTENT_LENGTH, 300_000);
    let long = long.body(Body::from(vec![b' '; 300_000])).unwrap();
    let wrong = Request::patch("/api/v1/fills").body(Body::empty()).unwrap();
    for (request, status) in [(long, 413), (wrong, 405)] {
        let (got, kind, bytes) = api.send(request).await;
        assert_eq!(got.as_u16(), status);
        assert_eq!(kind, "application/problem+json");
        let problem: Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!(problem["status"], json!(status));
        assert!(problem["detail"].as_str().unwrap().len() > 10, "{problem}");
    }
    let wrong = Request::patch("/api/v1/fills").body(Body::empty()).unwrap();
    let answer = api.router.clone().oneshot(wrong).await.unwrap();
    assert!(answer.headers().contains_key(header::ALLOW));
}

#[tokio::test]
async fn fills_are_written_down_once_and_taken_out_again() {
    let api = Api::with_a_yard().await;
    let declared = api.all_changed.load(Ordering::Relaxed);
    let fill = json!({ "id": "c-1", "feeder": "north-01-f", "time": "2026-09-01T03:00:00Z",
        "volume_l": 7.5, "strength": "2:1" });
    assert_eq!(
        api.write("POST", "/api/v1/fills", &fill).await.0,
        StatusCode::CREATED
    );
    assert_eq!(
        api.write("POST", "/api/v1/fills", &fill).await.0,
        StatusCode::OK
    );
    let known = api
        .store
        .recorded_fills(None, larder_domain::Span::ALWAYS)
        .unwrap();
    assert_eq!(known.len(), 1);
    for (field, wrong) in [
        ("feeder", json!("none")),
        ("volume_l", json!(-1.0)),
        ("volume_l", json!(200.0)),
        ("strength", json!("0:1")),
        ("time", json!("now")),
        ("time", json!("2027-01-01T00:00:00Z")),
        ("colour", json!("red")),
    ] {
        let mut bad = fill.clone();
        bad[field] = wrong;
        let (status, problem) = api.write("POST", "/api/v1/fills", &bad).await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{bad}: {problem}");
    }
    let path = "/api/v1/fills?feeder=north-01-f&time=2026-09-01T03:00:00Z";
    assert_eq!(
        api.write("DELETE", path, &json!({})).await.0,
        StatusCode::NO_CONTENT
    );
    assert_eq!(
        api.write("DELETE", path, &json!({})).await.0,
        StatusCode::NOT_FOUND
    );
    // A fill makes its own yard be estimated, and not the whole operation.
    assert_eq!(api.all_changed.load(Ordering::Relaxed), declared);
    let north = YardId::new("north").unwrap();
    assert_eq!(
        *api.fills_at.lock().unwrap(),
        [north.clone(), north.clone(), north]
    );
}

#[tokio::test]
async fn a_device_that_nobody_declared_is_listed_as_standing_nowhere() {
    let api = Api::with_a_yard().await;
    api.append("stranger", "battery", &[(-10, 3.9)]);
    let (_, body) = api.get("/api/v1/devices").await;
    let device = |id: &str| {
        let devices = body["devices"].as_array().unwrap();
        devices
            .iter()
            .find(|device| device["id"] == json!(id))
            .unwrap()
            .clone()
    };
    assert_eq!(device("stranger")["assigned"], json!([]));
    assert_eq!(device("stranger")["battery_v"], json!(3.9));
    assert_eq!(
        device("stranger")["last_heard"],
        json!("2026-09-01T03:30:00Z")
    );
    assert_eq!(device("sc-1")["assigned"][0]["hive"], json!("north-01"));
    assert_eq!(device("lv-1")["assigned"][0]["feeder"], json!("north-01-f"));
    assert_eq!(device("wx-north")["assigned"][0]["yard"], json!("north"));
}

#[tokio::test]
async fn declarations_come_back_as_they_went_in() {
    let api = Api::with_a_yard().await;
    for path in [
        "/api/v1/yards/north",
        "/api/v1/hives/north-01",
        "/api/v1/feeders/north-01-f",
    ] {
        let (_, body) = api.get(path).await;
        assert_eq!(
            api.write("PUT", path, &body).await,
            (StatusCode::OK, body.clone()),
            "{path}"
        );
        assert_eq!(api.get(path).await.1, body);
    }
    let (status, problem) = api
        .write(
            "PUT",
            "/api/v1/yards/south",
            &json!({ "id": "north", "name": "", "timezone": "UTC",
            "latitude": null, "longitude": null, "weather": null }),
        )
        .await;
    assert_eq!(status, StatusCode::BAD_REQUEST, "{problem}");
}

#[tokio::test]
async fn the_quarantine_is_listed_with_its_bytes() {
    let api = Api::new();
    api.store
        .quarantine_durable(&[Refused {
            received_at: NOW,
            topic: "larder/x/readings".to_owned(),
            bytes: vec![0xff, 0x00],
            content_type: None,
            retained: false,
            reason: "not JSON".to_owned(),
            record: None,
            impossible: None,
            measured_at: None,
        }])
        .unwrap();
    let (_, body) = api.get("/api/v1/quarantine").await;
    assert_eq!(body["total"], json!(1));
    assert_eq!(body["entries"][0]["bytes"], json!("/wA="));
    assert_eq!(body["entries"][0]["reason"], json!("not JSON"));
    assert_eq!(body["limit"], json!(100));
    assert_eq!(body["next"], Value::Null);
    assert_eq!(body["dropped"], json!(0));
    let (_, done) = api
        .write("POST", "/api/v1/quarantine/replay", &json!({ "ids": [] }))
        .await;
    assert_eq!(done, json!({ "released": 1, "kept": 2, "readings": 3 }));
}

/// 67 entries of large messages once made an answer of 90 MB.
#[tokio::test]
async fn a_page_of_the_quarantine_is_bounded_in_bytes_and_says_how_to_go_on() {
    let api = Api::new();
    let large = |i: u8| Refused {
        received_at: NOW,
        topic: "larder/x/readings".to_owned(),
        bytes: vec![i; 300_000],
        content_type: None,
        retained: false,
        reason: "not JSON".to_owned(),
        record: None,
        impossible: None,
        measured_at: None,
    };
    let all: Vec<_> = (0..67).map(large).collect();
    api.store.quarantine_durable(&all).unwrap();
    let (mut after, mut n) = (json!(0), 0);
    while !after.is_null() {
        let (_, body) = api
            .get(&format!("/api/v1/quarantine?limit=500&after={after}"))
            .await;
        assert!(body.to_string().len() < 2_000_000);
        n += body["entries"].as_array().unwrap().len();
        after = body["next"].clone();
    }
    assert_eq!(n, 67);
}

#[tokio::test]
async fn readiness_says_why_not() {
    let api = Api::new();
    assert_eq!(api.get("/readyz").await.0, StatusCode::OK);
    api.ready.store(false, Ordering::Relaxed);
    let (status, problem) = api.get("/readyz").await;
    assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(problem["detail"], json!("not connected to the broker"));
    assert_eq!(api.get("/healthz").await.0, StatusCode::OK);
    let (_, kind, bytes) = api
        .send(Request::get("/metrics").body(Body::empty()).unwrap())
        .await;
    assert!(kind.starts_with("text/plain") && bytes == b"larder_readings_total 7\n");
}

#[tokio::test]
async fn settings_are_kept() {
    let api = Api::new();
    assert_eq!(
        api.get("/api/v1/settings").await.1,
        json!({ "units": "metric" })
    );
    let us = json!({ "units": "us" });
    assert_eq!(
        api.write("PUT", "/api/v1/settings", &us).await.0,
        StatusCode::OK
    );
    assert_eq!(api.get("/api/v1/settings").await.1, us);
    let (status, _) = api
        .write("PUT", "/api/v1/settings", &json!({ "units": "ells" }))
        .await;
    assert_eq!(status, StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn a_mix_is_reckoned_in_the_units_of_the_setting() {
    let api = Api::new();
    let ask = json!({ "sugar": "5 x 25 lb", "water": "15 gal" });
    let (status, made) = api.write("POST", "/api/v1/mix", &ask).await;
    assert_eq!((status, &made["units"]), (StatusCode::OK, &json!("metric")));
    assert_eq!(made["strength"], json!("1:1"));
    let litres = made["volume_l"].as_f64().unwrap();
    // 125 lb of sugar and 15 gal of water by the density equation (ICUMSA SPS-4).
    assert!((litres - 92.2).abs() < 0.1, "{litres}");

    let us = json!({ "units": "us" });
    assert_eq!(
        api.write("PUT", "/api/v1/settings", &us).await.0,
        StatusCode::OK
    );
    let (_, made) = api.write("POST", "/api/v1/mix", &ask).await;
    assert!(
        made["sentence"].as_str().unwrap().contains("24.4 gal"),
        "{made}"
    );

    let wrong = json!({ "strength": "4:1", "volume": "5 gal" });
    let (status, problem) = api.write("POST", "/api/v1/mix", &wrong).await;
    assert_eq!(status, StatusCode::BAD_REQUEST);
    assert!(
        problem["detail"]
            .as_str()
            .unwrap()
            .contains("dissolves at most 70.1 %")
    );
}

#[tokio::test]
async fn answers_are_compressed_when_asked_for() {
    let api = Api::with_a_yard().await;
    let values: Vec<_> = (0..1000).map(|i| (i - 1000, 40.0)).collect();
    api.append("sc-1", "weight", &values);
    for encoding in ["gzip", "br"] {
        let request = Request::get("/api/v1/readings?device=sc-1&channel=weight")
            .header(header::ACCEPT_ENCODING, encoding)
            .body(Body::empty())
            .unwrap();
        let response = api.router.clone().oneshot(request).await.unwrap();
        assert_eq!(response.headers()[header::CONTENT_ENCODING], encoding);
    }
}

#[tokio::test]
async fn the_description_names_every_resource() {
    let api = Api::new();
    let (status, description) = api.get("/api/v1/openapi.json").await;
    assert_eq!(status, StatusCode::OK);
    assert!(description["openapi"].as_str().unwrap().starts_with("3.1"));
    let paths = description["paths"].as_object().unwrap();
    for path in [
        "/api/v1/shelf",
        "/api/v1/yards/{id}",
        "/api/v1/hives/{id}/uptake",
        "/api/v1/readings",
        "/api/v1/devices",
        "/api/v1/fills",
        "/api/v1/quarantine/replay",
        "/api/v1/events",
        "/readyz",
    ] {
        assert!(paths.contains_key(path), "{path} is not described");
    }
    // Every answer that has a body names a schema that is there.
    let schemas = description["components"]["schemas"].as_object().unwrap();
    let text = description.to_string();
    for part in text.split("#/components/schemas/").skip(1) {
        let name = part.split('"').next().unwrap();
        assert!(
            schemas.contains_key(name),
            "{name} is referred to and not described"
        );
    }
}

#[tokio::test]
async fn a_device_that_was_mended_is_learned_anew() {
    let api = Api::with_a_yard().await;
    let learned = Learned {
        hive: HiveId::new("north-01").unwrap(),
        source: ChannelRef {
            device: DeviceId::new("lv-1").unwrap(),
            channel: ChannelName::new("distance").unwrap(),
        },
        what: Trait::PerKelvin,
        date: "2026-08-31".parse().unwrap(),
        since: NOW.plus_ms(-9 * 86_400_000),
        value: Estimate {
            value: 0.000_12,
            lo: 0.000_05,
            hi: 0.000_19,
        },
    };
    api.store
        .replace_results(&ResultsPatch {
            learned: vec![learned],
            ..ResultsPatch::default()
        })
        .unwrap();
    let (_, body) = api.get("/api/v1/devices").await;
    let devices = body["devices"].as_array().unwrap();
    let device = devices.iter().find(|d| d["id"] == "lv-1").unwrap();
    let expected = json!({ "channel": "distance", "what": "per_kelvin", "unit": "m/K", "value": 0.00012,
        "lo": 0.00005, "hi": 0.00019, "date": "2026-08-31", "since": "2026-08-23T03:40:00Z", "hive": "north-01" });
    assert_eq!(device["learned"], json!([expected]));
    let (_, history) = api.get("/api/v1/devices/lv-1/learned").await;
    assert_eq!(history["learned"], json!([expected]));

    let path = "/api/v1/devices/lv-1/learn-anew";
    let at = json!({ "at": "2026-08-30T12:00:00Z" });
    let (status, begun) = api.write("POST", path, &at).await;
    assert_eq!(status, StatusCode::OK);
    assert_eq!(
        begun,
        json!({ "at": "2026-08-30T12:00:00Z", "channels": ["distance"] })
    );
    let (_, feeder) = api.get("/api/v1/feeders/north-01-f").await;
    let sensors = feeder["sensor"].as_array().unwrap();
    assert_eq!(sensors.len(), 2);
    assert_eq!(sensors[0]["to"], sensors[1]["from"]);
    assert_eq!(sensors[0]["mount_m"], sensors[1]["mount_m"]);

    // A page that got no answer asks again.
    assert_eq!(api.write("POST", path, &at).await, (status, begun));
    let (_, again) = api.get("/api/v1/feeders/north-01-f").await;
    assert_eq!(again, feeder);
    let nowhere = "/api/v1/devices/lv-9/learn-anew";
    assert_eq!(
        api.write("POST", nowhere, &json!({})).await.0,
        StatusCode::CONFLICT
    );
    let (status, problem) = api.write("POST", path, &json!({ "at": "noon" })).await;
    assert_eq!(status, StatusCode::BAD_REQUEST, "{problem}");
}

/// Where a device stands by the list of devices: hive, feeder, since when.
async fn places(api: &Api, device: &str) -> Value {
    let (_, body) = api.get("/api/v1/devices").await;
    let devices = body["devices"].as_array().unwrap();
    let found = devices.iter().find(|d| d["id"] == json!(device));
    let places = found
        .map_or(&Vec::new(), |d| d["assigned"].as_array().unwrap())
        .clone();
    places
        .into_iter()
        .map(|p| json!([p["hive"], p["feeder"], p["from"]]))
        .collect()
}

#[tokio::test]
async fn a_device_is_claimed_carried_on_and_taken_off_each_from_a_moment_on() {
    let api = Api::with_a_yard().await;
    let hive = json!({ "yard": "north" });
    api.write("PUT", "/api/v1/hives/north-02", &hive).await;
    let place = |device: &str, body: Value| {
        let path = format!("/api/v1/devices/{device}/place");
        let api = &api;
        async move { api.write("POST", &path, &body).await.0 }
    };

    let moved = json!({ "channel": "weight", "hive": "north-02", "from": "2026-08-20T12:00:00Z" });
    for _ in 0..2 {
        assert_eq!(place("sc-1", moved.clone()).await, StatusCode::NO_CONTENT);
        assert_eq!(
            places(&api, "sc-1").await,
            json!([["north-02", null, "2026-08-20T12:00:00Z"]])
        );
    }
    let (_, before) = api.get("/api/v1/hives/north-01").await;
    assert_eq!(
        before["scale"],
        json!([{ "device": "sc-1", "channel": "weight", "from": null, "to": "2026-08-20T12:00:00Z" }])
    );

    // It was carried a day earlier than was said first.
    let corrected =
        json!({ "channel": "weight", "hive": "north-02", "from": "2026-08-19T12:00:00Z" });
    assert_eq!(place("sc-1", corrected).await, StatusCode::NO_CONTENT);
    let (_, before) = api.get("/api/v1/hives/north-01").await;
    assert_eq!(before["scale"][0]["to"], json!("2026-08-19T12:00:00Z"));
    let (_, after) = api.get("/api/v1/hives/north-02").await;
    assert_eq!(after["scale"].as_array().unwrap().len(), 1);

    let off = json!({ "channel": "weight", "from": "2026-08-30T12:00:00Z" });
    assert_eq!(place("sc-1", off).await, StatusCode::NO_CONTENT);
    let (_, after) = api.get("/api/v1/hives/north-02").await;
    assert_eq!(after["scale"][0]["to"], json!("2026-08-30T12:00:00Z"));
    assert_eq!(places(&api, "sc-1").await, json!([]));
    let (_, body) = api.get("/api/v1/devices").await;
    let devices = body["devices"].as_array().unwrap();
    let of = |id: &str| devices.iter().find(|d| d["id"] == json!(id)).cloned();
    assert_eq!(of("lv-1").unwrap()["free_since"], Value::Null);
    assert_eq!(
        of("sc-1").unwrap()["free_since"],
        json!("2026-08-30T12:00:00Z")
    );
}

#[tokio::test]
async fn a_level_sensor_that_sits_otherwise_keeps_its_earlier_litres() {
    let api = Api::with_a_yard().await;
    let path = "/api/v1/devices/lv-1/place";
    // A pail by its table of levels, since noon of 30 August.
    let table = json!([[0.0, 0.0], [0.05, 3.1], [0.1, 7.5]]);
    let anew = json!({ "channel": "distance", "feeder": "north-01-f", "from": "2026-08-30T16:00:00Z",
        "mount_m": 0.145, "table": table });
    assert_eq!(
        api.write("POST", path, &anew).await.0,
        StatusCode::NO_CONTENT
    );
    let (_, feeder) = api.get("/api/v1/feeders/north-01-f").await;
    assert_eq!(feeder["sensor"].as_array().unwrap().len(), 2);
    assert_eq!(feeder["sensor"][0]["to"], json!("2026-08-30T16:00:00Z"));
    assert_eq!(feeder["sensor"][1]["table"], table);
    // The floor lies 0.145 m down. Before: 0.045 m of syrup over 0.0759 m2; after: 0.05 m of the table.
    api.append("lv-1", "distance", &[(-3 * 1440, 0.1), (-10, 0.095)]);
    let (_, volume) = api.get("/api/v1/feeders/north-01-f/volume").await;
    assert_eq!(volume["value"], json!([3.4155, 3.1]));
}

#[tokio::test]
async fn a_place_that_cannot_be_is_refused_with_a_sentence() {
    let api = Api::with_a_yard().await;
    for (body, status, words) in [
        (
            json!({ "channel": "weight", "hive": "nowhere" }),
            404,
            "no hive",
        ),
        (
            json!({ "channel": "distance", "feeder": "none", "mount_m": 0.1, "area_m2": 0.1 }),
            404,
            "no feeder",
        ),
        (
            json!({ "channel": "weight", "hive": "north-01", "feeder": "north-01-f" }),
            400,
            "not at both",
        ),
        (
            json!({ "channel": "weight", "hive": "north-01", "from": "in May" }),
            400,
            "is not a moment like",
        ),
        (
            json!({ "channel": "temperature", "hive": "north-01" }),
            409,
            "must be a weight",
        ),
        (
            json!({ "channel": "distance", "feeder": "north-01-f", "mount_m": 0.1 }),
            400,
            "`area_m2` or `table`",
        ),
        (
            json!({ "channel": "distance", "feeder": "north-01-f", "mount_m": 0.1, "table": [[0.0, 0.0], [0.1, 0.0]] }),
            400,
            "row 2",
        ),
    ] {
        let (found, problem) = api.write("POST", "/api/v1/devices/sc-9/place", &body).await;
        assert_eq!(
            found,
            StatusCode::from_u16(status).unwrap(),
            "{body}: {problem}"
        );
        let detail = problem["detail"].as_str().unwrap();
        assert!(detail.contains(words), "{body}: {detail}");
    }
    assert_eq!(places(&api, "sc-9").await, json!([]));
}

fn yard_body(name: &str) -> Value {
    json!({ "name": name, "timezone": "Europe/Berlin", "latitude": null, "longitude": null, "weather": null })
}

/// Of many changes at the same time, here and by a command beside the service, none eats another.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn forty_changes_at_once_are_all_kept() {
    let api = Arc::new(Api::new());
    let folder = api.store.dir().to_owned();
    let beside = tokio::task::spawn_blocking(move || {
        let desk = larder_store::Desk::open(&folder).unwrap();
        assert!(desk.is_beside_service());
        for n in 0..20 {
            let edited = larder_store::edit_apiary(desk.records(), |apiary| {
                let mut yards: Vec<_> = apiary.yards().cloned().collect();
                yards.push(larder_domain::Yard {
                    id: YardId::new(&format!("desk-{n}")).unwrap(),
                    name: format!("Desk {n}"),
                    timezone: chrono_tz::Europe::Berlin,
                    position: None,
                    weather: None,
                });
                larder_domain::Apiary::new(yards, vec![], vec![], vec![])
            });
            assert!(edited.unwrap().unwrap());
        }
    });
    let writes = (0..40).map(|n| {
        let api = Arc::clone(&api);
        tokio::spawn(async move {
            let path = format!("/api/v1/yards/yard-{n}");
            let (status, _) = api
                .write("PUT", &path, &yard_body(&format!("Yard {n}")))
                .await;
            assert_eq!(status, StatusCode::OK);
        })
    });
    for write in writes.collect::<Vec<_>>() {
        write.await.unwrap();
    }
    beside.await.unwrap();
    let (_, yards) = api.get("/api/v1/yards").await;
    assert_eq!(yards["yards"].as_array().unwrap().len(), 60);
}

/// A form that was filled from what somebody has changed since is told, and only then.
#[tokio::test]
async fn a_stale_form_is_told() {
    let api = Api::new();
    let path = "/api/v1/yards/north";
    let (_, first) = api.write("PUT", path, &yard_body("North")).await;
    let (_, read) = api.get(path).await;
    assert_eq!(read["revision"], first["revision"]);

    let mut mine = read.clone();
    mine["name"] = "My north".into();
    let mut theirs = read.clone();
    theirs["name"] = "Their north".into();
    let (status, answer) = api.write("PUT", path, &theirs).await;
    assert_eq!(status, StatusCode::OK);
    assert_ne!(answer["revision"], read["revision"]);
    let (status, problem) = api.write("PUT", path, &mine).await;
    assert_eq!(status, StatusCode::PRECONDITION_FAILED);
    assert!(
        problem["detail"]
            .as_str()
            .unwrap()
            .contains("somebody changed this yard")
    );
    assert_eq!(api.get(path).await.1["name"], "Their north");

    // The same request twice (the answer was lost on the way) is no conflict with oneself.
    let (status, _) = api.write("PUT", path, &theirs).await;
    assert_eq!(status, StatusCode::OK);
    // Another yard is not disturbed, and without a revision nothing is compared.
    let (status, _) = api
        .write("PUT", "/api/v1/yards/south", &yard_body("South"))
        .await;
    assert_eq!(status, StatusCode::OK);
    mine.as_object_mut().unwrap().remove("revision");
    let (status, _) = api.write("PUT", path, &mine).await;
    assert_eq!(status, StatusCode::OK);

    let with = |method: &str, name: header::HeaderName, value: &str, body: Body| {
        Request::builder()
            .method(method)
            .uri(path)
            .header(header::CONTENT_TYPE, "application/json")
            .header(name, value)
            .body(body)
            .unwrap()
    };
    let again = Body::from(yard_body("Another").to_string());
    let (status, _, _) = api
        .send(with("PUT", header::IF_NONE_MATCH, "*", again))
        .await;
    assert_eq!(status, StatusCode::PRECONDITION_FAILED);
    let stale = with(
        "DELETE",
        header::IF_MATCH,
        "\"0123456789abcdef\"",
        Body::empty(),
    );
    assert_eq!(api.send(stale).await.0, StatusCode::PRECONDITION_FAILED);
    let get = Request::get(path).body(Body::empty()).unwrap();
    let answer = api.router.clone().oneshot(get).await.unwrap();
    let tag = answer.headers()[header::ETAG].to_str().unwrap().to_owned();
    let known = with("DELETE", header::IF_MATCH, &tag, Body::empty());
    assert_eq!(api.send(known).await.0, StatusCode::NO_CONTENT);
}

/// `GET /%` gave a white page.
#[tokio::test]
async fn an_address_that_does_not_read_is_told() {
    let api = Api::new();
    for path in ["/%", "/hives/%", "/hives/%zz", "/%ff", "/a%2"] {
        let (status, kind, body) = api
            .send(Request::get(path).body(Body::empty()).unwrap())
            .await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{path}");
        assert_eq!(kind, "application/problem+json");
        assert!(String::from_utf8(body).unwrap().contains("does not read"));
    }
    let (status, _) = api.get("/hives/a%20b%C3%A4").await;
    assert_ne!(status, StatusCode::BAD_REQUEST);
}

/// Writes what is logged at info and above into memory.
#[derive(Clone, Default)]
struct Logged(Arc<std::sync::Mutex<Vec<u8>>>);

impl std::io::Write for Logged {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// A probe every few seconds leaves no line in the log, whatever it is told.
#[tokio::test]
async fn probes_do_not_log() {
    let logged = Logged::default();
    let writer = logged.clone();
    let subscriber = tracing_subscriber::fmt()
        .with_max_level(tracing::Level::INFO)
        .with_writer(move || writer.clone())
        .finish();
    let _guard = tracing::subscriber::set_default(subscriber);
    let api = Api::new();
    for ready in [true, false] {
        api.ready.store(ready, Ordering::Relaxed);
        for path in ["/healthz", "/readyz", "/metrics"] {
            api.get(path).await;
        }
    }
    let lines = String::from_utf8(logged.0.lock().unwrap().clone()).unwrap();
    assert_eq!(lines, "");
}

#[tokio::test]
async fn a_name_is_one_plain_line() {
    let api = Api::new();
    for bad in ["", "two\nlines", &"x".repeat(81), "turned \u{202e}round"] {
        let (status, problem) = api
            .write("PUT", "/api/v1/yards/north", &yard_body(bad))
            .await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{bad:?}");
        assert!(problem["detail"].as_str().unwrap().contains("a name"));
    }
}

#[tokio::test]
async fn readings_are_counted_and_taken_out() {
    let api = Api::new();
    let reading = |minute: i64| Reading {
        device: DeviceId::new("sc-1").unwrap(),
        channel: ChannelName::new("weight").unwrap(),
        unit: larder_domain::Unit::new("kg").unwrap(),
        time: NOW.plus_ms(-minute * 60_000),
        value: 41.0,
    };
    let all: Vec<_> = (0..100).map(reading).collect();
    api.store.append_durable(&all).unwrap();
    let span = format!(
        "channel=weight&from={}&to={}",
        NOW.plus_ms(-59 * 60_000).to_rfc3339(),
        NOW.plus_ms(-49 * 60_000).to_rfc3339()
    );
    let path = format!("/api/v1/devices/sc-1/readings?{span}");
    let (status, counted) = api
        .write("DELETE", &format!("{path}&dry_run=true"), &Value::Null)
        .await;
    assert_eq!(status, StatusCode::OK);
    assert_eq!(counted, json!({ "readings": 10, "dry_run": true }));
    let (_, removed) = api.write("DELETE", &path, &Value::Null).await;
    assert_eq!(removed, json!({ "readings": 10, "dry_run": false }));
    let (_, again) = api.write("DELETE", &path, &Value::Null).await;
    assert_eq!(again["readings"], 0);
    assert_eq!(api.store.quarantine_size().unwrap().0, 1);
    let (status, problem) = api
        .write(
            "DELETE",
            "/api/v1/devices/sc-1/readings?channel=weight&from=x&to=y",
            &Value::Null,
        )
        .await;
    assert_eq!(status, StatusCode::BAD_REQUEST, "{problem}");
}

/// A long list comes in parts, and none falls between two of them.
#[tokio::test]
async fn flags_come_in_parts() {
    let api = Api::new();
    let flags: Vec<KeptFlag> = (0..25)
        .map(|n| {
            let flag = Flag {
                kind: FlagKind::Silent,
                yard: None,
                hive: None,
                feeder: None,
                device: DeviceId::new(&format!("sc-{n}")).ok(),
                // Two by two at the same moment.
                opened_at: NOW.plus_ms(-(n / 2) * 60_000),
                closed_at: None,
                severity: Severity::Warning,
                probability: 0.9,
                evidence: Evidence::default(),
            };
            KeptFlag {
                id: FlagId::first_of(&flag),
                flag,
                known_at: None,
                changed_at: NOW,
                withdrawn_at: None,
                care: Care::default(),
            }
        })
        .collect();
    api.store.keep_flags(&flags).unwrap();
    let (mut seen, mut path) = (0, "/api/v1/flags?limit=7".to_owned());
    loop {
        let (status, part) = api.get(&path).await;
        assert_eq!(status, StatusCode::OK, "{part}");
        seen += part["flags"].as_array().unwrap().len();
        let Some(next) = part["next"].as_str() else {
            break;
        };
        path = format!("/api/v1/flags?limit=7&opened_before={next}");
    }
    assert_eq!(seen, 25);
    let (status, _) = api.get("/api/v1/flags?limit=0").await;
    assert_eq!(status, StatusCode::BAD_REQUEST);
}
