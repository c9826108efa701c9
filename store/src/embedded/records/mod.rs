//! Everything that is not a reading, in ordinary tables.

mod apiary;
mod apiary_record;
mod care;
mod devices;
mod evidence_record;
mod fills;
mod flags;
mod last_seen;
mod learned;
mod outbox;
mod person_record;
mod quarantine;
mod results;
pub(super) mod row;
mod settings;

pub(super) use last_seen::LastSeen;
pub(in crate::embedded) use quarantine::keep as keep_refused;

use super::EmbeddedStore;
use super::fault::Fault;
use crate::{
    Appended, Attribute, Change, DeviceHealth, Quarantined, QuarantinedId, Records, Refused,
    ResultsPatch, StoreError,
};
use chrono::NaiveDate;
use larder_domain::{
    Apiary, CareEntry, DeviceId, FeederId, FillEvent, FlagId, HiveId, KeptFlag, Learned,
    RecordedFill, Span, Timestamp, UptakeDay, WeightDay, YardId,
};
use rusqlite::Connection;
use std::collections::HashSet;

impl Records for EmbeddedStore {
    fn apiary(&self) -> Result<Apiary, StoreError> {
        self.known_apiary("read the apiary")
    }

    fn set_apiary(&self, apiary: &Apiary) -> Result<bool, StoreError> {
        self.connections
            .write("write the apiary", |tx| apiary::replace(tx, apiary))
    }

    fn edit_apiary_with(
        &self,
        edit: &mut dyn FnMut(&Apiary) -> Option<Apiary>,
    ) -> Result<bool, StoreError> {
        self.connections
            .write("change the apiary", |tx| match edit(&apiary::load(tx)?) {
                Some(edited) => apiary::replace(tx, &edited),
                None => Ok(false),
            })
    }

    fn record_fills(&self, fills: &[RecordedFill]) -> Result<Appended, StoreError> {
        self.connections
            .write("write fills down", |tx| fills::record(tx, fills))
    }

    fn recorded_fills(
        &self,
        feeder: Option<&FeederId>,
        span: Span,
    ) -> Result<Vec<RecordedFill>, StoreError> {
        self.connections
            .read("read the fills", |db| fills::load(db, feeder, span))
    }

    fn remove_fill(&self, feeder: &FeederId, time: Timestamp) -> Result<bool, StoreError> {
        self.connections
            .write("take a fill out", |tx| fills::remove(tx, feeder, time))
    }

    fn quarantine_durable(&self, refused: &[Refused]) -> Result<(), StoreError> {
        if refused.is_empty() {
            return Ok(());
        }
        self.connections
            .write("write the quarantine", |tx| quarantine::keep(tx, refused))
    }

    fn quarantined(
        &self,
        after: QuarantinedId,
        limit: usize,
    ) -> Result<Vec<Quarantined>, StoreError> {
        self.connections.read("read the quarantine", |db| {
            quarantine::list(db, after, limit)
        })
    }

    fn quarantined_ahead(
        &self,
        until: Timestamp,
        after: QuarantinedId,
        limit: usize,
    ) -> Result<Vec<QuarantinedId>, StoreError> {
        self.connections.read("read the quarantine", |db| {
            quarantine::ahead(db, until, after, limit)
        })
    }

    fn quarantine_size(&self) -> Result<(u64, u64), StoreError> {
        self.connections
            .read("count the quarantine", quarantine::size)
    }

    fn quarantine_dropped(&self) -> Result<u64, StoreError> {
        self.connections
            .read("count the quarantine", quarantine::dropped)
    }

    fn release_quarantined(&self, ids: &[QuarantinedId]) -> Result<(), StoreError> {
        self.connections
            .write("shorten the quarantine", |tx| quarantine::release(tx, ids))
    }

    fn note_devices(
        &self,
        heard: &[(DeviceId, Timestamp)],
        attributes: &[Attribute],
    ) -> Result<(), StoreError> {
        self.note_last_seen(heard, attributes)
    }

    fn cap_heard(&self, now: Timestamp) -> Result<(), StoreError> {
        self.write_heard()?;
        self.connections
            .write("put right when devices were heard", |tx| {
                devices::cap_heard(tx, now)
            })
    }

    fn devices(&self) -> Result<Vec<DeviceHealth>, StoreError> {
        self.all_devices()
    }

    fn changes(&self, limit: usize) -> Result<(Vec<Change>, i64), StoreError> {
        self.take_changes(limit)
    }

    fn note_change(&self, change: &[Change]) -> Result<(), StoreError> {
        self.add_changes(change)
    }

    fn acknowledge_changes(&self, mark: i64) -> Result<(), StoreError> {
        self.settle_changes(mark)
    }

    fn replace_results(&self, patch: &ResultsPatch) -> Result<(), StoreError> {
        self.connections.write("write results", |tx| {
            results::replace(tx, patch)?;
            learned::replace(tx, patch)
        })
    }

    fn uptake(
        &self,
        feeders: &[FeederId],
        from: Option<NaiveDate>,
        to: Option<NaiveDate>,
    ) -> Result<Vec<UptakeDay>, StoreError> {
        self.connections.read("read daily uptake", |db| {
            results::uptake(db, feeders, from, to)
        })
    }

