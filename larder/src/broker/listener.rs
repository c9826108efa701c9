//! What the built-in broker tells us: above all each message, before it is confirmed.

use super::doorkeeper::Doorkeeper;
use larder_ingest::session::{Arrival, Intake};
use mqtt5::broker::events::{
    BrokerEventHandler, ClientConnectEvent, ClientDisconnectEvent, ClientPublishEvent,
    PublishAction,
};
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Instant;

/// Hands messages to the intake and waits until they are on disk. The broker handles one message of
/// a connection after the other, and confirms it when this returns.
pub(super) struct Listener {
    intake: Arc<Intake>,
    doorkeeper: Arc<Doorkeeper>,
}

impl Listener {
    pub fn new(intake: Arc<Intake>, doorkeeper: Arc<Doorkeeper>) -> Self {
        Self { intake, doorkeeper }
    }
}

type Done<'a, T> = Pin<Box<dyn Future<Output = T> + Send + 'a>>;

impl BrokerEventHandler for Listener {
    fn on_client_publish<'a>(&'a self, event: ClientPublishEvent) -> Done<'a, PublishAction> {
        Box::pin(async move {
            if !self.intake.reads(&event.topic) {
                return PublishAction::Continue;
            }
            let arrival = Arrival {
                client_id: event.client_id.to_string(),
                packet: event.packet_id,
                topic: event.topic.to_string(),
                payload: event.payload.to_vec(),
            };
            if !self.intake.commit(arrival).await {
                // Every answer would confirm it. The connection ends with the broker.
                std::future::pending::<()>().await;
            }
            PublishAction::Continue
        })
    }

    fn on_client_connect<'a>(&'a self, event: ClientConnectEvent) -> Done<'a, ()> {
        Box::pin(async move {
            self.doorkeeper
                .entered(&event.client_id, event.session_expiry_interval);
            self.intake.connected(&event.client_id);
        })
    }

    fn on_client_disconnect<'a>(&'a self, event: ClientDisconnectEvent) -> Done<'a, ()> {
        Box::pin(async move {
            self.doorkeeper.left(&event.client_id, Instant::now());
            self.intake
                .disconnected(&event.client_id, !event.unexpected);
        })
    }
}
