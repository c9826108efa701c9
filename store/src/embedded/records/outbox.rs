//! People, what they were told, and what is on its way to them.

use super::person_record;
use super::row;
use crate::StoreError;
use crate::embedded::EmbeddedStore;
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use crate::notices::{
    KEPT_DONE, MOST_WAITING, NewNotice, Notice, NoticeKind, NoticeState, Notices, ToldThing,
};
use chrono::NaiveDate;
use larder_domain::{FlagId, HiveId, Person, PersonId, Timestamp, Way};
use rusqlite::{Connection, Params, Row, params};
use std::collections::BTreeMap;

/// What so many later notices have followed is not remembered as told any more; a flag is news for a
/// week only.
const KEPT_TOLD: i64 = 20 * KEPT_DONE as i64;

impl Notices for EmbeddedStore {
    fn people(&self) -> Result<Vec<Person>, StoreError> {
        self.connections.read("read the people", |db| {
            db.prepare_cached("SELECT * FROM person ORDER BY id")?
                .query_and_then([], |row| {
                    seal::verify(row, "person")?;
                    person_record::read(row::name(row, "id")?, &row.get::<_, String>("body")?)
                })?
                .collect()
        })
    }

    fn put_person(&self, person: &Person) -> Result<bool, StoreError> {
        let body = person_record::write(person);
        self.connections.write("write a person", |tx| {
            let written = tx.execute(
                "INSERT INTO person (id, body) VALUES (?1, ?2)
                 ON CONFLICT (id) DO UPDATE SET body = ?2 WHERE body <> ?2",
                params![person.id.as_str(), body],
            )?;
            Ok(written > 0)
        })
    }

    fn remove_person(&self, id: &PersonId) -> Result<bool, StoreError> {
        self.connections.write("take a person out", |tx| {
            tx.execute(
                "UPDATE notice SET state = 'moot' WHERE person = ?1 AND state = 'waiting'",
                [id.as_str()],
            )?;
            tx.execute("DELETE FROM last_digest WHERE person = ?1", [id.as_str()])?;
            Ok(tx.execute("DELETE FROM person WHERE id = ?1", [id.as_str()])? > 0)
        })
    }

    fn make_notices(&self, new: &[NewNotice], at: Timestamp) -> Result<(usize, bool), StoreError> {
        self.connections.write("make notices", |tx| {
            let mut waiting = waiting(tx)?;
            let mut made = 0;
            for one in new {
                if waiting >= MOST_WAITING as u64 && one.way.is_some() {
                    return Ok((made, true));
                }
                if make(tx, one, at)? {
                    made += 1;
                    waiting += 1;
                }
            }
            Ok((made, false))
        })
    }

    fn told(&self, flags: &[FlagId]) -> Result<Vec<ToldThing>, StoreError> {
        let ids: Vec<_> = flags.iter().map(FlagId::as_str).collect();
        let ids = serde_json::to_string(&ids).expect("text can be written as JSON");
        self.connections.read("read what was told", |db| {
            db.prepare_cached("SELECT * FROM told WHERE flag IN (SELECT value FROM json_each(?1))")?
                .query_and_then([ids], |row| {
                    seal::verify(row, "told")?;
                    Ok(ToldThing {
                        person: row::name(row, "person")?,
                        way: way(row)?,
                        flag: row::name(row, "flag")?,
                        event: row.get("event")?,
                    })
                })?
                .collect()
        })
    }

    fn last_digests(&self) -> Result<BTreeMap<PersonId, NaiveDate>, StoreError> {
        self.connections.read("read the last digests", |db| {
            db.prepare_cached("SELECT * FROM last_digest")?
                .query_and_then([], |row| {
                    seal::verify(row, "last_digest")?;
                    Ok((row::name(row, "person")?, row::date(row, "date")?))
                })?
                .collect()
        })
    }

    fn due_notices(&self, now: Timestamp, limit: usize) -> Result<Vec<Notice>, StoreError> {
        self.connections.read("read the notices that are due", |db| {
            list(
                db,
                "SELECT * FROM notice WHERE state = 'waiting' AND next_at <= ?1 ORDER BY id LIMIT ?2",
                params![now.0, limit as i64],
            )
        })
    }

    fn recent_notices(&self, limit: usize) -> Result<Vec<Notice>, StoreError> {
        self.connections.read("read the notices", |db| {
            list(
                db,
                "SELECT * FROM notice ORDER BY id DESC LIMIT ?1",
                [limit as i64],
            )
        })
    }

    fn waiting_notices(&self) -> Result<u64, StoreError> {
        self.connections.read("count the notices", waiting)
    }

    fn note_notice(
        &self,
        id: i64,
        state: &NoticeState,
        error: Option<&str>,
        at: Timestamp,
    ) -> Result<(), StoreError> {
        self.connections
            .write("write what became of a notice", |tx| {
                let next_at = match state {
                    NoticeState::Waiting { next_at } => next_at.0,
                    _ => 0,
                };
                tx.execute(
                    "UPDATE notice SET state = ?2, next_at = ?3, error = ?4, done_at = ?5,
                     tries = tries + 1 WHERE id = ?1",
                    params![id, state.name(), next_at, error, at.0],
                )?;
                tx.execute(
                    "DELETE FROM notice WHERE state <> 'waiting' AND id <= ?1 - ?2",
                    params![id, KEPT_DONE as i64],
                )?;
                tx.execute("DELETE FROM told WHERE notice <= ?1 - ?2", [id, KEPT_TOLD])?;
                Ok(())
            })
    }

