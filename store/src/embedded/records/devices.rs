//! What is known about devices beside their readings.

use super::apiary::devices_declared;
use super::row;
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use crate::{Attribute, DeviceHealth};
use larder_domain::{Apiary, DeviceId, Timestamp};
use rusqlite::{Connection, OptionalExtension, Row, params};
use std::collections::{BTreeMap, HashSet};

/// Writes down when a device was last heard.
pub(super) fn put_heard(db: &Connection, device: &DeviceId, at: Timestamp) -> Result<(), Fault> {
    db.prepare_cached(
        "INSERT INTO device (id, last_heard) VALUES (?1, ?2) ON CONFLICT (id)
         DO UPDATE SET last_heard = ?2 WHERE last_heard < ?2",
    )?
    .execute(params![device.as_str(), at.0])?;
    Ok(())
}

/// No device was heard after `now`.
pub(super) fn cap_heard(db: &Connection, now: Timestamp) -> Result<(), Fault> {
    db.prepare_cached("UPDATE device SET last_heard = ?1 WHERE last_heard > ?1")?
        .execute([now.0])?;
    Ok(())
}

/// Writes down what a device says, unless something newer is known.
pub(super) fn put_attribute(db: &Connection, attribute: &Attribute) -> Result<(), Fault> {
    db.prepare_cached(
        "INSERT INTO attribute (device, name, value_json, time) VALUES (?1, ?2, ?3, ?4)
         ON CONFLICT (device, name)
         DO UPDATE SET value_json = ?3, time = ?4 WHERE time <= ?4",
    )?
    .execute(params![
        attribute.device.as_str(),
        attribute.name,
        attribute.value_json,
        attribute.time.0,
    ])?;
    Ok(())
}

pub(super) fn attribute(
    db: &Connection,
    device: &DeviceId,
    name: &str,
) -> Result<Option<Attribute>, Fault> {
    db.prepare_cached("SELECT * FROM attribute WHERE device = ?1 AND name = ?2")?
        .query_row([device.as_str(), name], |row| Ok(read_attribute(row)))
        .optional()?
        .transpose()
}

pub(super) fn attribute_names(
    db: &Connection,
    device: &DeviceId,
) -> Result<HashSet<String>, Fault> {
    Ok(db
        .prepare_cached("SELECT name FROM attribute WHERE device = ?1")?
        .query_map([device.as_str()], |row| row.get(0))?
        .collect::<Result<_, _>>()?)
}

/// Every device of which it is written when it was heard or what it says.
pub(super) fn known(db: &Connection) -> Result<HashSet<DeviceId>, Fault> {
    db.prepare_cached("SELECT id FROM device UNION SELECT device FROM attribute")?
        .query_and_then([], |row| row::name(row, "id"))?
        .collect()
}

fn read_attribute(row: &Row<'_>) -> Result<Attribute, Fault> {
    seal::verify(row, "attribute")?;
    Ok(Attribute {
        device: row::name(row, "device")?,
        name: row.get("name")?,
        value_json: row.get("value_json")?,
        time: Timestamp(row.get("time")?),
    })
}

/// Every device that is written down anywhere or declared in the apiary.
pub(super) fn load(db: &Connection, apiary: &Apiary) -> Result<Found, Fault> {
    let mut found = Found::default();
    for device in db
        .prepare_cached("SELECT DISTINCT device AS device FROM series")?
        .query_and_then([], |row| row::name(row, "device"))?
    {
        found.device(device?);
    }
    for device in devices_declared(apiary) {
        found.device(device.clone());
    }
    found.read_heard(db)?;
    found.read_attributes(db)?;
    found.read_impossible(db)?;
    Ok(found)
}

/// Devices by name.
#[derive(Default)]
pub(super) struct Found(BTreeMap<DeviceId, DeviceHealth>);

impl Found {
    pub(super) fn into_list(self) -> Vec<DeviceHealth> {
        self.0.into_values().collect()
    }

    pub(super) fn heard(&mut self, device: DeviceId, at: Timestamp) {
        let device = self.device(device);
        device.last_seen = device.last_seen.max(Some(at));
    }

    /// Takes in something newer than what is written down.
    pub(super) fn says(&mut self, attribute: Attribute) {
        let said = &mut self.device(attribute.device.clone()).attributes;
        match said.binary_search_by(|known| known.name.cmp(&attribute.name)) {
            Ok(at) => said[at] = attribute,
            Err(at) => said.insert(at, attribute),
        }
    }

    fn device(&mut self, device: DeviceId) -> &mut DeviceHealth {
        self.0
            .entry(device.clone())
            .or_insert_with(|| DeviceHealth {
                device,
                last_seen: None,
                attributes: Vec::new(),
                impossible: Vec::new(),
            })
    }

    fn read_heard(&mut self, db: &Connection) -> Result<(), Fault> {
        let mut select = db.prepare_cached("SELECT * FROM device")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            seal::verify(row, "device")?;
            self.heard(row::name(row, "id")?, Timestamp(row.get("last_heard")?));
        }
        Ok(())
    }

    fn read_attributes(&mut self, db: &Connection) -> Result<(), Fault> {
        let mut select = db.prepare_cached("SELECT * FROM attribute ORDER BY device, name")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            let attribute = read_attribute(row)?;
            self.device(attribute.device.clone())
                .attributes
                .push(attribute);
        }
        Ok(())
    }

    fn read_impossible(&mut self, db: &Connection) -> Result<(), Fault> {
        let mut select = db.prepare_cached("SELECT * FROM impossible ORDER BY time, id")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            seal::verify(row, "impossible")?;
            let channel = row::channel(row, "channel")?;
            let time = Timestamp(row.get("time")?);
            self.device(row::name(row, "device")?)
                .impossible
                .push((channel, time));
        }
        Ok(())
    }
}
