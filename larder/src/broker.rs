//! The built-in broker, so that nothing else is needed to start. MQTT 3.1.1 and 5 on one port.
//!
//! Its honest limits: what it holds is in memory, so a message that it took and that Larder has
//! not committed yet is lost when the process is killed; a hundred connections from one address;
//! no TLS. A real broker is the better choice for more than a small operation.

use crate::failure::wrong_use;
use anyhow::{Context, Result};
use mqtt5::broker::auth::PasswordAuthProvider;
use mqtt5::broker::config::{StorageBackend, StorageConfig};
use mqtt5::broker::{BrokerConfig, MqttBroker};
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinHandle;

/// Devices connected at once; a further one is refused and tries again.
const MOST_CLIENTS: usize = 1_000;

/// Largest packet; our own limit for a payload is a quarter of that.
const LARGEST_PACKET: usize = 256 * 1024;

/// Messages held for a client that is away, Larder's own session above all; the oldest go first.
const MOST_QUEUED: usize = 200_000;

/// Bytes held for a client that is away.
const MOST_QUEUED_BYTES: usize = 64 * 1024 * 1024;

/// Messages under way to one client; the same as Larder's own window.
const CHANNEL: usize = 10_000;

/// How long an absent client's session is kept.
const SESSION: Duration = Duration::from_secs(7 * 24 * 3600);

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

    /// Whether anyone may connect.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// Starts it. Refuses to listen beyond this machine without names and passwords.
pub async fn start(listen: SocketAddr, users: Users) -> Result<BuiltInBroker> {
    if !listen.ip().is_loopback() && users.is_empty() {
        return Err(wrong_use(format!(
            "the built-in broker will not listen on {listen} without credentials: give --mqtt-users FILE with name:password lines, or listen on 127.0.0.1"
        )));
    }
    let config = BrokerConfig {
        bind_addresses: vec![listen],
        max_clients: MOST_CLIENTS,
        max_packet_size: LARGEST_PACKET,
        session_expiry_interval: SESSION,
        client_channel_capacity: CHANNEL,
        sys_topics_enabled: false,
        storage_config: StorageConfig {
            backend: StorageBackend::Memory,
            max_queued_messages_per_client: MOST_QUEUED,
            max_queued_bytes_per_client: MOST_QUEUED_BYTES,
            ..StorageConfig::default()
        },
        ..BrokerConfig::default()
    };
    let mut broker = MqttBroker::with_config(config)
        .await
        .with_context(|| format!("starting the built-in broker on {listen}"))?;
    if !users.is_empty() {
        let provider = PasswordAuthProvider::new();
        for (name, password) in users.0 {
            provider
                .add_user(name, &password)
                .context("taking in the built-in broker's users")?;
        }
        broker = broker.with_auth_provider(Arc::new(provider));
    }
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
