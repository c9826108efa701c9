//! What could not be read, kept with its reason.

use super::row;
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use crate::{Quarantined, QuarantinedId, Refused};
use larder_domain::{ChannelRef, DeviceId, Timestamp};
use rusqlite::{Connection, OptionalExtension, Row, params};

/// Moments of impossible values kept for each device; older ones go.
const IMPOSSIBLE_KEPT: i64 = 256;

pub(super) fn keep(db: &Connection, refused: &[Refused]) -> Result<(), Fault> {
    for refused in refused {
        match known(db, refused)? {
            Some(id) => count_again(db, id, refused.received_at)?,
            None => insert(db, refused)?,
        }
        if let Some(series) = &refused.impossible {
            let at = refused.measured_at.unwrap_or(refused.received_at);
            note_impossible(db, series, at)?;
        }
    }
    Ok(())
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
    .execute(params![device, IMPOSSIBLE_KEPT])?;
    Ok(())
}

pub(super) fn list(
    db: &Connection,
    after: QuarantinedId,
    limit: usize,
) -> Result<Vec<Quarantined>, Fault> {
    db.prepare_cached("SELECT * FROM quarantine WHERE id > ?1 ORDER BY id LIMIT ?2")?
        .query_and_then(
            params![after, i64::try_from(limit).unwrap_or(i64::MAX)],
            read,
        )?
        .collect()
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
