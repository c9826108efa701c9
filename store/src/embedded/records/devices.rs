//! What is known about devices beside their readings.

use super::{apiary, row};
use crate::embedded::fault::Fault;
use crate::{Attribute, DeviceHealth};
use larder_domain::{DeviceId, Timestamp};
use rusqlite::{Connection, params};
use std::collections::BTreeMap;

pub(super) fn note(
    db: &Connection,
    heard: &[(DeviceId, Timestamp)],
    attributes: &[Attribute],
) -> Result<(), Fault> {
    let mut note_heard = db.prepare_cached(
        "INSERT INTO device (id, last_heard) VALUES (?1, ?2) ON CONFLICT (id)
         DO UPDATE SET last_heard = ?2 WHERE last_heard < ?2",
    )?;
    for (device, at) in heard {
        note_heard.execute(params![device.as_str(), at.0])?;
    }
    let mut note_attribute = db.prepare_cached(
        "INSERT INTO attribute (device, name, value_json, time) VALUES (?1, ?2, ?3, ?4)
         ON CONFLICT (device, name)
         DO UPDATE SET value_json = ?3, time = ?4 WHERE time <= ?4",
    )?;
    for attribute in attributes {
        note_attribute.execute(params![
            attribute.device.as_str(),
            attribute.name,
            attribute.value_json,
            attribute.time.0,
        ])?;
    }
    Ok(())
}

pub(super) fn load(db: &Connection) -> Result<Vec<DeviceHealth>, Fault> {
    let mut found = Found::default();
    for device in db
        .prepare_cached("SELECT DISTINCT device AS device FROM series")?
        .query_and_then([], |row| row::name(row, "device"))?
    {
        found.device(device?);
    }
    for device in apiary::devices_declared(&apiary::load(db)?) {
        found.device(device.clone());
    }
    found.read_heard(db)?;
    found.read_attributes(db)?;
    found.read_impossible(db)?;
    Ok(found.0.into_values().collect())
}

#[derive(Default)]
struct Found(BTreeMap<DeviceId, DeviceHealth>);

impl Found {
    fn device(&mut self, device: DeviceId) -> &mut DeviceHealth {
        self.0
            .entry(device.clone())
            .or_insert_with(|| DeviceHealth {
                device,
                last_heard: None,
                attributes: Vec::new(),
                impossible: Vec::new(),
            })
    }

    fn read_heard(&mut self, db: &Connection) -> Result<(), Fault> {
        let mut select = db.prepare_cached("SELECT id, last_heard FROM device")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            self.device(row::name(row, "id")?).last_heard = Some(Timestamp(row.get("last_heard")?));
        }
        Ok(())
    }

    fn read_attributes(&mut self, db: &Connection) -> Result<(), Fault> {
        let mut select = db.prepare_cached("SELECT * FROM attribute ORDER BY device, name")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            let attribute = Attribute {
                device: row::name(row, "device")?,
                name: row.get("name")?,
                value_json: row.get("value_json")?,
                time: Timestamp(row.get("time")?),
            };
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
            let channel = row::channel(row, "channel")?;
            let time = Timestamp(row.get("time")?);
            self.device(row::name(row, "device")?)
                .impossible
                .push((channel, time));
        }
        Ok(())
    }
}
