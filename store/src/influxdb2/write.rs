//! Writing: all lines in one request; where the server refuses some, down to the very ones.

use super::http::{Trouble, quoted};
use super::line::Lines;
use super::{InfluxDb2, Retention};
use crate::archive::{ArchiveWriter, FaultKind, Portion, Unwritten, WriteFault, Written};
use larder_domain::Sample;

/// Lines of one request at most.
const MOST_LINES: usize = 10_000;

/// Refused lines of one parcel at most. When there are more, something is wrong with the bucket and
/// not with a reading: nothing is given up, a person must look.
const MOST_REFUSED: usize = 100;

/// A reading this much younger than what the bucket forgets is still sent: clocks differ.
const RETENTION_EDGE_MS: i64 = 3_600_000;

impl ArchiveWriter for InfluxDb2 {
    fn write_durable(&self, portions: &[Portion]) -> Result<Written, WriteFault> {
        let oldest = self.oldest_kept();
        let lines = Lines::of(portions, |sample| {
            oldest.is_none_or(|oldest| sample.time.0 >= oldest)
        });
        let all: usize = portions.iter().map(|(_, _, samples)| samples.len()).sum();
        let mut outcome = Outcome {
            expired: (all - lines.len()) as u64,
            refused: Vec::new(),
        };
        let mut from = 0;
        while from < lines.len() {
            let to = (from + MOST_LINES).min(lines.len());
            self.write_lines(&lines, from, to, &mut outcome)?;
            from = to;
        }
        let refused: Vec<Unwritten> = outcome
            .refused
            .into_iter()
            .map(|(line, reason)| unwritten(portions, lines.reading(line), reason))
            .collect();
        Ok(Written {
            taken: all as u64 - outcome.expired - refused.len() as u64,
            expired: outcome.expired,
            refused,
        })
    }
}

struct Outcome {
    expired: u64,
    refused: Vec<(usize, String)>,
}

fn unwritten(portions: &[Portion], (portion, place): (usize, usize), reason: String) -> Unwritten {
    let (series, unit, samples) = &portions[portion];
    let sample: Sample = samples[place];
    Unwritten {
        series: series.clone(),
        unit: unit.clone(),
        sample,
        reason,
    }
}

impl InfluxDb2 {
    /// Writes lines, halving them until the refused ones stand alone. Writing a line twice is safe.
    fn write_lines(
        &self,
        lines: &Lines,
        from: usize,
        to: usize,
        outcome: &mut Outcome,
    ) -> Result<(), WriteFault> {
        let path = format!(
            "/api/v2/write?org={}&bucket={}&precision=ms",
            quoted(&self.config.org),
            quoted(&self.config.bucket)
        );
        let trouble = match self.http.post_lines(&path, lines.part(from, to)) {
            Ok(()) => return Ok(()),
            Err(trouble) => trouble,
        };
        let Trouble::Refused(reason) = &trouble else {
            return Err(self.fault(&trouble));
        };
        if to - from > 1 && !is_of_the_field(reason) {
            let middle = from + (to - from) / 2;
            self.write_lines(lines, from, middle, outcome)?;
            return self.write_lines(lines, middle, to, outcome);
        }
        if reason.contains("retention policy") {
            outcome.expired += 1;
            return Ok(());
        }
        if is_of_the_field(reason) || outcome.refused.len() >= MOST_REFUSED {
            return Err(self.fault(&trouble));
        }
        outcome.refused.push((from, reason.clone()));
        Ok(())
    }

    fn fault(&self, trouble: &Trouble) -> WriteFault {
        let retry_after = match trouble {
            Trouble::Busy { retry_after, .. } => *retry_after,
            _ => None,
        };
        let what = match trouble {
            Trouble::Refused(says) if is_of_the_field(says) => format!(
                "a field of the measurement has another type than Larder's numbers: someone else \
                 writes into this bucket ({says}); delete what they wrote"
            ),
            other => other.to_string(),
        };
        WriteFault {
            what,
            kind: trouble.kind(),
            retry_after,
        }
    }

    /// Readings before this are forgotten by the bucket as they come; `None`: it keeps all, or it is
    /// not known yet.
    fn oldest_kept(&self) -> Option<i64> {
        match self.retention()? {
            Retention::Forever => None,
            Retention::Ms(ms) => Some((self.clock)().0 - ms + RETENTION_EDGE_MS.min(ms / 10)),
        }
    }

    fn retention(&self) -> Option<Retention> {
        if let Some(known) = self.retention.read().ok().and_then(|known| *known) {
            return Some(known);
        }
        let found = self.bucket().ok()??;
        let seconds = found["retentionRules"]
            .as_array()
            .and_then(|rules| rules.iter().find_map(|rule| rule["everySeconds"].as_i64()))
            .unwrap_or(0);
        let retention = match seconds {
            0 => Retention::Forever,
            seconds => Retention::Ms(seconds.saturating_mul(1000)),
        };
        if let Ok(mut known) = self.retention.write() {
            *known = Some(retention);
        }
        Some(retention)
    }

    /// What the server says of the bucket; `None`: there is none that the token may see.
    pub(super) fn bucket(&self) -> Result<Option<serde_json::Value>, Trouble> {
        let path = format!(
            "/api/v2/buckets?org={}&name={}",
            quoted(&self.config.org),
            quoted(&self.config.bucket)
        );
        let found = self.http.get_json(&path)?;
        Ok(found["buckets"]
            .as_array()
            .and_then(|all| all.first())
            .cloned())
    }

    /// Whether the server answers and the token may see the bucket; a sentence where not.
    pub fn reach(&self) -> Result<(), WriteFault> {
        match self.bucket() {
            Ok(Some(_)) => Ok(()),
            Ok(None) => Err(self.fault(&Trouble::Missing(self.config.bucket.clone()))),
            Err(trouble) => Err(self.fault(&trouble)),
        }
    }
}

/// Whether lines are refused for the type of their field: every line of that field would be.
fn is_of_the_field(reason: &str) -> bool {
    reason.contains("field type conflict")
}

impl WriteFault {
    /// Whether waiting may help without anybody doing anything.
    pub fn may_pass(&self) -> bool {
        matches!(self.kind, FaultKind::Unreachable | FaultKind::Busy)
    }
}
