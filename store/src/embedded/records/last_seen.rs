//! When devices were last heard and what they say of themselves comes with every message, so it
//! is written once a minute for all of them rather than once a batch: a sync spared each time.
//! Something that a device says for the first time, or says differently, is written at once. After
//! a crash a device may seem to have been silent for a minute longer than it was.

use super::devices::{self, Found};
use crate::embedded::EmbeddedStore;
use crate::embedded::fault::Fault;
use crate::{
    Attribute, DeviceHealth, MOST_ATTRIBUTE_BYTES, MOST_ATTRIBUTE_NAME_BYTES, MOST_ATTRIBUTES,
    MOST_UNDECLARED_DEVICES, StoreError,
};
use larder_domain::{DeviceId, Timestamp};
use rusqlite::Connection;
use std::collections::{BTreeMap, HashMap, HashSet};

/// By the time of receipt.
const WRITE_EVERY_MS: i64 = 60_000;

/// When this much waits it is written, too.
const MOST_WAITING: usize = 10_000;

/// What waits to be written.
#[derive(Default)]
pub(in crate::embedded) struct LastSeen {
    devices: HashMap<DeviceId, Timestamp>,
    /// Each newer than what is written, with the same value.
    attributes: BTreeMap<(DeviceId, String), Attribute>,
    written_at: Option<Timestamp>,
    /// Devices of which something is written or waits; empty: not read yet. As many as may be undeclared
    /// at most, those declared and those with readings.
    known: HashSet<DeviceId>,
}

impl EmbeddedStore {
    pub(super) fn note_last_seen(
        &self,
        heard: &[(DeviceId, Timestamp)],
        attributes: &[Attribute],
    ) -> Result<(), StoreError> {
        let mut waiting = self.waiting(NOTE)?;
        let mut near = None;
        let newest = heard.iter().map(|(_, at)| *at).max();
        for (device, at) in heard {
            if !self.admits(&mut waiting, &mut near, device)? {
                continue;
            }
            let known = waiting.devices.entry(device.clone()).or_insert(*at);
            *known = (*known).max(*at);
        }
        let mut news = false;
        let mut said = Vec::with_capacity(attributes.len());
        for attribute in attributes {
            if self.admits(&mut waiting, &mut near, &attribute.device)? {
                said.extend(within_bounds(attribute));
            }
        }
        if !said.is_empty() {
            news = self
                .connections
                .read(NOTE, |db| waiting.take_attributes(db, &said))?;
        }
        if news || waiting.is_due(newest) {
            self.write_waiting(&mut waiting)?;
            waiting.written_at = waiting.written_at.max(newest);
        }
        Ok(())
    }

    /// Whether anything is kept of what a device says: of all that are known already or declared, and of
    /// others up to a bound. What is left out is left out silently: such a message is no error, and
    /// readings of such a device go to the quarantine, where they can be seen.
    fn admits(
        &self,
        waiting: &mut LastSeen,
        near: &mut Option<NearBound>,
        device: &DeviceId,
    ) -> Result<bool, StoreError> {
        if waiting.known.is_empty() {
            waiting.known = self.connections.read(NOTE, devices::known)?;
        }
        if waiting.known.contains(device) {
            return Ok(true);
        }
        if waiting.known.len() >= MOST_UNDECLARED_DEVICES {
            let near = match near {
                Some(near) => near,
                None => {
                    let declared = self.devices_declared(NOTE)?;
                    let others = waiting
                        .known
                        .iter()
                        .filter(|known| !declared.contains(known));
                    let others = others.count();
                    near.insert(NearBound { declared, others })
                }
            };
            if !near.declared.contains(device) {
                if near.others >= MOST_UNDECLARED_DEVICES && !self.has_series(device)? {
                    return Ok(false);
                }
                near.others += 1;
            }
        }
        waiting.known.insert(device.clone());
        Ok(true)
    }

    /// Writes down what waits.
    pub(in crate::embedded) fn write_heard(&self) -> Result<(), StoreError> {
        let mut waiting = self.waiting(NOTE)?;
        self.write_waiting(&mut waiting)
    }

    fn write_waiting(&self, waiting: &mut LastSeen) -> Result<(), StoreError> {
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

    fn waiting(&self, attempted: &str) -> Result<std::sync::MutexGuard<'_, LastSeen>, StoreError> {
        self.heard.lock().map_err(|_| self.poisoned(attempted))
    }
}

const NOTE: &str = "note what devices say";

/// What is looked at once for all that came together, where as many devices are known as may be undeclared.
struct NearBound {
    declared: HashSet<DeviceId>,
    /// Known devices that are not declared.
    others: usize,
}

/// An attribute as it is kept: a text that is too long is cut; `None`: its name is too long, or its value
/// is too long and no text.
fn within_bounds(attribute: &Attribute) -> Option<Attribute> {
    if attribute.name.len() > MOST_ATTRIBUTE_NAME_BYTES {
        return None;
    }
    if attribute.value_json.len() <= MOST_ATTRIBUTE_BYTES {
        return Some(attribute.clone());
    }
    let text: String = serde_json::from_str(&attribute.value_json).ok()?;
    // JSON may need six bytes for one.
    let most = MOST_ATTRIBUTE_BYTES / 6 - 1;
    let end = (0..=most.min(text.len()))
        .rev()
        .find(|&end| text.is_char_boundary(end))?;
    let cut = serde_json::to_string(&format!("{}…", &text[..end])).ok()?;
    Some(Attribute {
        value_json: cut,
        ..attribute.clone()
    })
}

impl LastSeen {
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
            if known.is_none() {
                let mut names = devices::attribute_names(db, &attribute.device)?;
                let waiting = self
                    .attributes
                    .keys()
                    .filter(|(device, _)| *device == key.0);
                names.extend(waiting.map(|(_, name)| name.clone()));
                if names.len() >= MOST_ATTRIBUTES {
                    continue;
                }
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
