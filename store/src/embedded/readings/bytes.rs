//! Small pieces of the stored formats: numbers of variable length and a checksum. What is read
//! comes from a disk, so nothing here trusts a length.

use crate::embedded::fault::Fault;

/// Seven bits a byte, least significant first; the top bit says that more follow (LEB128).
pub(super) fn put_varint(out: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        out.push((number as u8) | 0x80);
        number >>= 7;
    }
    out.push(number as u8);
}

/// A signed number whose small values of either sign stay short.
pub(super) fn put_signed(out: &mut Vec<u8>, number: i64) {
    put_varint(out, ((number << 1) ^ (number >> 63)).cast_unsigned());
}

/// Closes a record with a checksum of all of it and of the number of the row in which it stands,
/// so that a record in a wrong place shows, too.
pub(super) fn seal(mut record: Vec<u8>, row: i64) -> Vec<u8> {
    let sum = checksum(&record, row);
    record.extend_from_slice(&sum.to_le_bytes());
    record
}

/// Opens a sealed record of a known version: what stands between its version and its checksum.
pub(super) fn unseal(record: &[u8], row: i64, version: u8) -> Result<Unread<'_>, Fault> {
    let (record, sum) = record.split_last_chunk::<4>().ok_or_else(cut_short)?;
    if checksum(record, row) != u32::from_le_bytes(*sum) {
        return Err(Fault::Damaged("a checksum of readings is wrong".into()));
    }
    let (&found, rest) = record.split_first().ok_or_else(cut_short)?;
    if found != version {
        let what = format!("readings are kept in form {found}, which is not known");
        return Err(Fault::Damaged(what));
    }
    Ok(Unread(rest))
}

/// 64-bit FNV-1a (RFC 9923), folded to 32 bits. Not against malice, but any one wrong byte shows.
fn checksum(bytes: &[u8], row: i64) -> u32 {
    let row = row.to_le_bytes();
    let all = bytes.iter().chain(&row);
    let hash = all.fold(0xcbf2_9ce4_8422_2325_u64, |hash, &byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    });
    (hash ^ (hash >> 32)) as u32
}

fn cut_short() -> Fault {
    Fault::Damaged("stored readings are cut short".into())
}

/// What is left to read of a record.
pub(super) struct Unread<'a>(&'a [u8]);

impl<'a> Unread<'a> {
    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub(super) fn byte(&mut self) -> Result<u8, Fault> {
        Ok(self.take(1)?[0])
    }

    pub(super) fn take(&mut self, n: usize) -> Result<&'a [u8], Fault> {
        let (taken, rest) = self.0.split_at_checked(n).ok_or_else(cut_short)?;
        self.0 = rest;
        Ok(taken)
    }

    pub(super) fn varint(&mut self) -> Result<u64, Fault> {
        let mut number = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            number |= u64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return Ok(number);
            }
        }
        Err(Fault::Damaged("a stored number is too long".into()))
    }

    pub(super) fn signed(&mut self) -> Result<i64, Fault> {
        let number = self.varint()?;
        Ok((number >> 1).cast_signed() ^ -(number & 1).cast_signed())
    }

    /// A number of things that take at least `least_size` bytes each, so that a damaged number
    /// cannot ask for more memory than the record justifies.
    pub(super) fn count(&mut self, least_size: usize) -> Result<usize, Fault> {
        let count = usize::try_from(self.varint()?).map_err(|_| cut_short())?;
        if count.saturating_mul(least_size) > self.0.len() {
            return Err(cut_short());
        }
        Ok(count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn numbers_come_back(a in any::<u64>(), b in any::<i64>(), c in 0u64..300, d in -300i64..300) {
            let mut record = vec![1];
            put_varint(&mut record, a);
            put_signed(&mut record, b);
            put_varint(&mut record, c);
            put_signed(&mut record, d);
            let sealed = seal(record, 7);
            let mut unread = unseal(&sealed, 7, 1).unwrap();
            prop_assert_eq!(unread.varint().unwrap(), a);
            prop_assert_eq!(unread.signed().unwrap(), b);
            prop_assert_eq!(unread.varint().unwrap(), c);
            prop_assert_eq!(unread.signed().unwrap(), d);
            prop_assert!(unread.is_empty() && unread.byte().is_err());
        }

        #[test]
        fn one_wrong_byte_shows(mut body in prop::collection::vec(any::<u8>(), 1..200), at in any::<prop::sample::Index>(), by in 1u8..) {
            body[0] = 1;
            let mut sealed = seal(body, 7);
            prop_assert!(unseal(&sealed, 8, 1).is_err());
            let at = at.index(sealed.len());
            sealed[at] ^= by;
            prop_assert!(unseal(&sealed, 7, 1).is_err());
        }
    }
}
