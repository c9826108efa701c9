//! A closed day of one series as bytes. Sensors report decimals, so a day's values are mostly
//! small whole numbers of some power of ten, and its times whole numbers of some step; both are
//! handed to `pco` as such, whenever that gives back the very same bits.
//!
//! Form 1: the form's number; parts, each of them a count, the step of the times in ms, the
//! length of the times and the times, the power of ten, the length of the values and the values;
//! a checksum. Counts, steps and lengths are variable-length numbers.

use super::bytes::{Unread, put_varint, seal, unseal};
use super::day::Day;
use crate::embedded::fault::Fault;
use larder_domain::Sample;
use pco::data_types::Number;
use pco::{ChunkConfig, DeltaSpec, ModeSpec, wrapped};

const FORM: u8 = 1;

/// Samples in one part: bounds what a decoder must hold at once.
const PART: usize = 1 << 16;

/// Stands in place of a power of ten where the values go as the floating-point numbers they are.
const AS_FLOATS: u8 = 0xff;

/// Powers of ten that are tried.
const POWERS: [f64; 10] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];

/// Whole numbers beyond this are not exact in a 64-bit floating-point number.
const EXACT_WHOLE: f64 = 9_007_199_254_740_992.0;

/// Encodes samples of one day, in order of time, for the row `row`.
pub(super) fn encode(samples: &[Sample], row: i64) -> Result<Vec<u8>, Fault> {
    let mut out = vec![FORM];
    for part in samples.chunks(PART) {
        let offsets: Vec<u32> = part.iter().map(|sample| Day::offset(sample.time)).collect();
        let step = offsets
            .iter()
            .copied()
            .fold(0, greatest_common_divisor)
            .max(1);
        let steps: Vec<u32> = offsets.iter().map(|offset| offset / step).collect();
        put_varint(&mut out, part.len() as u64);
        put_varint(&mut out, u64::from(step));
        put_numbers(&mut out, &steps, ModeSpec::Classic)?;
        match decimals(part) {
            Some((power, whole)) => {
                out.push(power);
                put_numbers(&mut out, &whole, ModeSpec::Classic)?;
            }
            None => {
                let values: Vec<f64> = part.iter().map(|sample| sample.value).collect();
                out.push(AS_FLOATS);
                put_numbers(&mut out, &values, ModeSpec::Auto)?;
            }
        }
    }
    Ok(seal(out, row))
}

/// Decodes what [`encode`] made for the row `row`, which says the day.
pub(super) fn decode(block: &[u8], row: i64) -> Result<Vec<Sample>, Fault> {
    let mut unread = unseal(block, row, FORM)?;
    let (day, _) = Day::of_block(row);
    let mut samples = Vec::new();
    while !unread.is_empty() {
        let n = usize::try_from(unread.varint()?).unwrap_or(usize::MAX);
        if n > PART {
            return Err(Fault::Damaged("a block claims too many readings".into()));
        }
        let step = unread.varint()?;
        let steps: Vec<u32> = take_numbers(&mut unread, n)?;
        let values: Vec<f64> = match unread.byte()? {
            AS_FLOATS => take_numbers(&mut unread, n)?,
            power => {
                let unknown = || Fault::Damaged(format!("a block has {power} decimals"));
                let scale = POWERS.get(usize::from(power)).ok_or_else(unknown)?;
                let whole: Vec<i64> = take_numbers(&mut unread, n)?;
                whole
                    .into_iter()
                    .map(|whole| whole as f64 / scale)
                    .collect()
            }
        };
        samples.extend(steps.into_iter().zip(values).map(|(steps, value)| Sample {
            time: day.at((u64::from(steps).wrapping_mul(step)) as u32),
            value,
        }));
    }
    Ok(samples)
}

fn greatest_common_divisor(a: u32, b: u32) -> u32 {
    if b == 0 {
        a
    } else {
        greatest_common_divisor(b, a % b)
    }
}

/// The values as whole numbers of the least power of ten that loses nothing, if there is one.
fn decimals(samples: &[Sample]) -> Option<(u8, Vec<i64>)> {
    (0..).zip(POWERS).find_map(|(power, scale)| {
        let whole = samples.iter().map(|sample| {
            let whole = (sample.value * scale).round();
            let same = (whole / scale).to_bits() == sample.value.to_bits();
            // A negative zero, too, fails here: it comes back from a whole number as positive.
            let same = same && (whole != 0.0 || whole.is_sign_positive());
            (same && whole.abs() < EXACT_WHOLE).then_some(whole as i64)
        });
        Some((power, whole.collect::<Option<_>>()?))
    })
}

/// First differences compress a day of a slow quantity best; measured on real hive weights.
fn put_numbers<T: Number>(out: &mut Vec<u8>, numbers: &[T], mode: ModeSpec) -> Result<(), Fault> {
    let config = ChunkConfig::default()
        .with_mode_spec(mode)
        .with_delta_spec(DeltaSpec::TryConsecutive(1));
    let compress = || -> pco::errors::PcoResult<Vec<u8>> {
        let file = wrapped::FileCompressor::default();
        let mut chunk = file.chunk_compressor(numbers, &config)?;
        let compressed = file.write_header(Vec::new())?;
        let compressed = chunk.write_meta(compressed)?;
        chunk.write_page(0, compressed)
    };
    let compressed = compress().map_err(|e| Fault::Io(std::io::Error::other(e)))?;
    put_varint(out, compressed.len() as u64);
    out.extend_from_slice(&compressed);
    Ok(())
}

