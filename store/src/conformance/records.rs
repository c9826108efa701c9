//! Everything that is not a reading.

use super::Place;
use crate::{Readings, Records};

/// Puts a backend that keeps records through all checks.
pub fn check_records<P: Place>(new_place: impl Fn() -> P)
where
    P::Store: Readings + Records,
{
    let _ = new_place().open();
}
