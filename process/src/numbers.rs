//! The registry of numbers: every number that a rule or a model rests on is declared with
//! [`numbers!`](crate::numbers) once, with its unit, the range in which it makes sense and where it
//! comes from. [`all`] lists them; `docs/numbers.md` is written from that by a test.

use std::ops::Range;

/// One number, or a few that belong together.
#[derive(Clone, Copy)]
pub struct Number {
    /// The file that it serves, as a path of modules.
    pub group: &'static str,
    /// Its name in the code.
    pub name: &'static str,
    /// What it means; empty: as the one before it says.
    pub meaning: &'static str,
    /// The unit of its value in UCUM's writing; `1`: a share, a factor or a count.
    pub unit: &'static str,
    /// The range in which a value makes sense: what a fit may try.
    pub range: [f64; 2],
    /// Where it comes from.
    pub source: Source,
    /// Its value, or values.
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
    /// In order.
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
/// numbers! { "scale.steps":
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

/// All of them, file by file.
pub fn all() -> impl Iterator<Item = &'static Number> {
    [
        crate::analysis::account::NUMBERS,
        crate::analysis::NUMBERS,
        crate::analysis::unsensed::NUMBERS,
        crate::evidence::jumps::NUMBERS,
        crate::evidence::NUMBERS,
        crate::evidence::notes::NUMBERS,
        crate::evidence::warmth::NUMBERS,
        crate::evidence::weighed::NUMBERS,
        crate::evidence::weighing::NUMBERS,
        crate::feeder::empty::NUMBERS,
        crate::feeder::filter::NUMBERS,
        crate::feeder::learn::NUMBERS,
        crate::feeder::observe::NUMBERS,
        crate::feeder::smooth::NUMBERS,
        crate::feeder::unsensed::NUMBERS,
        crate::flags::balance::NUMBERS,
        crate::flags::behind::NUMBERS,
        crate::flags::cold::NUMBERS,
        crate::flags::displaced::NUMBERS,
        crate::flags::drying::NUMBERS,
        crate::flags::empty::NUMBERS,
        crate::flags::filter::NUMBERS,
        crate::flags::flow::NUMBERS,
        crate::flags::goal::NUMBERS,
        crate::flags::heat::NUMBERS,
        crate::flags::loss::culprit::NUMBERS,
        crate::flags::loss::fast::NUMBERS,
        crate::flags::loss::NUMBERS,
        crate::flags::loss::slow::NUMBERS,
        crate::flags::low_battery::NUMBERS,
        crate::flags::NUMBERS,
        crate::flags::needs_feed::NUMBERS,
        crate::flags::night::NUMBERS,
        crate::flags::pace::NUMBERS,
        crate::flags::refill::NUMBERS,
        crate::flags::sensor_fault::absurd::NUMBERS,
        crate::flags::sensor_fault::clock::NUMBERS,
        crate::flags::sensor_fault::drift::NUMBERS,
        crate::flags::sensor_fault::judged::NUMBERS,
        crate::flags::sensor_fault::NUMBERS,
        crate::flags::sensor_fault::stuck::NUMBERS,
        crate::flags::signals::feeder::NUMBERS,
        crate::flags::signals::hands::NUMBERS,
        crate::flags::signals::NUMBERS,
        crate::flags::silent::NUMBERS,
        crate::flags::souring::NUMBERS,
        crate::flags::stalled::NUMBERS,
        crate::flags::stores::NUMBERS,
        crate::flags::witness::NUMBERS,
        crate::level::NUMBERS,
        crate::losses::balance::NUMBERS,
        crate::losses::hidden::NUMBERS,
        crate::losses::NUMBERS,
        crate::nights::NUMBERS,
        crate::record::NUMBERS,
        crate::report::NUMBERS,
        crate::robust::NUMBERS,
        crate::scale::NUMBERS,
        crate::scale::load_cell::NUMBERS,
        crate::scale::steps::NUMBERS,
        crate::series::clean::NUMBERS,
        crate::series::NUMBERS,
        crate::series::runs::NUMBERS,
        crate::series::sun::NUMBERS,
        crate::series::syrup_temperature::NUMBERS,
        crate::series::weather::NUMBERS,
        crate::strengths::NUMBERS,
        crate::visits::NUMBERS,
        crate::water::common::NUMBERS,
        crate::water::NUMBERS,
        crate::window::NUMBERS,
    ]
    .into_iter()
    .flatten()
}
