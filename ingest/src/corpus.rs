//! Malformed messages, each with what must become of it: for the decoders' own tests and for tests
//! that send them through a broker. The same seed gives the same messages.

use crate::decode::{DecodeConfig, Message};
use larder_domain::Timestamp;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

/// A message that is wrong in one known way.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Case {
    /// What is wrong with it.
    pub what: &'static str,
    /// Where it is published; the prefix is `larder`.
    pub topic: String,
    /// The message's bytes.
    pub payload: Vec<u8>,
    /// The MQTT 5 content type; `None` on most, so that they can be sent by MQTT 3.1.1 too.
    pub content_type: Option<&'static str>,
    /// Whether it must arrive as a retained message.
    pub retained: bool,
    /// Entries that it makes in the quarantine.
    pub refused: usize,
    /// Good readings that it carries all the same.
    pub readings: usize,
    /// Whether the entry is about the whole message, not about one record.
    pub whole: bool,
}

impl Case {
    /// As the decoders take it.
    pub fn message(&self, received_at: Timestamp) -> Message {
        Message {
            topic: self.topic.clone(),
            cut_from: None,
            payload: self.payload.clone(),
            content_type: self.content_type.map(str::to_owned),
            retained: self.retained,
            received_at,
        }
    }
}

/// The configuration that the verdicts hold for: prefix `larder`, no gateways, no mappings.
pub fn config() -> DecodeConfig {
    DecodeConfig::default()
}

/// `count` malformed messages, all kinds in turn. Times in them are in 2025, or far off on purpose.
pub fn malformed(seed: u64, count: usize) -> Vec<Case> {
    let mut random = StdRng::seed_from_u64(seed);
    (0..count)
        .map(|i| KINDS[i % KINDS.len()](&mut random))
        .collect()
}

type Kind = fn(&mut StdRng) -> Case;

const KINDS: [Kind; 26] = [
    not_json,
    cut_off,
    garbage,
    scalar,
    without_values,
    almost_json,
    not_utf8,
    deep,
    impossible,
    text_for_a_number,
    not_finite,
    twice,
    bad_time,
    time_far_off,
    oversized,
    bad_device,
    retained,
    senml_name,
    senml_unit,
    senml_type,
    senml_version,
    senml_values,
    senml_mixed,
    cbor_outline,
    cbor_record,
    wrong_content_type,
];

/// A case on a device's topic; the builder's defaults are one entry for one record.
fn case(what: &'static str, random: &mut StdRng, payload: impl Into<Vec<u8>>) -> Case {
    Case {
        what,
        topic: format!("larder/bad-{}/readings", random.random_range(0..1000)),
        payload: payload.into(),
        content_type: None,
        retained: false,
        refused: 1,
        readings: 0,
        whole: false,
    }
}

fn whole(what: &'static str, random: &mut StdRng, payload: impl Into<Vec<u8>>) -> Case {
    Case {
        whole: true,
        ..case(what, random, payload)
    }
}

fn pick<T: Clone>(random: &mut StdRng, of: &[T]) -> T {
    of[random.random_range(0..of.len())].clone()
}

/// Seconds in the first half of 2025.
fn moment(random: &mut StdRng) -> i64 {
    random.random_range(1_735_700_000..1_750_000_000)
}

fn kilograms(random: &mut StdRng) -> f64 {
    f64::from(random.random_range(20_000..60_000)) / 1000.0
}

/// A good flat object.
fn good(random: &mut StdRng) -> String {
    format!(
        r#"{{"time":{},"weight_kg":{},"temperature_c":{}}}"#,
        moment(random),
        kilograms(random),
        random.random_range(-10..35)
    )
}

fn not_json(random: &mut StdRng) -> Case {
    let n = random.random_range(0..100_000);
    let payload = match random.random_range(0..6) {
        0 => " ".repeat(random.random_range(0..40)),
        1 => format!("weight {n}"),
        2 => format!("weight_kg={n}&battery_v=3.9"),
        3 => format!("<sensml><senml n=\"weight\" v=\"{n}\"/></sensml>"),
        4 => format!("2025-05-01T00:00:00Z,sc-1,weight,kg,{n}"),
        _ => format!("{{weight_kg: {n}}}"),
    };
    whole("not JSON", random, payload)
}

fn cut_off(random: &mut StdRng) -> Case {
    let mut payload = good(random);
    payload.truncate(random.random_range(1..payload.len()));
    whole("JSON that is cut off", random, payload)
}

