//! Reading back: Flux that names one channel and a span, and an answer that is read as it comes.

use super::InfluxDb2;
use super::answer::{self, Row};
use super::http::{Trouble, quoted};
use super::schema::{MEASUREMENT, field_of, unit_of};
use crate::StoreError;
use crate::archive::{ArchiveReader, ArchivedSeries};
use crate::embedded::readings::merge_into;
use larder_domain::{ChannelName, ChannelRef, DeviceId, Sample, Span, Timestamp, Unit};
use serde_json::json;
use std::collections::BTreeMap;

/// 1970-01-01 and 2200-01-01: every reading's time lies between, and the server knows no times far
/// beyond.
const EARLIEST: i64 = 0;
const LATEST: i64 = 7_258_118_400_000;

impl ArchiveReader for InfluxDb2 {
    fn series(&self) -> Result<Vec<ArchivedSeries>, StoreError> {
        let from = self.from(Span::ALWAYS, "");
        let flux = format!(
            "data = () => {from}\n\
             data() |> first() |> keep(columns: {columns}) |> yield(name: \"first\")\n\
             data() |> last() |> keep(columns: {columns}) |> yield(name: \"last\")",
            columns = "[\"device\", \"channel\", \"_field\", \"_time\", \"_value\"]"
        );
        let mut found: BTreeMap<ChannelRef, Vec<(Unit, Ends)>> = BTreeMap::new();
        self.query(&flux, |row| {
            if let Some((series, unit, sample)) = named_sample(&row) {
                let fields = found.entry(series).or_default();
                let at = fields.iter().position(|(known, _)| *known == unit);
                let at = at.unwrap_or_else(|| {
                    fields.push((unit, Ends::default()));
                    fields.len() - 1
                });
                let ends = &mut fields[at].1;
                match row.cell("result") {
                    Some("first") => ends.first = Some(sample),
                    _ => ends.last = Some(sample),
                }
            }
        })?;
        Ok(found
            .into_iter()
            .filter_map(|(series, fields)| joined(series, fields))
            .collect())
    }

    fn range(
        &self,
        series: &ChannelRef,
        unit: &Unit,
        span: Span,
    ) -> Result<Vec<Sample>, StoreError> {
        if clamped(span).is_none() {
            return Ok(Vec::new());
        }
        let flux = format!(
            "{} |> keep(columns: [\"_time\", \"_value\", \"_field\"])",
            self.from(span, &of_channel(series))
        );
        let field = field_of(&series.channel, unit);
        let (mut current, mut earlier) = (Vec::new(), Vec::new());
        self.query(&flux, |row| {
            if let (Some(time), Some(value)) = (row.time("_time"), row.number("_value")) {
                let is_current = row.cell("_field") == Some(&field);
                let samples = if is_current {
                    &mut current
                } else {
                    &mut earlier
                };
                samples.push(Sample { time, value });
            }
        })?;
        in_order(&mut current);
        if earlier.is_empty() {
            return Ok(current);
        }
        // The channel once came in a unit of another quantity.
        in_order(&mut earlier);
        merge_into(&mut earlier, &current);
        Ok(earlier)
    }

    fn count(&self, series: &ChannelRef, span: Span) -> Result<u64, StoreError> {
        if clamped(span).is_none() {
            return Ok(0);
        }
        let flux = format!("{} |> count()", self.from(span, &of_channel(series)));
        let mut n = 0;
        self.query(&flux, |row| n += row.number("_value").unwrap_or(0.0) as u64)?;
        Ok(n)
    }
}

#[derive(Default)]
struct Ends {
    first: Option<Sample>,
    last: Option<Sample>,
}

