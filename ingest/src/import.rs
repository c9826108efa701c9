//! Readings and fills from files. Both stream: memory does not grow with the file. Importing twice
//! changes nothing. What can't be read goes into the quarantine with the file's name and line.

mod fills;
mod lines;
mod readings;

pub use fills::import_fills;
pub use readings::import_readings;

use larder_domain::Timestamp;
use larder_store::{Records, Refused, StoreError};
use std::collections::BTreeMap;

/// What an import did.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Imported {
    /// Lines after the header, empty ones left out.
    pub lines: u64,
    /// Identities not seen before.
    pub new: u64,
    /// Identities whose value was another one.
    pub replaced: u64,
    /// Identities that were there with the same value.
    pub repeated: u64,
    /// Lines that went into the quarantine.
    pub refused: u64,
    /// Why, the part of each reason that does not change from line to line, and how often.
    pub reasons: BTreeMap<String, u64>,
}

/// Why an import stopped. What came before stands; importing again repeats nothing.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// The first line is not the header.
    #[error("{file}: the first line must be {expected}, not \"{found}\"")]
    Header {
        /// The file's name.
        file: String,
        /// What it must be.
        expected: &'static str,
        /// What it is.
        found: String,
    },
    /// The file can't be read to its end.
    #[error("{file}: reading stopped after line {line}; what came before is imported")]
    Read {
        /// The file's name.
        file: String,
        /// The last line that was read.
        line: u64,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Refused lines that are put away together.
const REFUSALS: usize = 500;

/// Different reasons told apart in a summary; further ones are counted together.
const MOST_REASONS: usize = 50;

/// Collects refused lines and puts them into the quarantine.
struct Refusals<'a> {
    records: &'a dyn Records,
    file: &'a str,
    now: Timestamp,
    waiting: Vec<Refused>,
}

impl<'a> Refusals<'a> {
    fn new(records: &'a dyn Records, file: &'a str, now: Timestamp) -> Self {
        Self {
            records,
            file,
            now,
            waiting: Vec::new(),
        }
    }

    fn refuse(
        &mut self,
        line: &lines::Line<'_>,
        reason: String,
        done: &mut Imported,
    ) -> Result<(), StoreError> {
        done.refused += 1;
        let kind = reason
            .split(['"', ':'])
            .next()
            .unwrap_or_default()
            .trim()
            .to_owned();
        let kind = if done.reasons.len() < MOST_REASONS || done.reasons.contains_key(&kind) {
            kind
        } else {
            "other reasons".to_owned()
        };
        *done.reasons.entry(kind).or_default() += 1;
        self.waiting.push(Refused {
            received_at: self.now,
            topic: format!("{}:{}", self.file, line.number),
            bytes: line.bytes.to_vec(),
            content_type: Some("text/csv".to_owned()),
            retained: false,
            reason,
            record: None,
            impossible: None,
            measured_at: None,
        });
        if self.waiting.len() >= REFUSALS {
            self.put_away()
        } else {
            Ok(())
        }
    }

    fn put_away(&mut self) -> Result<(), StoreError> {
        if !self.waiting.is_empty() {
            self.records.quarantine_durable(&self.waiting)?;
            self.waiting.clear();
        }
        Ok(())
    }
}
