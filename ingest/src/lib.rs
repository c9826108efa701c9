//! How readings come in: the MQTT session, the payload decoders, the checks, the quarantine and
//! the importers. This crate stands apart so that everything foreign (wire formats,
//! brokers, files) ends here and only checked values of the domain go on.
//!
//! ```
//! use larder_domain::Timestamp;
//! use larder_ingest::decode::{DecodeConfig, Message, decode};
//!
//! let now = Timestamp(1_788_233_405_000);
//! let message = Message {
//!     topic: "larder/sc-north-01/readings".into(),
//!     payload: br#"{"time": 1788233400, "weight_kg": 41.237, "humidity_pct": 400}"#.to_vec(),
//!     cut_from: None,
//!     content_type: None,
//!     retained: false,
//!     received_at: now,
//! };
//! let decoded = decode(&message, &DecodeConfig::default(), now);
//! assert_eq!(decoded.readings.len(), 1);
//! assert_eq!(decoded.readings[0].channel.as_str(), "weight");
//! assert!(decoded.refused[0].reason.contains("400 %RH is not possible"));
//! ```

pub mod decode;
pub mod session;

pub mod export;
pub mod import;
pub mod replay;

#[cfg(any(test, feature = "corpus"))]
pub mod corpus;
