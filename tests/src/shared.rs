//! Data that lies beside the repository on some machines. A test that uses it says so, and is
//! never the only proof of a thing.

use crate::larder::repository;
use std::path::PathBuf;

/// `../shared/<path>`, if it is there; says what is left out if it is not.
#[expect(
    clippy::print_stdout,
    reason = "whoever runs the tests is told what was left out"
)]
pub fn beside(path: &str, used_for: &str) -> Option<PathBuf> {
    let wanted = repository().parent()?.join("shared").join(path);
    if wanted.exists() {
        println!("{used_for}: with ../shared/{path}");
        Some(wanted)
    } else {
        println!("{used_for}: left out, there is no ../shared/{path}");
        None
    }
}