fn garbage(random: &mut StdRng) -> Case {
    let length = random.random_range(1..200);
    let mut payload: Vec<u8> = (0..length).map(|_| random.random()).collect();
    payload[0] = random.random_range(0xf8..=0xff);
    whole("random bytes", random, payload)
}

fn scalar(random: &mut StdRng) -> Case {
    let n = random.random_range(0..1_000_000);
    let payload = match random.random_range(0..5) {
        0 => n.to_string(),
        1 => format!("\"weight {n}\""),
        2 => pick(random, &["true", "false", "null"]).to_owned(),
        3 => format!("[{n},{n}]"),
        _ => format!("[[{n}]]"),
    };
    whole("neither an object nor a list of objects", random, payload)
}

fn without_values(random: &mut StdRng) -> Case {
    let time = moment(random);
    let payload = pick(
        random,
        &[
            "{}".to_owned(),
            "[{}]".to_owned(),
            format!("{{\"time\":{time}}}"),
        ],
    );
    case("an object without values", random, payload)
}

fn almost_json(random: &mut StdRng) -> Case {
    let n = random.random_range(10..1_000_000);
    let payload = match random.random_range(0..8) {
        0 => format!("{{'weight_kg':{n}}}"),
        1 => format!("{{\"weight_kg\":{n},}}"),
        2 => format!("{{\"weight_kg\":0{n}}}"),
        3 => format!("{{\"weight_kg\":0x{n}}}"),
        4 => format!("{{\"weight_kg\":+{n}}}"),
        5 => "{\"weight_kg\":NaN}".to_owned(),
        6 => format!("{{\"weight_kg\":{n}}} // raw"),
        _ => format!("{{\"weight_kg\":{n}}}{{\"weight_kg\":{n}}}"),
    };
    whole("almost JSON", random, payload)
}

fn not_utf8(random: &mut StdRng) -> Case {
    let mut payload = good(random).into_bytes();
    let at = random.random_range(2..10);
    payload[at] = pick(random, &[0xc0, 0xff, 0x80, 0xf5]);
    whole("JSON with bytes that are not UTF-8", random, payload)
}

fn deep(random: &mut StdRng) -> Case {
    let levels = random.random_range(40..5_000);
    let (open, close) = pick(random, &[("[", "]"), ("{\"x\":", "}")]);
    let payload = format!(
        r#"{{"time":{},"weight_kg":{},"x":{}1{}}}"#,
        moment(random),
        kilograms(random),
        open.repeat(levels),
        close.repeat(levels)
    );
    Case {
        readings: 1,
        ..case("nested too deep beside a good value", random, payload)
    }
}

fn impossible(random: &mut StdRng) -> Case {
    let far = random.random_range(3_000..1_000_000);
    let key = pick(
        random,
        &[
            "humidity_pct",
            "wind_ms",
            "depth_m",
            "battery_v",
            "irradiance_wm2",
            "syrup_temperature_c",
        ],
    );
    let payload = format!(
        r#"{{"time":{},"weight_kg":{},"{key}":{}}}"#,
        moment(random),
        kilograms(random),
        if random.random() { far } else { -far }
    );
    Case {
        readings: 1,
        ..case(
            "a physically impossible value beside a good one",
            random,
            payload,
        )
    }
}

fn text_for_a_number(random: &mut StdRng) -> Case {
    let value = pick(
        random,
        &[
            "\"abc\"",
            "\"\"",
            "true",
            "{}",
            "[3]",
            "\"12 kg\"",
            "\"1,5\"",
            "\"0x1f\"",
            "\"--1\"",
        ],
    );
    let key = pick(
        random,
        &["weight_kg", "temperature", "box_lb", "soil_pct", "rain_in"],
    );
    let payload = format!(
        r#"{{"time":{},"{key}":{value},"battery_v":3.{}}}"#,
        moment(random),
        random.random_range(0..1000)
    );
    Case {
        readings: 1,
        ..case("text where a number is promised", random, payload)
    }
}

