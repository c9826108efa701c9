//! Why a connection ended, in words for the keeper.

use super::{Guess, LinkError};
use rumqttc::v5;
use rumqttc::v5::mqttbytes::v5 as packets_v5;

/// The largest remaining length of an MQTT packet (section 2.2.3 of 3.1.1, 1.5.5 of 5.0).
const PROTOCOL_MAX_BYTES: usize = 268_435_455;

fn lost(reason: impl Into<String>) -> LinkError {
    LinkError {
        reason: reason.into(),
        is_wrong_version: Guess::No,
        needs_packet_bytes: None,
    }
}

fn wrong_version(reason: impl Into<String>) -> LinkError {
    LinkError {
        is_wrong_version: Guess::Yes,
        ..lost(reason)
    }
}

fn perhaps_wrong_version(reason: impl Into<String>) -> LinkError {
    LinkError {
        is_wrong_version: Guess::Perhaps,
        ..lost(reason)
    }
}

fn too_long(bytes: usize) -> LinkError {
    LinkError {
        needs_packet_bytes: Some(bytes.min(PROTOCOL_MAX_BYTES)),
        ..lost(format!("a message of {bytes} bytes is over the limit"))
    }
}

const BAD_LOGIN: &str = "the broker refuses the user or password";
const NO_VERSION: &str = "the broker does not speak this version of MQTT";

pub(super) fn error_v3(error: rumqttc::ConnectionError) -> LinkError {
    use rumqttc::{ConnectReturnCode, ConnectionError, StateError};
    match error {
        ConnectionError::ConnectionRefused(code) => match code {
            ConnectReturnCode::RefusedProtocolVersion => wrong_version(NO_VERSION),
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => {
                lost(BAD_LOGIN)
            }
            other => lost(format!("the broker refuses the connection ({other:?})")),
        },
        ConnectionError::MqttState(StateError::Deserialization(
            rumqttc::mqttbytes::Error::PayloadSizeLimitExceeded(bytes),
        )) => too_long(bytes),
        ConnectionError::MqttState(StateError::Io(error)) | ConnectionError::Io(error) => {
            io(&error)
        }
        ConnectionError::Tls(error) => tls(&error),
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => silent(),
        ConnectionError::MqttState(StateError::ConnectionAborted) => closed(),
        other => lost(format!("the connection broke: {other}")),
    }
}

pub(super) fn error_v5(error: v5::ConnectionError) -> LinkError {
    use packets_v5::ConnectReturnCode as Code;
    use v5::{ConnectionError, StateError, mqttbytes::Error};
    match error {
        ConnectionError::ConnectionRefused(code)
        | ConnectionError::MqttState(StateError::ConnFail { reason: code }) => match code {
            Code::RefusedProtocolVersion | Code::UnsupportedProtocolVersion => {
                wrong_version(NO_VERSION)
            }
            Code::BadUserNamePassword | Code::NotAuthorized => lost(BAD_LOGIN),
            other => lost(format!("the broker refuses the connection ({other:?})")),
        },
        // A broker that only knows 3.1.1 answers in 3.1.1, which is malformed in 5.
        ConnectionError::MqttState(StateError::Deserialization(
            Error::InvalidConnectReturnCode(_) | Error::BoundaryCrossed(_) | Error::MalformedPacket,
        )) => wrong_version(NO_VERSION),
        ConnectionError::MqttState(StateError::Deserialization(
            Error::PayloadSizeLimitExceeded { pkt_size, .. },
        )) => too_long(pkt_size),
        ConnectionError::MqttState(StateError::IncomingPacketTooLarge { pkt_size, .. }) => {
            too_long(pkt_size)
        }
        ConnectionError::MqttState(StateError::ServerDisconnect {
            reason_code: packets_v5::DisconnectReasonCode::SessionTakenOver,
            ..
        }) => lost("another client uses our client id: give each its own"),
        ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, .. }) => {
            lost(format!("the broker ended the connection ({reason_code:?})"))
        }
        ConnectionError::MqttState(StateError::Io(error)) | ConnectionError::Io(error) => {
            io(&error)
        }
        ConnectionError::Tls(error) => tls(&error),
        ConnectionError::Timeout(_) => silent(),
        ConnectionError::MqttState(StateError::ConnectionAborted) => closed(),
        other => lost(format!("the connection broke: {other}")),
    }
}

fn io(error: &std::io::Error) -> LinkError {
    use std::io::ErrorKind;
    match error.kind() {
        ErrorKind::ConnectionRefused => lost("nothing listens there"),
        // "Other" is a connection that ends within a packet.
        ErrorKind::ConnectionReset
        | ErrorKind::UnexpectedEof
        | ErrorKind::BrokenPipe
        | ErrorKind::Other => closed(),
        _ => lost(error.to_string()),
    }
}

fn tls(error: &rumqttc::TlsError) -> LinkError {
    match error {
        // A TLS alert arrives as an I/O error.
        rumqttc::TlsError::Io(error) => lost(format!("TLS failed: {error}")),
        other => lost(format!("TLS failed: {other}")),
    }
}

fn closed() -> LinkError {
    perhaps_wrong_version("the broker closed the connection")
}

fn silent() -> LinkError {
    perhaps_wrong_version("the broker does not answer")
}
