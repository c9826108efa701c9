//! Where readings and everything else are kept. This crate stands apart so that the others speak
//! to traits in the domain's words and only the binary picks a backend.
//!
//! ```
//! use larder_domain::{ChannelKind, ChannelName, DeviceId, Reading, Span, Timestamp};
//! use larder_store::{Access, EmbeddedStore, Readings};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let folder = tempfile::tempdir()?;
//! let store = EmbeddedStore::open(folder.path(), Access::Create)?;
//! let weight = Reading {
//!     device: DeviceId::new("sc-north-01")?,
//!     channel: ChannelName::new("weight")?,
//!     unit: ChannelKind::Weight.unit(),
//!     time: Timestamp::parse_rfc3339("2026-09-01T04:00:00Z").ok_or("a moment")?,
//!     value: 41.237,
//! };
//! assert_eq!(store.append_durable(std::slice::from_ref(&weight))?.new, 1);
//! // A broker may deliver it again.
//! assert_eq!(store.append_durable(std::slice::from_ref(&weight))?.repeated, 1);
//! assert_eq!(store.range(&weight.series(), Span::ALWAYS)?.len(), 1);
//! # Ok(())
//! # }
//! ```

pub mod archive;
#[cfg(feature = "conformance")]
pub mod conformance;
mod contract;
mod embedded;
mod error;
pub mod influxdb2;
pub mod notices;

pub use contract::{
    Appended, Attribute, CLOCK_OFF, Change, DeviceHealth, LatestSample, MOST_ATTRIBUTE_BYTES,
    MOST_ATTRIBUTE_NAME_BYTES, MOST_ATTRIBUTES, MOST_CHANNELS, MOST_IMPOSSIBLE,
    MOST_IMPOSSIBLE_OF_ALL, MOST_QUARANTINED, MOST_QUARANTINED_BYTES,
    MOST_QUARANTINED_BYTES_OF_TOPIC, MOST_REMOVED, MOST_UNDECLARED_DEVICES, MOST_UNDECLARED_SERIES,
    QUARANTINE_PAGE_BYTES, Quarantined, QuarantinedId, READING_LINE, Readings, Receipt, Records,
    Refusal, Refused, RefusedReading, Removal, Removed, ResultsPatch, SeriesInfo, edit_apiary,
};
pub use embedded::readings::reduce::reduce;
pub use embedded::{Access, Damages, Desk, Durability, EmbeddedStore, Repaired};
pub use error::StoreError;