fn not_finite(random: &mut StdRng) -> Case {
    let exponent = random.random_range(309..100_000);
    let value = match random.random_range(0..4) {
        0 => format!("1e{exponent}"),
        1 => format!("-{}e{exponent}", random.random_range(1..9)),
        2 => pick(random, &["\"NaN\"", "\"inf\"", "\"-Infinity\""]).to_owned(),
        _ => "9".repeat(400),
    };
    let payload = format!(r#"{{"time":{},"weight_kg":{value}}}"#, moment(random));
    case("a number that is not finite", random, payload)
}

fn twice(random: &mut StdRng) -> Case {
    let payload = format!(
        r#"[{{"time":{},"weight_kg":{},"weight_kg":{}}},{}]"#,
        moment(random),
        kilograms(random),
        kilograms(random),
        good(random)
    );
    Case {
        readings: 2,
        ..case("a key given twice, then a good object", random, payload)
    }
}

fn bad_time(random: &mut StdRng) -> Case {
    let n = random.random_range(1..99);
    let time = match random.random_range(0..8) {
        0 => format!("\"2025-13-{n}T00:00:00Z\""),
        1 => format!("\"2025-05-01 at {n}\""),
        2 => "true".to_owned(),
        3 => format!("[{n}]"),
        4 => "1e400".to_owned(),
        5 => "-9223372036854775808".to_owned(),
        6 => format!("\"2025-05-01T00:00:{n}\""),
        _ => format!("{{\"s\":{n}}}"),
    };
    let payload = format!(r#"{{"time":{time},"weight_kg":{}}}"#, kilograms(random));
    case("a time that is none", random, payload)
}

fn time_far_off(random: &mut StdRng) -> Case {
    let n = random.random_range(0..900_000_000_i64);
    let time = pick(random, &[n, -n, 4_102_444_800 + n, 99_999_999_999 - n]);
    let payload = format!(r#"{{"time":{time},"weight_kg":{}}}"#, kilograms(random));
    case("a clock never set, or far ahead", random, payload)
}

fn oversized(random: &mut StdRng) -> Case {
    let mut payload = good(random);
    let extra = random.random_range(1..60_000);
    payload.push_str(&" ".repeat(64 * 1024 + extra - payload.len()));
    whole("over 64 KiB", random, payload)
}

fn bad_device(random: &mut StdRng) -> Case {
    let n = random.random_range(0..100_000);
    let device = match random.random_range(0..5) {
        0 => format!("hive {n}"),
        1 => format!("größe-{n}"),
        2 => format!("a:{n}"),
        3 => format!("x{n}").repeat(30),
        _ => format!("({n})"),
    };
    let payload = good(random);
    Case {
        topic: format!("larder/{device}/readings"),
        ..whole("a device's name that is not well formed", random, payload)
    }
}

fn retained(random: &mut StdRng) -> Case {
    let kilograms = kilograms(random);
    let payload = match random.random_range(0..3) {
        0 => format!(r#"{{"weight_kg":{kilograms}}}"#),
        1 => format!(r#"{{"time":null,"weight_kg":{kilograms}}}"#),
        _ => format!(r#"[{{"n":"weight","v":{kilograms}}}]"#),
    };
    Case {
        retained: true,
        ..case("retained without a time", random, payload)
    }
}

/// A SenML pack with a good record after `record`.
fn pack(what: &'static str, random: &mut StdRng, record: String) -> Case {
    let payload = format!(
        r#"[{record},{{"bt":{},"n":"weight","v":{}}}]"#,
        moment(random),
        kilograms(random)
    );
    Case {
        readings: 1,
        ..case(what, random, payload)
    }
}

fn senml_name(random: &mut StdRng) -> Case {
    let n = random.random_range(0..100_000);
    let name = match random.random_range(0..7) {
        0 => format!("other-{n}:weight"),
        1 => format!("urn:dev:mac:{n:012x}"),
        2 => format!("urn:dev:mac:{n:012x}:weight"),
        3 => String::new(),
        4 => format!("wei ght {n}"),
        5 => format!("_{n}"),
        _ => "x".repeat(65 + n % 900),
    };
    pack(
        "a SenML name",
        random,
        format!(r#"{{"n":"{name}","v":{n}}}"#),
    )
}

fn senml_unit(random: &mut StdRng) -> Case {
    let (name, unit) = pick(
        random,
        &[
            ("weight", "l"),
            ("humidity", "Cel"),
            ("a/battery", "%EL"),
            ("rain", "m/s"),
            ("wind", "kg"),
        ],
    );
    let record = format!(
        r#"{{"n":"{name}","u":"{unit}","v":{}}}"#,
        random.random_range(0..60)
    );
    pack("a unit of another quantity", random, record)
}

fn senml_type(random: &mut StdRng) -> Case {
    let n = random.random_range(0..1000);
    let record = match random.random_range(0..7) {
        0 => format!(r#"{{"n":{n},"v":1}}"#),
        1 => format!(r#"{{"n":"battery","v":"{n}"}}"#),
        2 => format!(r#"{{"n":"battery","v":{n},"t":"now"}}"#),
        3 => format!(r#"{{"n":"lid","vb":{n}}}"#),
        4 => format!(r#"{{"n":"blob","vd":"{n}*"}}"#),
        5 => n.to_string(),
        _ => format!(r#"{{"n":"fw","vs":"\ud800 {n}"}}"#),
    };
    pack("a SenML field of another type", random, record)
}

fn senml_version(random: &mut StdRng) -> Case {
    let n = random.random_range(27..10_000);
    let field = match random.random_range(0..5) {
        0 => format!(r#""bver":{n}"#),
        1 => format!(r#""bver":{}"#, random.random_range(11..26)),
        2 => format!(r#""bver":"{n}""#),
        3 => format!(r#""must{n}_":true"#),
        _ => format!(r#""bver":-{n}"#),
    };
    let record = format!(r#"{{"n":"battery","v":3.9,{field}}}"#);
    Case {
        readings: 0,
        whole: true,
        ..pack(
            "a SenML version or label that is not understood",
            random,
            record,
        )
    }
}

fn senml_values(random: &mut StdRng) -> Case {
    let n = random.random_range(0..1000);
    let record = match random.random_range(0..4) {
        0 => format!(r#"{{"n":"battery","v":{n},"vs":"{n}"}}"#),
        1 => format!(r#"{{"n":"battery","t":-{n}}}"#),
        2 => format!(r#"{{"n":"battery","v":3,"v":{n}}}"#),
        _ => format!(r#"{{"n":"battery","v":{}}}"#, 61 + n),
    };
    pack("no value, two values, or an impossible one", random, record)
}

fn senml_mixed(random: &mut StdRng) -> Case {
    let start = moment(random);
    let (mut readings, mut refused) = (0, 0);
    let mut records = vec![format!(r#"{{"bt":{start},"n":"weight","v":30}}"#)];
    for t in 1..random.random_range(3..60) {
        let is_good: bool = random.random();
        let (value, count) = if is_good {
            (kilograms(random).to_string(), &mut readings)
        } else {
            (
                pick(random, &["1e999", "\"x\"", "-101", "null"]).to_owned(),
                &mut refused,
            )
        };
        *count += 1;
        records.push(format!(r#"{{"n":"weight","t":{t},"v":{value}}}"#));
    }
    // At least one of them is bad.
    records.push(r#"{"n":"weight","v":1000.5}"#.to_owned());
    Case {
        readings: readings + 1,
        refused: refused + 1,
        ..case(
            "good and bad records in one pack",
            random,
            format!("[{}]", records.join(",")),
        )
    }
}

/// `[{0: "weight", 2: n}]`, with `n` below 256.
fn good_cbor(random: &mut StdRng) -> Vec<u8> {
    let mut payload = b"\x81\xa2\x00\x66weight\x02\x18".to_vec();
    payload.push(random.random_range(24..=255));
    payload
}

fn cbor_outline(random: &mut StdRng) -> Case {
    let mut payload = good_cbor(random);
    match random.random_range(0..5) {
        0 => payload.truncate(random.random_range(1..payload.len())),
        1 => payload.push(random.random()),
        2 => payload[0] = 0x82,
        3 => payload
            .splice(0..1, [0x9b, 0xff, 0xff, 0xff, 0xff, 0, 0, 0, 0])
            .for_each(drop),
        _ => payload = vec![pick(random, &[0x81, 0x9f]); random.random_range(500..60_000)],
    }
    whole("CBOR with a broken outline", random, payload)
}

fn cbor_record(random: &mut StdRng) -> Case {
    // [{0: "weight", 2: <bad>}, {0: "weight", 2: n}]
    let bad: &[u8] = pick(
        random,
        &[
            &b"\xf9\x7e\x00"[..],
            b"\xfb\x7f\xf0\x00\x00\x00\x00\x00\x00",
            b"\x61x",
            b"\xc1\x01",
            b"\xf6",
            b"\x80",
            b"\xe0",
            b"\x1a\x00\xff\xff\xff",
        ],
    );
    let mut payload = b"\x82\xa2\x00\x66weight\x02".to_vec();
    payload.extend_from_slice(bad);
    payload.extend_from_slice(&good_cbor(random)[1..]);
    Case {
        readings: 1,
        ..case("a bad SenML record in CBOR", random, payload)
    }
}

fn wrong_content_type(random: &mut StdRng) -> Case {
    let (content_type, payload) = match random.random_range(0..3) {
        0 => ("application/senml+json", good(random).into_bytes()),
        1 => ("application/senml+cbor", good(random).into_bytes()),
        _ => ("application/senml+json; charset=utf-8", good_cbor(random)),
    };
    Case {
        content_type: Some(content_type),
        ..whole("a content type that is not true", random, payload)
    }
}
