//! Reading what lies in the quarantine again, once a mapping or a gateway was added that makes
//! sense of it.

use crate::decode::{DecodeConfig, Decoded, Message, decode};
use larder_domain::Timestamp;
use larder_store::{Quarantined, QuarantinedId, Readings, Records, StoreError};

/// What a replay did.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Replayed {
    /// Entries that could be read now and left the quarantine.
    pub released: u64,
    /// Entries that still can't be read.
    pub kept: u64,
    /// Readings that came of it, new or replaced.
    pub readings: u64,
}

/// Entries read from the store at a time.
const PAGE: usize = 200;

/// Reads entries again; all of them where `ids` is empty. An entry leaves when nothing of what it
/// stands for is refused any more. Its readings are on disk before it leaves, so a crash between
/// the two repeats what is safe to repeat.
pub fn replay(
    readings: &dyn Readings,
    records: &dyn Records,
    ids: &[QuarantinedId],
    config: &DecodeConfig,
    now: Timestamp,
) -> Result<Replayed, StoreError> {
    let mut done = Replayed::default();
    let mut after = 0;
    loop {
        let page = records.quarantined(after, PAGE)?;
        let Some(last) = page.last() else {
            return Ok(done);
        };
        after = last.id;
        for entry in page
            .iter()
            .filter(|entry| ids.is_empty() || ids.contains(&entry.id))
        {
            replay_one(readings, records, entry, config, now, &mut done)?;
        }
    }
}

fn replay_one(
    readings: &dyn Readings,
    records: &dyn Records,
    entry: &Quarantined,
    config: &DecodeConfig,
    now: Timestamp,
    done: &mut Replayed,
) -> Result<(), StoreError> {
    let refused = &entry.refused;
    let message = Message {
        topic: refused.topic.clone(),
        payload: refused.bytes.clone(),
        content_type: refused.content_type.clone(),
        retained: refused.retained,
        received_at: refused.received_at,
    };
    let decoded = decode(&message, config, now);
    if still_refused(&decoded, refused.record) {
        done.kept += 1;
        return Ok(());
    }
    let appended = readings.append_durable(&decoded.readings)?;
    records.note_devices(&[], &decoded.attributes)?;
    records.release_quarantined(&[entry.id])?;
    done.readings += appended.new + appended.replaced;
    done.released += 1;
    Ok(())
}

/// Whether the record that the entry stands for (or, for a whole message, anything) is refused.
fn still_refused(decoded: &Decoded, record: Option<u32>) -> bool {
    decoded
        .refused
        .iter()
        .any(|refused| record.is_none() || refused.record.is_none() || refused.record == record)
}