/// One series of its fields: the unit of the newest reading stands.
fn joined(series: ChannelRef, fields: Vec<(Unit, Ends)>) -> Option<ArchivedSeries> {
    let first = fields
        .iter()
        .filter_map(|(_, ends)| ends.first)
        .map(|s| s.time)
        .min()?;
    let lasts = fields
        .into_iter()
        .filter_map(|(unit, ends)| Some((unit, ends.last?)));
    let (unit, last) = lasts.max_by_key(|(_, last)| last.time)?;
    Some(ArchivedSeries {
        series,
        unit,
        first,
        last,
    })
}

/// `None`: not one of Larder's.
fn named_sample(row: &Row<'_>) -> Option<(ChannelRef, Unit, Sample)> {
    let channel = ChannelName::new(row.cell("channel")?).ok()?;
    let unit = unit_of(&channel, row.cell("_field")?)?;
    let device = DeviceId::new(row.cell("device")?).ok()?;
    let sample = Sample {
        time: row.time("_time")?,
        value: row.number("_value")?,
    };
    Some((ChannelRef { device, channel }, unit, sample))
}

fn in_order(samples: &mut Vec<Sample>) {
    if !samples.is_sorted_by(|a, b| a.time < b.time) {
        samples.sort_by_key(|sample| sample.time);
        samples.dedup_by_key(|sample| sample.time);
    }
}

fn clamped(span: Span) -> Option<Span> {
    span.intersect(Span {
        start: Timestamp(EARLIEST),
        end: Timestamp(LATEST),
    })
}

fn of_channel(series: &ChannelRef) -> String {
    format!(
        " and r.device == {} and r.channel == {}",
        literal(series.device.as_str()),
        literal(series.channel.as_str())
    )
}

/// A text in Flux.
pub(super) fn literal(text: &str) -> String {
    let escaped = text
        .replace('\\', "\\\\")
        .replace('"', "\\\"")
        .replace("${", "\\${");
    format!("\"{escaped}\"")
}

impl InfluxDb2 {
    fn from(&self, span: Span, condition: &str) -> String {
        let span = clamped(span).unwrap_or(Span {
            start: Timestamp(EARLIEST),
            end: Timestamp(EARLIEST + 1),
        });
        format!(
            "from(bucket: {}) |> range(start: {}, stop: {}) |> filter(fn: (r) => r._measurement == {}{condition})",
            literal(&self.config.bucket),
            span.start.to_rfc3339(),
            span.end.to_rfc3339(),
            literal(MEASUREMENT),
        )
    }

    fn query(&self, flux: &str, take: impl FnMut(Row<'_>)) -> Result<(), StoreError> {
        self.try_query(flux, take)
            .map_err(|trouble| self.unavailable(&trouble))
    }

    fn try_query(&self, flux: &str, take: impl FnMut(Row<'_>)) -> Result<(), Trouble> {
        let path = format!("/api/v2/query?org={}", quoted(&self.config.org));
        let dialect = json!({ "header": true, "annotations": [], "delimiter": "," });
        let body = json!({ "query": flux, "type": "flux", "dialect": dialect });
        let answer = self.http.post_json(&path, &body)?;
        answer::read(answer.into_body().into_reader(), take)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_in_a_query_stays_a_text() {
        assert_eq!(literal(r#"a"b\c${d}"#), r#""a\"b\\c\${d}""#);
    }

    #[test]
    fn the_unit_of_the_newest_reading_stands() {
        let series = ChannelRef {
            device: DeviceId::new("d").unwrap(),
            channel: ChannelName::new("co2").unwrap(),
        };
        let sample = |ms, value| {
            Some(Sample {
                time: Timestamp(ms),
                value,
            })
        };
        let of = |unit: &str, first, last| {
            (
                Unit::new(unit).unwrap(),
                Ends {
                    first: sample(first, 1.0),
                    last: sample(last, 2.0),
                },
            )
        };
        let found = joined(series, vec![of("g", 5, 9), of("V", 7, 20)]).unwrap();
        assert_eq!(
            (found.unit.as_str(), found.first.0, found.last.time.0),
            ("V", 5, 20)
        );
    }
}
