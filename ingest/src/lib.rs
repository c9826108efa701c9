//! ingest
