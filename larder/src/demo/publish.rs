//! Sending the demo's messages over MQTT, as its devices would: QoS 1, one client, nothing taken
//! as sent before the broker has said so.

use super::{DemoApiary, DemoMessage};
use larder_domain::{RecordedFill, Timestamp};
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use tokio::sync::Semaphore;
use tokio::time::{Instant, sleep};
use tokio_util::sync::CancellationToken;

/// Where the broker listens.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct BrokerAddress {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// User and password, if the broker asks for them.
    pub credentials: Option<(String, String)>,
}

/// What was sent.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Published {
    /// Messages that the broker has confirmed.
    pub messages: u64,
    /// Readings in them.
    pub readings: u64,
}

/// Why sending stopped.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PublishError {
    /// No connection, or it broke.
    #[error("the broker at {host}:{port} cannot be reached: {reason}")]
    Broker {
        /// The broker's host.
        host: String,
        /// The broker's port.
        port: u16,
        /// What the connection said.
        reason: String,
    },
    /// Messages went out and no readings came in.
    #[error("readings are sent, but the service has taken in none of them for {0} seconds")]
    NotTakenIn(u64),
}

/// Messages on their way to the broker at a time; further ones wait for a confirmation.
const MAX_IN_FLIGHT: u16 = 100;
/// Readings sent and not yet taken in; beyond it, sending waits. The built-in broker keeps a
/// bounded log, and a reader that falls behind its end would miss what was cut off: this many
/// readings are about 2 MB of payload.
const MAX_AHEAD_READINGS: u64 = 30_000;
const LONGEST_STALL: Duration = Duration::from_secs(60);
const LONGEST_CONNECT: Duration = Duration::from_secs(10);
const RETRY_CONNECT: Duration = Duration::from_millis(100);
const LARGEST_PACKET: usize = 256 * 1024;

/// Sends `messages`, never far ahead of what the service has taken in. `taken_in` counts readings
/// since this call began; `progress` is told about every message after it went out.
pub async fn publish_history(
    address: &BrokerAddress,
    messages: impl Iterator<Item = DemoMessage>,
    taken_in: impl Fn() -> u64,
    mut progress: impl FnMut(&DemoMessage),
) -> Result<Published, PublishError> {
    let publisher = Publisher::connect(address, "larder-demo-history").await?;
    let mut published = Published::default();
    for message in messages {
        wait_until_near(published.readings, &taken_in).await?;
        publisher.send(&message).await?;
        published.messages += 1;
        published.readings += message.n_readings as u64;
        progress(&message);
    }
    publisher.close().await?;
    Ok(published)
}

async fn wait_until_near(sent: u64, taken_in: &impl Fn() -> u64) -> Result<(), PublishError> {
    let mut seen = taken_in();
    let mut since = Instant::now();
    while sent.saturating_sub(seen) > MAX_AHEAD_READINGS {
        sleep(Duration::from_millis(2)).await;
        let now_seen = taken_in();
        if now_seen != seen {
            (seen, since) = (now_seen, Instant::now());
        } else if since.elapsed() > LONGEST_STALL {
            return Err(PublishError::NotTakenIn(LONGEST_STALL.as_secs()));
        }
    }
    Ok(())
}

/// Goes on from the history until `stop`: every message when it is due. `noted` is told what the
/// keeper writes down. A broker that goes away is looked for again, for ever.
pub async fn publish_live(
    address: &BrokerAddress,
    demo: &mut DemoApiary,
    now: impl Fn() -> Timestamp,
    mut noted: impl FnMut(Vec<RecordedFill>),
    stop: CancellationToken,
) {
    let mut unsent: Vec<DemoMessage> = Vec::new();
    let mut publisher = None;
    while !stop.is_cancelled() {
        unsent.extend(demo.next_live(now()));
        let fills = demo.take_fills();
        if !fills.is_empty() {
            noted(fills);
        }
        if !unsent.is_empty() {
            match send_all(address, &mut publisher, &unsent).await {
                Ok(()) => unsent.clear(),
                Err(error) => {
                    tracing::warn!(%error, n_waiting = unsent.len(), "demo messages are waiting");
                    publisher = None;
                }
            }
        }
        tokio::select! {
            () = stop.cancelled() => {}
            () = sleep(Duration::from_secs(1)) => {}
        }
    }
}

