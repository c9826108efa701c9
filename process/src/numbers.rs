//! The registry of numbers over all of the processing stage; see [`mod@larder_estimate::numbers`].

use larder_estimate::numbers::Number;

/// All numbers of estimates and flags, file by file.
pub fn all() -> impl Iterator<Item = &'static Number> {
    let own = [crate::coverage::NUMBERS, crate::window::NUMBERS];
    larder_estimate::numbers::all()
        .chain(larder_flags::numbers::all())
        .chain(own.into_iter().flatten())
}
