//! What an InfluxDB 2 may answer when it is not well, played by a stand-in. How it behaves when it is
//! well is tried against the real server, in the crate `tests`.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]
#![allow(clippy::float_cmp, reason = "values must come back bit for bit")]

mod stand_in;

use larder_domain::{ChannelName, ChannelRef, DeviceId, Sample, Span, Timestamp, Unit};
use larder_store::StoreError;
use larder_store::archive::{ArchiveReader, ArchiveWriter, FaultKind, Portion};
use larder_store::influxdb2::InfluxDb2;
use stand_in::{Asked, StandIn, answer};
use std::time::Duration;

const NOW: i64 = 1_788_238_800_000;

fn client(server: &StandIn) -> InfluxDb2 {
    let mut config = server.config();
    config.url.push_str("/base");
    InfluxDb2::new(config, || Timestamp(NOW)).unwrap()
}

/// Requests that wrote.
fn writes(server: &StandIn) -> Vec<String> {
    let asked = server.asked.lock().unwrap();
    let writes = asked
        .iter()
        .filter(|asked| asked.head.starts_with("POST /base/api/v2/write?"));
    writes.map(|asked| asked.body.clone()).collect()
}

/// A bucket that keeps readings for `seconds` (0: for ever), and what writing to it is answered.
fn bucket(
    seconds: u64,
    write: impl Fn(&str) -> Option<String> + Send + 'static,
) -> impl Fn(&Asked) -> Option<String> + Send + 'static {
    move |asked| {
        if asked
            .head
            .starts_with("GET /base/api/v2/buckets?org=the%20org&name=b ")
        {
            let rules = format!(
                r#"{{"buckets":[{{"id":"1","retentionRules":[{{"everySeconds":{seconds}}}]}}]}}"#
            );
            return answer("200 OK", "", &rules);
        }
        write(&asked.body)
    }
}

fn weight() -> ChannelRef {
    ChannelRef {
        device: DeviceId::new("sc-1").unwrap(),
        channel: ChannelName::new("weight").unwrap(),
    }
}

fn kg() -> Unit {
    Unit::new("kg").unwrap()
}

fn portion(values: impl IntoIterator<Item = f64>) -> Vec<Portion> {
    let sample = |(i, value): (usize, f64)| Sample {
        time: Timestamp(NOW + i as i64),
        value,
    };
    vec![(
        weight(),
        kg(),
        values.into_iter().enumerate().map(sample).collect(),
    )]
}

#[test]
fn a_parcel_goes_packed_with_the_token_to_the_address_with_its_path() {
    let server = StandIn::new(bucket(0, |_| answer("204 No Content", "", "")));
    let written = client(&server)
        .write_durable(&portion((0..200).map(f64::from)))
        .unwrap();
    assert_eq!((written.taken, written.refused.len()), (200, 0));
    let writes = writes(&server);
    assert_eq!(writes.len(), 1);
    assert_eq!(writes[0].lines().count(), 200);
    let asked = server.asked.lock().unwrap();
    let head = &asked.last().unwrap().head;
    assert!(
        head.starts_with("POST /base/api/v2/write?org=the%20org&bucket=b&precision=ms "),
        "{head}"
    );
    assert!(
        head.to_ascii_lowercase()
            .contains("authorization: token secret"),
        "{head}"
    );
    assert!(
        head.to_ascii_lowercase().contains("content-encoding: gzip"),
        "{head}"
    );
}

#[test]
fn a_refused_line_is_found_and_the_others_are_written() {
    let server = StandIn::new(bucket(0, |body| {
        if body.contains("=13.0 ") {
            return answer(
                "400 Bad Request",
                "",
                r#"{"code":"invalid","message":"unable to parse it"}"#,
            );
        }
        answer("204 No Content", "", "")
    }));
    let written = client(&server)
        .write_durable(&portion((0..40).map(f64::from)))
        .unwrap();
    assert_eq!(written.taken, 39);
    assert_eq!(written.refused.len(), 1);
    assert_eq!(written.refused[0].sample.value, 13.0);
    assert!(written.refused[0].reason.contains("unable to parse it"));
    let all: String = writes(&server).concat();
    for value in (0..40).filter(|v| *v != 13) {
        assert!(all.contains(&format!("={value}.0 ")), "{value}");
    }
}

#[test]
fn a_request_that_is_too_large_goes_in_parts() {
    let server = StandIn::new(bucket(0, |body| match body.lines().count() {
        51.. => answer("413 Payload Too Large", "", ""),
        _ => answer("204 No Content", "", ""),
    }));
    let written = client(&server)
        .write_durable(&portion((0..200).map(f64::from)))
        .unwrap();
    assert_eq!((written.taken, written.refused.len()), (200, 0));
}

