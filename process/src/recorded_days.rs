//! Which readings and which days are part of a record. A clock that lost its battery dates a reading
//! 26 years ago; a yard that stood empty over the winter has nothing to say of it. Neither may make
//! anything be estimated for the time between.

use larder_domain::{Sample, Span, Timestamp};
use larder_estimate::input::YardInput;

larder_estimate::numbers! { "recorded_days":
    /// A record that says nothing for longer than this has ended, days: three weeks are longer than any
    /// logger is out of reach during a season, and shorter than a winter. Chosen.
    pub LONGEST_SILENCE_DAYS: i64 = 21, "d", [7.0, 63.0], Chosen;
    /// Readings of a channel that stand together within that time on either side, at least: fewer are
    /// stray. Six are what a device delivers that reports once a week. Chosen.
    pub FEWEST_TOGETHER: usize = 6, "1", [2.0, 18.0], Chosen;
}

const SILENCE_MS: i64 = LONGEST_SILENCE_DAYS * 86_400_000;

/// Readings that decide whether one at `at` is stray.
pub fn around(at: Timestamp) -> Span {
    Span {
        start: at.plus_ms(-SILENCE_MS),
        end: at.plus_ms(SILENCE_MS + 1),
    }
}

/// For each sample of one channel, in order of time, whether it is stray: few others stand near it,
/// and the time in which more could come is over.
pub fn strays(samples: &[Sample], now: Timestamp) -> Vec<bool> {
    let (mut from, mut to) = (0, 0);
    let stray = |sample: &Sample| {
        let near = around(sample.time);
        while samples[from].time < near.start {
            from += 1;
        }
        while to < samples.len() && samples[to].time < near.end {
            to += 1;
        }
        to - from < FEWEST_TOGETHER && near.end <= now
    };
    samples.iter().map(stray).collect()
}

/// The moments of a yard at which anything was measured or written down, asked for by span.
pub(crate) struct RecordedDays<'a> {
    readings: Vec<&'a [Sample]>,
    reported_at: Vec<&'a [Timestamp]>,
    fills: Vec<Timestamp>,
}

impl<'a> RecordedDays<'a> {
    pub fn of(input: &YardInput<'a>) -> Self {
        let weather = [
            input.weather.temperature,
            input.weather.humidity,
            input.weather.rain,
            input.weather.wind,
            input.weather.irradiance,
        ];
        let hives = input.hives.iter();
        let of_hives = hives.clone().flat_map(|hive| {
            let levels = hive.feeders.iter().flat_map(|feeder| &feeder.levels);
            levels.map(|level| level.samples).chain([hive.weight])
        });
        let mut fills: Vec<Timestamp> = hives
            .flat_map(|hive| &hive.feeders)
            .flat_map(|feeder| feeder.recorded.iter().map(|fill| fill.time))
            .collect();
        fills.sort_unstable();
        Self {
            readings: of_hives.chain(weather).collect(),
            reported_at: input
                .devices
                .iter()
                .map(|device| device.reported_at)
                .collect(),
            fills,
        }
    }

    /// Whether a day that ends at `end` is part of the record: something was measured or written down
    /// in it, or not long before it.
    pub fn holds(&self, end: Timestamp) -> bool {
        let span = Span {
            start: end.plus_ms(-SILENCE_MS),
            end,
        };
        fn any<T>(all: &[T], span: Span, time: impl Fn(&T) -> Timestamp) -> bool {
            let next = all.partition_point(|item| time(item) < span.start);
            all.get(next).is_some_and(|item| time(item) < span.end)
        }
        let read = |samples: &&[Sample]| any(samples, span, |sample| sample.time);
        self.readings.iter().any(read)
            || self
                .reported_at
                .iter()
                .any(|reported_at| any(reported_at, span, |at| *at))
            || any(&self.fills, span, |at| *at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: i64 = 1_788_238_800_000;
    const DAY: i64 = 86_400_000;

    fn at(ms: i64) -> Sample {
        Sample {
            time: Timestamp(ms),
            value: 40.0,
        }
    }

    fn stray_times(samples: &[Sample], now: i64) -> Vec<i64> {
        let marks = strays(samples, Timestamp(now));
        let both = samples.iter().zip(marks);
        both.filter(|(_, stray)| *stray)
            .map(|(sample, _)| sample.time.0)
            .collect()
    }

    #[test]
    fn a_reading_of_a_clock_that_was_never_set_is_stray() {
        let in_2000 = 946_684_805_000;
        let season = (0..288).map(|n| at(START + n * 300_000));
        let samples: Vec<_> = [at(in_2000)].into_iter().chain(season).collect();
        assert_eq!(stray_times(&samples, START + DAY), [in_2000]);
    }

    #[test]
    fn a_new_device_and_one_that_reports_once_a_week_are_not() {
        let new = [at(START), at(START + 300_000)];
        assert!(stray_times(&new, START + DAY).is_empty());
        assert_eq!(
            stray_times(&new, START + 40 * DAY).len(),
            2,
            "it came to nothing"
        );
        let weekly: Vec<_> = (0..20).map(|n| at(START + n * 7 * DAY)).collect();
        let inner = |ms: &i64| (START + 21 * DAY..START + 112 * DAY).contains(ms);
        let found = stray_times(&weekly, START + 133 * DAY);
        assert!(!found.iter().any(inner), "{found:?}");
    }

    #[test]
    fn last_years_file_is_a_record_of_its_own() {
        let years = [START - 365 * DAY, START];
        let samples: Vec<_> = years
            .into_iter()
            .flat_map(|year| (0..50).map(move |n| at(year + n * 3_600_000)))
            .collect();
        assert!(stray_times(&samples, START + 90 * DAY).is_empty());
    }
}
