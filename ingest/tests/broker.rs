//! The session against Debian's Mosquitto, with `mosquitto_pub` as the device.

mod support;

use larder_ingest::corpus;
use larder_ingest::session::{Password, TlsFiles};
use std::sync::atomic::Ordering::SeqCst;
use support::{Mosquitto, Session, Store, session_config, wait_for, weights};

const TOPIC: &str = "larder/sc-1/readings";
const ONE: &[u8] = br#"{"time":"2025-01-01T00:00:00Z","weight_kg":41.237}"#;

#[test]
fn readings_arrive_by_both_versions() {
    for (query, version) in [("?version=3", "311"), ("?version=5", "5"), ("", "5")] {
        let broker = Mosquitto::start();
        let store = Store::new();
        let session = Session::start(session_config(broker.url(query)), &store);
        broker.publish(TOPIC, ONE, &["-V", version]);
        broker.publish(
            TOPIC,
            br#"[{"bt":1735689700,"n":"weight","v":40}]"#,
            &["-V", version],
        );
        broker.publish(
            "larder/sc-2/readings",
            b"\x81\xa2\x00\x61x\x02\x01",
            &["-V", version],
        );
        broker.publish("larder/sc-2/readings", b"hello", &["-V", version]);
        broker.publish("elsewhere/sc-2/readings", ONE, &["-V", version]);
        wait_for("four messages are committed", || {
            session.status.messages() == 4
        });
        assert_eq!(store.all("sc-1", "weight").len(), 2, "{query}");
        assert_eq!(store.quarantine().len(), 1);
        let snapshot = session.status.snapshot();
        assert_eq!((snapshot.readings, snapshot.refused), (2, 1));
        assert!(snapshot.is_connected && snapshot.last_message_at.is_some());
        wait_for("all is acknowledged", || {
            session.status.snapshot().unacknowledged == 0
        });
        let heard: Vec<String> = {
            let news = session.committed.lock().unwrap();
            news.iter()
                .flat_map(|n| n.devices.iter().map(ToString::to_string))
                .collect()
        };
        assert!(heard.iter().any(|d| d == "sc-1") && heard.iter().any(|d| d == "sc-2"));
        session.stop().unwrap();
    }
}

#[test]
fn the_content_type_of_mqtt_5_is_respected() {
    let broker = Mosquitto::start();
    let store = Store::new();
    let session = Session::start(session_config(broker.url("?version=5")), &store);
    let typed = |content_type: &str, payload: &[u8]| {
        let property = ["-V", "5", "-D", "publish", "content-type", content_type];
        broker.publish(TOPIC, payload, &property);
    };
    typed("Application/JSON; charset=utf-8", ONE);
    typed("application/senml+json", ONE);
    typed(
        "application/octet-stream",
        br#"[{"t":1735689700,"n":"weight","v":40}]"#,
    );
    wait_for("three messages are committed", || {
        session.status.messages() == 3
    });
    assert_eq!(store.all("sc-1", "weight").len(), 2);
    let quarantine = store.quarantine();
    assert_eq!(quarantine.len(), 1);
    assert_eq!(
        quarantine[0].refused.content_type.as_deref(),
        Some("application/senml+json")
    );
    session.stop().unwrap();
}

#[test]
fn what_the_broker_kept_while_we_were_away_arrives() {
    for query in ["?version=3", "?version=5"] {
        let broker = Mosquitto::start();
        let store = Store::new();
        Session::start(session_config(broker.url(query)), &store)
            .stop()
            .unwrap();
        broker.publish_lines(TOPIC, &weights(0, 2_000));
        let session = Session::start(session_config(broker.url(query)), &store);
        wait_for("all came", || store.all("sc-1", "weight").len() == 2_000);
        session.stop().unwrap();
        assert!(
            store.appends.load(SeqCst) < 1_000,
            "they were committed in batches"
        );
    }
}

