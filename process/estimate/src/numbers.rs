//! The registry of numbers: every number that a rule or a model rests on is declared with
//! [`numbers!`](macro@crate::numbers) once, with its unit, the range in which it makes sense and where it
//! comes from. [`all`] lists them; `docs/numbers.md` is written from that by a test.

use std::ops::Range;

/// One number, or a few that belong together.
#[derive(Clone, Copy)]
pub struct Number {
    /// The file that it serves, as a path of modules.
    pub group: &'static str,
    /// The constant's name in the code.
    pub name: &'static str,
    /// What the number means.
    pub meaning: &'static str,
    /// The unit of its value in UCUM's writing; `1`: a share, a factor or a count.
    pub unit: &'static str,
    /// The range in which a value makes sense: what a fit may try.
    pub range: [f64; 2],
    /// Where it comes from.
    pub source: Source,
    /// The value, or the values.
    pub values: fn() -> Vec<f64>,
}

/// Where a number comes from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Source {
    /// A definition or an identity: nothing to choose.
    Defined,
    /// A publication, named in the number's meaning or its file's head.
    Published,
    /// A fact of the trade.
    CommonPractice,
    /// Set on simulated apiaries with known truth.
    Measured,
    /// Chosen by judgement.
    Chosen,
}

impl Source {
    /// The word in lists.
    pub fn name(self) -> &'static str {
        match self {
            Self::Defined => "defined",
            Self::Published => "published",
            Self::CommonPractice => "common practice",
            Self::Measured => "measured",
            Self::Chosen => "chosen",
        }
    }
}

/// What a constant of several types holds.
pub trait Values {
    /// The values in order.
    fn values(&self) -> Vec<f64>;
}

macro_rules! count {
    ($($type:ty),*) => {$(
        impl Values for $type {
            fn values(&self) -> Vec<f64> {
                vec![*self as f64]
            }
        }
        impl<const N: usize> Values for [$type; N] {
            fn values(&self) -> Vec<f64> {
                self.iter().map(|&value| value as f64).collect()
            }
        }
    )*};
}

count!(f64, usize, u64, i64, i32);

impl Values for (f64, f64) {
    fn values(&self) -> Vec<f64> {
        vec![self.0, self.1]
    }
}

impl Values for Range<f64> {
    fn values(&self) -> Vec<f64> {
        vec![self.start, self.end]
    }
}

/// Declares a file's numbers as constants, and lists them for the registry.
///
/// ```ignore
/// numbers! { "estimate.series.scale":
///     /// More than this at once takes or brings nothing but hands.
///     BEYOND_DOUBT_KG: f64 = 1.5, "kg", [0.5, 4.0], CommonPractice;
/// }
/// ```
#[macro_export]
macro_rules! numbers {
    ($group:literal: $($(#[doc = $doc:literal])* $vis:vis $name:ident: $type:ty = $value:expr, $unit:literal, $range:expr, $source:ident;)+) => {
        $($(#[doc = $doc])* $vis const $name: $type = $value;)+
        /// The numbers above, for the registry.
        pub(crate) const NUMBERS: &[$crate::numbers::Number] = &[$($crate::numbers::Number {
            group: $group,
            name: stringify!($name),
            meaning: concat!($($doc),*),
            unit: $unit,
            range: $range,
            source: $crate::numbers::Source::$source,
            values: || $crate::numbers::Values::values(&$name),
        },)+];
    };
}

/// The numbers of the estimators, file by file.
pub fn all() -> impl Iterator<Item = &'static Number> {
    [
        crate::analysis::account::NUMBERS,
        crate::analysis::NUMBERS,
        crate::analysis::unsensed::NUMBERS,
        crate::events::jumps::NUMBERS,
        crate::events::NUMBERS,
        crate::events::notes::NUMBERS,
        crate::events::warmth::NUMBERS,
        crate::events::weighed::NUMBERS,
        crate::events::weighing::NUMBERS,
        crate::feeder::empty::NUMBERS,
        crate::feeder::filter::NUMBERS,
        crate::feeder::learn::NUMBERS,
        crate::feeder::observe::NUMBERS,
        crate::feeder::smooth::NUMBERS,
        crate::feeder::unsensed::NUMBERS,
        crate::report::intervals::NUMBERS,
        crate::series::level::NUMBERS,
        crate::series::resolution::NUMBERS,
        crate::losses::balance::NUMBERS,
        crate::losses::hmm::NUMBERS,
        crate::losses::NUMBERS,
        crate::report::night_weight::NUMBERS,
        crate::report::NUMBERS,
        crate::math::kalman::NUMBERS,
        crate::math::robust::NUMBERS,
        crate::series::scale::NUMBERS,
        crate::series::scale::load_cell::NUMBERS,
        crate::series::scale::steps::NUMBERS,
        crate::series::clean::NUMBERS,
        crate::series::NUMBERS,
        crate::series::runs::NUMBERS,
        crate::series::sun::NUMBERS,
        crate::series::syrup_temperature::NUMBERS,
        crate::series::weather::NUMBERS,
        crate::series::strengths::NUMBERS,
        crate::events::hands::NUMBERS,
        crate::series::water::common::NUMBERS,
        crate::series::water::NUMBERS,
    ]
    .into_iter()
    .flatten()
}
