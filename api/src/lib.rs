//! The HTTP API: JSON, live events, metrics and the pages. This crate stands apart so that the
//! whole router can be had without a socket, over whatever store the binary picked.
//!
//! ```
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let description: serde_json::Value = serde_json::from_str(larder_api::openapi_json())?;
//! assert_eq!(description["openapi"], "3.1.0");
//! let events = &description["paths"]["/api/v1/events"]["get"];
//! assert_eq!(events["tags"][0], "events");
//! # Ok(())
//! # }
//! ```
//!
//! How the router is had without a socket is shown in `examples/ask.rs`.

mod service;

pub mod people;
mod problem;
mod span;
mod wire;
mod wire_flag;
mod words;

mod declare;
mod devices;
mod events;
mod feeders;
mod fills;
mod flags;
mod guests;
mod health;
mod hives;
mod learned;
pub mod mix;
mod quarantine;
mod readings;
mod removal;
mod settings;
mod shelf;

mod pages;

mod describe;
mod router;
mod server;

pub use guests::Guests;
pub use problem::Problem;
pub use router::{openapi_json, router};
pub use server::serve;
pub use service::{
    FlagNews, Host, Live, News, Processing, ReplayOutcome, Service, ServiceState, YardFailure,
};
