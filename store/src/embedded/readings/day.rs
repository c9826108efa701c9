//! Days of UTC, in which readings are kept, and the numbers of their blocks.

use larder_domain::{Span, Timestamp};

/// A series' number in this store: 1 to [`SeriesId::MOST`].
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub(super) struct SeriesId(pub(super) i64);

/// Bits of a block's number that say which series it is of. The rest, 38 with the sign, is enough
/// for every day that a 64-bit number of milliseconds can name.
const SERIES_BITS: u32 = 26;

impl SeriesId {
    /// More series than this do not fit into one store: 67 million.
    pub(super) const MOST: i64 = (1 << SERIES_BITS) - 1;
}

/// A day of UTC, counted from 1970-01-01.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Day(pub(super) i64);

const DAY_MS: i64 = 86_400_000;

impl Day {
    pub(super) fn of(time: Timestamp) -> Self {
        Self(time.0.div_euclid(DAY_MS))
    }

    /// Milliseconds from the start of the day, below 86,400,000.
    pub(super) fn offset(time: Timestamp) -> u32 {
        time.0.rem_euclid(DAY_MS) as u32
    }

    pub(super) fn at(self, offset: u32) -> Timestamp {
        // The first day that an i64 can name starts before the first moment that it can.
        Timestamp((i128::from(self.0) * i128::from(DAY_MS) + i128::from(offset)) as i64)
    }

    /// The whole day lies in `span`.
    pub(super) fn lies_in(self, span: Span) -> bool {
        let start = i128::from(self.0) * i128::from(DAY_MS);
        i128::from(span.start.0) <= start && start + i128::from(DAY_MS) <= i128::from(span.end.0)
    }

    /// The number of a block. Blocks of one day lie side by side, in the order in which a day is
    /// closed: new blocks go to the end of the table, whose pages are then full.
    pub(super) fn block(self, series: SeriesId) -> i64 {
        (self.0 << SERIES_BITS) | series.0
    }

    pub(super) fn of_block(block: i64) -> (Self, SeriesId) {
        (Self(block >> SERIES_BITS), SeriesId(block & SeriesId::MOST))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_moment_has_its_day_and_block(ms in any::<i64>(), series in 1..=SeriesId::MOST) {
            let time = Timestamp(ms);
            let day = Day::of(time);
            prop_assert_eq!(day.at(Day::offset(time)), time);
            prop_assert_eq!(Day::of_block(day.block(SeriesId(series))), (day, SeriesId(series)));
        }

        #[test]
        fn blocks_are_in_order_of_day_then_series(a in any::<i64>(), b in any::<i64>(), i in 1..=SeriesId::MOST, j in 1..=SeriesId::MOST) {
            let (a, b) = (Day::of(Timestamp(a)), Day::of(Timestamp(b)));
            let (i, j) = (SeriesId(i), SeriesId(j));
            prop_assert_eq!((a, i).cmp(&(b, j)), a.block(i).cmp(&b.block(j)));
        }
    }
}
