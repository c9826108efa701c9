//! Who is to be told what now, and in which words. Pure: what was told before and the time are
//! arguments; sending is somebody else's.

pub mod plan;
pub mod text;

pub use plan::{Event, Planned, Situation, Told, plan};
pub use text::{Letter, Spoken, letter};
