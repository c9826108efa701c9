//! Readings and fills from files. A file of any size is read in one pass with bounded memory; what
//! cannot be read goes into the quarantine under the file's name and line, and importing the same
//! file again changes nothing.

mod fills;
mod line;
mod readings;
mod source;

pub(crate) use line::{LINE_CONTENT_TYPE, Line, Taken, read_line};

use crate::decode::FaultClass;
use larder_domain::Timestamp;
use larder_store::{Appended, Records, Refused, StoreError};
use line::LineFault;
use source::{Lines, RawLine};
use std::collections::BTreeMap;
use std::io::Read;

pub use fills::import_fills;
pub use readings::import_readings;

/// What an import did. Every line is counted in exactly one of the four.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Imported {
    /// Lines after the header, empty ones apart.
    pub lines: u64,
    /// Not known before.
    pub new: u64,
    /// Known with another value; the new one stands now.
    pub replaced: u64,
    /// Known already.
    pub repeated: u64,
    /// Gone into the quarantine.
    pub refused: u64,
    /// Why, and how many of each. The exact words are in the quarantine.
    pub reasons: BTreeMap<&'static str, u64>,
    /// Fills only: feeders that nobody has declared (the first few). Their fills are kept.
    pub unknown_feeders: Vec<String>,
}

/// Why an import ended early. What was taken in until then stays; importing again goes on.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// The first line is another one.
    #[error("the first line of {name} must be {expected}, not \"{found}\"")]
    Header {
        /// The file.
        name: String,
        /// What the first line must be.
        expected: &'static str,
        /// What it is.
        found: String,
    },
    /// The file cannot be read to its end.
    #[error("{name} cannot be read after line {line}")]
    Read {
        /// The file.
        name: String,
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

/// Readings written at a time.
const BATCH: usize = 10_000;
/// Refused lines written at a time.
const REFUSED_BATCH: usize = 500;

/// What lines came to, on its way to the store.
struct Importer<'a, T> {
    name: &'a str,
    records: &'a dyn Records,
    now: Timestamp,
    batch: Vec<T>,
    refused: Vec<Refused>,
    done: Imported,
}

impl<'a, T> Importer<'a, T> {
    fn new(name: &'a str, records: &'a dyn Records, now: Timestamp) -> Self {
        Self {
            name,
            records,
            now,
            batch: Vec::new(),
            refused: Vec::new(),
            done: Imported::default(),
        }
    }

    /// Reads all lines after the header; `take` makes sense of one, `write` writes a batch.
    fn run(
        mut self,
        stream: impl Read,
        header: &'static str,
        take: impl Fn(Line) -> Option<T>,
        mut write: impl FnMut(&[T]) -> Result<Appended, StoreError>,
        mut progress: impl FnMut(u64),
    ) -> Result<Imported, ImportError> {
        let mut lines = Lines::new(stream);
        let name = self.name.to_owned();
        let broken = |source, line| ImportError::Read {
            name: name.clone(),
            line,
            source,
        };
        let first = lines.next().map_err(|e| broken(e, 0))?;
        check_header(self.name, header, first.as_ref())?;
        loop {
            let number = lines.number();
            let Some(raw) = lines.next().map_err(|e| broken(e, number))? else {
                break;
            };
            if raw.bytes.is_empty() && !raw.is_cut {
                continue;
            }
            self.done.lines += 1;
            match parse(&raw, header, self.now).map(&take) {
                Ok(Some(item)) => self.batch.push(item),
                Ok(None) => {}
                Err(fault) => self.refuse(&raw, fault),
            }
            if self.batch.len() >= BATCH {
                self.flush(&mut write)?;
                progress(self.done.lines);
            }
            if self.refused.len() >= REFUSED_BATCH {
                self.flush_refused()?;
            }
        }
        self.flush(&mut write)?;
        self.flush_refused()?;
        progress(self.done.lines);
        Ok(self.done)
    }

    fn refuse(&mut self, raw: &RawLine, fault: LineFault) {
        self.done.refused += 1;
        *self.done.reasons.entry(words(fault.class)).or_default() += 1;
        let (impossible, measured_at) = fault.impossible.unzip();
        self.refused.push(Refused {
            received_at: self.now,
            topic: format!("{}:{}", self.name, raw.number),
            bytes: raw.bytes.clone(),
            content_type: Some(LINE_CONTENT_TYPE.into()),
            retained: false,
            reason: fault.reason,
            record: None,
            impossible,
            measured_at,
        });
    }

    fn flush(
        &mut self,
        write: &mut impl FnMut(&[T]) -> Result<Appended, StoreError>,
    ) -> Result<(), StoreError> {
        if !self.batch.is_empty() {
            let appended = write(&self.batch)?;
            self.done.new += appended.new;
            self.done.replaced += appended.replaced;
            self.done.repeated += appended.repeated;
            self.batch.clear();
        }
        Ok(())
    }

    fn flush_refused(&mut self) -> Result<(), StoreError> {
        if !self.refused.is_empty() {
            self.records.quarantine_durable(&self.refused)?;
            self.refused.clear();
        }
        Ok(())
    }
}

fn parse(raw: &RawLine, header: &'static str, now: Timestamp) -> Result<Line, LineFault> {
    if raw.is_cut {
        return Err(LineFault::new(
            FaultClass::Oversized,
            "the line is longer than 64 KiB".into(),
        ));
    }
    read_line(&raw.bytes, header.split(',').count(), now)
}

fn check_header(
    name: &str,
    expected: &'static str,
    first: Option<&RawLine>,
) -> Result<(), ImportError> {
    let found = first.map_or(String::new(), |raw| {
        String::from_utf8_lossy(&raw.bytes).into_owned()
    });
    let found = found.trim_start_matches('\u{feff}').trim();
    let is_header = found
        .split(',')
        .map(|field| field.trim().trim_matches('"'))
        .eq(expected.split(','));
    if is_header {
        return Ok(());
    }
    Err(ImportError::Header {
        name: name.to_owned(),
        expected,
        found: found.chars().take(80).collect(),
    })
}

/// The kinds of fault in words that do not name the value.
fn words(class: FaultClass) -> &'static str {
    match class {
        FaultClass::Unreadable => "the line does not have the columns of the header",
        FaultClass::Oversized => "the line is longer than 64 KiB",
        FaultClass::Name => "a device, channel or feeder whose name is not well formed",
        FaultClass::Number => "a value that is not a number",
        FaultClass::Unit => "a unit that does not measure what the channel does",
        FaultClass::Impossible => "a value that is physically impossible",
        FaultClass::Time => "a time that cannot be",
        FaultClass::Retained => "a time is missing",
    }
}

#[cfg(test)]
mod tests;