async fn send_all(
    address: &BrokerAddress,
    publisher: &mut Option<Publisher>,
    messages: &[DemoMessage],
) -> Result<(), PublishError> {
    let connected = match publisher.take() {
        Some(connected) => connected,
        None => Publisher::connect(address, "larder-demo-live").await?,
    };
    let connected = publisher.insert(connected);
    for message in messages {
        connected.send(message).await?;
    }
    connected.all_confirmed().await
}

/// One connection. The broker's confirmations give back the permits that sending takes.
struct Publisher {
    address: BrokerAddress,
    client: AsyncClient,
    permits: Arc<Semaphore>,
    failure: Arc<OnceLock<String>>,
    poller: tokio::task::JoinHandle<()>,
}

impl Publisher {
    async fn connect(address: &BrokerAddress, client_id: &str) -> Result<Self, PublishError> {
        let mut options = MqttOptions::new(client_id, &address.host, address.port);
        options.set_inflight(MAX_IN_FLIGHT);
        options.set_max_packet_size(LARGEST_PACKET, LARGEST_PACKET);
        if let Some((user, password)) = &address.credentials {
            options.set_credentials(user, password);
        }
        let (client, mut events) = AsyncClient::new(options, MAX_IN_FLIGHT.into());
        let patience = Instant::now() + LONGEST_CONNECT;
        loop {
            match events.poll().await {
                Ok(Event::Incoming(Packet::ConnAck(_))) => break,
                Ok(_) => {}
                Err(error) if Instant::now() > patience => {
                    return Err(broken(address, error.to_string()));
                }
                Err(_) => sleep(RETRY_CONNECT).await,
            }
        }
        let permits = Arc::new(Semaphore::new(MAX_IN_FLIGHT.into()));
        let failure = Arc::new(OnceLock::new());
        let poller = tokio::spawn(poll(events, Arc::clone(&permits), Arc::clone(&failure)));
        Ok(Self {
            address: address.clone(),
            client,
            permits,
            failure,
            poller,
        })
    }

    async fn send(&self, message: &DemoMessage) -> Result<(), PublishError> {
        let permit = self.permits.acquire().await.map_err(|_| self.broken())?;
        permit.forget();
        self.client
            .publish(
                &message.topic,
                QoS::AtLeastOnce,
                false,
                message.payload.clone(),
            )
            .await
            .map_err(|_| self.broken())
    }

    async fn all_confirmed(&self) -> Result<(), PublishError> {
        let all = self.permits.acquire_many(MAX_IN_FLIGHT.into()).await;
        all.map(drop).map_err(|_| self.broken())
    }

    async fn close(self) -> Result<(), PublishError> {
        self.all_confirmed().await?;
        // Everything is confirmed; a farewell that does not arrive costs nothing.
        let _ = self.client.disconnect().await;
        Ok(())
    }

    fn broken(&self) -> PublishError {
        let reason = self.failure.get().cloned();
        broken(
            &self.address,
            reason.unwrap_or_else(|| "it closed the connection".into()),
        )
    }
}

impl Drop for Publisher {
    fn drop(&mut self) {
        self.poller.abort();
    }
}

fn broken(address: &BrokerAddress, reason: String) -> PublishError {
    PublishError::Broker {
        host: address.host.clone(),
        port: address.port,
        reason,
    }
}

/// Keeps the connection going until it breaks.
async fn poll(mut events: EventLoop, permits: Arc<Semaphore>, failure: Arc<OnceLock<String>>) {
    loop {
        match events.poll().await {
            Ok(Event::Incoming(Packet::PubAck(_))) => permits.add_permits(1),
            Ok(_) => {}
            Err(error) => {
                // Only the first failure counts; there is no other writer.
                let _ = failure.set(error.to_string());
                permits.close();
                return;
            }
        }
    }
}
