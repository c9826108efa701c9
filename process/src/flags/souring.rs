//! Syrup that goes off.
use super::{Case, Doubts, Spell};
use larder_domain::Flag;

pub(super) fn raise(
    _case: &Case<'_>,
    _doubts: &Doubts,
    _flow: &[Vec<Spell>],
    _flags: &mut Vec<Flag>,
) {
}
