//! Readings out of a write-ahead log behind damage that cannot be set right.
//!
//! A page there may rest on the damaged one, so the pages as a whole are no database. But a row of the
//! log of readings is written once and never changed, carries a checksum of its own that covers its
//! number, and was acknowledged when its transaction was committed: whatever version of its page it is
//! found in, it is right to append it. The same holds for a row of `series`. Nothing else is taken.
//!
//! Pages are read as sqlite.org/fileformat2.html, sections 1.6 and 2.1, describes table leaves and
//! records.

use super::seal::{self, Cell};
use std::collections::{BTreeMap, HashMap};

/// What was found.
#[derive(Default)]
pub(super) struct Found {
    /// Rows of `series` by their number, with their checksum behind.
    pub(super) series: BTreeMap<i64, Vec<Cell>>,
    /// Rows of the log that may be: whoever takes them compares their checksum.
    pub(super) log: BTreeMap<i64, Vec<u8>>,
}

const TABLE_LEAF: u8 = 0x0d;

/// Looks through transactions that verify, in their order: each page with its number.
pub(super) fn look_through<'a>(transactions: impl Iterator<Item = Vec<(u32, &'a [u8])>>) -> Found {
    let mut found = Found::default();
    let mut newest: HashMap<u32, &[u8]> = HashMap::new();
    for pages in transactions {
        newest.extend(pages.iter().copied());
        for (_, page) in pages {
            for (row, payload) in rows(page, &newest) {
                take(&mut found, row, &payload);
            }
        }
    }
    found
}

fn take(found: &mut Found, row: i64, payload: &[u8]) {
    let Some(mut cells) = record(payload) else {
        return;
    };
    match &cells[..] {
        [Cell::Null, Cell::Blob(readings)] => {
            found.log.insert(row, readings.clone());
        }
        [Cell::Null, Cell::Text(_), Cell::Text(_), Cell::Text(_), ..] => {
            cells[0] = Cell::Integer(row);
            if seal::is_sound(&cells, "series") {
                found.series.insert(row, cells);
            }
        }
        _ => {}
    }
}

/// The rows of a table's leaf, as far as they read.
fn rows(page: &[u8], pages: &HashMap<u32, &[u8]>) -> Vec<(i64, Vec<u8>)> {
    if page.first() != Some(&TABLE_LEAF) {
        return Vec::new();
    }
    let n = usize::from(u16_at(page, 3).unwrap_or(0));
    let cells = (0..n).filter_map(|i| cell(page, usize::from(u16_at(page, 8 + 2 * i)?), pages));
    cells.collect()
}

fn cell(page: &[u8], at: usize, pages: &HashMap<u32, &[u8]>) -> Option<(i64, Vec<u8>)> {
    let mut rest = page.get(at..)?;
    let length = usize::try_from(varint(&mut rest)?).ok()?;
    let row = varint(&mut rest)?.cast_signed();
    let usable = page.len();
    if length <= usable - 35 {
        return Some((row, rest.get(..length)?.to_vec()));
    }
    let least = (usable - 12) * 32 / 255 - 23;
    let local = least + length.checked_sub(least)? % (usable - 4);
    let local = if local <= usable - 35 { local } else { least };
    let mut payload = rest.get(..local)?.to_vec();
    let mut next = u32_at(rest, local)?;
    while payload.len() < length {
        let overflow = pages.get(&next)?;
        next = u32_at(overflow, 0)?;
        let more = (length - payload.len()).min(usable - 4);
        payload.extend_from_slice(overflow.get(4..4 + more)?);
    }
    Some((row, payload))
}

fn record(payload: &[u8]) -> Option<Vec<Cell>> {
    let mut header = payload;
    let length = usize::try_from(varint(&mut header)?).ok()?;
    let mut body = payload.get(length..)?;
    let mut header = payload.get(payload.len() - header.len()..length)?;
    let mut cells = Vec::new();
    while !header.is_empty() {
        let kind = varint(&mut header)?;
        let size = match kind {
            0 | 8 | 9 => 0,
            1..=4 => usize::try_from(kind).ok()?,
            5 => 6,
            6 | 7 => 8,
            10 | 11 => return None,
            _ => usize::try_from((kind - 12) / 2).ok()?,
        };
        let (bytes, rest) = body.split_at_checked(size)?;
        body = rest;
        cells.push(match kind {
            0 => Cell::Null,
            8 => Cell::Integer(0),
            9 => Cell::Integer(1),
            7 => Cell::Real(f64::from_be_bytes(bytes.try_into().ok()?)),
            1..=6 => {
                let negative = bytes[0] & 0x80 != 0;
                let mut wide = [if negative { 0xff } else { 0 }; 8];
                wide[8 - size..].copy_from_slice(bytes);
                Cell::Integer(i64::from_be_bytes(wide))
            }
            _ if kind % 2 == 0 => Cell::Blob(bytes.to_vec()),
            _ => Cell::Text(bytes.to_vec()),
        });
    }
    Some(cells)
}

/// Seven bits a byte, most significant first; a ninth byte has eight.
fn varint(bytes: &mut &[u8]) -> Option<u64> {
    let mut number = 0_u64;
    for i in 0..9 {
        let (&byte, rest) = bytes.split_first()?;
        *bytes = rest;
        if i == 8 {
            return Some(number << 8 | u64::from(byte));
        }
        number = number << 7 | u64::from(byte & 0x7f);
        if byte & 0x80 == 0 {
            return Some(number);
        }
    }
    None
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?))
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn nonsense_is_nothing_and_no_panic(mut page in prop::collection::vec(any::<u8>(), 512..513)) {
            page[0] = TABLE_LEAF;
            look_through(std::iter::once(vec![(2, &page[..])]));
        }
    }
}
