//! A checksum in each row of our tables (`schema/0002.sql`), so that a bit that flips on the disk is
//! an error when the row is read and not another number. Triggers write it, whoever writes the row;
//! whoever reads a row calls [`verify`] first. It covers the table's name and every column, so that a
//! row in a wrong place shows, too.

use super::fault::Fault;
use rusqlite::functions::FunctionFlags;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row};

/// The column with the checksum; what stands before it is what it covers.
const SUM: &str = "sum";

/// A table whose rows are sealed.
pub(super) struct Sealed {
    pub(super) name: &'static str,
    /// Columns that tell one row from the others, to name a damaged one.
    keys: &'static [&'static str],
    /// What a row is, for people.
    pub(super) what: &'static str,
}

const fn sealed(name: &'static str, keys: &'static [&'static str], what: &'static str) -> Sealed {
    Sealed { name, keys, what }
}

/// Every sealed table.
pub(super) const TABLES: &[Sealed] = &[
    sealed("series", &["id", "device", "channel"], "series"),
    sealed("position", &["name"], "position in the log"),
    sealed("change", &["device", "channel"], "change to be estimated"),
    sealed("apiary_item", &["kind", "id"], "apiary entry"),
    sealed("recorded_fill", &["feeder", "time"], "fill written down"),
    sealed("quarantine", &["id", "topic"], "quarantine entry"),
    sealed(
        "impossible",
        &["device", "channel", "time"],
        "impossible value",
    ),
    sealed("device", &["id"], "device"),
    sealed("attribute", &["device", "name"], "attribute"),
    sealed("uptake", &["feeder", "date"], "daily uptake"),
    sealed("weight", &["hive", "date"], "daily weight"),
    sealed("fill_event", &["feeder", "time"], "fill"),
    sealed(
        "learned",
        &["hive", "device", "channel", "trait", "date"],
        "learned trait",
    ),
    sealed(
        "flag",
        &["id", "kind", "hive", "feeder", "device", "opened_at"],
        "flag",
    ),
    sealed("flag_care", &["flag", "act", "who", "at"], "act on a flag"),
    sealed("person", &["id"], "person"),
    sealed("notice", &["id", "person"], "notice"),
    sealed("told", &["person", "way", "flag", "event"], "what was told"),
    sealed("last_digest", &["person", "date"], "last digest"),
    sealed("hive_state", &["hive"], "published state"),
    sealed("setting", &["name"], "setting"),
];

/// Makes `row_sum(table, column, …)` known to a connection.
pub(super) fn register(db: &Connection) -> rusqlite::Result<()> {
    let flags = FunctionFlags::SQLITE_UTF8
        | FunctionFlags::SQLITE_DETERMINISTIC
        | FunctionFlags::SQLITE_INNOCUOUS;
    db.create_scalar_function("row_sum", -1, flags, |context| {
        let values = (0..context.len()).map(|i| context.get_raw(i));
        Ok(values.fold(Sum::new(), Sum::and).done())
    })
}

/// Compares a row of `SELECT *` with its checksum. What else was selected must stand behind.
pub(super) fn verify(row: &Row<'_>, table: &str) -> Result<(), Fault> {
    let columns = row.as_ref().column_count();
    let mut sum = Sum::new().and(ValueRef::Text(table.as_bytes()));
    for column in 0..columns {
        if row.as_ref().column_name(column)? == SUM {
            return match row.get_ref(column)? {
                ValueRef::Integer(found) if found == sum.done() => Ok(()),
                _ => Err(damaged(row, table)),
            };
        }
        sum = sum.and(row.get_ref(column)?);
    }
    Err(damaged(row, table))
}

fn damaged(row: &Row<'_>, table: &str) -> Fault {
    Fault::Damaged(format!("{} does not match its checksum", named(row, table)))
}

/// The row in words: what it is and its key as far as it reads.
pub(super) fn named(row: &Row<'_>, table: &str) -> String {
    let Some(sealed) = TABLES.iter().find(|sealed| sealed.name == table) else {
        return format!("a row of {table}");
    };
    let key = sealed.keys.iter().filter_map(|&key| {
        let value = match row.get_ref(key).ok()? {
            ValueRef::Integer(ms) if matches!(key, "time" | "at" | "opened_at") => {
                larder_domain::Timestamp(ms).to_rfc3339()
            }
            ValueRef::Integer(number) => number.to_string(),
            ValueRef::Text(text) => {
                let text = String::from_utf8_lossy(text);
                let shown = text.chars().filter(|c| !c.is_control()).take(60);
                format!("\"{}\"", shown.collect::<String>())
            }
            _ => return None,
        };
        Some(format!("{key} {value}"))
    });
    format!("{} ({})", sealed.what, key.collect::<Vec<_>>().join(", "))
}

/// 64-bit FNV-1a (RFC 9923). Not against malice, but any one wrong byte shows. It is stored, so it
/// never changes.
struct Sum(u64);

impl Sum {
    fn new() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }

    fn and(self, value: ValueRef<'_>) -> Self {
        match value {
            ValueRef::Null => self.bytes(&[0]),
            ValueRef::Integer(number) => self.bytes(&[1]).bytes(&number.to_le_bytes()),
            ValueRef::Real(number) => self.bytes(&[2]).bytes(&number.to_bits().to_le_bytes()),
            ValueRef::Text(text) => self.sized(3, text),
            ValueRef::Blob(bytes) => self.sized(4, bytes),
        }
    }

    /// With its length, so that a byte that moves to the next column shows.
    fn sized(self, tag: u8, bytes: &[u8]) -> Self {
        let length = bytes.len() as u64;
        self.bytes(&[tag]).bytes(&length.to_le_bytes()).bytes(bytes)
    }

    fn bytes(self, bytes: &[u8]) -> Self {
        Self(bytes.iter().fold(self.0, |hash, &byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        }))
    }

    fn done(&self) -> i64 {
        self.0.cast_signed()
    }
}
