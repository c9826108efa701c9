//! When devices were last heard and what they say of themselves comes with every message, so it
//! is written once a minute for all of them rather than once a batch: a sync spared each time.
//! Something that a device says for the first time, or says differently, is written at once. After
//! a crash a device may seem to have been silent for a minute longer than it was.

use super::devices::{self, Found};
use crate::embedded::EmbeddedStore;
use crate::embedded::fault::Fault;
use crate::{Attribute, DeviceHealth, StoreError};
use larder_domain::{DeviceId, Timestamp};
use rusqlite::Connection;
use std::collections::{BTreeMap, HashMap};

/// By the time of receipt.
const WRITE_EVERY_MS: i64 = 60_000;

/// When this much waits it is written, too.
const MOST_WAITING: usize = 10_000;

/// What waits to be written.
#[derive(Default)]
pub(in crate::embedded) struct Heard {
    devices: HashMap<DeviceId, Timestamp>,
    /// Each newer than what is written, with the same value.
    attributes: BTreeMap<(DeviceId, String), Attribute>,
    written_at: Option<Timestamp>,
}

impl EmbeddedStore {
    pub(super) fn hear(
        &self,
        heard: &[(DeviceId, Timestamp)],
        attributes: &[Attribute],
    ) -> Result<(), StoreError> {
        let mut waiting = self.waiting(NOTE)?;
        let newest = heard.iter().map(|(_, at)| *at).max();
        for (device, at) in heard {
            let known = waiting.devices.entry(device.clone()).or_insert(*at);
            *known = (*known).max(*at);
        }
        let mut news = false;
        if !attributes.is_empty() {
            news = self
                .connections
                .read(NOTE, |db| waiting.take_attributes(db, attributes))?;
        }
        if news || waiting.is_due(newest) {
            self.write_waiting(&mut waiting)?;
            waiting.written_at = waiting.written_at.max(newest);
        }
        Ok(())
    }

    /// Writes down what waits.
    pub(in crate::embedded) fn write_heard(&self) -> Result<(), StoreError> {
        let mut waiting = self.waiting(NOTE)?;
        self.write_waiting(&mut waiting)
    }

    fn write_waiting(&self, waiting: &mut Heard) -> Result<(), StoreError> {
        if waiting.devices.is_empty() && waiting.attributes.is_empty() {
            return Ok(());
        }
        self.connections.write(NOTE, |tx| {
            for (device, at) in &waiting.devices {
                devices::put_heard(tx, device, *at)?;
            }
            let mut attributes = waiting.attributes.values();
            attributes.try_for_each(|attribute| devices::put_attribute(tx, attribute))
        })?;
        waiting.devices.clear();
        waiting.attributes.clear();
        Ok(())
    }

    pub(super) fn all_devices(&self) -> Result<Vec<DeviceHealth>, StoreError> {
        let attempted = "read the devices";
        let apiary = self.known_apiary(attempted)?;
        let waiting = self.waiting(attempted)?;
        let mut found: Found = self
            .connections
            .read(attempted, |db| devices::load(db, &apiary))?;
        for (device, at) in &waiting.devices {
            found.heard(device.clone(), *at);
        }
        for attribute in waiting.attributes.values() {
            found.says(attribute.clone());
        }
        Ok(found.into_list())
    }

    fn waiting(&self, attempted: &str) -> Result<std::sync::MutexGuard<'_, Heard>, StoreError> {
        self.heard.lock().map_err(|_| self.poisoned(attempted))
    }
}

const NOTE: &str = "note what devices say";

impl Heard {
    /// Says whether any is news: not known yet, or with another value.
    fn take_attributes(&mut self, db: &Connection, said: &[Attribute]) -> Result<bool, Fault> {
        let mut news = false;
        for attribute in said {
            let key = (attribute.device.clone(), attribute.name.clone());
            let known = match self.attributes.get(&key) {
                Some(waiting) => Some(waiting.clone()),
                None => devices::attribute(db, &attribute.device, &attribute.name)?,
            };
            if known
                .as_ref()
                .is_some_and(|known| known.time > attribute.time)
            {
                continue;
            }
            news |= known.is_none_or(|known| known.value_json != attribute.value_json);
            self.attributes.insert(key, attribute.clone());
        }
        Ok(news)
    }

    fn is_due(&self, newest: Option<Timestamp>) -> bool {
        let waited = match (self.written_at, newest) {
            (Some(written), Some(newest)) => newest >= written.plus_ms(WRITE_EVERY_MS),
            (None, _) => true,
            (Some(_), None) => false,
        };
        waited || self.devices.len() + self.attributes.len() >= MOST_WAITING
    }
}
