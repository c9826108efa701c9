//! The only module that knows rumqttc: one connection, MQTT 3.1.1 or 5, as the session sees it. A
//! link is made for one connection and thrown away with it, so that no request and no
//! acknowledgement of an old connection can slip into a new one.

mod ended;

use super::broker_url::{BrokerUrl, Version};
use ended::{error_v3, error_v5};
use rumqttc::v5::mqttbytes::v5 as packets_v5;
use rumqttc::{QoS, TlsConfiguration, Transport, v5};
use std::sync::Arc;
use std::time::Duration;

/// Requests (acknowledgements, mostly) handed over and not yet written. When full, acknowledgements
/// wait in the session's list.
const REQUESTS: usize = 1_000;

/// Publishes of ours that may wait for the broker at once: we send none. Room is made for all of
/// them with each connection, 14 MB where MQTT 5's own bound is left to stand.
const OUTGOING: u16 = 16;

/// Keep-alive; also how long a dead connection stays unnoticed, at most one and a half times.
const KEEP_ALIVE: Duration = Duration::from_secs(20);

/// How to connect.
#[derive(Clone)]
pub(super) struct LinkOptions {
    pub broker: BrokerUrl,
    pub client_id: String,
    pub password: Option<String>,
    pub tls: Option<Arc<rustls::ClientConfig>>,
    /// Messages that the broker may send ahead of our acknowledgements (MQTT 5 only).
    pub receive_maximum: u16,
    /// How long the broker keeps our session while we are away, s (MQTT 5 only).
    pub session_expiry_s: u32,
    /// The largest packet taken. MQTT 5 brokers drop longer ones; with 3.1.1 the connection fails
    /// and the next one takes them (see [`LinkError::needs_packet_bytes`]).
    pub max_packet_bytes: usize,
}

/// What came.
pub(super) enum Incoming {
    Connected {
        session_present: bool,
    },
    Message(Received),
    /// The broker's answer to the subscription: the filters that it refused.
    Subscribed {
        refused: Vec<usize>,
    },
    /// Something that the session need not know.
    Other,
}

/// A message as it came.
pub(super) struct Received {
    pub topic: String,
    pub payload: Vec<u8>,
    pub content_type: Option<String>,
    pub retained: bool,
    /// The broker sent it before and does not know whether it arrived.
    pub is_again: bool,
    /// What to acknowledge; `None`: QoS 0.
    pub packet: Option<u16>,
}

/// Why a connection ended.
#[derive(Debug)]
pub(super) struct LinkError {
    /// A sentence for the keeper.
    pub reason: String,
    /// Whether the broker does not speak this version.
    pub is_wrong_version: Guess,
    /// The connection broke at a packet of this size, which is over our limit.
    pub needs_packet_bytes: Option<usize>,
}

/// An older broker does not always say that it does not know a version: some just close.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Guess {
    No,
    Perhaps,
    Yes,
}

/// The half that sends; requests are queued and written while the other half is polled.
pub(super) enum Sender {
    V3(rumqttc::AsyncClient),
    V5(v5::AsyncClient),
}

/// The half that is polled.
pub(super) enum Poller {
    V3(Box<rumqttc::EventLoop>),
    V5(Box<v5::EventLoop>),
}

/// A connection to be; the first poll makes it.
pub(super) fn open(options: &LinkOptions, version: Version) -> (Sender, Poller) {
    match version {
        Version::V3 => {
            let (client, event_loop) = rumqttc::AsyncClient::new(options.v3(), REQUESTS);
            (Sender::V3(client), Poller::V3(Box::new(event_loop)))
        }
        Version::V5 => {
            let (client, event_loop) = v5::AsyncClient::new(options.v5(), REQUESTS);
            (Sender::V5(client), Poller::V5(Box::new(event_loop)))
        }
    }
}

impl LinkOptions {
    fn v3(&self) -> rumqttc::MqttOptions {
        let mut options =
            rumqttc::MqttOptions::new(&self.client_id, &self.broker.host, self.broker.port);
        options
            .set_keep_alive(KEEP_ALIVE)
            .set_clean_session(false)
            .set_manual_acks(true)
            .set_max_packet_size(self.max_packet_bytes, self.max_packet_bytes);
        if let Some(user) = &self.broker.user {
            options.set_credentials(user, self.password.clone().unwrap_or_default());
        }
        if let Some(transport) = self.transport() {
            options.set_transport(transport);
        }
        options
    }

    fn v5(&self) -> v5::MqttOptions {
        let mut options =
            v5::MqttOptions::new(&self.client_id, &self.broker.host, self.broker.port);
        options
            .set_keep_alive(KEEP_ALIVE)
            .set_clean_start(false)
            .set_session_expiry_interval(Some(self.session_expiry_s))
            .set_receive_maximum(Some(self.receive_maximum))
            .set_outgoing_inflight_upper_limit(OUTGOING)
            .set_max_packet_size(Some(
                u32::try_from(self.max_packet_bytes).unwrap_or(u32::MAX),
            ))
            .set_manual_acks(true);
        if let Some(user) = &self.broker.user {
            options.set_credentials(user, self.password.clone().unwrap_or_default());
        }
        if let Some(transport) = self.transport() {
            options.set_transport(transport);
        }
        options
    }

