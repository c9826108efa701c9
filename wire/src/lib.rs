//! The apiary as it is written down: one set of types for the apiary file (TOML, `larder apply` and
//! `larder export`) and for the HTTP API (JSON), with the way to the domain and back, and every
//! mistake found. The API's description takes its schemas from here.

pub mod apiary;
