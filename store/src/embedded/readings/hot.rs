//! The log: readings in the order in which they came, one row for each append. A commit touches a
//! page or two at the log's end, however many series it is about; sorting them into blocks comes
//! later, in memory.
//!
//! Form 1 of a row: the form's number; for each series its number, a count, that many times (each
//! as the difference to the one before it in the row) and as many values as bit patterns; a
//! checksum.

use super::blocks::Names;
use super::bytes::{put_signed, put_varint, seal, unseal};
use super::day::SeriesId;
use crate::embedded::check;
use crate::embedded::fault::Fault;
use larder_domain::{Sample, Timestamp};
use rusqlite::{Connection, params};

const FORM: u8 = 1;

/// A sample and its series.
pub(super) type Entry = (SeriesId, Sample);

/// Writes `news`, in order of series and time, under the number `id`. Says how many bytes that took.
pub(super) fn put(db: &Connection, id: i64, news: &[Entry]) -> Result<u64, Fault> {
    let readings = encode(news, id);
    db.prepare_cached("INSERT INTO hot (id, readings) VALUES (?1, ?2)")?
        .execute(params![id, readings])?;
    Ok(readings.len() as u64)
}

/// Hands every row after number `after` to `take`, in order of arrival.
pub(super) fn replay(
    db: &Connection,
    after: i64,
    mut take: impl FnMut(i64, SeriesId, &[Sample]) -> Result<(), Fault>,
) -> Result<(), Fault> {
    let mut select = db.prepare("SELECT id, readings FROM hot WHERE id > ?1 ORDER BY id")?;
    let mut rows = select.query([after])?;
    while let Some(row) = rows.next()? {
        let id = row.get(0)?;
        let readings = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
        decode(readings, id, |series, samples| take(id, series, samples))?;
    }
    Ok(())
}

/// Hands rows after number `after` to `take` until it has had enough, each with its size in bytes.
pub(super) fn replay_some(
    db: &Connection,
    after: i64,
    mut is_enough: impl FnMut(i64, usize) -> bool,
    mut take: impl FnMut(SeriesId, &[Sample]) -> Result<(), Fault>,
) -> Result<(), Fault> {
    let mut select = db.prepare_cached("SELECT id, readings FROM hot WHERE id > ?1 ORDER BY id")?;
    let mut rows = select.query([after])?;
    while let Some(row) = rows.next()? {
        let id = row.get(0)?;
        let readings = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
        if is_enough(id, readings.len()) {
            break;
        }
        decode(readings, id, &mut take)?;
    }
    Ok(())
}

/// Every row, unpacked, and whether its series are known. What is wrong goes to `tell`.
pub(super) fn check_all(
    db: &Connection,
    names: &Names,
    tell: &mut dyn FnMut(String),
) -> Result<(), Fault> {
    let mut select = db.prepare("SELECT id, readings FROM hot ORDER BY id")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let id: i64 = row.get(0)?;
        let mut stray = None;
        let decoded = match row.get_ref(1)?.as_blob() {
            Ok(readings) => decode(readings, id, |series, _| {
                if !names.contains_key(&series) {
                    stray = Some(series.0);
                }
                Ok(())
            }),
            Err(error) => Err(rusqlite::Error::from(error).into()),
        };
        if let Err(fault) = decoded {
            tell(format!("row {id} of the log: {}", check::damage(fault)?));
        } else if let Some(series) = stray {
            tell(format!(
                "row {id} of the log names series {series}, which is not known"
            ));
        }
    }
    Ok(())
}

/// Bytes in rows after number `after`.
pub(super) fn bytes_after(db: &Connection, after: i64) -> Result<u64, Fault> {
    let bytes: Option<i64> = db
        .prepare_cached("SELECT sum(length(readings)) FROM hot WHERE id > ?1")?
        .query_row([after], |row| row.get(0))?;
    Ok(bytes.unwrap_or(0).cast_unsigned())
}

/// Takes rows up to number `up_to` out, the oldest `limit` of them at most. Says whether any are left.
pub(super) fn clear(db: &Connection, up_to: i64, limit: i64) -> Result<bool, Fault> {
    let first: Option<i64> = db
        .prepare_cached("SELECT min(id) FROM hot WHERE id <= ?1")?
        .query_row([up_to], |row| row.get(0))?;
    let Some(first) = first else { return Ok(false) };
    let last = up_to.min(first.saturating_add(limit - 1));
    db.prepare_cached("DELETE FROM hot WHERE id <= ?1")?
        .execute([last])?;
    Ok(last < up_to)
}