    fn transport(&self) -> Option<Transport> {
        let tls = self.tls.clone()?;
        Some(Transport::tls_with_config(TlsConfiguration::Rustls(tls)))
    }
}

impl Sender {
    /// Asks for the filters at QoS 1. `false`: the queue is full.
    pub fn subscribe(&self, filters: &[String]) -> bool {
        match self {
            Self::V3(client) => client
                .try_subscribe_many(
                    filters
                        .iter()
                        .map(|path| rumqttc::SubscribeFilter::new(path.clone(), QoS::AtLeastOnce)),
                )
                .is_ok(),
            Self::V5(client) => client
                .try_subscribe_many(filters.iter().map(|path| packets_v5::Filter {
                    // Retained messages come once, not after every reconnect.
                    retain_forward_rule: packets_v5::RetainForwardRule::OnNewSubscribe,
                    ..packets_v5::Filter::new(path.clone(), v5::mqttbytes::QoS::AtLeastOnce)
                }))
                .is_ok(),
        }
    }

    /// Acknowledges a packet. `false`: the queue is full; try again after the next poll.
    pub fn acknowledge(&self, packet: u16) -> bool {
        match self {
            Self::V3(client) => {
                let mut publish = rumqttc::Publish::new("", QoS::AtLeastOnce, Vec::new());
                publish.pkid = packet;
                client.try_ack(&publish).is_ok()
            }
            Self::V5(client) => {
                let qos = v5::mqttbytes::QoS::AtLeastOnce;
                let mut publish = packets_v5::Publish::new("", qos, Vec::new(), None);
                publish.pkid = packet;
                client.try_ack(&publish).is_ok()
            }
        }
    }

    /// Ends the connection in good order, after what was handed over before. `false`: the queue is full.
    pub fn say_goodbye(&self) -> bool {
        match self {
            Self::V3(client) => client.try_disconnect().is_ok(),
            Self::V5(client) => client.try_disconnect().is_ok(),
        }
    }
}

impl Poller {
    /// What comes next. Must not be dropped half-way: a request may be between queue and socket.
    pub async fn next(&mut self) -> Result<Incoming, LinkError> {
        match self {
            Self::V3(event_loop) => event_loop.poll().await.map(from_v3).map_err(error_v3),
            Self::V5(event_loop) => event_loop.poll().await.map(from_v5).map_err(error_v5),
        }
    }
}

fn from_v3(event: rumqttc::Event) -> Incoming {
    use rumqttc::{Event, Packet, SubscribeReasonCode};
    match event {
        Event::Incoming(Packet::ConnAck(ack)) => Incoming::Connected {
            session_present: ack.session_present,
        },
        Event::Incoming(Packet::Publish(publish)) => Incoming::Message(Received {
            packet: (publish.qos != QoS::AtMostOnce).then_some(publish.pkid),
            topic: publish.topic,
            payload: publish.payload.into(),
            content_type: None,
            retained: publish.retain,
            is_again: publish.dup,
        }),
        Event::Incoming(Packet::SubAck(ack)) => Incoming::Subscribed {
            refused: refused(&ack.return_codes, |code| {
                matches!(code, SubscribeReasonCode::Success(_))
            }),
        },
        _ => Incoming::Other,
    }
}

fn from_v5(event: v5::Event) -> Incoming {
    use packets_v5::{Packet, SubscribeReasonCode};
    match event {
        v5::Event::Incoming(Packet::ConnAck(ack)) => Incoming::Connected {
            session_present: ack.session_present,
        },
        v5::Event::Incoming(Packet::Publish(publish)) => Incoming::Message(Received {
            packet: (publish.qos != v5::mqttbytes::QoS::AtMostOnce).then_some(publish.pkid),
            topic: String::from_utf8_lossy(&publish.topic).into_owned(),
            payload: publish.payload.into(),
            content_type: publish.properties.and_then(|p| p.content_type),
            retained: publish.retain,
            is_again: publish.dup,
        }),
        v5::Event::Incoming(Packet::SubAck(ack)) => Incoming::Subscribed {
            refused: refused(&ack.return_codes, |code| {
                matches!(code, SubscribeReasonCode::Success(_))
            }),
        },
        _ => Incoming::Other,
    }
}

fn refused<C>(codes: &[C], is_good: impl Fn(&C) -> bool) -> Vec<usize> {
    codes
        .iter()
        .enumerate()
        .filter(|(_, code)| !is_good(code))
        .map(|(index, _)| index)
        .collect()
}
