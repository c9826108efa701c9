//! Which readings a day's results rest on, so that the live path and one run over a whole season
//! end at the same numbers.
//!
//! The calendar of a zone is cut into blocks of [`BLOCK_DAYS`] local days, always at the same dates.
//! All results of a block are worked out together, from the readings between
//! [`CONTEXT_BEFORE_DAYS`] before it and [`CONTEXT_AFTER_DAYS`] after it and from nothing else. Who
//! asks for one day or for a year, now or later, gets the same answer once those readings are in.

use chrono::{Datelike, Days, NaiveDate};
use chrono_tz::Tz;
use larder_domain::time::local_day;
use larder_domain::{RecordedFill, Sample, Span, Timestamp};
use larder_estimate::input::{DeviceInput, FeederInput, HiveInput, LevelInput, Weather, YardInput};
use std::ops::RangeInclusive;

larder_estimate::numbers! { "window":
    /// Local days that are worked out together.
    pub BLOCK_DAYS: u64 = 28, "d", [9.0, 84.0], Chosen;
    /// Days before a block whose readings it rests on: what the sensors were like, what was poured in.
    pub CONTEXT_BEFORE_DAYS: u64 = 28, "d", [9.0, 84.0], Chosen;
    /// Days after a block whose readings it rests on.
    pub CONTEXT_AFTER_DAYS: u64 = 7, "d", [2.0, 21.0], Chosen;
}

/// How long before a day readings can matter to it, at most.
pub fn context_before() -> chrono::Duration {
    chrono::Duration::days((CONTEXT_BEFORE_DAYS + BLOCK_DAYS - 1) as i64)
}

/// How long after a day readings can matter to it, at most.
pub fn context_after() -> chrono::Duration {
    chrono::Duration::days((CONTEXT_AFTER_DAYS + BLOCK_DAYS - 1) as i64)
}

/// The local dates, first to last, whose results may change when readings or notes in `change`
/// come, go or change.
pub fn affected_dates(change: Span, zone: Tz) -> RangeInclusive<NaiveDate> {
    let last_moment = change.end.plus_ms(-1).max(change.start);
    let first = minus_days(change.start.local_date(zone), CONTEXT_AFTER_DAYS);
    let last = plus_days(last_moment.local_date(zone), CONTEXT_BEFORE_DAYS);
    Block::of(first).first..=Block::of(last).last()
}

/// The readings and notes that results for `dates` rest on.
pub fn context_of(dates: RangeInclusive<NaiveDate>, zone: Tz) -> Span {
    Span {
        start: Block::of(*dates.start()).window(zone).start,
        end: Block::of(*dates.end()).window(zone).end,
    }
}

/// Local days that are worked out together.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Block {
    /// The first date of the block.
    pub first: NaiveDate,
}

impl Block {
    /// The block that `date` lies in.
    pub fn of(date: NaiveDate) -> Self {
        let days = date.num_days_from_ce().rem_euclid(BLOCK_DAYS as i32);
        Self {
            first: minus_days(date, days as u64),
        }
    }

    /// All blocks with a local day that `span` touches, in order.
    pub fn touching(span: Span, zone: Tz) -> impl Iterator<Item = Self> {
        let first = Self::of(span.start.local_date(zone));
        let last = span.end.plus_ms(-1).max(span.start).local_date(zone);
        std::iter::successors(Some(first), |block| Some(block.next()))
            .take_while(move |block| block.first <= last)
    }

    /// The block after it.
    pub fn next(self) -> Self {
        Self {
            first: plus_days(self.first, BLOCK_DAYS),
        }
    }

    /// The last date of the block.
    pub fn last(self) -> NaiveDate {
        plus_days(self.first, BLOCK_DAYS - 1)
    }

    /// The block's time, from its first midnight to its last.
    pub fn span(self, zone: Tz) -> Span {
        Span {
            start: local_day(zone, self.first).start,
            end: local_day(zone, self.last()).end,
        }
    }

