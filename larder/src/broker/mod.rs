//! The built-in broker, so that nothing else is needed to start. MQTT 3.1.1 and 5 on one port.
//!
//! A device's message is confirmed when it is on disk: the broker asks the intake first, in this
//! process. Its honest limits: what it holds for other subscribers is in memory, and there is no TLS.

mod doorkeeper;
mod listener;

use crate::failure::wrong_use;
use anyhow::{Context, Result};
use doorkeeper::{Doorkeeper, Guarded};
use larder_ingest::session::Intake;
use listener::Listener;
use mqtt5::broker::auth::{AllowAllAuthProvider, AuthProvider, PasswordAuthProvider};
use mqtt5::broker::config::{StorageBackend, StorageConfig};
use mqtt5::broker::{BrokerConfig, MqttBroker};
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinHandle;

/// Devices connected at once; a further one is refused and tries again.
pub const MOST_CLIENTS: usize = 6_000;

/// Largest packet; our own limit for a payload is a quarter of that.
const LARGEST_PACKET: usize = 256 * 1024;

/// Messages held for a subscriber that is away; the oldest go first. Readings do not pass through
/// here: they are on disk before this.
const MOST_QUEUED: usize = 1_000;

/// Bytes held for a subscriber that is away.
const MOST_QUEUED_BYTES: usize = 1024 * 1024;

/// Messages under way to one subscriber.
const CHANNEL: usize = 1_000;

/// How long an absent subscriber's session is kept.
const SESSION: Duration = Duration::from_secs(3600);

/// Sessions kept, those of absent subscribers included; a client with a further name is refused until
/// some have ended.
const MOST_SESSIONS: usize = 8_000;

/// Connections from one address that is not this machine.
const MOST_FROM_ONE_ADDRESS: usize = 2_000;

/// Subscriptions of one client.
const MOST_SUBSCRIPTIONS: usize = 100;

/// Retained messages, and how long each may be: hive states, and what others keep here.
const MOST_RETAINED: usize = 20_000;
const LONGEST_RETAINED: usize = 64 * 1024;

/// A running broker.
pub struct BuiltInBroker {
    /// Where it listens.
    pub address: SocketAddr,
    shutdown: mqtt5::broker::BrokerShutdownHandle,
    task: JoinHandle<()>,
}

/// Names and passwords of those who may connect; empty: anyone may.
#[derive(Clone, Default)]
pub struct Users(Vec<(String, String)>);

impl Users {
    /// Reads `name:password` lines; empty lines and lines that start with `#` are skipped.
    pub fn read(path: &Path) -> Result<Self> {
        let text = std::fs::read_to_string(path).with_context(|| {
            format!(
                "reading the users of the built-in broker from {}",
                path.display()
            )
        })?;
        let mut users = Vec::new();
        for (number, line) in text.lines().enumerate() {
            let line = line.trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            match line.split_once(':') {
                Some((name, password)) if !name.is_empty() && !password.is_empty() => {
                    users.push((name.to_owned(), password.to_owned()));
                }
                _ => {
                    return Err(wrong_use(format!(
                        "line {} of {} is not name:password",
                        number + 1,
                        path.display()
                    )));
                }
            }
        }
        Ok(Self(users))
    }

    /// With one more, who is Larder itself.
    pub fn with(mut self, name: &str, password: &str) -> Self {
        self.0.push((name.to_owned(), password.to_owned()));
        self
    }

    fn into_provider(self) -> Result<PasswordAuthProvider> {
        let provider = PasswordAuthProvider::new();
        for (name, password) in self.0 {
            provider
                .add_user(name, &password)
                .context("taking in the built-in broker's users")?;
        }
        Ok(provider)
    }

    /// Whether anyone may connect.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// Starts it; readings go to `intake`. Refuses to listen beyond this machine without names and
/// passwords.
pub async fn start(listen: SocketAddr, users: Users, intake: Arc<Intake>) -> Result<BuiltInBroker> {
    if !listen.ip().is_loopback() && users.is_empty() {
        return Err(wrong_use(format!(
            "the built-in broker will not listen on {listen} without credentials: give --mqtt-users FILE with name:password lines, or listen on 127.0.0.1"
        )));
    }
    let doorkeeper = Arc::new(Doorkeeper::default());
    let config = BrokerConfig {
        bind_addresses: vec![listen],
        max_clients: MOST_CLIENTS.min(files_for_clients()),
        max_packet_size: LARGEST_PACKET,
        max_subscriptions_per_client: MOST_SUBSCRIPTIONS,
        max_retained_messages: MOST_RETAINED,
        max_retained_message_size: LONGEST_RETAINED,
        session_expiry_interval: SESSION,
        client_channel_capacity: CHANNEL,
        event_handler: Some(Arc::new(Listener::new(intake, Arc::clone(&doorkeeper)))),
        sys_topics_enabled: false,
        storage_config: StorageConfig {
            backend: StorageBackend::Memory,
            max_queued_messages_per_client: MOST_QUEUED,
            max_queued_bytes_per_client: MOST_QUEUED_BYTES,
            ..StorageConfig::default()
        },
        ..BrokerConfig::default()
    };
    let broker = MqttBroker::with_config(config)
        .await
        .with_context(|| format!("starting the built-in broker on {listen}"))?;
    let provider: Arc<dyn AuthProvider> = match users.is_empty() {
        true => Arc::new(AllowAllAuthProvider),
        false => Arc::new(users.into_provider()?),
    };
    let mut broker = broker.with_auth_provider(Arc::new(Guarded {
        provider,
        doorkeeper,
    }));
    let address = broker.local_addr().unwrap_or(listen);
    let shutdown = broker.shutdown_handle();
    let mut ready = broker.ready_receiver();
    let task = tokio::spawn(async move {
        if let Err(error) = broker.run().await {
            tracing::error!(%error, "the built-in broker ended");
        }
    });
    ready
        .wait_for(|ready| *ready)
        .await
        .context("the built-in broker did not start")?;
    Ok(BuiltInBroker {
        address,
        shutdown,
        task,
    })
}

/// Open files that may be devices' connections: the store, the pages and the log need some, too.
fn files_for_clients() -> usize {
    const FOR_OTHERS: u64 = 256;
    let files = rustix::process::getrlimit(rustix::process::Resource::Nofile).current;
    let left = files.map_or(u64::MAX, |files| files.saturating_sub(FOR_OTHERS).max(64));
    usize::try_from(left).unwrap_or(usize::MAX)
}

impl BuiltInBroker {
    /// Stops it and waits until its port is closed.
    pub async fn stop(self) {
        self.shutdown.shutdown();
        // It closes every connection first; one that hangs must not keep the service up.
        if tokio::time::timeout(Duration::from_secs(5), self.task)
            .await
            .is_err()
        {
            tracing::warn!("the built-in broker did not stop in five seconds");
        }
    }
}