#[test]
fn acknowledged_is_acknowledged_and_the_rest_comes_again() {
    for query in ["?version=3", "?version=5"] {
        let broker = Mosquitto::start();
        let store = Store::new();
        // Stopped in good order: nothing comes twice.
        let session = Session::start(session_config(broker.url(query)), &store);
        broker.publish_lines(TOPIC, &weights(0, 500));
        wait_for("all came", || store.all("sc-1", "weight").len() == 500);
        session.stop().unwrap();
        let session = Session::start(session_config(broker.url(query)), &store);
        broker.publish(TOPIC, weights(500, 501).as_bytes(), &[]);
        wait_for("one more came", || {
            store.all("sc-1", "weight").len() == 501 && session.status.messages() > 0
        });
        assert_eq!(session.status.messages(), 1, "{query}");
        session.crash();

        // Crashed with a store that took nothing: everything comes again.
        store.fails.store(true, SeqCst);
        let session = Session::start_without_waiting(session_config(broker.url(query)), &store);
        broker.publish_lines(TOPIC, &weights(501, 1_000));
        wait_for("it waits for the store", || session.status.ready().is_err());
        session.crash();
        store.fails.store(false, SeqCst);
        let session = Session::start(session_config(broker.url(query)), &store);
        wait_for("all came", || store.all("sc-1", "weight").len() == 1_000);
        session.stop().unwrap();
    }
}

#[test]
fn a_failing_store_stops_nothing_for_good() {
    let broker = Mosquitto::start();
    let store = Store::new();
    let session = Session::start(session_config(broker.url("?version=3")), &store);
    store.fails.store(true, SeqCst);
    broker.publish_lines(TOPIC, &weights(0, 1_000));
    wait_for("it says so", || {
        session
            .status
            .ready()
            .is_err_and(|why| why.contains("switched off"))
    });
    wait_for("the broker's window is full", || {
        session.status.snapshot().unacknowledged == 200
    });
    assert!(store.all("sc-1", "weight").is_empty());
    store.fails.store(false, SeqCst);
    wait_for("all came", || store.all("sc-1", "weight").len() == 1_000);
    wait_for("it is ready again", || session.status.ready().is_ok());
    assert_eq!(
        session.status.snapshot().reconnects,
        0,
        "the connection was kept"
    );
    session.stop().unwrap();
}

#[test]
fn a_slow_store_shares_its_commits() {
    let broker = Mosquitto::start();
    let store = Store::new();
    store.delay_ms.store(50, SeqCst);
    let session = Session::start(session_config(broker.url("?version=5")), &store);
    broker.publish_lines(TOPIC, &weights(0, 2_000));
    wait_for("all came", || store.all("sc-1", "weight").len() == 2_000);
    let appends = store.appends.load(SeqCst);
    assert!(appends <= 200, "{appends} commits for 2,000 messages");
    session.stop().unwrap();
}

#[test]
fn the_broker_may_be_restarted() {
    let mut broker = Mosquitto::start();
    let store = Store::new();
    let session = Session::start(session_config(broker.url("")), &store);
    broker.publish_lines(TOPIC, &weights(0, 300));
    wait_for("all came", || store.all("sc-1", "weight").len() == 300);
    broker.stop();
    wait_for("it says so", || {
        session
            .status
            .ready()
            .is_err_and(|why| why.contains("no connection to the broker"))
    });
    broker.run();
    broker.publish_lines(TOPIC, &weights(300, 600));
    wait_for("all came", || store.all("sc-1", "weight").len() == 600);
    wait_for("it is ready again", || session.status.ready().is_ok());
    assert!(session.status.snapshot().reconnects >= 1);
    session.stop().unwrap();
}

#[test]
fn the_broker_may_come_later() {
    let mut broker = Mosquitto::start();
    broker.stop();
    let store = Store::new();
    let session = Session::start_without_waiting(session_config(broker.url("")), &store);
    wait_for("it says so", || {
        session
            .status
            .ready()
            .is_err_and(|why| why.contains("nothing listens there"))
    });
    broker.run();
    wait_for("it is ready", || session.status.ready().is_ok());
    session.stop().unwrap();
}

