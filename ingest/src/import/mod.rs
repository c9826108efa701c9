//! Readings and fills from files. A file of any size is read in one pass with bounded memory; what
//! cannot be read goes into the quarantine under the file's name and line, and importing the same
//! file again changes nothing.

mod fills;
mod line;
mod readings;
mod source;
mod weather;

pub(crate) use line::{LINE_CONTENT_TYPE, Line, Taken, read_line};

use crate::decode::DecodeErrorClass;
use larder_domain::Timestamp;
use larder_store::{Appended, Records, Refused, StoreError};
use line::LineFault;
use source::{Lines, RawLine};
use std::collections::BTreeMap;
use std::io::Read;

pub use fills::import_fills;
pub use readings::import_readings;
pub use weather::{WeatherStation, import_weather};

/// What an import did.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Imported {
    /// Lines after the header, empty ones apart.
    pub lines: u64,
    /// Readings or fills that were not known before.
    pub new: u64,
    /// Known with another value; the new one stands now.
    pub replaced: u64,
    /// Known already.
    pub repeated: u64,
    /// Lines gone into the quarantine.
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

/// A kind of file.
trait Format {
    type Item;

    /// Looks at the first line: whether it is a header, without data of its own. `Err`: what the
    /// first line of such a file must be.
    fn is_header(&mut self, first: &str) -> Result<bool, &'static str>;

    /// What a line says.
    fn read(&mut self, line: &[u8], items: &mut Vec<Self::Item>) -> Result<(), LineFault>;

    /// Keeps a batch, on disk when it returns.
    fn write(&mut self, items: &[Self::Item]) -> Result<Appended, StoreError>;
}

/// What lines came to, on its way to the store.
struct Importer<'a, F: Format> {
    format: F,
    name: &'a str,
    records: &'a dyn Records,
    now: Timestamp,
    batch: Vec<F::Item>,
    refused: Vec<Refused>,
    done: Imported,
}

impl<'a, F: Format> Importer<'a, F> {
    fn new(format: F, name: &'a str, records: &'a dyn Records, now: Timestamp) -> Self {
        Self {
            format,
            name,
            records,
            now,
            batch: Vec::new(),
            refused: Vec::new(),
            done: Imported::default(),
        }
    }

    fn run(
        mut self,
        stream: impl Read,
        mut progress: impl FnMut(u64),
    ) -> Result<Imported, ImportError> {
        let mut lines = Lines::new(stream);
        while let Some(raw) = self.next(&mut lines)? {
            let is_header = raw.number == 1 && self.is_header(&raw)?;
            if is_header || raw.bytes.iter().all(u8::is_ascii_whitespace) {
                continue;
            }
            self.done.lines += 1;
            if let Err(fault) = self.read(&raw) {
                self.refuse(&raw, fault);
            }
            if self.batch.len() >= BATCH {
                self.flush()?;
                progress(self.done.lines);
            }
            if self.refused.len() >= REFUSED_BATCH {
                self.flush_refused()?;
            }
        }
        if lines.number() == 0 {
            self.is_header(&RawLine::default())?;
        }
        self.flush()?;
        self.flush_refused()?;
        progress(self.done.lines);
        Ok(self.done)
    }

    fn next<R: Read>(&self, lines: &mut Lines<R>) -> Result<Option<RawLine>, ImportError> {
        let line = lines.number();
        lines.next().map_err(|source| ImportError::Read {
            name: self.name.to_owned(),
            line,
            source,
        })
    }

    fn is_header(&mut self, raw: &RawLine) -> Result<bool, ImportError> {
        let found = String::from_utf8_lossy(&raw.bytes);
        let found = found.trim_start_matches('\u{feff}').trim();
        self.format
            .is_header(found)
            .map_err(|expected| ImportError::Header {
                name: self.name.to_owned(),
                expected,
                found: found.chars().take(80).collect(),
            })
    }

    fn read(&mut self, raw: &RawLine) -> Result<(), LineFault> {
        if raw.is_cut {
            return Err(LineFault::new(
                DecodeErrorClass::Oversized,
                "the line is longer than 64 KiB".into(),
            ));
        }
        self.format.read(&raw.bytes, &mut self.batch)
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
            measured_at: measured_at.or(fault.ahead),
        });
    }

    fn flush(&mut self) -> Result<(), StoreError> {
        if !self.batch.is_empty() {
            let appended = self.format.write(&self.batch)?;
            self.done.new += appended.new;
            self.done.replaced += appended.replaced;
            self.done.repeated += appended.repeated;
            self.batch.clear();
            for refused in appended.refused {
                self.done.refused += 1;
                let words = "the store does not take it in";
                *self.done.reasons.entry(words).or_default() += 1;
                self.refused.push(Refused {
                    topic: self.name.to_owned(),
                    ..refused.into_refused(self.now)
                });
            }
            if self.refused.len() >= REFUSED_BATCH {
                self.flush_refused()?;
            }
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

/// Whether `first` has these columns; spaces and quotes around their names do not matter.
fn has_columns(first: &str, columns: &str) -> bool {
    first
        .split(',')
        .map(|field| field.trim().trim_matches('"'))
        .eq(columns.split(','))
}

/// The kinds of fault in words that do not name the value.
fn words(class: DecodeErrorClass) -> &'static str {
    match class {
        DecodeErrorClass::Unreadable => "the line does not have the columns of the header",
        DecodeErrorClass::Oversized => "the line is longer than 64 KiB",
        DecodeErrorClass::Name => "a device, channel or feeder whose name is not well formed",
        DecodeErrorClass::Number => "a value that is not a number",
        DecodeErrorClass::Unit => "a unit that does not measure what the channel does",
        DecodeErrorClass::Impossible => "a value that is physically impossible",
        DecodeErrorClass::Time => "a time that cannot be",
        DecodeErrorClass::Retained => "a time is missing",
    }
}

#[cfg(test)]
mod tests;
