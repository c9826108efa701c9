//! What could not be read, kept with its reason.

use super::{row, settings};
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use crate::{
    MOST_IMPOSSIBLE, MOST_IMPOSSIBLE_OF_ALL, MOST_QUARANTINED, MOST_QUARANTINED_BYTES,
    MOST_QUARANTINED_BYTES_OF_TOPIC, QUARANTINE_PAGE_BYTES, Quarantined, QuarantinedId, Refused,
};
use larder_domain::{ChannelRef, DeviceId, Timestamp};
use rusqlite::{Connection, OptionalExtension, Row, params};
use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};

/// When it is full, a sixteenth of its room is made at once: looking through all entries for those that
/// go takes some milliseconds, and a flood brings many batches.
const SLACK: u64 = 16;

/// The setting that counts what was dropped.
const DROPPED: &str = "quarantine_dropped";

/// What was dropped is said when it is the first, and then once for so many.
const SAID_EVERY: u64 = 1_000;

pub(in crate::embedded) fn keep(db: &Connection, refused: &[Refused]) -> Result<(), Fault> {
    let mut has_new = false;
    for refused in refused {
        match known(db, refused)? {
            Some(id) => count_again(db, id, refused.received_at)?,
            None => {
                insert(db, refused)?;
                has_new = true;
            }
        }
        if let Some(series) = &refused.impossible {
            let at = refused.measured_at.unwrap_or(refused.received_at);
            note_impossible(db, series, at)?;
        }
    }
    if has_new {
        make_room(db, &BOUNDS)
    } else {
        Ok(())
    }
}

/// How much is kept.
struct Bounds {
    entries: u64,
    bytes: u64,
    bytes_of_topic: u64,
}

const BOUNDS: Bounds = Bounds {
    entries: MOST_QUARANTINED as u64,
    bytes: MOST_QUARANTINED_BYTES,
    bytes_of_topic: MOST_QUARANTINED_BYTES_OF_TOPIC,
};

/// Drops the oldest entries of the topics with the most bytes where there are too many.
fn make_room(db: &Connection, bounds: &Bounds) -> Result<(), Fault> {
    // Answered by an index, without the messages themselves.
    let mut select = db.prepare_cached(
        "SELECT topic, id, length(bytes) FROM quarantine ORDER BY topic, length(bytes), id",
    )?;
    let mut rows = select.query([])?;
    let mut topics: HashMap<String, Topic> = HashMap::new();
    let (mut entries, mut bytes) = (0, 0);
    while let Some(row) = rows.next()? {
        let topic: String = row.get(0)?;
        let id: QuarantinedId = row.get(1)?;
        let size = row.get::<_, i64>(2)?.unsigned_abs();
        (entries, bytes) = (entries + 1, bytes + size);
        let topic = topics.entry(of_file(topic)).or_default();
        topic.bytes += size;
        topic.entries.push(Reverse((id, size)));
    }
    let mut gone = Vec::new();
    for topic in topics.values_mut() {
        if topic.bytes <= bounds.bytes_of_topic {
            continue;
        }
        while topic.bytes > bounds.bytes_of_topic - bounds.bytes_of_topic / SLACK {
            let Some((id, size)) = topic.drop_oldest() else {
                break;
            };
            (entries, bytes) = (entries - 1, bytes - size);
            gone.push(id);
        }
    }
    if entries > bounds.entries || bytes > bounds.bytes {
        let mut greedy: BinaryHeap<(u64, String)> = topics
            .iter()
            .map(|(name, topic)| (topic.bytes, name.clone()))
            .collect();
        while entries > bounds.entries - bounds.entries / SLACK
            || bytes > bounds.bytes - bounds.bytes / SLACK
        {
            let Some((_, name)) = greedy.pop() else { break };
            let Some(topic) = topics.get_mut(&name) else {
                continue;
            };
            let Some((id, size)) = topic.drop_oldest() else {
                continue;
            };
            (entries, bytes) = (entries - 1, bytes - size);
            gone.push(id);
            greedy.push((topic.bytes, name));
        }
    }
    if gone.is_empty() {
        return Ok(());
    }
    release(db, &gone)?;
    let before = dropped(db)?;
    let after = before + gone.len() as u64;
    settings::write(db, DROPPED, &after.to_string())?;
    if before == 0 || before / SAID_EVERY != after / SAID_EVERY {
        tracing::warn!(
            dropped = after,
            "the quarantine is full: the oldest entries of the topic with the most bytes go"
        );
    }
    Ok(())
}

#[derive(Default)]
struct Topic {
    bytes: u64,
    entries: BinaryHeap<Reverse<(QuarantinedId, u64)>>,
}

impl Topic {
    fn drop_oldest(&mut self) -> Option<(QuarantinedId, u64)> {
        let Reverse((id, size)) = self.entries.pop()?;
        self.bytes -= size;
        Some((id, size))
    }
}

