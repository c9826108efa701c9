//! Lines of a CSV file, plain or gzipped, one at a time.

use super::ImportError;
use flate2::bufread::MultiGzDecoder;
use std::io::{BufRead, BufReader, Read};

/// The longest line that is read whole; the rest of a longer one is skipped and the line refused.
const LONGEST_LINE: usize = 64 * 1024;

/// Bytes read at a time.
const BUFFER: usize = 256 * 1024;

/// One line without its end.
pub(super) struct Line<'a> {
    /// Counted from 1, the header included.
    pub number: u64,
    /// The bytes; cut where the line is too long.
    pub bytes: &'a [u8],
    /// Longer than is read.
    pub too_long: bool,
}

/// A file's lines.
pub(super) struct Lines<'f> {
    file: &'f str,
    source: Box<dyn BufRead + 'f>,
    buffer: Vec<u8>,
    number: u64,
}

impl<'f> Lines<'f> {
    /// Opens a source, unpacks it if it is gzipped (by its first bytes), and checks the header.
    pub fn open(
        file: &'f str,
        source: impl Read + 'f,
        header: &'static str,
    ) -> Result<Self, ImportError> {
        let mut plain = BufReader::with_capacity(BUFFER, source);
        let start = plain.fill_buf().map_err(|source| ImportError::Read {
            file: file.to_owned(),
            line: 0,
            source,
        })?;
        let source: Box<dyn BufRead + 'f> = if start.starts_with(&[0x1f, 0x8b]) {
            Box::new(BufReader::with_capacity(BUFFER, MultiGzDecoder::new(plain)))
        } else {
            Box::new(plain)
        };
        let mut lines = Self {
            file,
            source,
            buffer: Vec::new(),
            number: 0,
        };
        let found = match lines.next()? {
            Some(line) => String::from_utf8_lossy(line.bytes)
                .trim_start_matches('\u{feff}')
                .trim()
                .to_owned(),
            None => String::new(),
        };
        let bare = |text: &str| text.replace([' ', '"'], "").to_ascii_lowercase();
        if bare(&found) != header {
            let found = found.chars().take(80).collect();
            return Err(ImportError::Header {
                file: file.to_owned(),
                expected: header,
                found,
            });
        }
        Ok(lines)
    }

    /// The next line that is not empty.
    pub fn next(&mut self) -> Result<Option<Line<'_>>, ImportError> {
        loop {
            self.buffer.clear();
            let mut limited = self.source.by_ref().take(LONGEST_LINE as u64 + 1);
            let read = limited
                .read_until(b'\n', &mut self.buffer)
                .map_err(|source| ImportError::Read {
                    file: self.file.to_owned(),
                    line: self.number,
                    source,
                })?;
            if read == 0 {
                return Ok(None);
            }
            self.number += 1;
            let too_long = read > LONGEST_LINE && !self.buffer.ends_with(b"\n");
            if too_long {
                self.skip_rest()?;
            }
            while matches!(self.buffer.last(), Some(b'\n' | b'\r')) {
                self.buffer.pop();
            }
            if !self.buffer.iter().all(u8::is_ascii_whitespace) {
                break Ok(Some(Line {
                    number: self.number,
                    bytes: &self.buffer,
                    too_long,
                }));
            }
        }
    }

    fn skip_rest(&mut self) -> Result<(), ImportError> {
        loop {
            let read = self.source.fill_buf().map_err(|source| ImportError::Read {
                file: self.file.to_owned(),
                line: self.number,
                source,
            })?;
            let end = read.iter().position(|&b| b == b'\n');
            let length = end.map_or(read.len(), |at| at + 1);
            self.source.consume(length);
            if end.is_some() || length == 0 {
                return Ok(());
            }
        }
    }
}

/// The fields of a line, without quotes and surrounding blanks; `None`: another number of them, or
/// not UTF-8.
pub(super) fn fields<'a, const N: usize>(line: &'a Line<'_>) -> Option<[&'a str; N]> {
    let text = std::str::from_utf8(line.bytes).ok()?;
    let mut fields = [""; N];
    let mut parts = text.split(',');
    for field in &mut fields {
        let part = parts.next()?.trim();
        *field = part
            .strip_prefix('"')
            .and_then(|p| p.strip_suffix('"'))
            .unwrap_or(part);
    }
    parts.next().is_none().then_some(fields)
}
