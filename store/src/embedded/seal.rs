//! A checksum in each row of our tables (`schema/0002.sql`), so that a bit that flips on the disk is
//! an error when the row is read and not another number. Triggers write it, whoever writes the row;
//! whoever reads a row calls [`verify`] first. It covers the table's name and every column, so that a
//! row in a wrong place shows, too.

use super::fault::Fault;
use rusqlite::functions::FunctionFlags;
use rusqlite::types::{ToSql, ToSqlOutput, ValueRef};
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
    sealed("receipt", &["sender", "slot"], "receipt of a message"),
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
    let columns = row.as_ref();
    let mut behind = columns.column_count();
    while behind > 0 && columns.column_name(behind - 1)? != SUM {
        behind -= 1;
    }
    let Some(at) = behind.checked_sub(1) else {
        return Err(damaged(row, table));
    };
    let mut sum = Sum::new().and(ValueRef::Text(table.as_bytes()));
    for column in 0..at {
        sum = sum.and(row.get_ref(column)?);
    }
    match row.get_ref(at)? {
        ValueRef::Integer(found) if found == sum.done() => Ok(()),
        _ => Err(damaged(row, table)),
    }
}

/// A value as it lies on the disk: a text with a flipped bit may be none.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Cell {
    Null,
    Integer(i64),
    Real(f64),
    Text(Vec<u8>),
    Blob(Vec<u8>),
}

impl Cell {
    /// All of a row of `SELECT *`.
    pub(super) fn row(row: &Row<'_>) -> Result<Vec<Self>, Fault> {
        let cell = |column| {
            Ok(match row.get_ref(column)? {
                ValueRef::Null => Self::Null,
                ValueRef::Integer(number) => Self::Integer(number),
                ValueRef::Real(number) => Self::Real(number),
                ValueRef::Text(text) => Self::Text(text.to_vec()),
                ValueRef::Blob(bytes) => Self::Blob(bytes.to_vec()),
            })
        };
        (0..row.as_ref().column_count()).map(cell).collect()
    }

    fn value(&self) -> ValueRef<'_> {
        match self {
            Self::Null => ValueRef::Null,
            Self::Integer(number) => ValueRef::Integer(*number),
            Self::Real(number) => ValueRef::Real(*number),
            Self::Text(text) => ValueRef::Text(text),
            Self::Blob(bytes) => ValueRef::Blob(bytes),
        }
    }

    /// Bits among which a flipped one is looked for; longer values are not searched, because each try
    /// reads the whole row.
    fn bits(&self) -> usize {
        match self {
            Self::Null => 0,
            Self::Integer(_) | Self::Real(_) => 64,
            Self::Text(bytes) | Self::Blob(bytes) if bytes.len() <= MOST_SEARCHED => {
                bytes.len() * 8
            }
            Self::Text(_) | Self::Blob(_) => 0,
        }
    }

    fn flip(&mut self, bit: usize) {
        match self {
            Self::Null => {}
            Self::Integer(number) => *number ^= 1 << bit,
            Self::Real(number) => *number = f64::from_bits(number.to_bits() ^ (1 << bit)),
            Self::Text(bytes) | Self::Blob(bytes) => bytes[bit / 8] ^= 1 << (bit % 8),
        }
    }
}

impl ToSql for Cell {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Borrowed(self.value()))
    }
}

/// Bytes of a value that is searched for a flipped bit.
const MOST_SEARCHED: usize = 4096;

/// Makes a row with its checksum behind what it was when it was written: nothing to do where they match,
/// otherwise one flipped bit is set right where that makes them match. Says whether they match now.
///
/// That is sound: a row has a few thousand bits and the checksum 64, so another bit than the one that
/// flipped hardly ever fits. It would not be for the 32-bit checksums of readings.
pub(super) fn mend(row: &mut [Cell], table: &str) -> bool {
    if matches(row, table) {
        return true;
    }
    for i in 0..row.len() {
        for bit in 0..row[i].bits() {
            row[i].flip(bit);
            if matches(row, table) {
                return true;
            }
            row[i].flip(bit);
        }
    }
    false
}

/// Whether a row with its checksum behind matches it.
pub(super) fn is_sound(row: &[Cell], table: &str) -> bool {
    matches(row, table)
}

fn matches(row: &[Cell], table: &str) -> bool {
    let Some((found, covered)) = row.split_last() else {
        return false;
    };
    let sum = Sum::new().and(ValueRef::Text(table.as_bytes()));
    let sum = covered.iter().fold(sum, |sum, cell| sum.and(cell.value()));
    *found == Cell::Integer(sum.done())
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
            // SQLite keeps no negative zero.
            ValueRef::Real(number) => {
                let kept = number + 0.0;
                self.bytes(&[2]).bytes(&kept.to_bits().to_le_bytes())
            }
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
