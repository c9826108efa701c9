//! The end-to-end tests: the real binary, a foreign broker, foreign clients, a real browser. What
//! they share stands here: starting and stopping programs, waiting for conditions, reading reports.
//!
//! Every program started here is a child of the test, listens on a free port of 127.0.0.1, works in
//! a temporary folder, and ends with the test. Nothing sleeps for a fixed time in the hope that
//! something has happened meanwhile; [`wait::until`] asks for it.

pub mod burst;
pub mod certificate;
pub mod child;
pub mod disk;
pub mod http;
pub mod influx_settings;
pub mod influxd;
pub mod larder;
pub mod mosquitto;
pub mod nats;
pub mod program;
pub mod proxy;
pub mod python;
pub mod readings;
pub mod shared;
pub mod wait;