    /// The readings that it rests on.
    pub fn window(self, zone: Tz) -> Span {
        let first = minus_days(self.first, CONTEXT_BEFORE_DAYS);
        let last = plus_days(self.last(), CONTEXT_AFTER_DAYS);
        Span {
            start: local_day(zone, first).start,
            end: local_day(zone, last).end,
        }
    }
}

fn plus_days(date: NaiveDate, days: u64) -> NaiveDate {
    date.checked_add_days(Days::new(days))
        .unwrap_or(NaiveDate::MAX)
}

fn minus_days(date: NaiveDate, days: u64) -> NaiveDate {
    date.checked_sub_days(Days::new(days))
        .unwrap_or(NaiveDate::MIN)
}

/// Cuts a yard's input to what lies in `window`; the clock stands at its end.
pub(crate) fn cut<'a>(input: &YardInput<'a>, window: Span) -> YardInput<'a> {
    let end = window.end.min(input.now);
    let window = Span {
        start: window.start.min(end),
        end,
    };
    YardInput {
        yard: input.yard,
        span: window,
        now: end,
        weather: Weather {
            temperature: samples(input.weather.temperature, window),
            humidity: samples(input.weather.humidity, window),
            rain: samples(input.weather.rain, window),
            wind: samples(input.weather.wind, window),
            irradiance: samples(input.weather.irradiance, window),
        },
        hives: input
            .hives
            .iter()
            .map(|hive| cut_hive(hive, window))
            .collect(),
        devices: input
            .devices
            .iter()
            .map(|device| DeviceInput {
                device: device.device,
                reported_at: slice(device.reported_at, window, |at| *at),
                battery: samples(device.battery, window),
                impossible: slice(device.impossible, window, |at| *at),
                clock_off: device
                    .clock_off
                    .filter(|clock| window.contains(clock.received_at)),
            })
            .collect(),
    }
}

fn cut_hive<'a>(hive: &HiveInput<'a>, window: Span) -> HiveInput<'a> {
    let feeder = |feeder: &FeederInput<'a>| FeederInput {
        feeder: feeder.feeder,
        levels: feeder
            .levels
            .iter()
            .map(|level| LevelInput {
                sensor: level.sensor,
                samples: samples(level.samples, window),
                syrup_temperature: samples(level.syrup_temperature, window),
            })
            .collect(),
        recorded: slice(feeder.recorded, window, |fill: &RecordedFill| fill.time),
    };
    HiveInput {
        hive: hive.hive,
        weight: samples(hive.weight, window),
        scale_temperature: samples(hive.scale_temperature, window),
        feeders: hive.feeders.iter().map(feeder).collect(),
    }
}

fn samples(all: &[Sample], window: Span) -> &[Sample] {
    slice(all, window, |sample| sample.time)
}

fn slice<T>(all: &[T], window: Span, time: impl Fn(&T) -> Timestamp) -> &[T] {
    let from = all.partition_point(|item| time(item) < window.start);
    let to = all.partition_point(|item| time(item) < window.end);
    &all[from..to.max(from)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::America::New_York;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_a_change_affects_is_what_rests_on_it(hour in 480_000i64..500_000, day in -80i64..80) {
            let at = Timestamp(hour * 3_600_000);
            let change = Span { start: at, end: at.plus_ms(1) };
            let date = at.plus_ms(day * 86_400_000).local_date(New_York);
            let rests = Block::of(date).window(New_York).contains(at);
            prop_assert_eq!(affected_dates(change, New_York).contains(&date), rests);
            prop_assert_eq!(context_of(date..=date, New_York).contains(at), rests);
        }
    }

    #[test]
    fn blocks_follow_each_other_without_a_gap() {
        let date = NaiveDate::from_ymd_opt(2025, 10, 30).unwrap();
        let block = Block::of(date);
        assert!(block.first <= date && date <= block.last());
        assert_eq!(block.span(New_York).end, block.next().span(New_York).start);
        assert_eq!(Block::of(block.last()), block);
    }
}