    fn weight(
        &self,
        hives: &[HiveId],
        from: Option<NaiveDate>,
        to: Option<NaiveDate>,
    ) -> Result<Vec<WeightDay>, StoreError> {
        self.connections.read("read daily weights", |db| {
            results::weight(db, hives, from, to)
        })
    }

    fn fill_events(&self, feeders: &[FeederId], span: Span) -> Result<Vec<FillEvent>, StoreError> {
        self.connections.read("read fill events", |db| {
            results::fill_events(db, feeders, span)
        })
    }

    fn learned(&self) -> Result<Vec<Learned>, StoreError> {
        self.connections
            .read("read what was learned of devices", learned::newest)
    }

    fn learned_of(&self, device: &DeviceId) -> Result<Vec<Learned>, StoreError> {
        self.connections
            .read("read what was learned of a device", |db| {
                learned::of(db, device)
            })
    }

    fn keep_flags(&self, flags: &[KeptFlag]) -> Result<(), StoreError> {
        if flags.is_empty() {
            return Ok(());
        }
        self.connections
            .write("write flags", |tx| flags::keep(tx, flags))
    }

    fn flags(&self, yard: Option<&YardId>, span: Span) -> Result<Vec<KeptFlag>, StoreError> {
        self.connections
            .read("read flags", |db| flags::load(db, yard, span))
    }

    fn flag(&self, id: &FlagId) -> Result<Option<KeptFlag>, StoreError> {
        self.connections
            .read("read a flag", |db| flags::one(db, id))
    }

    fn care_for(&self, id: &FlagId, entry: &CareEntry) -> Result<bool, StoreError> {
        self.connections
            .write("write down what was said of a flag", |tx| {
                care::write_down(tx, id, entry)
            })
    }

    fn setting(&self, name: &str) -> Result<Option<String>, StoreError> {
        self.connections
            .read("read a setting", |db| settings::read(db, name))
    }

    fn set_setting(&self, name: &str, value: &str) -> Result<(), StoreError> {
        self.connections
            .write("write a setting", |tx| settings::write(tx, name, value))
    }
}

impl EmbeddedStore {
    /// The apiary, from memory where it did not change since it was last read.
    fn known_apiary(&self, attempted: &str) -> Result<Apiary, StoreError> {
        let mut known = self.apiary.lock().map_err(|_| self.poisoned(attempted))?;
        self.connections.read(attempted, |db| {
            let revision = apiary::revision(db)?;
            if let Some((of, apiary)) = &*known
                && *of == revision
            {
                return Ok(apiary.clone());
            }
            let apiary = apiary::load(db)?;
            *known = Some((revision, apiary.clone()));
            Ok(apiary)
        })
    }

    /// Every device that the apiary names.
    pub(in crate::embedded) fn devices_declared(
        &self,
        attempted: &str,
    ) -> Result<HashSet<DeviceId>, StoreError> {
        let apiary = self.known_apiary(attempted)?;
        Ok(apiary::devices_declared(&apiary).cloned().collect())
    }

    fn poisoned(&self, attempted: &str) -> StoreError {
        Fault::Poisoned.told(self.dir(), attempted)
    }
}

/// Takes out of the apiary what cannot stay because something it rests on was damaged.
pub(super) fn fit_together(db: &Connection, gone: &mut dyn FnMut(String)) -> Result<(), Fault> {
    let orphans = [
        "kind = 'hive' AND json_extract(body, '$.yard') NOT IN
             (SELECT id FROM apiary_item WHERE kind = 'yard')",
        "kind = 'hive' AND EXISTS (SELECT 1 FROM json_each(body, '$.moves') WHERE
             json_extract(value, '$.yard') NOT IN (SELECT id FROM apiary_item WHERE kind = 'yard'))",
        "kind = 'feeder' AND json_extract(body, '$.hive') NOT IN
             (SELECT id FROM apiary_item WHERE kind = 'hive')",
        "kind = 'threshold' AND id LIKE 'yard:%' AND substr(id, 6, instr(id, ' ') - 6) NOT IN
             (SELECT id FROM apiary_item WHERE kind = 'yard')",
        "kind = 'threshold' AND id LIKE 'hive:%' AND substr(id, 6, instr(id, ' ') - 6) NOT IN
             (SELECT id FROM apiary_item WHERE kind = 'hive')",
    ];
    for orphan in orphans {
        let names: Vec<(String, String)> = db
            .prepare(&format!("SELECT kind, id FROM apiary_item WHERE {orphan}"))?
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect::<Result<_, _>>()?;
        for (kind, id) in names {
            db.execute(
                "DELETE FROM apiary_item WHERE kind = ?1 AND id = ?2",
                [&kind, &id],
            )?;
            gone(format!(
                "{kind} \"{id}\", because what it belongs to is gone"
            ));
        }
    }
    apiary::load(db).map(drop)
}

/// Reads everything that is kept in a form of our own.
pub(super) fn check_all(db: &Connection) -> Result<(), Fault> {
    apiary::load(db).map(drop)
}
