//! Making a damaged store a sound one: what verifies goes into a new database, the damaged files are kept
//! beside it, and what is gone is named.
//!
//! Nothing is changed in the old files. The new database is made under another name, looked over, and
//! put in their place at the end; if the power goes in between, the next opening finishes that or finds
//! the old files.

use super::check::{self, Damages};
use super::fault::Fault;
use super::folder::{self, Access, Durability, database_in};
use super::salvage::Found;
use super::seal::{self, Cell, Sealed};
use super::{EmbeddedStore, connections, readings, records, schema, wal};
use crate::StoreError;
use rusqlite::{Connection, params_from_iter};
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

/// What a repair did.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Repaired {
    /// Where the damaged files are kept; `None`: the store was sound and was left alone.
    pub kept: Option<PathBuf>,
    /// What was damaged and is whole again, in words.
    pub mended: Damages,
    /// What is gone.
    pub gone: Damages,
    /// Damaged results, thrown away to be estimated again from the readings.
    pub again: Damages,
}

/// Tables that are estimated again: a damaged row of theirs costs nothing but time.
const RESULTS: &[&str] = &[
    "uptake",
    "weight",
    "fill_event",
    "learned",
    "change",
    "hive_state",
];

/// A new database that is whole and not yet in its place.
const READY: &str = "larder.sqlite.repaired";
/// Where it is made.
const WORKSHOP: &str = "repair.part";

/// Ranges of a damaged table that are tried, so that a table of which nothing reads comes to an end.
const MOST_TRIES: usize = 4_000;

impl EmbeddedStore {
    /// Saves everything that verifies, where anything does not, and has everything estimated again. Nobody
    /// else may have the store open.
    pub fn repair(dir: &Path) -> Result<Repaired, StoreError> {
        let _lock = folder::claim(dir, Access::Existing)?;
        let told = |fault: Fault| fault.told(dir, "repair the store");
        finish(dir).map_err(|e| told(e.into()))?;
        repair(dir).map_err(|fault| match fault {
            Trouble::Store(error) => error,
            Trouble::Fault(fault) => told(fault),
        })
    }
}

enum Trouble {
    Store(StoreError),
    Fault(Fault),
}

impl<T: Into<Fault>> From<T> for Trouble {
    fn from(fault: T) -> Self {
        Self::Fault(fault.into())
    }
}

fn repair(dir: &Path) -> Result<Repaired, Trouble> {
    let log = wal::examine(dir)?;
    let mut done = Repaired::default();
    if log.is_none() && look(dir)?.is_empty() {
        return Ok(done);
    }
    let kept = keep(dir)?;
    let workshop = dir.join(WORKSHOP);
    let made = make_anew(dir, &workshop, log.as_ref(), &mut done);
    // Whether it worked or not (a full disk), half a store is of no use to anyone.
    remove(&workshop)?;
    if made.is_err() {
        remove(&kept)?;
        made?;
    }
    finish(dir)?;
    done.kept = Some(kept);
    Ok(done)
}

/// Makes the new database and puts it beside the old one, ready.
fn make_anew(
    dir: &Path,
    workshop: &Path,
    log: Option<&wal::Damage>,
    done: &mut Repaired,
) -> Result<(), Trouble> {
    remove(workshop)?;
    folder::make(workshop)?;
    fs::copy(database_in(dir), database_in(workshop))?;
    let mut behind = Found::default();
    match log {
        Some(damage) => match &damage.mended {
            Some((whole, bits)) => {
                fs::write(wal::log_in(workshop), whole)?;
                let bits = match bits {
                    1 => "one flipped bit set right".to_owned(),
                    n => format!("{n} flipped bits set right"),
                };
                done.mended.add(format!("{}: {bits}", damage.told()));
            }
            None => {
                fs::copy(wal::log_in(dir), wal::log_in(workshop))?;
                let what = "what was declared, written down or refused there is gone, too";
                done.gone.add(format!("{}; {what}", damage.told()));
                behind = wal::salvage(dir)?;
            }
        },
        None if wal::log_in(dir).exists() => {
            fs::copy(wal::log_in(dir), wal::log_in(workshop))?;
        }
        None => {}
    }
    let whole = workshop.join("whole");
    folder::make(&whole)?;
    save(workshop, &whole, &behind, done)?;
    File::open(database_in(&whole))?.sync_all()?;
    fs::rename(database_in(&whole), dir.join(READY))?;
    Ok(())
}

/// What is wrong with the database; what cannot even be opened is.
fn look(dir: &Path) -> Result<Damages, Trouble> {
    let looked = connections::open_reader(&database_in(dir)).and_then(|db| {
        if schema::found(&db)? != schema::KNOWN {
            // An older one is brought to this version by saving it; so is one whose number is damaged.
            return Err(Fault::Damaged("the number of its schema".into()));
        }
        check::look_over(&db)
    });
    let mut damages = Damages::default();
    match damages.note(looked)? {
        Some(found) => Ok(found),
        None => Ok(damages),
    }
}