#[test]
fn stopping_while_messages_pour_in_loses_nothing() {
    let broker = Mosquitto::start();
    let store = Store::new();
    let total = 5_000;
    std::thread::scope(|scope| {
        // The session exists before the first message, so the broker keeps all of them.
        let mut session = Session::start(session_config(broker.url("")), &store);
        let publisher = scope.spawn(|| broker.publish_lines(TOPIC, &weights(0, total)));
        for round in 1..=5 {
            let goal = round * 200;
            wait_for("some came", || store.all("sc-1", "weight").len() >= goal);
            session.stop().unwrap();
            session = Session::start(session_config(broker.url("")), &store);
        }
        publisher.join().unwrap();
        wait_for("all came", || {
            store.all("sc-1", "weight").len() == total as usize
        });
        session.stop().unwrap();
    });
    let sum: f64 = store.all("sc-1", "weight").iter().map(|s| s.value).sum();
    let expected: f64 = (0..total).map(|n| f64::from(n % 1000) / 10.0).sum();
    assert!((sum - expected).abs() < 1e-6);
}

#[test]
fn retained_messages_need_a_time() {
    for query in ["?version=3", "?version=5"] {
        let broker = Mosquitto::start();
        let store = Store::new();
        broker.publish("larder/r-1/readings", br#"{"weight_kg":1}"#, &["-r"]);
        broker.publish("larder/r-2/readings", ONE, &["-r"]);
        let session = Session::start(session_config(broker.url(query)), &store);
        wait_for("both came", || session.status.messages() == 2);
        assert_eq!(store.all("r-2", "weight").len(), 1);
        let quarantine = store.quarantine();
        assert_eq!(quarantine.len(), 1);
        assert!(quarantine[0].refused.retained);
        assert!(quarantine[0].refused.reason.contains("retained"));
        session.stop().unwrap();
    }
}

#[test]
fn oversized_messages_are_quarantined_and_block_nothing() {
    for query in ["?version=3", "?version=5"] {
        let broker = Mosquitto::start();
        let store = Store::new();
        let session = Session::start(session_config(broker.url(query)), &store);
        for bytes in [65_537, 300_000, 2_000_000] {
            let mut payload = ONE.to_vec();
            payload.resize(bytes, b' ');
            broker.publish("larder/big/readings", &payload, &[]);
        }
        broker.publish(TOPIC, ONE, &[]);
        wait_for("the one behind them came", || {
            store.all("sc-1", "weight").len() == 1
        });
        wait_for("all came", || session.status.messages() == 4);
        let quarantine = store.quarantine();
        assert_eq!(quarantine.len(), 3, "{query}");
        assert_eq!(quarantine[1].refused.bytes.len(), 65_536);
        assert!(quarantine[1].refused.reason.contains("300000 bytes"));
        assert!(quarantine[2].refused.reason.contains("2000000 bytes"));
        session.stop().unwrap();
    }
}

/// A camera on a mapped topic while we were away: more than may wait for the store. The connection
/// was given up for it, what had been committed was forgotten, and the same came again for ever.
#[test]
fn a_hundred_and_fifty_megabytes_of_pictures_do_not_stop_ingest() {
    for query in ["?version=3", "?version=5"] {
        let broker = Mosquitto::start();
        let store = Store::new();
        let config = || session_config(broker.url(query));
        Session::start(config(), &store).stop().unwrap();
        for picture in 0..150_u32 {
            let mut payload = picture.to_be_bytes().to_vec();
            payload.resize(1_000_000, b'x');
            broker.publish("larder/camera/readings", &payload, &[]);
        }
        broker.publish(TOPIC, ONE, &[]);
        let session = Session::start(config(), &store);
        wait_for("the good one is stored", || {
            store.all("sc-1", "weight").len() == 1
        });
        wait_for("all are committed", || session.status.messages() >= 151);
        let quarantine = store.quarantine();
        assert_eq!(quarantine.len(), 150);
        assert!(quarantine.iter().all(|entry| entry.count == 1));
        let kept: usize = quarantine.iter().map(|q| q.refused.bytes.len()).sum();
        assert_eq!(kept, 150 * 65_536);
        session.stop().unwrap();
    }
}

#[test]
fn a_packet_beyond_our_limit_does_not_block_an_old_broker() {
    let broker = Mosquitto::start();
    let store = Store::new();
    let session = Session::start(session_config(broker.url("?version=3")), &store);
    let payload = vec![b'x'; 17 * 1024 * 1024];
    broker.publish("larder/big/readings", &payload, &[]);
    broker.publish(TOPIC, ONE, &[]);
    wait_for("the one behind it came", || {
        store.all("sc-1", "weight").len() == 1
    });
    let quarantine = store.quarantine();
    assert_eq!(quarantine.len(), 1);
    assert_eq!(quarantine[0].refused.bytes.len(), 65_536);
    session.stop().unwrap();
}

#[test]
fn quality_of_service_0_is_taken_too() {
    let broker = Mosquitto::start();
    let store = Store::new();
    let session = Session::start(session_config(broker.url("")), &store);
    broker.publish(TOPIC, ONE, &["-q", "0"]);
    broker.publish(TOPIC, br#"{"time":1735700000,"weight_kg":3}"#, &["-q", "2"]);
    wait_for("both came", || store.all("sc-1", "weight").len() == 2);
    session.stop().unwrap();
}

#[test]
fn a_message_sent_twice_counts_once_and_a_correction_replaces() {
    let broker = Mosquitto::start();
    let store = Store::new();
    let session = Session::start(session_config(broker.url("")), &store);
    for _ in 0..3 {
        broker.publish(TOPIC, ONE, &[]);
        broker.publish(TOPIC, b"hello", &[]);
    }
    broker.publish(
        TOPIC,
        br#"{"time":"2025-01-01T00:00:00Z","weight_kg":40}"#,
        &[],
    );
    wait_for("all came", || session.status.messages() == 7);
    let samples = store.all("sc-1", "weight");
    assert_eq!(samples.len(), 1);
    assert!((samples[0].value - 40.0).abs() < 1e-9);
    let quarantine = store.quarantine();
    assert_eq!(quarantine.len(), 1);
    assert_eq!(quarantine[0].count, 3);
    session.stop().unwrap();
}

/// What the quarantine keeps of a payload.
fn kept(payload: &[u8]) -> &[u8] {
    &payload[..payload.len().min(65_536)]
}

#[test]
fn a_thousand_malformed_messages_are_all_accounted_for() {
    let broker = Mosquitto::start();
    let store = Store::new();
    let session = Session::start(session_config(broker.url("?version=5")), &store);
    // Retained ones must be there before anybody subscribes; they have a test of their own.
    let cases: Vec<_> = corpus::malformed(7, 1_100)
        .into_iter()
        .filter(|case| !case.retained)
        .collect();
    assert!(cases.len() >= 1_000);
    let expected: u64 = cases.iter().map(|case| case.refused as u64).sum();
    support::publish_all(&broker, &cases);
    wait_for("all are committed", || {
        session.status.messages() == cases.len() as u64
    });
    let quarantine = store.quarantine();
    assert_eq!(quarantine.iter().map(|q| q.count).sum::<u64>(), expected);
    for case in &cases {
        let entries: Vec<_> = quarantine
            .iter()
            .filter(|q| q.refused.topic == case.topic && q.refused.bytes == kept(&case.payload))
            .collect();
        assert!(!entries.is_empty(), "{} is not there", case.what);
        assert!(
            entries
                .iter()
                .all(|q| q.refused.record.is_none() == case.whole)
        );
    }
    let good: usize = cases.iter().map(|case| case.readings).sum();
    let snapshot = session.status.snapshot();
    assert!(snapshot.readings > 0 && snapshot.readings <= good as u64);
    session.stop().unwrap();
}

/// Runs openssl; the messages of its own stay out of the test's output.
fn openssl(folder: &std::path::Path, arguments: &str) {
    let output = std::process::Command::new("openssl")
        .args(arguments.split_whitespace())
        .current_dir(folder)
        .output()
        .expect("openssl is not installed: on Debian, apt-get install openssl");
    assert!(
        output.status.success(),
        "openssl {arguments}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
}

/// An authority, a broker's certificate for 127.0.0.1 and a client's certificate.
fn certificates(folder: &std::path::Path) {
    std::fs::write(
        folder.join("san"),
        "subjectAltName=IP:127.0.0.1,DNS:localhost",
    )
    .expect("the file is written");
    let key = "-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes";
    for authority in ["ca", "other"] {
        openssl(
            folder,
            &format!(
                "req -x509 {key} -keyout {authority}.key -out {authority}.crt -days 2 -subj /CN={authority}"
            ),
        );
    }
    for name in ["broker", "client"] {
        openssl(
            folder,
            &format!("req {key} -keyout {name}.key -out {name}.csr -subj /CN={name}"),
        );
        openssl(
            folder,
            &format!(
                "x509 -req -in {name}.csr -CA ca.crt -CAkey ca.key -CAcreateserial -out {name}.crt -days 2 -extfile san"
            ),
        );
    }
}

const TLS: &str = "allow_anonymous false\npassword_file {folder}/users\n\
    cafile {folder}/ca.crt\ncertfile {folder}/broker.crt\nkeyfile {folder}/broker.key\n\
    require_certificate true\n";

#[test]
fn tls_with_an_authority_a_client_certificate_and_a_password() {
    let broker = Mosquitto::with(TLS, |folder| {
        certificates(folder);
        let users = folder.join("users");
        let made = std::process::Command::new("mosquitto_passwd")
            .args(["-c", "-b"])
            .arg(users)
            .args(["keeper", "s3cret"])
            .status()
            .expect("mosquitto_passwd is not installed: on Debian, apt-get install mosquitto");
        assert!(made.success());
    });
    let folder = broker.folder.path();
    let files = TlsFiles {
        ca: Some(folder.join("ca.crt")),
        client: Some((folder.join("client.crt"), folder.join("client.key"))),
    };
    let url = |query: &str| {
        format!("mqtts://keeper@127.0.0.1:{}{query}", broker.port)
            .parse()
            .unwrap()
    };
    for (query, version) in [("?version=3", "311"), ("?version=5", "5")] {
        let store = Store::new();
        let mut config = session_config(url(query));
        config.tls = files.clone();
        config.password = Some(Password::new("s3cret\n"));
        let session = Session::start(config, &store);
        let file = |name: &str| folder.join(name).display().to_string();
        let (ca, crt, key) = (file("ca.crt"), file("client.crt"), file("client.key"));
        broker.publish(
            TOPIC,
            ONE,
            &[
                "-V", version, "-u", "keeper", "-P", "s3cret", "--cafile", &ca, "--cert", &crt,
                "--key", &key,
            ],
        );
        wait_for("it came", || store.all("sc-1", "weight").len() == 1);
        session.stop().unwrap();
    }

    let fails_with = |tls: TlsFiles, password: &str, expected: &str| {
        let store = Store::new();
        let mut config = session_config(url(""));
        config.tls = tls;
        config.password = Some(Password::new(password));
        let session = Session::start_without_waiting(config, &store);
        wait_for(expected, || {
            session
                .status
                .ready()
                .is_err_and(|why| why.contains(expected))
        });
        assert!(!format!("{:?}", session.status.snapshot()).contains("s3cret"));
        session.stop().unwrap();
    };
    fails_with(files.clone(), "wrong", "refuses the user or password");
    let other = TlsFiles {
        ca: Some(folder.join("other.crt")),
        ..files.clone()
    };
    fails_with(other, "s3cret", "TLS failed");
    let without_certificate = TlsFiles {
        client: None,
        ..files.clone()
    };
    fails_with(without_certificate, "s3cret", "no connection to the broker");

    // Files that cannot be used are an error at the start.
    let store = Store::new();
    let mut config = session_config(url(""));
    config.tls.ca = Some(folder.join("nowhere.crt"));
    let error = Session::start_without_waiting(config, &store)
        .stop()
        .unwrap_err();
    assert!(error.to_string().contains("nowhere.crt"), "{error}");
    let mut config = session_config(url(""));
    config.tls.ca = Some(folder.join("users"));
    assert!(
        Session::start_without_waiting(config, &store)
            .stop()
            .is_err()
    );
}

#[test]
fn a_subscription_that_the_broker_refuses_is_told() {
    let broker = Mosquitto::with("allow_anonymous true\nacl_file {folder}/acl\n", |folder| {
        std::fs::write(folder.join("acl"), "topic write larder/#\n").unwrap()
    });
    let store = Store::new();
    let session = Session::start_without_waiting(session_config(broker.url("?version=5")), &store);
    // Mosquitto 2.0 grants every subscription and withholds the messages; newer ones refuse.
    wait_for("it is connected", || {
        session.status.ready().is_ok()
            || session
                .status
                .ready()
                .is_err_and(|why| why.contains("does not let us read"))
    });
    session.stop().unwrap();
}
