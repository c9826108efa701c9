//! Reading the quarantine again, once a mapping or a gateway was added or a clock has caught up.

use crate::decode::{DecodeConfig, Message, decode, decode_record};
use crate::import::{LINE_CONTENT_TYPE, Line, Taken, read_line};
use larder_domain::{Reading, RecordedFill, Timestamp};
use larder_store::{Attribute, Quarantined, QuarantinedId, Readings, Records, Refused, StoreError};

/// What a replay did.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Replayed {
    /// Entries that could be read now and left the quarantine.
    pub released: u64,
    /// Entries that still cannot be read.
    pub kept: u64,
    /// Readings (and fills) that came of it, known ones included.
    pub readings: u64,
}

/// What an entry says when it is read again.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Judged {
    /// Readings.
    pub readings: Vec<Reading>,
    /// Fills of a file's lines.
    pub fills: Vec<RecordedFill>,
    /// What devices say about themselves.
    pub attributes: Vec<Attribute>,
    /// The entry can leave the quarantine.
    pub is_read: bool,
    /// What takes its place: records of a message that was unreadable as a whole and of which some
    /// are bad.
    pub refused: Vec<Refused>,
}

/// Entries held in memory at a time.
const PAGE: usize = 200;

/// Reads entries again, all of them where `ids` is empty. What can be read now is appended, then
/// released; the rest stays. Repeating is safe.
pub fn replay(
    readings: &dyn Readings,
    records: &dyn Records,
    ids: &[QuarantinedId],
    config: &DecodeConfig,
    now: Timestamp,
) -> Result<Replayed, StoreError> {
    let mut done = Replayed::default();
    let mut after = 0;
    // Entries made by this replay come behind this one and are not read again.
    let last = last_entry(records)?;
    loop {
        let page = records.quarantined(after, PAGE)?;
        let Some(newest) = page.last() else {
            return Ok(done);
        };
        after = newest.id;
        for entry in page {
            if entry.id > last {
                return Ok(done);
            }
            if ids.is_empty() || ids.contains(&entry.id) {
                take(&entry, readings, records, config, now, &mut done)?;
            }
        }
    }
}

fn last_entry(records: &dyn Records) -> Result<QuarantinedId, StoreError> {
    let mut last = 0;
    loop {
        match records.quarantined(last, PAGE)?.last() {
            Some(entry) => last = entry.id,
            None => return Ok(last),
        }
    }
}

fn take(
    entry: &Quarantined,
    readings: &dyn Readings,
    records: &dyn Records,
    config: &DecodeConfig,
    now: Timestamp,
    done: &mut Replayed,
) -> Result<(), StoreError> {
    let judged = judge(entry, config, now);
    let mut n_refused = 0;
    if !judged.is_read {
        done.kept += 1;
        return Ok(());
    }
    let mut refused = judged.refused;
    if !judged.readings.is_empty() {
        let appended = readings.append_again(&judged.readings)?;
        let is_whole = appended.refused.len() == judged.readings.len();
        if is_whole && judged.fills.is_empty() && judged.attributes.is_empty() && refused.is_empty()
        {
            // The store still takes none of it: the entry stays as it is.
            done.kept += 1;
            return Ok(());
        }
        n_refused = appended.refused.len();
        let again = appended.refused.into_iter();
        refused.extend(again.map(|one| one.into_refused(now)));
    }
    if !judged.fills.is_empty() {
        records.record_fills(&judged.fills)?;
    }
    if !judged.attributes.is_empty() {
        records.note_devices(&[], &judged.attributes)?;
    }
    if !refused.is_empty() {
        records.quarantine_durable(&refused)?;
    }
    records.release_quarantined(&[entry.id])?;
    done.released += 1;
    done.readings += (judged.readings.len() - n_refused + judged.fills.len()) as u64;
    Ok(())
}

/// Reads one entry again. An entry for one record yields that record alone: the others of its pack
/// were taken in when it came, and may have been corrected since.
pub fn judge(entry: &Quarantined, config: &DecodeConfig, now: Timestamp) -> Judged {
    let refused = &entry.refused;
    if refused.content_type.as_deref() == Some(LINE_CONTENT_TYPE) {
        return judge_line(refused, now);
    }
    let message = Message {
        topic: refused.topic.clone(),
        cut_from: None,
        payload: refused.bytes.clone(),
        content_type: refused.content_type.clone(),
        retained: refused.retained,
        received_at: refused.received_at,
    };
    let decoded = match refused.record {
        Some(index) => decode_record(&message, config, now, index),
        None => decode(&message, config, now),
    };
    let is_unreadable = decoded.refused.iter().any(|r| r.record == refused.record);
    Judged {
        is_read: !is_unreadable,
        readings: decoded.readings,
        attributes: decoded.attributes,
        refused: decoded.refused,
        fills: Vec::new(),
    }
}

fn judge_line(refused: &Refused, now: Timestamp) -> Judged {
    let mut judged = Judged {
        is_read: true,
        ..Judged::default()
    };
    // What was taken out by hand stands in one entry, many lines together.
    for line in refused.bytes.split(|byte| *byte == b'\n') {
        if line.is_empty() && judged.is_read && !judged.readings.is_empty() {
            continue;
        }
        let columns = line.iter().filter(|byte| **byte == b',').count() + 1;
        let taken: Taken = read_line(line, columns, now);
        match taken {
            Ok(Line::Reading(reading)) => judged.readings.push(reading),
            Ok(Line::Fill(fill)) => judged.fills.push(fill),
            Err(_) => return Judged::default(),
        }
    }
    judged
}

#[cfg(test)]
mod tests;
