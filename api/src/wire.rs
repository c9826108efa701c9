//! Values that many answers share, as they look in JSON.

use larder_domain::{Estimate, Sample, Span, Total};
use serde::Serialize;
use utoipa::ToSchema;

/// A value with the interval that holds the truth nine times in ten.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct EstimateBody {
    pub value: f64,
    pub lo: f64,
    pub hi: f64,
}

impl From<Estimate> for EstimateBody {
    fn from(estimate: Estimate) -> Self {
        Self {
            value: rounded(estimate.value),
            lo: rounded(estimate.lo),
            hi: rounded(estimate.hi),
        }
    }
}

/// A sum of estimates with the interval that holds the truth of its known parts nine times in ten,
/// supposing that they err independently; what is not known is counted and not in it.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct TotalBody {
    /// null: no part is known.
    pub value: Option<f64>,
    pub lo: Option<f64>,
    pub hi: Option<f64>,
    /// How many parts went into the sum.
    pub n_known: usize,
    /// How many parts are not known.
    pub n_unknown: usize,
}

impl From<Total> for TotalBody {
    fn from(total: Total) -> Self {
        Self {
            value: total.sum.map(|sum| rounded(sum.value)),
            lo: total.sum.map(|sum| rounded(sum.lo)),
            hi: total.sum.map(|sum| rounded(sum.hi)),
            n_known: total.n_known,
            n_unknown: total.n_unknown,
        }
    }
}

/// A tenth of a gram or of a millilitre is finer than any of our estimates.
pub(crate) fn rounded(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

/// A series as columns: small on the wire and quick to draw. The time of value `i` is `start_ms`
/// plus the sum of `step_ms` up to and including `i`.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct Columns {
    /// The unit of the values.
    pub unit: String,
    /// Whether the series was reduced to the points asked for.
    pub reduced: bool,
    /// Milliseconds since 1970 of the first value; 0 where there is none.
    pub start_ms: i64,
    /// Milliseconds from the value before; the first is 0.
    pub step_ms: Vec<i64>,
    /// The values.
    pub value: Vec<f64>,
}

impl Columns {
    pub fn new(unit: &str, reduced: bool, samples: &[Sample]) -> Self {
        let start_ms = samples.first().map_or(0, |s| s.time.0);
        let mut before = start_ms;
        let step_ms = samples
            .iter()
            .map(|s| {
                let step = s.time.0 - before;
                before = s.time.0;
                step
            })
            .collect();
        let value = samples.iter().map(|s| s.value).collect();
        Self {
            unit: unit.to_owned(),
            reduced,
            start_ms,
            step_ms,
            value,
        }
    }
}

/// Reads a stretch of one series for a chart: whole where it fits, reduced where not.
pub(crate) fn chart_samples(
    readings: &dyn larder_store::Readings,
    series: &larder_domain::ChannelRef,
    span: Span,
    points: usize,
) -> Result<(Vec<Sample>, bool), larder_store::StoreError> {
    if readings.count(series, span)? <= points as u64 {
        return Ok((readings.range(series, span)?, false));
    }
    Ok((readings.reduced(series, span, points)?, true))
}
