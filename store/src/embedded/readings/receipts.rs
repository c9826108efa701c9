//! When messages without a time of their own were received: written in the same transaction as
//! their readings, so that a message that comes again after a crash keeps its first time.

use crate::Receipt;
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use larder_domain::Timestamp;
use rusqlite::{Connection, params};

/// Receipts kept; beyond it the oldest go. Twice what one MQTT session can have under way.
const MOST_KEPT: i64 = 131_072;

/// Old ones are looked for once in so many appends.
const PRUNE_EVERY: i64 = 1_024;

/// Writes receipts down; `log_id` is the number of the append that they belong to.
pub(super) fn put(db: &Connection, receipts: &[Receipt], log_id: i64) -> Result<(), Fault> {
    let mut insert = db.prepare_cached(
        "INSERT OR REPLACE INTO receipt (sender, slot, fingerprint, received_at, sum)
         VALUES (?1, ?2, ?3, ?4, row_sum('receipt', ?1, ?2, ?3, ?4))",
    )?;
    for receipt in receipts {
        insert.execute(params![
            receipt.sender,
            receipt.slot,
            receipt.fingerprint.cast_signed(),
            receipt.received_at.0,
        ])?;
    }
    if !receipts.is_empty() && log_id % PRUNE_EVERY == 0 {
        db.execute(
            "DELETE FROM receipt WHERE received_at <
             (SELECT received_at FROM receipt ORDER BY received_at DESC LIMIT 1 OFFSET ?1)",
            [MOST_KEPT],
        )?;
    }
    Ok(())
}

/// All receipts that are remembered.
pub(super) fn load(db: &Connection) -> Result<Vec<Receipt>, Fault> {
    let mut select = db.prepare("SELECT * FROM receipt")?;
    let rows = select.query_and_then([], |row| {
        seal::verify(row, "receipt")?;
        Ok(Receipt {
            sender: row.get("sender")?,
            slot: row.get("slot")?,
            fingerprint: row.get::<_, i64>("fingerprint")?.cast_unsigned(),
            received_at: Timestamp(row.get("received_at")?),
        })
    })?;
    rows.collect()
}