fn encode(news: &[Entry], row: i64) -> Vec<u8> {
    let mut out = Vec::with_capacity(16 + 14 * news.len());
    out.push(FORM);
    let mut before = 0;
    for of_one in news.chunk_by(|a, b| a.0 == b.0) {
        put_varint(&mut out, of_one[0].0.0.cast_unsigned());
        put_varint(&mut out, of_one.len() as u64);
        for (_, sample) in of_one {
            put_signed(&mut out, sample.time.0.wrapping_sub(before));
            before = sample.time.0;
        }
        for (_, sample) in of_one {
            out.extend_from_slice(&sample.value.to_bits().to_le_bytes());
        }
    }
    seal(out, row)
}

pub(super) fn decode(
    readings: &[u8],
    row: i64,
    mut take: impl FnMut(SeriesId, &[Sample]) -> Result<(), Fault>,
) -> Result<(), Fault> {
    let mut unread = unseal(readings, row, FORM)?;
    let mut before = 0_i64;
    let mut samples = Vec::new();
    while !unread.is_empty() {
        let series = SeriesId(unread.varint()?.cast_signed());
        samples.clear();
        for _ in 0..unread.count(1)? {
            before = before.wrapping_add(unread.signed()?);
            samples.push(Sample {
                time: Timestamp(before),
                value: 0.0,
            });
        }
        for sample in &mut samples {
            let bits = unread.take(8)?.try_into().expect("eight bytes were taken");
            sample.value = f64::from_bits(u64::from_le_bytes(bits));
        }
        take(series, &samples)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn decoded(row: &[u8]) -> Result<Vec<(i64, i64, u64)>, Fault> {
        let mut all = Vec::new();
        decode(row, 7, |series, samples| {
            all.extend(
                samples
                    .iter()
                    .map(|s| (series.0, s.time.0, s.value.to_bits())),
            );
            Ok(())
        })?;
        Ok(all)
    }

    /// What version 0.1 wrote must read for ever.
    #[test]
    fn the_first_form_still_reads() {
        let fixture = include_bytes!("../../../tests/records/log-1.bin");
        let expected = [
            (1, 1_788_238_800_000, 41.25),
            (1, 1_788_239_100_250, -0.0),
            (300, 946_684_800_000, 1e-7),
        ];
        let expected =
            expected.map(|(series, ms, value): (i64, i64, f64)| (series, ms, value.to_bits()));
        assert_eq!(decoded(fixture).unwrap(), expected);
    }

    #[test]
    fn rows_are_cleared_a_few_at_a_time() {
        let db = Connection::open_in_memory().unwrap();
        db.execute_batch("CREATE TABLE hot (id INTEGER PRIMARY KEY, readings BLOB)")
            .unwrap();
        let sample = Sample {
            time: Timestamp(0),
            value: 1.0,
        };
        for id in 1..=10 {
            put(&db, id, &[(SeriesId(1), sample)]).unwrap();
        }
        let left = || -> Vec<i64> {
            let mut ids = Vec::new();
            replay(&db, 0, |id, _, _| {
                ids.push(id);
                Ok(())
            })
            .unwrap();
            ids
        };
        assert!(clear(&db, 8, 4).unwrap());
        assert_eq!(left(), [5, 6, 7, 8, 9, 10]);
        assert!(!clear(&db, 8, 4).unwrap());
        assert_eq!(left(), [9, 10]);
        assert!(!clear(&db, 8, 4).unwrap());
        assert_eq!(left(), [9, 10]);
    }

    proptest! {
        #[test]
        fn any_append_comes_back(map in prop::collection::btree_map((1i64..40, any::<i64>()), any::<u64>(), 0..200)) {
            let news: Vec<Entry> = map.iter().map(|(&(series, ms), &bits)| {
                (SeriesId(series), Sample { time: Timestamp(ms), value: f64::from_bits(bits) })
            }).collect();
            let expected: Vec<_> = map.into_iter().map(|((series, ms), bits)| (series, ms, bits)).collect();
            prop_assert_eq!(decoded(&encode(&news, 7)).unwrap(), expected);
        }

        #[test]
        fn nonsense_is_damage_and_no_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let mut body = vec![FORM];
            body.extend(bytes);
            let _ = decoded(&seal(body, 7));
        }
    }
}
