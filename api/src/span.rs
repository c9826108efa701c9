//! Spans of time and of local dates in query parameters.

use crate::Problem;
use chrono::NaiveDate;
use larder_domain::{Span, Timestamp};
use serde::Deserialize;
use utoipa::IntoParams;

/// Most points that one answer holds; more are asked for in parts.
const MOST_POINTS: usize = 50_000;

/// Points that a chart gets where it does not say how many it can show.
const USUAL_POINTS: usize = 2_000;

/// `from` and `to` as moments.
#[derive(Clone, Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(crate) struct Moments {
    /// First moment; left out: 30 days before the end.
    #[param(format = DateTime)]
    pub from: Option<String>,
    /// First moment after; left out: now.
    #[param(format = DateTime)]
    pub to: Option<String>,
    /// How many points a chart can show: longer series are reduced, keeping the least and greatest
    /// value of every stretch. 2,000 where left out.
    #[param(minimum = 4, maximum = 50000)]
    pub points: Option<usize>,
}

impl Moments {
    pub fn span(&self, now: Timestamp) -> Result<Span, Problem> {
        let end = self
            .to
            .as_deref()
            .map(moment)
            .transpose()?
            .unwrap_or(now.plus_ms(1));
        let start = match self.from.as_deref() {
            Some(text) => moment(text)?,
            None => end.plus_ms(-30 * 86_400_000),
        };
        if start >= end {
            return Err(Problem::bad_request("`from` must come before `to`"));
        }
        Ok(Span { start, end })
    }

    pub fn points(&self) -> Result<usize, Problem> {
        let points = self.points.unwrap_or(USUAL_POINTS);
        if (4..=MOST_POINTS).contains(&points) {
            Ok(points)
        } else {
            Err(Problem::bad_request(format!(
                "`points` must lie between 4 and {MOST_POINTS}"
            )))
        }
    }
}

pub(crate) fn moment(text: &str) -> Result<Timestamp, Problem> {
    Timestamp::parse_rfc3339(text).ok_or_else(|| {
        Problem::bad_request(format!(
            "a time is written like 2026-09-01T05:00:00Z, not \"{}\"",
            text.chars().take(40).collect::<String>()
        ))
    })
}

/// `from` and `to` as local dates of the hive's yard, both included.
#[derive(Clone, Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(crate) struct Dates {
    /// First local date; left out: the first there is.
    #[param(format = Date)]
    pub from: Option<String>,
    /// Last local date; left out: the last there is.
    #[param(format = Date)]
    pub to: Option<String>,
}

impl Dates {
    pub fn range(&self) -> Result<(Option<NaiveDate>, Option<NaiveDate>), Problem> {
        let from = self.from.as_deref().map(date).transpose()?;
        let to = self.to.as_deref().map(date).transpose()?;
        if from.zip(to).is_some_and(|(from, to)| from > to) {
            return Err(Problem::bad_request("`from` must not come after `to`"));
        }
        Ok((from, to))
    }
}

fn date(text: &str) -> Result<NaiveDate, Problem> {
    text.parse().map_err(|_| {
        Problem::bad_request(format!(
            "a date is written like 2026-09-01, not \"{}\"",
            text.chars().take(40).collect::<String>()
        ))
    })
}
