//! How readings come in: the MQTT session, the payload decoders, the checks, the quarantine and
//! the importers. This crate stands apart so that everything foreign (wire formats,
//! brokers, files) ends here and only checked values of the domain go on.

pub mod decode;
pub mod session;

pub mod export;
pub mod import;
pub mod replay;

#[cfg(any(test, feature = "corpus"))]
pub mod corpus;
