//! Payloads as devices of different makers would send them: SenML in JSON and in CBOR (RFC 8428),
//! flat JSON in metric and in US units. Times, names and units differ on purpose.

use larder_domain::{ChannelKind, DeviceId, Timestamp, Unit};
use serde_json::{Map, Value, json};

/// One moment's values, each in its channel's own unit.
#[derive(Clone, PartialEq, Debug)]
pub struct Record {
    /// When they were measured.
    pub at: Timestamp,
    /// Channel and value.
    pub values: Vec<(ChannelKind, f64)>,
    /// What the device says about itself at times.
    pub firmware: Option<&'static str>,
}

/// How a device writes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Format {
    /// Flat JSON, metric, RFC 3339 times.
    Flat,
    /// Flat JSON, US units, milliseconds since 1970.
    FlatUs,
    /// SenML JSON, names after `<device>/`.
    SenmlJson,
    /// SenML JSON, names after `urn:dev:ops:<device>:`, times relative to the base.
    SenmlJsonUrn,
    /// SenML CBOR, plain channel names.
    SenmlCbor,
}

impl Format {
    /// Scales and level sensors take turns among these.
    pub const ALL: [Self; 5] = [
        Self::Flat,
        Self::SenmlCbor,
        Self::SenmlJson,
        Self::FlatUs,
        Self::SenmlJsonUrn,
    ];

    /// The MQTT 5 content type.
    pub fn content_type(self) -> &'static str {
        match self {
            Self::Flat | Self::FlatUs => "application/json",
            Self::SenmlJson | Self::SenmlJsonUrn => "application/senml+json",
            Self::SenmlCbor => "application/senml+cbor",
        }
    }

    /// Writes a pack of records, which must not be empty.
    pub fn write(self, device: &DeviceId, records: &[Record]) -> Vec<u8> {
        match self {
            Self::Flat => flat(records, rfc3339, metric).into_bytes(),
            Self::FlatUs => flat(records, |at| at.0.into(), us).into_bytes(),
            Self::SenmlJson => senml_json(&format!("{device}/"), records).into_bytes(),
            Self::SenmlJsonUrn => {
                senml_json(&format!("urn:dev:ops:{device}:"), records).into_bytes()
            }
            Self::SenmlCbor => senml_cbor(records),
        }
    }
}

/// (key without channel, unit): the suffix of a flat key and what it stands for.
type Suffix = (&'static str, &'static str);

fn metric(kind: ChannelKind) -> Suffix {
    match kind {
        ChannelKind::Weight => ("kg", "kg"),
        ChannelKind::FeederWeight => ("g", "g"),
        ChannelKind::Depth | ChannelKind::Distance => ("mm", "mm"),
        ChannelKind::Volume => ("ml", "ml"),
        ChannelKind::Temperature | ChannelKind::SyrupTemperature => ("c", "Cel"),
        ChannelKind::Humidity => ("pct", "%RH"),
        ChannelKind::Rain => ("mm", "mm"),
        ChannelKind::Wind => ("ms", "m/s"),
        ChannelKind::Irradiance => ("wm2", "W/m2"),
        ChannelKind::Battery => ("v", "V"),
        ChannelKind::Rssi => ("dbm", "dBm"),
    }
}

fn us(kind: ChannelKind) -> Suffix {
    match kind {
        ChannelKind::Weight => ("lb", "lb"),
        ChannelKind::FeederWeight => ("oz", "oz"),
        ChannelKind::Depth | ChannelKind::Distance | ChannelKind::Rain => ("in", "in"),
        ChannelKind::Volume => ("gal", "gal"),
        ChannelKind::Temperature | ChannelKind::SyrupTemperature => ("f", "degF"),
        other => metric(other),
    }
}

fn flat(
    records: &[Record],
    time: impl Fn(Timestamp) -> Value,
    suffix: impl Fn(ChannelKind) -> Suffix,
) -> String {
    let object = |record: &Record| {
        let mut object = Map::new();
        object.insert("time".into(), time(record.at));
        for &(kind, value) in &record.values {
            let (suffix, unit) = suffix(kind);
            let key = format!("{}_{suffix}", kind.name());
            object.insert(key, number(in_unit(kind, value, unit)));
        }
        if let Some(firmware) = record.firmware {
            object.insert("firmware".into(), firmware.into());
        }
        Value::Object(object)
    };
    match records {
        [one] => object(one).to_string(),
        many => Value::Array(many.iter().map(object).collect()).to_string(),
    }
}

fn rfc3339(at: Timestamp) -> Value {
    at.to_rfc3339().into()
}

