//! Line protocol: `measurement,tag=value field=value time`, one reading a line.

use super::schema::{MEASUREMENT, field_of};
use crate::archive::Portion;
use larder_domain::{ChannelRef, Sample, Unit};
use std::fmt::Write;

/// Lines ready to be sent, and which reading each of them is.
#[derive(Default)]
pub(super) struct Lines {
    pub(super) text: String,
    /// The end of each line in `text`.
    ends: Vec<usize>,
    /// Portion and place in it.
    readings: Vec<(u32, u32)>,
}

impl Lines {
    /// One line for each reading that `wanted` accepts. Values that are not finite cannot be
    /// written and do not occur: every reading was checked when it came.
    pub(super) fn of(portions: &[Portion], wanted: impl Fn(&Sample) -> bool) -> Self {
        let mut lines = Self::default();
        for (i, (series, unit, samples)) in portions.iter().enumerate() {
            let start = line_start(series, unit);
            lines.text.reserve(samples.len() * (start.len() + 24));
            for (j, sample) in samples.iter().enumerate() {
                if !sample.value.is_finite() || !wanted(sample) {
                    continue;
                }
                lines.text.push_str(&start);
                // Debug is the shortest text that reads as the same number, with an exponent
                // where the digits would be many.
                let _ = writeln!(lines.text, "{:?} {}", sample.value, sample.time.0);
                lines.ends.push(lines.text.len());
                lines.readings.push((i as u32, j as u32));
            }
        }
        lines
    }

    pub(super) fn len(&self) -> usize {
        self.ends.len()
    }

    /// Lines `from` to `to`, the last not included.
    pub(super) fn part(&self, from: usize, to: usize) -> &str {
        let at = |line: usize| match line {
            0 => 0,
            line => self.ends[line - 1],
        };
        &self.text[at(from)..at(to)]
    }

    /// Portion and place in it of a line.
    pub(super) fn reading(&self, line: usize) -> (usize, usize) {
        let (portion, place) = self.readings[line];
        (portion as usize, place as usize)
    }
}

/// All of a line before the value. Tags stand in order of their names, which the server likes best.
fn line_start(series: &ChannelRef, unit: &Unit) -> String {
    format!(
        "{MEASUREMENT},channel={},device={} {}=",
        escaped(series.channel.as_str()),
        escaped(series.device.as_str()),
        escaped(&field_of(&series.channel, unit)),
    )
}

/// A tag's value or a field's name. Neither has line ends or other control characters: names and
/// units were checked when they came.
fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        if matches!(c, ',' | '=' | ' ') {
            escaped.push('\\');
        }
        escaped.push(c);
    }
    escaped
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::{ChannelName, DeviceId, Timestamp};

    fn portion(device: &str, channel: &str, unit: &str, values: &[f64]) -> Portion {
        let series = ChannelRef {
            device: DeviceId::new(device).unwrap(),
            channel: ChannelName::new(channel).unwrap(),
        };
        let sample = |(i, &value): (usize, &f64)| Sample {
            time: Timestamp(1_788_238_800_000 + i as i64),
            value,
        };
        let samples = values.iter().enumerate().map(sample).collect();
        (series, Unit::new(unit).unwrap(), samples)
    }

    #[test]
    fn a_reading_is_a_line() {
        let portions = [
            portion("sc-1", "a/weight", "kg", &[41.237, -0.0]),
            portion(
                "g_1",
                "co2",
                "a=b\\",
                &[1e300, f64::MIN_POSITIVE, f64::NAN, 12.0],
            ),
        ];
        let lines = Lines::of(&portions, |sample| sample.value < 1e301);
        assert_eq!(
            lines.text,
            "reading,channel=a/weight,device=sc-1 weight_kg=41.237 1788238800000\n\
             reading,channel=a/weight,device=sc-1 weight_kg=-0.0 1788238800001\n\
             reading,channel=co2,device=g_1 co2_a\\=b%5C=1e300 1788238800000\n\
             reading,channel=co2,device=g_1 co2_a\\=b%5C=2.2250738585072014e-308 1788238800001\n\
             reading,channel=co2,device=g_1 co2_a\\=b%5C=12.0 1788238800003\n"
        );
        assert_eq!((lines.len(), lines.reading(4)), (5, (1, 3)));
        assert!(lines.part(1, 2).ends_with("=-0.0 1788238800001\n"));
        assert_eq!(lines.part(0, 5), lines.text);
    }

    #[test]
    fn what_separates_is_escaped() {
        assert_eq!(escaped("a b,c=d"), "a\\ b\\,c\\=d");
    }
}