#[test]
fn when_much_is_refused_nothing_is_given_up() {
    let server = StandIn::new(bucket(0, |_| answer("400 Bad Request", "", "no")));
    let fault = client(&server)
        .write_durable(&portion((0..500).map(f64::from)))
        .unwrap_err();
    assert_eq!(fault.kind, FaultKind::Refused);
}

#[test]
fn a_field_of_another_type_stops_everything_with_a_sentence() {
    let server = StandIn::new(bucket(0, |_| {
        answer(
            "422 Unprocessable Entity",
            "",
            r#"{"message":"partial write: field type conflict: input field \"weight_kg\" is type float, already exists as type integer dropped=1"}"#,
        )
    }));
    let fault = client(&server)
        .write_durable(&portion((0..500).map(f64::from)))
        .unwrap_err();
    assert_eq!(fault.kind, FaultKind::Refused);
    assert!(
        fault.what.contains("another type") && fault.what.contains("weight_kg"),
        "{fault}"
    );
    assert_eq!(writes(&server).len(), 1, "it is not asked for every line");
}

#[test]
fn what_the_bucket_forgets_is_not_sent() {
    let server = StandIn::new(bucket(3_600 * 24, |_| answer("204 No Content", "", "")));
    let mut portions = portion([1.0, 2.0]);
    portions[0].2.insert(
        0,
        Sample {
            time: Timestamp(NOW - 25 * 3_600_000),
            value: 3.0,
        },
    );
    let written = client(&server).write_durable(&portions).unwrap();
    assert_eq!((written.taken, written.expired), (2, 1));
}

#[test]
fn a_busy_server_may_ask_for_patience() {
    for (status, headers, kind, wait) in [
        (
            "429 Too Many Requests",
            "retry-after: 7\r\n",
            FaultKind::Busy,
            Some(7),
        ),
        ("503 Service Unavailable", "", FaultKind::Busy, None),
        ("500 Internal Server Error", "", FaultKind::Busy, None),
        ("401 Unauthorized", "", FaultKind::Forbidden, None),
        ("404 Not Found", "", FaultKind::Forbidden, None),
    ] {
        let server = StandIn::new(bucket(0, move |_| answer(status, headers, "")));
        let fault = client(&server).write_durable(&portion([1.0])).unwrap_err();
        assert_eq!(
            (fault.kind, fault.retry_after),
            (kind, wait.map(Duration::from_secs)),
            "{status}"
        );
        assert!(!fault.what.contains("secret"));
    }
}

#[test]
fn a_server_that_says_nothing_is_not_waited_for_for_ever() {
    let server = StandIn::new(|_| None);
    let fault = client(&server).write_durable(&portion([1.0])).unwrap_err();
    assert_eq!(fault.kind, FaultKind::Unreachable);
    let error = client(&server)
        .range(&weight(), &kg(), Span::ALWAYS)
        .unwrap_err();
    assert!(matches!(error, StoreError::Unavailable(_)), "{error}");
}

fn asked_back(body: &'static str) -> Result<Vec<Sample>, StoreError> {
    let server = StandIn::new(move |_| answer("200 OK", "", body));
    client(&server).range(&weight(), &kg(), Span::ALWAYS)
}

#[test]
fn answers_are_read_whatever_their_columns() {
    let body = ",result,table,_field,_time,_value\r\n,_result,0,weight_kg,2026-09-01T05:00:01Z,2\r\n,_result,0,weight_kg,2026-09-01T05:00:00Z,-0\r\n,_result,0,weight_kg,2026-09-01T05:00:02Z,\r\n\r\n,result,table,_value,_time,_field\r\n,_result,1,7,2026-09-01T05:00:01Z,weight_lb\r\n,_result,1,8,2026-09-01T05:00:09Z,weight_lb\r\n\r\n";
    let samples = asked_back(body).unwrap();
    let found: Vec<(i64, u64)> = samples
        .iter()
        .map(|s| (s.time.0 - NOW, s.value.to_bits()))
        .collect();
    let expected = [
        (0, (-0.0_f64).to_bits()),
        (1_000, 2.0_f64.to_bits()),
        (9_000, 8.0_f64.to_bits()),
    ];
    assert_eq!(
        found, expected,
        "in order, each time once, the field of the unit first, no nulls"
    );
    assert_eq!(asked_back("").unwrap(), []);
}

#[test]
fn errors_inside_and_at_the_end_of_an_answer_are_errors() {
    let inside = ",result,table,_field,_time,_value\r\n,_result,0,weight_kg,2026-09-01T05:00:01Z,2\r\n\r\nerror,reference\r\nout of memory,897\r\n";
    assert!(
        asked_back(inside)
            .unwrap_err()
            .to_string()
            .contains("out of memory")
    );
    let cut = StandIn::new(|_| {
        Some("HTTP/1.1 200 OK\r\ntransfer-encoding: chunked\r\n\r\n20\r\n,result,table,_time,_value\r\n".into())
    });
    assert!(client(&cut).range(&weight(), &kg(), Span::ALWAYS).is_err());
}