    fn hive_states(&self) -> Result<BTreeMap<HiveId, String>, StoreError> {
        self.connections.read("read the hives' states", |db| {
            db.prepare_cached("SELECT * FROM hive_state")?
                .query_and_then([], |row| {
                    seal::verify(row, "hive_state")?;
                    Ok((row::name(row, "hive")?, row.get("payload")?))
                })?
                .collect()
        })
    }

    fn set_hive_state(&self, hive: &HiveId, payload: Option<&str>) -> Result<(), StoreError> {
        self.connections.write("write a hive's state", |tx| {
            match payload {
                Some(payload) => tx.execute(
                    "INSERT OR REPLACE INTO hive_state (hive, payload) VALUES (?1, ?2)",
                    [hive.as_str(), payload],
                )?,
                None => tx.execute("DELETE FROM hive_state WHERE hive = ?1", [hive.as_str()])?,
            };
            Ok(())
        })
    }
}

fn waiting(db: &Connection) -> Result<u64, Fault> {
    let count: i64 = db
        .prepare_cached("SELECT count(*) FROM notice WHERE state = 'waiting'")?
        .query_row([], |row| row.get(0))?;
    Ok(count.unsigned_abs())
}

/// Says whether there is a new notice.
fn make(db: &Connection, new: &NewNotice, at: Timestamp) -> Result<bool, Fault> {
    let digest = match new.kind {
        NoticeKind::Digest(date) => Some(date.to_string()),
        _ => None,
    };
    let Some(way) = &new.way else {
        db.prepare_cached("INSERT OR REPLACE INTO last_digest (person, date) VALUES (?1, ?2)")?
            .execute(params![new.person.as_str(), digest])?;
        return Ok(false);
    };
    db.prepare_cached(
        "INSERT INTO notice (person, way, address, kind, digest, made_at, state, tries, next_at)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, 'waiting', 0, ?6)",
    )?
    .execute(params![
        new.person.as_str(),
        way.name(),
        way.address(),
        new.kind.name(),
        digest,
        at.0
    ])?;
    let id = db.last_insert_rowid();
    let mut told = 0;
    for (flag, event) in &new.things {
        told += db
            .prepare_cached(
                "INSERT OR IGNORE INTO told (person, way, address, flag, event, notice)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            )?
            .execute(params![
                new.person.as_str(),
                way.name(),
                way.address(),
                flag.as_str(),
                event,
                id
            ])?;
    }
    if told == 0 && new.kind != NoticeKind::Test {
        db.execute("DELETE FROM notice WHERE id = ?1", [id])?;
        return Ok(false);
    }
    Ok(true)
}

fn list(db: &Connection, sql: &str, which: impl Params) -> Result<Vec<Notice>, Fault> {
    let mut found: Vec<Notice> = db
        .prepare_cached(sql)?
        .query_and_then(which, read)?
        .collect::<Result<_, Fault>>()?;
    for notice in &mut found {
        notice.things = db
            .prepare_cached("SELECT * FROM told WHERE notice = ?1 ORDER BY flag, event")?
            .query_and_then([notice.id], |row| {
                seal::verify(row, "told")?;
                Ok((row::name(row, "flag")?, row.get("event")?))
            })?
            .collect::<Result<_, Fault>>()?;
    }
    Ok(found)
}

fn read(row: &Row<'_>) -> Result<Notice, Fault> {
    seal::verify(row, "notice")?;
    let digest = row::optional_name(row, "digest")?;
    let kind = row::word(row, "kind", |word| match (word, digest) {
        ("news", _) => Some(NoticeKind::News),
        ("test", _) => Some(NoticeKind::Test),
        ("digest", Some(date)) => Some(NoticeKind::Digest(date)),
        _ => None,
    })?;
    let next_at = Timestamp(row.get("next_at")?);
    let state = row::word(row, "state", |word| match word {
        "waiting" => Some(NoticeState::Waiting { next_at }),
        "sent" => Some(NoticeState::Sent),
        "given_up" => Some(NoticeState::GivenUp),
        "moot" => Some(NoticeState::Moot),
        _ => None,
    })?;
    Ok(Notice {
        id: row.get("id")?,
        person: row::name(row, "person")?,
        way: way(row)?,
        kind,
        things: Vec::new(),
        made_at: Timestamp(row.get("made_at")?),
        state,
        tries: row.get("tries")?,
        done_at: row.get::<_, Option<i64>>("done_at")?.map(Timestamp),
        error: row.get("error")?,
    })
}

fn way(row: &Row<'_>) -> Result<Way, Fault> {
    let name: String = row.get("way")?;
    row::word(row, "address", |address| Way::new(&name, address).ok())
}
