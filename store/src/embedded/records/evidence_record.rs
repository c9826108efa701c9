//! What a flag's evidence looks like in the store: JSON with a version.

use crate::embedded::fault::Fault;
use larder_domain::{
    ChannelName, ChannelRef, DeviceId, Evidence, Measure, Quantity, Span, Timestamp,
};
use serde::{Deserialize, Serialize};

#[derive(Serialize, Deserialize)]
#[serde(tag = "v")]
enum EvidenceRecord {
    #[serde(rename = "1")]
    V1(EvidenceV1),
}

#[derive(Serialize, Deserialize)]
struct EvidenceV1 {
    template: String,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    quantities: Vec<QuantityV1>,
    /// Device and channel.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    channels: Vec<(String, String)>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    over: Option<(i64, i64)>,
}

#[derive(Serialize, Deserialize)]
struct QuantityV1 {
    name: String,
    /// JSON has no NaN: null.
    value: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    interval: Option<(f64, f64)>,
    measure: String,
}

pub(super) fn write(evidence: &Evidence) -> String {
    let record = EvidenceRecord::V1(EvidenceV1 {
        template: evidence.template.clone(),
        quantities: evidence.quantities.iter().map(quantity).collect(),
        channels: evidence
            .channels
            .iter()
            .map(|c| (c.device.to_string(), c.channel.to_string()))
            .collect(),
        over: evidence.over.map(|span| (span.start.0, span.end.0)),
    });
    serde_json::to_string(&record).expect("names, numbers and text can be written as JSON")
}

fn quantity(quantity: &Quantity) -> QuantityV1 {
    QuantityV1 {
        name: quantity.name.clone(),
        value: quantity.value.is_finite().then_some(quantity.value),
        interval: quantity.interval,
        measure: quantity.measure.name().to_owned(),
    }
}

pub(super) fn read(text: &str) -> Result<Evidence, Fault> {
    let record = serde_json::from_str(text)
        .map_err(|error| Fault::Damaged(format!("a flag's evidence does not read: {error}")))?;
    let EvidenceRecord::V1(record) = record;
    let damaged =
        |what: &str| Fault::Damaged(format!("\"{what}\" in a flag's evidence does not read"));
    let quantity = |q: QuantityV1| {
        Ok(Quantity {
            measure: Measure::from_name(&q.measure).ok_or_else(|| damaged(&q.measure))?,
            name: q.name,
            value: q.value.unwrap_or(f64::NAN),
            interval: q.interval,
        })
    };
    let channel = |(device, channel): (String, String)| {
        Ok(ChannelRef {
            device: DeviceId::new(&device).map_err(|_| damaged(&device))?,
            channel: ChannelName::new(&channel).map_err(|_| damaged(&channel))?,
        })
    };
    Ok(Evidence {
        template: record.template,
        quantities: record
            .quantities
            .into_iter()
            .map(quantity)
            .collect::<Result<_, Fault>>()?,
        channels: record
            .channels
            .into_iter()
            .map(channel)
            .collect::<Result<_, Fault>>()?,
        over: record.over.map(|(start, end)| Span {
            start: Timestamp(start),
            end: Timestamp(end),
        }),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Must read for ever.
    const FIRST: &str = include_str!("../../../tests/records/evidence-1.json");

    #[test]
    fn what_was_ever_written_reads() {
        let evidence = read(FIRST).unwrap();
        assert_eq!(evidence.plain(), "Took 50 ml [0–120] in 28 h.");
        assert_eq!(evidence.channels[0].device.as_str(), "lv-1");
        assert_eq!(write(&evidence), FIRST.trim_end());
    }

    #[test]
    fn what_is_no_number_stays_none() {
        let evidence = Evidence::new("{x}").with("x", f64::NAN, Measure::Volume);
        assert!(
            read(&write(&evidence)).unwrap().quantities[0]
                .value
                .is_nan()
        );
    }
}
