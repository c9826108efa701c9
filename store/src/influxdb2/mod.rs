//! InfluxDB 2 as the archive of readings: its line protocol, its query language, its answers.
//!
//! Setting a server up goes through the crate `influxdb2` (`client`). Readings do not: the crate
//! drops the `Retry-After` of a busy server and the path of an address, panics on empty cells and
//! cut answers, and holds whole answers in memory. `tests/influxdb2_crate.rs` shows it, and fails
//! when a newer version does better.

mod admin;
mod answer;
mod client;
mod http;
mod line;
mod read;
mod schema;
mod write;

pub use admin::{Admin, InitWish, Initialised};
pub use http::{Token, Trouble};
pub use schema::{MEASUREMENT, field_of};

use crate::StoreError;
use http::Http;
use larder_domain::Timestamp;
use std::path::PathBuf;
use std::sync::RwLock;
use std::time::Duration;

/// How to reach a server.
#[derive(Clone, Debug)]
pub struct InfluxConfig {
    /// Like `http://localhost:8086`; a path before the API's own is kept.
    pub url: String,
    /// The organisation's name.
    pub org: String,
    /// The bucket's name.
    pub bucket: String,
    /// A token that may read and write the bucket.
    pub token: Token,
    /// How long an answer may take to begin, and each part of it to come.
    pub patience: Duration,
    /// A certificate authority in PEM, where the system's do not know the server's.
    pub ca: Option<PathBuf>,
}

impl InfluxConfig {
    /// Where readings go, for people.
    pub fn place(&self) -> String {
        format!("InfluxDB at {}, bucket {}", self.url, self.bucket)
    }

    /// Where readings go, for comparing: without the address, because a server may move.
    pub fn identity(&self) -> String {
        format!("influxdb2:{}/{}", self.org, self.bucket)
    }
}

/// A bucket of an InfluxDB 2.
pub struct InfluxDb2 {
    config: InfluxConfig,
    http: Http,
    /// How long the bucket keeps readings; unknown until the server was asked.
    retention: RwLock<Option<Retention>>,
    clock: fn() -> Timestamp,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Retention {
    Forever,
    Ms(i64),
}

impl InfluxDb2 {
    /// Prepares to speak to a server, without doing so yet. Fails on a certificate or an address
    /// that cannot be used.
    pub fn new(config: InfluxConfig, clock: fn() -> Timestamp) -> Result<Self, StoreError> {
        let http = Http::new(&config)?;
        Ok(Self {
            config,
            http,
            retention: RwLock::default(),
            clock,
        })
    }

    fn unavailable(&self, trouble: &Trouble) -> StoreError {
        StoreError::Unavailable(format!("{}: {trouble}", self.config.place()))
    }
}

impl std::fmt::Debug for InfluxDb2 {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("InfluxDb2")
            .field("config", &self.config)
            .finish_non_exhaustive()
    }
}
