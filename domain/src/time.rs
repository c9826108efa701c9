//! Moments, spans and local days. Times are whole milliseconds of UTC; a day is a yard's local
//! day, so it has 23, 24 or 25 hours.

use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;

/// A moment: milliseconds since 1970-01-01T00:00:00Z. Finer digits are cut, not rounded.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct Timestamp(pub i64);

/// Milliseconds in an hour.
const MS_PER_HOUR: f64 = 3_600_000.0;

impl Timestamp {
    /// 2000-01-01T00:00:00Z. A reading older than this comes from a clock that was never set.
    pub const YEAR_2000: Self = Self(946_684_800_000);

    /// The moment `seconds` after 1970, to the millisecond below; a number that is the closest one
    /// to a whole millisecond means that millisecond. `None` if out of range or not finite.
    pub fn from_unix_seconds(seconds: f64) -> Option<Self> {
        let nearest = (seconds * 1000.0).round();
        let is_meant = (nearest / 1000.0).to_bits() == seconds.to_bits();
        let ms = if is_meant {
            nearest
        } else {
            (seconds * 1000.0).floor()
        };
        (ms.is_finite() && ms.abs() < 8.64e15).then_some(Self(ms as i64))
    }

    /// Reads RFC 3339, with any offset. `None` if it is not that.
    pub fn parse_rfc3339(text: &str) -> Option<Self> {
        let moment = DateTime::parse_from_rfc3339(text.trim()).ok()?;
        Some(Self(moment.timestamp_millis()))
    }

    /// RFC 3339 in UTC, with milliseconds only where there are some: `2026-09-01T05:00:00Z`.
    pub fn to_rfc3339(self) -> String {
        let format = if self.0.rem_euclid(1000) == 0 {
            "%Y-%m-%dT%H:%M:%SZ"
        } else {
            "%Y-%m-%dT%H:%M:%S%.3fZ"
        };
        self.to_utc().format(format).to_string()
    }

    /// The moment for chrono; moments outside chrono's range are held at its ends.
    pub fn to_utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp_millis(self.0).unwrap_or(if self.0 < 0 {
            DateTime::<Utc>::MIN_UTC
        } else {
            DateTime::<Utc>::MAX_UTC
        })
    }

    /// This moment and `ms` milliseconds more (or less), held at the ends of the range.
    pub fn plus_ms(self, ms: i64) -> Self {
        Self(self.0.saturating_add(ms))
    }

    /// This many hours later; earlier where they are below zero.
    pub fn plus_hours(self, hours: f64) -> Self {
        self.plus_ms((hours * MS_PER_HOUR) as i64)
    }

    /// Hours from `earlier` to here; negative if `earlier` is later.
    pub fn hours_since(self, earlier: Self) -> f64 {
        (self.0 - earlier.0) as f64 / MS_PER_HOUR
    }

    /// The local date that this moment falls on.
    pub fn local_date(self, zone: Tz) -> NaiveDate {
        self.to_utc().with_timezone(&zone).date_naive()
    }
}

/// From `start` to `end`, the end not included.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Span {
    /// First moment in it.
    pub start: Timestamp,
    /// First moment after it.
    pub end: Timestamp,
}

impl Span {
    /// All of time.
    pub const ALWAYS: Self = Self {
        start: Timestamp(i64::MIN),
        end: Timestamp(i64::MAX),
    };

    /// Whether `at` lies in it.
    pub fn contains(self, at: Timestamp) -> bool {
        self.start <= at && at < self.end
    }

    /// The part that both share; `None` if there is none.
    pub fn intersect(self, other: Self) -> Option<Self> {
        let both = Self {
            start: self.start.max(other.start),
            end: self.end.min(other.end),
        };
        (both.start < both.end).then_some(both)
    }

    /// The span's length in hours.
    pub fn hours(self) -> f64 {
        self.end.hours_since(self.start)
    }
}

/// The moments between which the local day `date` lies. Where midnight does not exist (clocks go
/// forward at 00:00 in some zones) the day starts at the first moment that does.
pub fn local_day(zone: Tz, date: NaiveDate) -> Span {
    let next = date.checked_add_days(Days::new(1)).unwrap_or(date);
    Span {
        start: local_midnight(zone, date),
        end: local_midnight(zone, next),
    }
}

fn local_midnight(zone: Tz, date: NaiveDate) -> Timestamp {
    let midnight = date.and_time(NaiveTime::MIN);
    for quarter_hours in 0..=12 {
        let candidate = midnight + chrono::Duration::minutes(15 * quarter_hours);
        if let Some(found) = zone.from_local_datetime(&candidate).earliest() {
            return Timestamp(found.timestamp_millis());
        }
    }
    Timestamp(midnight.and_utc().timestamp_millis())
}

/// The moment when the clocks of `zone` show `time` on `date`; the earlier one where they show it
/// twice, the day's first later moment where they never do.
pub fn local_moment(zone: Tz, date: NaiveDate, time: NaiveTime) -> Timestamp {
    let wanted = date.and_time(time);
    for quarter_hours in 0..=12 {
        let candidate = wanted + chrono::Duration::minutes(15 * quarter_hours);
        if let Some(found) = zone.from_local_datetime(&candidate).earliest() {
            return Timestamp(found.timestamp_millis());
        }
    }
    Timestamp(wanted.and_utc().timestamp_millis())
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::America::{New_York, Sao_Paulo};

    fn day(y: i32, m: u32, d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(y, m, d).unwrap()
    }

    #[test]
    fn days_have_23_24_or_25_hours() {
        // US daylight saving rules in force since 2007 (Energy Policy Act of 2005, section 110).
        for (date, expected) in [
            (day(2026, 3, 8), 23.0),
            (day(2026, 3, 9), 24.0),
            (day(2026, 11, 1), 25.0),
        ] {
            let hours = local_day(New_York, date).hours();
            assert!((hours - expected).abs() < 1e-9, "{date}: {hours}");
        }
    }

    #[test]
    fn a_day_without_midnight_starts_at_its_first_moment() {
        // Brazil put its clocks forward at 00:00 on 4 November 2018 (IANA zone database).
        let span = local_day(Sao_Paulo, day(2018, 11, 4));
        assert!((span.hours() - 23.0).abs() < 1e-9);
        assert_eq!(span.start.to_rfc3339(), "2018-11-04T03:00:00Z");
    }

    #[test]
    fn rfc3339_round_trips_and_cuts_to_the_millisecond() {
        for (text, expected) in [
            ("2026-09-01T05:00:00Z", "2026-09-01T05:00:00Z"),
            ("2026-09-01T05:00:00.1239Z", "2026-09-01T05:00:00.123Z"),
            ("2026-09-01T07:00:00+02:00", "2026-09-01T05:00:00Z"),
        ] {
            assert_eq!(
                Timestamp::parse_rfc3339(text).unwrap().to_rfc3339(),
                expected
            );
        }
        assert_eq!(Timestamp::parse_rfc3339("yesterday"), None);
    }

    #[test]
    fn unix_seconds_survive_binary_fractions() {
        assert_eq!(
            Timestamp::from_unix_seconds(1_756_684_800.001),
            Some(Timestamp(1_756_684_800_001))
        );
        assert_eq!(Timestamp::from_unix_seconds(f64::NAN), None);
        for ms in 1_788_238_800_000_i64..1_788_238_900_000 {
            let seconds: f64 = format!("{}.{:03}", ms / 1000, ms % 1000).parse().unwrap();
            assert_eq!(Timestamp::from_unix_seconds(seconds), Some(Timestamp(ms)));
        }
    }
}