/// Puts a new database that is ready into its place. The log of the old one goes first: it would be
/// taken for the new one's.
pub(super) fn finish(dir: &Path) -> io::Result<()> {
    let ready = dir.join(READY);
    if !ready.exists() {
        return Ok(());
    }
    let database = database_in(dir);
    for beside in ["-wal", "-shm"] {
        let mut file = database.clone().into_os_string();
        file.push(beside);
        match fs::remove_file(file) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
            _ => {}
        }
    }
    fs::rename(ready, database)?;
    File::open(dir)?.sync_all()
}

/// Puts a new database that is ready into its place, on behalf of one who only reads: takes the
/// folder's lock first.
pub(super) fn finish_to_read(dir: &Path) -> Result<(), StoreError> {
    if !dir.join(READY).exists() {
        return Ok(());
    }
    let _lock = folder::lock(dir)?;
    finish(dir).map_err(|e| Fault::from(e).told(dir, "finish a repair"))
}

/// The damaged files, under another name. They are not written any more, so a second name will do where
/// the file system knows such.
fn keep(dir: &Path) -> io::Result<PathBuf> {
    let kept = (1..)
        .map(|n| dir.join(format!("damaged-{n}")))
        .find(|kept| !kept.exists())
        .unwrap_or_else(|| dir.join("damaged"));
    folder::make(&kept)?;
    for file in [database_in(dir), wal::log_in(dir)] {
        let Some(name) = file.file_name().filter(|_| file.exists()) else {
            continue;
        };
        if fs::hard_link(&file, kept.join(name)).is_err() {
            fs::copy(&file, kept.join(name))?;
        }
    }
    File::open(&kept)?.sync_all()?;
    Ok(kept)
}

fn remove(folder: &Path) -> io::Result<()> {
    match fs::remove_dir_all(folder) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e),
        _ => Ok(()),
    }
}

/// From the damaged database in `from` to a new one in `to`.
fn save(from: &Path, to: &Path, behind: &Found, done: &mut Repaired) -> Result<(), Trouble> {
    let mut source = open_source(from)?;
    if schema::compare(&source).is_err() && upgrade(&mut source, from).is_err() {
        let described = schema::describe_again(&source);
        check::damage_or(described)?.map_err(unreadable)?;
        drop(source);
        source = open_source(from)?;
        check::damage_or(schema::compare(&source))?.map_err(unreadable)?;
        done.mended.add("the description of the tables".into());
    }
    let mut target = connections::open_writer(&database_in(to), Durability::PowerCut)?;
    schema::migrate(&mut target, to).map_err(Trouble::Store)?;
    let tx = target.transaction()?;
    for table in seal::TABLES {
        save_table(&source, &tx, table, done)?;
    }
    records::fit_together(&tx, &mut |what| done.gone.add(what))?;
    for series in behind.series.values() {
        let [cells @ .., _] = &series[..] else {
            continue;
        };
        tx.execute(
            "INSERT OR IGNORE INTO series
                 (id, device, channel, unit, first_time, last_time, last_bits)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            params_from_iter(cells),
        )?;
    }
    let mut walk = Walk::new(&source);
    readings::save(
        &tx,
        &mut |table, take| walk.through(table, take),
        &mut |what| done.mended.add(what),
        &mut |what| done.gone.add(what),
    )?;
    for table in walk.unreadable {
        done.gone
            .add(format!("a part of the table {table} that does not read"));
    }
    let (saved, missing) = readings::save_behind(&tx, &behind.log)?;
    if saved > 0 {
        done.mended.add(format!(
            "{saved} deliveries of readings from behind the damage in the write-ahead log"
        ));
    }
    if missing > 0 {
        done.gone.add(format!(
            "{missing} deliveries of readings at the damage in the write-ahead log"
        ));
    }
    readings::have_all_estimated(&tx)?;
    tx.commit()?;
    let left = check::look_over(&target)?;
    match left.named.first() {
        Some(what) => Err(Fault::Damaged(format!("{what}, and it could not be repaired")).into()),
        None => Ok(()),
    }
}

/// The copy of the damaged database. It is thrown away, so nothing is synced.
fn open_source(dir: &Path) -> Result<Connection, Fault> {
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_WRITE;
    let db = Connection::open_with_flags(database_in(dir), flags)?;
    connections::prepare(&db)?;
    Ok(db)
}

/// The list of tables itself is damaged, or an older version wrote it.
fn upgrade(source: &mut Connection, dir: &Path) -> Result<(), Fault> {
    match schema::found(source)? {
        found if found < schema::KNOWN && found > 0 => {
            schema::migrate(source, dir).map_err(|error| Fault::Damaged(error.to_string()))?;
            schema::compare(source)
        }
        _ => schema::compare(source),
    }
}

fn unreadable(what: String) -> Trouble {
    let what = format!("{what}: the description of the tables is lost, and a repair needs it");
    Fault::Damaged(what).into()
}

