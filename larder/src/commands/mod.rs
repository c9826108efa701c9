//! One file for each command.

pub mod apply;
pub mod backup;
pub mod check;
pub mod demo;
pub mod devices;
pub mod export;
pub mod feeder;
pub mod flags;
pub mod import;
pub mod influx;
pub mod mix;
pub mod move_readings;
pub mod notices;
pub mod process;
pub mod quarantine;
pub mod readings;
pub mod report;
pub mod serve;