fn take_numbers<T: Number + Default>(unread: &mut Unread<'_>, n: usize) -> Result<Vec<T>, Fault> {
    let length = unread.count(1)?;
    let compressed = unread.take(length)?;
    let decompress = || -> pco::errors::PcoResult<(Vec<T>, bool)> {
        let (file, rest) = wrapped::FileDecompressor::new(compressed)?;
        let (mut chunk, rest) = file.chunk_decompressor::<T, _>(rest)?;
        let mut numbers = vec![T::default(); n];
        let progress = chunk.page_decompressor(rest, n)?.read(&mut numbers)?;
        Ok((numbers, progress.finished))
    };
    match decompress() {
        Ok((numbers, true)) => Ok(numbers),
        Ok((_, false)) => Err(Fault::Damaged("a block ends too early".into())),
        Err(e) => Err(Fault::Damaged(format!("a block does not decompress: {e}"))),
    }
}

#[cfg(test)]
mod tests {
    use super::super::day::SeriesId;
    use super::*;
    use larder_domain::Timestamp;
    use proptest::prelude::*;

    const DAY: Day = Day(20_697);

    fn row() -> i64 {
        DAY.block(SeriesId(300))
    }

    fn day_of(values: impl IntoIterator<Item = (u32, f64)>) -> Vec<Sample> {
        let at = |(offset, value)| Sample {
            time: DAY.at(offset),
            value,
        };
        values.into_iter().map(at).collect()
    }

    fn check(samples: &[Sample]) -> usize {
        let block = encode(samples, row()).unwrap();
        let bits = |samples: &[Sample]| -> Vec<(Timestamp, u64)> {
            samples
                .iter()
                .map(|s| (s.time, s.value.to_bits()))
                .collect()
        };
        assert_eq!(bits(&decode(&block, row()).unwrap()), bits(samples));
        block.len()
    }

    #[test]
    fn a_quiet_day_takes_less_than_a_byte_a_reading() {
        let weight = |i: u32| 40.0 + f64::from((i * 7) % 5) / 100.0;
        let size = check(&day_of((0..288).map(|i| (i * 300_000, weight(i)))));
        assert!(size < 288, "{size} bytes");
    }

    #[test]
    fn strange_values_come_back_bit_for_bit() {
        let strange = [
            0.0,
            -0.0,
            1e-320,
            f64::MIN_POSITIVE,
            f64::MAX,
            f64::MIN,
            0.1 + 0.2,
            1.0 / 3.0,
            9_007_199_254_740_993.0,
            -9e15,
            1e300,
            f64::EPSILON,
        ];
        check(&day_of(
            strange.into_iter().enumerate().map(|(i, v)| (i as u32, v)),
        ));
        for value in strange {
            check(&day_of([(86_399_999, value)]));
            check(&day_of([(0, value), (1, 1.25)]));
        }
        check(&[]);
    }

    #[test]
    fn a_fast_device_fills_several_parts() {
        let n = PART as u32 + 17;
        check(&day_of(
            (0..n).map(|i| (i * 1000, f64::from(i % 1000) / 8.0)),
        ));
    }

    /// What version 0.1 wrote must read for ever.
    #[test]
    fn the_first_form_still_reads() {
        let with = |third, fourth| {
            day_of([
                (0, 41.23),
                (300_250, 41.25),
                (600_500, third),
                (86_399_750, fourth),
            ])
        };
        let fixture = include_bytes!("../../../tests/records/block-1-decimals.bin");
        assert_eq!(decode(fixture, row()).unwrap(), with(0.0, -7.5));
        let fixture = include_bytes!("../../../tests/records/block-1-floats.bin");
        let read = decode(fixture, row()).unwrap();
        assert_eq!(read, with(-0.0, 1e-7));
        assert!(read[2].value.is_sign_negative());
    }

    proptest! {
        #[test]
        fn any_day_comes_back(map in prop::collection::btree_map(0u32..86_400_000, any::<u64>(), 0..300)) {
            check(&day_of(map.into_iter().map(|(at, bits)| (at, f64::from_bits(bits)))));
        }

        #[test]
        fn decimals_come_back(map in prop::collection::btree_map(0u32..86_400, -1_000_000i32..1_000_000, 0..300), power in 0i32..8) {
            check(&day_of(map.into_iter().map(|(at, v)| (at * 1000, f64::from(v) / 10f64.powi(power)))));
        }

        /// Past the checksum, so that the decoder itself meets the nonsense.
        #[test]
        fn nonsense_is_damage_and_no_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), at in any::<prop::sample::Index>(), to in any::<u8>()) {
            let mut body = vec![FORM];
            body.extend(bytes);
            let _ = decode(&seal(body, row()), row());
            let good = encode(&day_of((0..50).map(|i| (i * 1000, f64::from(i) / 10.0))), row()).unwrap();
            let mut body = good[..good.len() - 4].to_vec();
            let at = at.index(body.len());
            body[at] = to;
            let _ = decode(&seal(body, row()), row());
        }
    }
}
