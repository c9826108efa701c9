//! A yard's local days on the grid.

use crate::series::grid::Grid;
use chrono::{Days, NaiveDate, NaiveTime};
use chrono_tz::Tz;
use larder_domain::time::{local_day, local_moment};
use larder_domain::{Span, Timestamp};

/// One local day.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Day {
    /// The local date.
    pub date: NaiveDate,
    /// From midnight to midnight.
    pub span: Span,
    /// The node nearest to its first moment.
    pub first_node: usize,
    /// The node nearest to its end.
    pub end_node: usize,
    /// The quiet hours of the day, 01:00 to 04:00 by the clock.
    pub night: Span,
}

/// All local days that the grid touches.
pub fn days_on(grid: &Grid, zone: Tz) -> Vec<Day> {
    if grid.is_empty() {
        return Vec::new();
    }
    let mut date = grid.time(0).local_date(zone);
    let last = grid.time(grid.len() - 1).local_date(zone);
    let mut days = Vec::new();
    while date <= last {
        let span = local_day(zone, date);
        days.push(Day {
            date,
            span,
            first_node: grid.nearest(span.start),
            end_node: grid.nearest(span.end),
            night: Span {
                start: at_hour(zone, date, 1),
                end: at_hour(zone, date, 4),
            },
        });
        let Some(next) = date.checked_add_days(Days::new(1)) else {
            break;
        };
        date = next;
    }
    days
}

/// The local dates that `span` touches.
pub fn dates(span: Span, zone: Tz) -> impl Iterator<Item = NaiveDate> {
    let last = span.end.plus_ms(-1).max(span.start).local_date(zone);
    std::iter::successors(Some(span.start.local_date(zone)), |date| {
        date.checked_add_days(Days::new(1))
    })
    .take_while(move |date| *date <= last)
}

fn at_hour(zone: Tz, date: NaiveDate, hour: u32) -> Timestamp {
    let time = NaiveTime::from_hms_opt(hour, 0, 0).expect("a whole hour below 24 exists");
    local_moment(zone, date, time)
}

/// Marks the nodes at which a local day ends and the next starts.
pub fn midnight_nodes(grid: &Grid, days: &[Day]) -> Vec<bool> {
    let mut marked = vec![false; grid.len()];
    for day in days {
        let within = day.span.end <= grid.time(grid.len() - 1);
        if within {
            marked[day.end_node] = true;
        }
        if day.span.start >= grid.time(0) {
            marked[day.first_node] = true;
        }
    }
    marked
}
