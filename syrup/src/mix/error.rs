//! What can be wrong with a mix, as one sentence that says what to change.

use crate::units::{DegreesCelsius, Kilograms, Litres, MassFraction, UnitSystem};
use std::fmt;

/// Why there is no such mix.
#[derive(Clone, PartialEq, Debug)]
pub enum MixError {
    /// Nothing, less than nothing, or no number.
    NotAboveZero {
        /// What it is about.
        what: &'static str,
    },
    /// More than anybody mixes.
    TooMuch {
        /// What it is about.
        what: &'static str,
        /// The most that is reckoned with.
        most: Kilograms,
    },
    /// Not two of the four.
    TooFew,
    /// Three or four of the four: they could contradict each other.
    TooMany,
    /// The sugar alone takes up more room than the finished volume.
    NoRoom {
        /// The sugar.
        sugar: Kilograms,
        /// The finished volume.
        volume: Litres,
    },
    /// The water alone takes up the whole finished volume.
    NoRoomForSugar {
        /// The water, measured at 20 °C.
        water: Litres,
        /// The finished volume.
        volume: Litres,
    },
    /// More sugar than dissolves.
    DoesNotDissolve {
        /// The strength asked for.
        sugar: MassFraction,
        /// As strong as it gets.
        most: MassFraction,
        /// At this temperature.
        at: DegreesCelsius,
    },
    /// A single bag makes more than the vessel holds.
    VesselSmallerThanBag {
        /// The smallest bag.
        bag: Kilograms,
        /// What it makes at the strength asked for.
        makes: Litres,
        /// What may be filled of the largest vessel.
        vessel: Litres,
    },
    /// The vessels are full before all is mixed.
    VesselsFull {
        /// What should be made.
        makes: Litres,
        /// What the vessels take.
        room: Litres,
    },
    /// What is left over holds more of something than the wish allows.
    LeftoverTooMuch {
        /// `sugar` or `water`.
        of: &'static str,
    },
    /// One leftover and nothing to do with it.
    NothingToDo,
    /// Not even boiling water makes it that warm.
    NotHotEnough {
        /// The water that would be needed.
        needed: DegreesCelsius,
        /// The hottest there is.
        hottest: DegreesCelsius,
    },
    /// A temperature is wanted and no water goes in that could bring it.
    NoWaterToWarm,
    /// Even the cold water makes it warmer than asked for.
    NotColdEnough {
        /// The water that would be needed.
        needed: DegreesCelsius,
        /// The coldest there is.
        coldest: DegreesCelsius,
    },
}

impl MixError {
    /// The sentence, in someone's units.
    pub fn sentence(&self, units: UnitSystem) -> String {
        match *self {
            Self::NotAboveZero { what } => format!("{what} must be more than nothing"),
            Self::TooMuch { what, most } => {
                format!("{what} must be at most {}; split the job", units.mass(most))
            }
            Self::TooFew => {
                "give two of sugar, water, volume and strength; the rest follows from them".into()
            }
            Self::TooMany => {
                "give only two of sugar, water, volume and strength; the rest follows from them"
                    .into()
            }
            Self::NoRoom { sugar, volume } => format!(
                "{} of sugar takes up more than {} by itself; use less sugar or make more",
                units.mass(sugar),
                units.volume(volume)
            ),
            Self::NoRoomForSugar { water, volume } => format!(
                "{} of water leaves no room for sugar in {}; use less water or make more",
                units.volume(water),
                units.volume(volume)
            ),
            Self::DoesNotDissolve { sugar, most, at } => format!(
                "that would be {sugar} sugar, and at {} water dissolves at most {most}; \
                 use more water, or say how hot it ends if it is hotter",
                units.temperature(at)
            ),
            Self::VesselSmallerThanBag { bag, makes, vessel } => format!(
                "a {} bag makes {} of this syrup, more than the {} that fit the vessel; \
                 use a larger vessel or smaller bags",
                units.mass(bag),
                units.volume(makes),
                units.volume(vessel)
            ),
            Self::VesselsFull { makes, room } => format!(
                "the vessels take {} and the mix makes {}; add vessels or mix less",
                units.volume(room),
                units.volume(makes)
            ),
            Self::LeftoverTooMuch { of } => format!(
                "what is left over holds more {of} than the finished syrup should; \
                 make more of it, or use less of the leftover"
            ),
            Self::NothingToDo => {
                "one leftover alone is no mix; say a strength to bring it to, or what to add".into()
            }
            Self::NotHotEnough { needed, hottest } => format!(
                "that takes water of {}, and the hottest is {}; end cooler or warm the sugar",
                units.temperature(needed),
                units.temperature(hottest)
            ),
            Self::NoWaterToWarm => {
                "no water goes in, so none can warm it; warm the leftover instead".into()
            }
            Self::NotColdEnough { needed, coldest } => format!(
                "that takes water of {}, and the coldest is {}; end warmer",
                units.temperature(needed),
                units.temperature(coldest)
            ),
        }
    }
}

/// In metric units.
impl fmt::Display for MixError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.sentence(UnitSystem::Metric))
    }
}

impl std::error::Error for MixError {}
