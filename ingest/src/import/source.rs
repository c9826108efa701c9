//! Lines of a file, plain or gzipped, none of them longer than memory allows.

use flate2::bufread::MultiGzDecoder;
use std::io::{self, BufRead, BufReader, Read};

/// The longest line kept; of longer ones this much is.
const LONGEST: usize = 64 * 1024;
const BUFFER: usize = 256 * 1024;
const GZIP: [u8; 2] = [0x1f, 0x8b];

/// A line without its end.
#[derive(Default)]
pub(super) struct RawLine {
    /// Counted from 1, the header included.
    pub number: u64,
    pub bytes: Vec<u8>,
    /// Whether the line was longer than [`LONGEST`].
    pub is_cut: bool,
}

/// Told apart by its first two bytes, not by its name. A stream whose first bytes cannot be read
/// fails with its first line.
enum Stream<R: Read> {
    NotYet(Option<BufReader<R>>),
    Plain(BufReader<R>),
    Gzipped(Box<BufReader<MultiGzDecoder<BufReader<R>>>>),
}

pub(super) struct Lines<R: Read> {
    stream: Stream<R>,
    number: u64,
}

impl<R: Read> Lines<R> {
    pub fn new(stream: R) -> Self {
        Self {
            stream: Stream::NotYet(Some(BufReader::with_capacity(BUFFER, stream))),
            number: 0,
        }
    }

    /// The number of the last line read.
    pub fn number(&self) -> u64 {
        self.number
    }

    /// `None`: the end.
    pub fn next(&mut self) -> io::Result<Option<RawLine>> {
        let reader = self.stream.open()?;
        let mut bytes = Vec::new();
        let read = reader
            .take(LONGEST as u64 + 1)
            .read_until(b'\n', &mut bytes)?;
        if read == 0 {
            return Ok(None);
        }
        self.number += 1;
        let is_cut = bytes.len() > LONGEST && bytes.last() != Some(&b'\n');
        if is_cut {
            bytes.truncate(LONGEST);
            skip_line(reader)?;
        }
        while let Some(b'\n' | b'\r') = bytes.last() {
            bytes.pop();
        }
        Ok(Some(RawLine {
            number: self.number,
            bytes,
            is_cut,
        }))
    }
}

impl<R: Read> Stream<R> {
    fn open(&mut self) -> io::Result<&mut dyn BufRead> {
        if let Self::NotYet(reader) = self
            && let Some(mut reader) = reader.take()
        {
            *self = if starts_with_gzip(&mut reader)? {
                let decoder = MultiGzDecoder::new(reader);
                Self::Gzipped(Box::new(BufReader::with_capacity(BUFFER, decoder)))
            } else {
                Self::Plain(reader)
            };
        }
        match self {
            Self::Plain(reader) => Ok(reader),
            Self::Gzipped(reader) => Ok(reader),
            Self::NotYet(_) => Err(io::Error::other("the file could not be opened")),
        }
    }
}

/// Looks without taking. A pipe may hand out one byte at first; one that is 0x1f can start no CSV.
fn starts_with_gzip(reader: &mut impl BufRead) -> io::Result<bool> {
    let start = reader.fill_buf()?;
    Ok(match start {
        [] => false,
        [only] => *only == GZIP[0],
        _ => start.starts_with(&GZIP),
    })
}

fn skip_line(reader: &mut dyn BufRead) -> io::Result<()> {
    loop {
        let buffer = reader.fill_buf()?;
        if buffer.is_empty() {
            return Ok(());
        }
        match buffer.iter().position(|byte| *byte == b'\n') {
            Some(end) => {
                reader.consume(end + 1);
                return Ok(());
            }
            None => {
                let all = buffer.len();
                reader.consume(all);
            }
        }
    }
}
