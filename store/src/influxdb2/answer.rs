//! Reading the answer to a query: CSV that comes as it is made, table after table. Only one line
//! is held at a time.

use super::http::Trouble;
use larder_domain::Timestamp;
use std::io::Read;

/// One row, by the names of its columns.
pub(super) struct Row<'a> {
    columns: &'a [String],
    record: &'a csv::StringRecord,
}

impl Row<'_> {
    /// A cell; `None`: no such column, or nothing in it (a null).
    pub(super) fn cell(&self, name: &str) -> Option<&str> {
        let at = self.columns.iter().position(|column| column == name)?;
        self.record.get(at).filter(|text| !text.is_empty())
    }

    pub(super) fn number(&self, name: &str) -> Option<f64> {
        self.cell(name)?.parse().ok()
    }

    pub(super) fn time(&self, name: &str) -> Option<Timestamp> {
        let text = self.cell(name)?;
        quick_time(text).or_else(|| Timestamp::parse_rfc3339(text))
    }
}

/// Hands every row to `take`. A cut connection and an error in the middle of an answer are errors.
pub(super) fn read(answer: impl Read, mut take: impl FnMut(Row<'_>)) -> Result<(), Trouble> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(answer);
    let mut record = csv::StringRecord::new();
    let mut columns: Vec<String> = Vec::new();
    loop {
        match reader.read_record(&mut record) {
            Ok(true) => {}
            Ok(false) => return Ok(()),
            Err(error) => {
                return Err(Trouble::Unreachable(format!(
                    "its answer broke off: {error}"
                )));
            }
        }
        let is_error = columns.first().is_some_and(|first| first == "error")
            || columns.get(1).is_some_and(|second| second == "error");
        if is_error {
            let says = record
                .iter()
                .find(|cell| !cell.is_empty())
                .unwrap_or_default();
            return Err(Trouble::Busy {
                says: says.replace(['\n', '\r'], " "),
                retry_after: None,
            });
        }
        let is_header = record.get(1) == Some("result")
            || record.get(0) == Some("error")
            || record.get(1) == Some("error");
        if is_header {
            columns = record.iter().map(str::to_owned).collect();
            continue;
        }
        take(Row {
            columns: &columns,
            record: &record,
        });
    }
}

/// `2026-09-01T05:00:00.123Z`, as the server writes it; `None`: something else.
fn quick_time(text: &str) -> Option<Timestamp> {
    let bytes = text.as_bytes();
    if bytes.len() < 20 || bytes[bytes.len() - 1] != b'Z' {
        return None;
    }
    let number = |from: usize, to: usize| -> Option<i64> {
        bytes[from..to].iter().try_fold(0_i64, |n, b| {
            b.is_ascii_digit().then(|| n * 10 + i64::from(b - b'0'))
        })
    };
    let fits = bytes[4] == b'-' && bytes[7] == b'-' && bytes[10] == b'T';
    let fits = fits && bytes[13] == b':' && bytes[16] == b':';
    if !fits || (bytes.len() > 20 && bytes[19] != b'.') {
        return None;
    }
    let (year, month, day) = (number(0, 4)?, number(5, 7)?, number(8, 10)?);
    let (hour, minute, second) = (number(11, 13)?, number(14, 16)?, number(17, 19)?);
    let digits = bytes.get(20..bytes.len() - 1).unwrap_or_default();
    let mut ms = 0;
    for place in 0..3 {
        ms *= 10;
        if let Some(digit) = digits.get(place) {
            ms += i64::from(digit.checked_sub(b'0').filter(|d| *d < 10)?);
        }
    }
    let in_range = (1..=12).contains(&month) && (1..=31).contains(&day);
    let in_range = in_range && hour < 24 && minute < 60 && second < 60;
    in_range.then(|| {
        let days = days_from_civil(year, month, day);
        Timestamp((((days * 24 + hour) * 60 + minute) * 60 + second) * 1000 + ms)
    })
}

/// Days from 1970-01-01 to a date of the Gregorian calendar (Howard Hinnant, "chrono-compatible
/// low-level date algorithms", days_from_civil).
fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let year = if month <= 2 { year - 1 } else { year };
    let era = year.div_euclid(400);
    let year_of_era = year.rem_euclid(400);
    let shifted = if month > 2 { month - 3 } else { month + 9 };
    let day_of_year = (153 * shifted + 2) / 5 + day - 1;
    let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    era * 146_097 + day_of_era - 719_468
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    type Found = (Option<i64>, Option<f64>);

    fn rows(text: &str) -> Result<Vec<Found>, Trouble> {
        let mut rows = Vec::new();
        read(text.as_bytes(), |row| {
            rows.push((row.time("_time").map(|at| at.0), row.number("_value")));
        })?;
        Ok(rows)
    }

    #[test]
    fn tables_with_other_columns_follow_each_other_and_a_null_is_nothing() {
        let text = ",result,table,_time,_value\r\n,_result,0,2026-09-01T05:00:00Z,41.5\r\n,_result,0,2026-09-01T05:00:00.25Z,\r\n\r\n,result,table,_value,_time\r\n,_result,1,-0,2026-09-01T05:00:01Z\r\n\r\n";
        let found = rows(text).unwrap();
        assert_eq!(found[0], (Some(1_788_238_800_000), Some(41.5)));
        assert_eq!(found[1], (Some(1_788_238_800_250), None));
        assert_eq!(found[2].1.map(f64::to_bits), Some((-0.0_f64).to_bits()));
        assert_eq!(rows("").unwrap(), []);
    }

    #[test]
    fn an_error_in_the_middle_of_an_answer_is_one() {
        let text = ",result,table,_time,_value\r\n,_result,0,2026-09-01T05:00:00Z,41.5\r\n\r\nerror,reference\r\nengine: out of memory,897\r\n";
        assert!(matches!(rows(text), Err(Trouble::Busy { says, .. }) if says.contains("memory")));
        let annotated = ",error,reference\r\n,\"compilation failed\",\r\n";
        assert!(
            matches!(rows(annotated), Err(Trouble::Busy { says, .. }) if says.contains("failed"))
        );
    }

    #[test]
    fn a_cut_connection_is_an_error() {
        struct Cut(&'static [u8]);
        impl Read for Cut {
            fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
                if self.0.is_empty() {
                    return Err(std::io::ErrorKind::UnexpectedEof.into());
                }
                self.0.read(buffer)
            }
        }
        let cut = Cut(b",result,table,_value\r\n,_result,0,1\r\n,_res");
        assert!(matches!(read(cut, |_| {}), Err(Trouble::Unreachable(_))));
    }

    proptest! {
        #[test]
        fn times_read_as_the_reference_reads_them(ms in -2_000_000_000_000_i64..4_000_000_000_000) {
            let text = Timestamp(ms).to_rfc3339();
            prop_assert_eq!(quick_time(&text), Some(Timestamp(ms)));
        }

        #[test]
        fn nonsense_is_no_time(text in "[0-9TZ:.-]{0,30}") {
            let both = quick_time(&text).zip(Timestamp::parse_rfc3339(&text));
            if let Some((quick, exact)) = both {
                prop_assert_eq!(quick, exact);
            }
        }
    }
}
