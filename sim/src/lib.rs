//! What simulated apiaries share: dice, syrup by its parts, and the demo's colonies and sky. The
//! trial of the processing stage throws the same dice and keeps the same books, and has colonies and
//! a sky of its own: two truths stay two.

pub mod colony;
pub mod dice;
pub mod syrup;
pub mod weather;

pub use dice::Dice;
pub use syrup::Syrup;