/// Lines of one file (`readings.csv:17`) count together.
fn of_file(topic: String) -> String {
    match topic.rsplit_once(':') {
        Some((file, line)) if !line.is_empty() && line.bytes().all(|b| b.is_ascii_digit()) => {
            file.to_owned()
        }
        _ => topic,
    }
}

pub(super) fn dropped(db: &Connection) -> Result<u64, Fault> {
    Ok(settings::read(db, DROPPED)?
        .and_then(|count| count.parse().ok())
        .unwrap_or(0))
}

/// See [`crate::Records::quarantined_ahead`].
pub(super) fn ahead(
    db: &Connection,
    until: Timestamp,
    after: QuarantinedId,
    limit: usize,
) -> Result<Vec<QuarantinedId>, Fault> {
    let mut select = db.prepare_cached(
        "SELECT id FROM quarantine
         WHERE measured_at IS NOT NULL AND impossible_device IS NULL
         AND measured_at <= ?1 AND id > ?2 ORDER BY id LIMIT ?3",
    )?;
    let ids = select.query_map(params![until.0, after, limit as i64], |row| row.get(0))?;
    Ok(ids.collect::<Result<_, _>>()?)
}

fn known(db: &Connection, refused: &Refused) -> Result<Option<QuarantinedId>, Fault> {
    Ok(db
        .prepare_cached(
            "SELECT id FROM quarantine WHERE fingerprint = ?1 AND topic = ?2 AND reason = ?3
             AND record IS ?4 AND bytes = ?5",
        )?
        .query_row(
            params![
                fingerprint(refused),
                refused.topic,
                refused.reason,
                refused.record,
                refused.bytes
            ],
            |row| row.get(0),
        )
        .optional()?)
}

fn count_again(db: &Connection, id: QuarantinedId, at: Timestamp) -> Result<(), Fault> {
    db.prepare_cached(
        "UPDATE quarantine SET count = count + 1, last_at = max(last_at, ?2) WHERE id = ?1",
    )?
    .execute(params![id, at.0])?;
    Ok(())
}

fn insert(db: &Connection, refused: &Refused) -> Result<(), Fault> {
    let impossible = refused.impossible.as_ref();
    db.prepare_cached(
        "INSERT INTO quarantine (received_at, last_at, count, topic, content_type, retained,
             reason, record, impossible_device, impossible_channel, measured_at, fingerprint, bytes)
         VALUES (?1, ?1, 1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
    )?
    .execute(params![
        refused.received_at.0,
        refused.topic,
        refused.content_type,
        refused.retained,
        refused.reason,
        refused.record,
        impossible.map(|series| series.device.as_str()),
        impossible.map(|series| series.channel.as_str()),
        refused.measured_at.map(|at| at.0),
        fingerprint(refused),
        refused.bytes,
    ])?;
    Ok(())
}

fn note_impossible(db: &Connection, series: &ChannelRef, at: Timestamp) -> Result<(), Fault> {
    let device = series.device.as_str();
    // The same value read once more (a file imported again) is not one more.
    db.prepare_cached(
        "INSERT INTO impossible (device, channel, time) SELECT ?1, ?2, ?3
         WHERE NOT EXISTS (SELECT 1 FROM impossible WHERE device = ?1 AND channel = ?2 AND time = ?3)",
    )?
    .execute(params![device, series.channel.as_str(), at.0])?;
    db.prepare_cached(
        "DELETE FROM impossible WHERE device = ?1 AND id <= (SELECT id FROM impossible
             WHERE device = ?1 ORDER BY id DESC LIMIT 1 OFFSET ?2)",
    )?
    .execute(params![device, MOST_IMPOSSIBLE as i64])?;
    db.prepare_cached("DELETE FROM impossible WHERE id <= (SELECT max(id) FROM impossible) - ?1")?
        .execute([MOST_IMPOSSIBLE_OF_ALL as i64])?;
    Ok(())
}

pub(super) fn list(
    db: &Connection,
    after: QuarantinedId,
    limit: usize,
) -> Result<Vec<Quarantined>, Fault> {
    let mut select =
        db.prepare_cached("SELECT * FROM quarantine WHERE id > ?1 ORDER BY id LIMIT ?2")?;
    let mut rows = select.query(params![after, i64::try_from(limit).unwrap_or(i64::MAX)])?;
    let (mut page, mut bytes) = (Vec::new(), 0);
    while let Some(row) = rows.next()? {
        let entry = read(row)?;
        bytes += entry.refused.bytes.len();
        if bytes > QUARANTINE_PAGE_BYTES && !page.is_empty() {
            break;
        }
        page.push(entry);
    }
    Ok(page)
}

