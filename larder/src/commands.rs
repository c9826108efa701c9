//! One file for each command.

pub mod apply;
pub mod check;
pub mod process;
pub mod report;
