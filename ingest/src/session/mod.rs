//! The MQTT session: takes messages in, commits them, then acknowledges them in order of receipt.
//!
//! One task polls the connection and sends acknowledgements; a thread beside it decodes and commits.
//! A message is acknowledged when it is on disk, so whatever dies at whatever moment, the broker
//! sends again what was not stored, and the store knows what it already has. While the store fails,
//! the connection is kept, nothing is acknowledged, and the broker's window stops the flow.

mod backoff;
mod broker_url;
mod committer;
mod connection;
mod delivery;
mod events;
mod hold;
mod intake;
mod known;
mod link;
mod rates;
mod status;
mod tls;
mod unacked;

pub use broker_url::{BadBrokerUrl, BrokerUrl, Version};
pub use connection::run;
pub use intake::{Arrival, Intake, IntakeConfig};
pub use rates::Excess;
pub use status::{IngestStatus, StatusSnapshot};
pub use tls::{TlsError, TlsFiles};

use crate::decode::DecodeConfig;
use larder_domain::{ChannelRef, DeviceId, Timestamp};
use larder_store::Appended;
use std::fmt;
use std::sync::{Arc, RwLock};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// How to take readings in.
#[derive(Clone, Debug)]
pub struct SessionConfig {
    /// The broker.
    pub broker: BrokerUrl,
    /// The user's password.
    pub password: Option<Password>,
    /// Certificates, where the broker speaks TLS.
    pub tls: TlsFiles,
    /// The session's name at the broker. It must stay the same over restarts and be used by nobody
    /// else: what the broker keeps for us is kept under it.
    pub client_id: String,
    /// How long the broker keeps the session while we are away (MQTT 5; brokers of 3.1.1 decide
    /// for themselves).
    pub session_expiry: Duration,
    /// Set where several services share the work: the group of an MQTT shared subscription.
    pub shared_group: Option<String>,
    /// How messages are read.
    pub decode: LiveDecodeConfig,
    /// The clock, in tests.
    pub clock: fn() -> Timestamp,
}

impl SessionConfig {
    /// With the usual settings for everything else.
    pub fn new(broker: BrokerUrl, decode: impl Into<LiveDecodeConfig>) -> Self {
        Self {
            broker,
            password: None,
            tls: TlsFiles::default(),
            client_id: "larder".into(),
            session_expiry: Duration::from_secs(7 * 24 * 3600),
            shared_group: None,
            decode: decode.into(),
            clock: wall_clock,
        }
    }
}

/// Settings with which a session can never work.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// Certificates.
    #[error(transparent)]
    Tls(#[from] TlsError),
    /// The broker keeps nothing for a session without a name.
    #[error("the MQTT client id is empty; give the session a name that stays the same")]
    ClientId,
}

fn wall_clock() -> Timestamp {
    let since_1970 = SystemTime::now().duration_since(UNIX_EPOCH);
    Timestamp(since_1970.map_or(0, |d| i64::try_from(d.as_millis()).unwrap_or(i64::MAX)))
}

/// A password that no log shows.
#[derive(Clone, PartialEq, Eq)]
pub struct Password(String);

impl Password {
    /// Takes a password; a line's end (as in a file) does not belong to it.
    pub fn new(password: &str) -> Self {
        Self(password.trim_end_matches(['\r', '\n']).to_owned())
    }

    /// The password itself, to be handed to a broker.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Password {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Password(…)")
    }
}

/// A [`DecodeConfig`] that can be replaced while the session runs: gateways come and go with the
/// apiary. (Prefix and mappings take effect for reading at once, for subscribing at the next
/// connection.)
#[derive(Clone, Debug)]
pub struct LiveDecodeConfig(Arc<RwLock<Arc<DecodeConfig>>>);

impl LiveDecodeConfig {
    /// The configuration now.
    pub fn current(&self) -> Arc<DecodeConfig> {
        let held = self.0.read().unwrap_or_else(|broken| broken.into_inner());
        Arc::clone(&held)
    }

    /// From now on this one.
    pub fn replace(&self, config: DecodeConfig) {
        let mut held = self.0.write().unwrap_or_else(|broken| broken.into_inner());
        *held = Arc::new(config);
    }
}

impl From<DecodeConfig> for LiveDecodeConfig {
    fn from(config: DecodeConfig) -> Self {
        Self(Arc::new(RwLock::new(Arc::new(config))))
    }
}

/// What a commit brought, for whoever processes or shows it.
#[derive(Clone, PartialEq, Debug)]
pub struct Committed {
    /// The devices that spoke.
    pub devices: Vec<DeviceId>,
    /// The series that readings came for (perhaps ones that were known already).
    pub series: Vec<ChannelRef>,
    /// What the append did.
    pub appended: Appended,
    /// Records that went into the quarantine.
    pub refused: u64,
}