fn read(row: &Row<'_>) -> Result<Quarantined, Fault> {
    seal::verify(row, "quarantine")?;
    let device: Option<DeviceId> = row::optional_name(row, "impossible_device")?;
    let impossible = match device {
        Some(device) => Some(ChannelRef {
            device,
            channel: row::channel(row, "impossible_channel")?,
        }),
        None => None,
    };
    Ok(Quarantined {
        id: row.get("id")?,
        refused: Refused {
            received_at: Timestamp(row.get("received_at")?),
            topic: row.get("topic")?,
            bytes: row.get("bytes")?,
            content_type: row.get("content_type")?,
            retained: row.get("retained")?,
            reason: row.get("reason")?,
            record: row.get("record")?,
            impossible,
            measured_at: row.get::<_, Option<i64>>("measured_at")?.map(Timestamp),
        },
        count: row.get::<_, i64>("count")?.unsigned_abs(),
        last_at: Timestamp(row.get("last_at")?),
    })
}

pub(super) fn size(db: &Connection) -> Result<(u64, u64), Fault> {
    Ok(db.query_row(
        "SELECT count(*), coalesce(sum(count), 0) FROM quarantine",
        [],
        |row| {
            let (entries, messages): (i64, i64) = (row.get(0)?, row.get(1)?);
            Ok((entries.unsigned_abs(), messages.unsigned_abs()))
        },
    )?)
}

pub(super) fn release(db: &Connection, ids: &[QuarantinedId]) -> Result<(), Fault> {
    let mut delete = db.prepare_cached("DELETE FROM quarantine WHERE id = ?1")?;
    for id in ids {
        delete.execute([id])?;
    }
    Ok(())
}

/// A number by which an entry is found again; entries that share one by chance are told apart by
/// their bytes. 64-bit FNV-1a (Fowler, Noll, Vo; RFC 9923). It is stored, so it never changes.
fn fingerprint(refused: &Refused) -> i64 {
    let parts = [
        refused.topic.as_bytes(),
        refused.reason.as_bytes(),
        &refused.bytes,
    ];
    let hash = parts
        .into_iter()
        .flatten()
        .fold(0xcbf2_9ce4_8422_2325_u64, |hash, &byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
    hash.cast_signed()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn full(kept: &Bounds, given: &[(&str, usize)]) -> (Vec<String>, u64) {
        let dir = tempfile::tempdir().unwrap();
        let store = crate::EmbeddedStore::open(dir.path(), crate::Access::Create).unwrap();
        let write = |tx: &rusqlite::Transaction<'_>| {
            for (i, (topic, size)) in given.iter().enumerate() {
                let refused = Refused {
                    received_at: Timestamp(i as i64),
                    topic: (*topic).into(),
                    bytes: vec![i as u8; *size],
                    content_type: None,
                    retained: false,
                    reason: "no reading".into(),
                    record: None,
                    impossible: None,
                    measured_at: None,
                };
                insert(tx, &refused)?;
                make_room(tx, kept)?;
            }
            let left = list(tx, 0, 1000)?;
            let left = left
                .into_iter()
                .map(|e| format!("{} {}", e.refused.topic, e.id));
            Ok((left.collect(), dropped(tx)?))
        };
        let written = store.connections.write("fill it", write);
        written.unwrap()
    }

    const WIDE: Bounds = Bounds {
        entries: 1000,
        bytes: 1 << 30,
        bytes_of_topic: 1 << 30,
    };

    #[test]
    fn who_floods_the_quarantine_pushes_out_their_own() {
        let mut given = vec![("quiet", 100)];
        given.extend([("loud", 10); 30]);
        let bounds = Bounds { bytes: 320, ..WIDE };
        let (left, dropped) = full(&bounds, &given);
        assert_eq!(left[0], "quiet 1");
        assert_eq!(left.last().unwrap(), "loud 31");
        assert_eq!(left.len() as u64 + dropped, 31);
        assert!((9..13).contains(&dropped), "{dropped}");
    }

    #[test]
    fn one_topic_has_its_bound_and_lines_of_a_file_are_one() {
        let bounds = Bounds {
            bytes_of_topic: 55,
            ..WIDE
        };
        let given = [
            ("a.csv:1", 20),
            ("a.csv:2", 20),
            ("x/1", 50),
            ("a.csv:3", 20),
            ("x/2", 50),
        ];
        let (left, dropped) = full(&bounds, &given);
        assert_eq!(left, ["a.csv:2 2", "x/1 3", "a.csv:3 4", "x/2 5"]);
        assert_eq!(dropped, 1);
    }

    #[test]
    fn there_are_so_many_entries_at_most() {
        let bounds = Bounds { entries: 8, ..WIDE };
        let (left, dropped) = full(&bounds, &[("a", 1); 20]);
        assert!(left.len() <= 8 && dropped >= 12, "{left:?}");
        assert_eq!(left.last().unwrap(), "a 20", "the newest stays");
    }
}
