//! Mixing syrup: from what the keeper knows to what goes into which vessel, how it behaves and
//! what it becomes. [`answer`] is the whole calculation; the parts stand alone for the planner.

mod answer;
mod ask;
mod batch;
mod caution;
mod cost;
mod error;
mod recipe;
mod vessel;
mod warmth;
mod words;

pub use answer::{Answer, answer};
pub use ask::{Ask, Leftover, Sugar, SugarNotUnderstood, WaterAmount};
pub use batch::{BagCount, Load, Plan, plan};
pub use caution::{Caution, CautionKind, LIFT_LIMIT};
pub use cost::{Price, PriceNotUnderstood};
pub use error::MixError;
pub use recipe::{Known, Recipe, water_volume};
pub use vessel::{Vessel, VesselNotUnderstood, weights};
pub use warmth::{Warmth, Wish};
pub use words::{count_word, headline, pour};