fn senml_json(base_name: &str, records: &[Record]) -> String {
    let base_ms = records[0].at.0;
    let mut pack = Vec::new();
    for record in records {
        let relative_s = (record.at.0 - base_ms) / 1000;
        let mut push = |mut entry: Map<String, Value>| {
            if pack.is_empty() {
                entry.insert("bn".into(), base_name.into());
                entry.insert("bt".into(), (base_ms / 1000).into());
            }
            if relative_s != 0 {
                entry.insert("t".into(), relative_s.into());
            }
            pack.push(Value::Object(entry));
        };
        for &(kind, value) in &record.values {
            let entry = json!({"n": kind.name(), "u": kind.unit().as_str(), "v": number(value)});
            push(entry.as_object().cloned().unwrap_or_default());
        }
        if let Some(firmware) = record.firmware {
            let entry = json!({"n": "firmware", "vs": firmware});
            push(entry.as_object().cloned().unwrap_or_default());
        }
    }
    Value::Array(pack).to_string()
}

/// Labels of RFC 8428, table 4.
mod label {
    pub const BASE_TIME: i8 = -3;
    pub const NAME: i8 = 0;
    pub const UNIT: i8 = 1;
    pub const VALUE: i8 = 2;
    pub const TIME: i8 = 6;
}

fn senml_cbor(records: &[Record]) -> Vec<u8> {
    let base_s = records[0].at.0 / 1000;
    let n_entries = records.iter().map(|r| r.values.len() as u64).sum();
    let mut out = minicbor::Encoder::new(Vec::new());
    let mut write = || -> Result<(), minicbor::encode::Error<std::convert::Infallible>> {
        out.array(n_entries)?;
        let mut first = true;
        for record in records {
            let relative_s = record.at.0 / 1000 - base_s;
            for &(kind, value) in &record.values {
                let extra = u64::from(first) + u64::from(relative_s != 0);
                out.map(3 + extra)?;
                if first {
                    out.i8(label::BASE_TIME)?.i64(base_s)?;
                    first = false;
                }
                out.i8(label::NAME)?.str(kind.name())?;
                out.i8(label::UNIT)?.str(kind.unit().as_str())?;
                out.i8(label::VALUE)?.f64(tidy(value))?;
                if relative_s != 0 {
                    out.i8(label::TIME)?.i64(relative_s)?;
                }
            }
        }
        Ok(())
    };
    write().expect("writing to memory cannot fail");
    out.into_writer()
}

fn in_unit(kind: ChannelKind, value: f64, unit: &str) -> f64 {
    let to = Unit::new(unit).expect("a unit of the tables above");
    kind.unit()
        .convert(value, &to)
        .expect("the tables above give each channel a unit of its own quantity")
}

/// As many digits as a device would print.
fn tidy(value: f64) -> f64 {
    (value * 1e5).round() / 1e5
}

fn number(value: f64) -> Value {
    json!(tidy(value))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn records() -> Vec<Record> {
        let at = |s: i64| Timestamp(1_790_000_000_000 + s * 1000);
        vec![
            Record {
                at: at(0),
                values: vec![
                    (ChannelKind::Weight, 41.237),
                    (ChannelKind::Temperature, 18.4),
                ],
                firmware: None,
            },
            Record {
                at: at(600),
                values: vec![(ChannelKind::Weight, 41.22)],
                firmware: Some("1.4.2"),
            },
        ]
    }

    fn text(format: Format, records: &[Record]) -> String {
        String::from_utf8(format.write(&DeviceId::new("scale-1").unwrap(), records)).unwrap()
    }

    #[test]
    fn json_payloads_look_like_the_contract_says() {
        let one = text(Format::Flat, &records()[..1]);
        assert_eq!(
            one,
            r#"{"temperature_c":18.4,"time":"2026-09-21T14:13:20Z","weight_kg":41.237}"#
        );
        let many = text(Format::FlatUs, &records());
        assert!(
            many.starts_with(r#"[{"temperature_f":65.12,"time":1790000000000,"weight_lb":90.912"#),
            "{many}"
        );
        let senml = text(Format::SenmlJsonUrn, &records());
        assert!(senml.contains(r#""bn":"urn:dev:ops:scale-1:""#) && senml.contains(r#""t":600"#));
    }

    #[test]
    fn cbor_is_what_rfc_8949_says() {
        let bytes = Format::SenmlCbor.write(&DeviceId::new("d").unwrap(), &records()[1..]);
        // By hand after RFC 8949: array(1), map(4), -3: uint32, 0: "weight", 1: "kg", 2: float64.
        let mut expected = vec![0x81, 0xa4, 0x22, 0x1a];
        expected.extend(1_790_000_600u32.to_be_bytes());
        expected.extend([0x00, 0x66]);
        expected.extend(b"weight");
        expected.extend([0x01, 0x62]);
        expected.extend(b"kg");
        expected.extend([0x02, 0xfb]);
        expected.extend(41.22f64.to_be_bytes());
        assert_eq!(bytes, expected);
    }
}