fn save_table(
    source: &Connection,
    target: &Connection,
    table: &Sealed,
    done: &mut Repaired,
) -> Result<(), Fault> {
    let mut put: Option<rusqlite::Statement<'_>> = None;
    let mut walk = Walk::new(source);
    walk.through(table.name, &mut |row| {
        let mut cells = Cell::row(row)?;
        let before = cells.clone();
        let name = || seal::named(row, table.name);
        if !seal::mend(&mut cells, table.name) {
            let lost = match RESULTS.contains(&table.name) {
                true => &mut done.again,
                false => &mut done.gone,
            };
            lost.add(name());
            return Ok(());
        }
        if cells != before {
            done.mended.add(name());
        }
        let put = match &mut put {
            Some(put) => put,
            None => put.insert(target.prepare(&insert_into(table.name, row)?)?),
        };
        cells.pop();
        put.execute(params_from_iter(&cells))?;
        Ok(())
    })?;
    if !walk.unreadable.is_empty() {
        let what = format!("a part of the table {} that does not read", table.name);
        match RESULTS.contains(&table.name) {
            true => done.again.add(what),
            false => done.gone.add(what),
        }
    }
    Ok(())
}

/// All columns but the checksum, which a trigger writes. Rows that were met before are left out.
fn insert_into(table: &str, row: &rusqlite::Row<'_>) -> Result<String, Fault> {
    let n = row.as_ref().column_count() - 1;
    let mut columns = Vec::with_capacity(n);
    for i in 0..n {
        columns.push(row.as_ref().column_name(i)?);
    }
    let marks = vec!["?"; n].join(", ");
    let columns = columns.join(", ");
    Ok(format!(
        "INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})"
    ))
}

/// Takes what is done with each row.
type Take<'a> = &'a mut dyn FnMut(&rusqlite::Row<'_>) -> Result<(), Fault>;

/// Walks through tables some of whose pages do not read: from both ends, and where rows are numbered also
/// into the middle.
struct Walk<'a> {
    source: &'a Connection,
    tries: usize,
    unreadable: Vec<String>,
}

impl<'a> Walk<'a> {
    fn new(source: &'a Connection) -> Self {
        Self {
            source,
            tries: 0,
            unreadable: Vec::new(),
        }
    }

    fn through(&mut self, table: &str, take: Take<'_>) -> Result<(), Fault> {
        let numbered = matches!(
            table,
            "series" | "hot" | "block" | "quarantine" | "impossible" | "flag_care" | "notice"
        );
        let complete = if numbered {
            self.range(table, i64::MIN, i64::MAX, take)?
        } else {
            let forward = self.rows(&format!("SELECT * FROM {table}"), &[], take)?;
            let back = || format!("SELECT * FROM {table} ORDER BY {}", backwards(table));
            forward.is_ok() || {
                let _ = self.rows(&back(), &[], take)?;
                false
            }
        };
        if !complete {
            self.unreadable.push(table.to_owned());
        }
        Ok(())
    }

    /// Says whether all of it could be read.
    fn range(&mut self, table: &str, from: i64, to: i64, take: Take<'_>) -> Result<bool, Fault> {
        if from > to || self.tries > MOST_TRIES {
            return Ok(from > to);
        }
        self.tries += 1;
        let select =
            |order| format!("SELECT * FROM {table} WHERE id BETWEEN ?1 AND ?2 ORDER BY id {order}");
        let Err(last) = self.rows(&select("ASC"), &[from, to], take)? else {
            return Ok(true);
        };
        let from = last.map_or(from, |last| last.saturating_add(1));
        let Err(first) = self.rows(&select("DESC"), &[from, to], take)? else {
            return Ok(false);
        };
        let to = first.map_or(to, |first| first.saturating_sub(1));
        if from < to {
            let middle = from.midpoint(to);
            self.range(table, from, middle, take)?;
            self.range(table, middle + 1, to, take)?;
        }
        Ok(false)
    }

    /// `Err`: a page did not read; the number of the last row before it.
    fn rows(
        &self,
        sql: &str,
        range: &[i64],
        take: Take<'_>,
    ) -> Result<Result<(), Option<i64>>, Fault> {
        let mut last = None;
        let mut select = self.source.prepare(sql)?;
        let mut rows = select.query(params_from_iter(range))?;
        loop {
            match rows.next() {
                Ok(None) => return Ok(Ok(())),
                Ok(Some(row)) => {
                    if !range.is_empty() {
                        last = row.get(0).ok();
                    }
                    take(row)?;
                }
                Err(error) => {
                    check::damage(error.into())?;
                    return Ok(Err(last));
                }
            }
        }
    }
}

/// The key of a table without row numbers, from its end.
fn backwards(table: &str) -> &'static str {
    match table {
        "change" => "device DESC, channel DESC",
        "apiary_item" => "kind DESC, id DESC",
        "recorded_fill" | "fill_event" => "feeder DESC, time DESC",
        "attribute" => "device DESC, name DESC",
        "uptake" => "feeder DESC, date DESC",
        "weight" => "hive DESC, date DESC",
        "learned" => "hive DESC, device DESC, channel DESC, trait DESC, date DESC, since DESC",
        "told" => "person DESC, way DESC, address DESC, flag DESC, event DESC",
        "last_digest" => "person DESC",
        "hive_state" => "hive DESC",
        "position" | "setting" => "name DESC",
        _ => "id DESC",
    }
}
