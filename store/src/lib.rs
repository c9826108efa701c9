//! Where readings and everything else are kept. This crate stands apart so that the others speak
//! to traits in the domain's words and only the binary picks a backend.

pub mod archive;
#[cfg(feature = "conformance")]
pub mod conformance;
mod contract;
mod embedded;
mod error;
pub mod influxdb2;
pub mod notices;

pub use contract::{
    Appended, Attribute, Change, DeviceHealth, LatestSample, Quarantined, QuarantinedId,
    READING_LINE, Readings, Records, Refused, ResultsPatch, SeriesInfo,
};
pub use embedded::readings::reduce::reduce;
pub use embedded::{Access, Damages, Desk, Durability, EmbeddedStore, Repaired};
pub use error::StoreError;
