//! The apiary: one row for each yard, hive, feeder and gateway.

use super::apiary_record::{FeederRecord, HiveRecord, YardRecord};
use crate::embedded::fault::Fault;
use crate::embedded::seal;
use larder_domain::{Apiary, DeviceId, Threshold, ThresholdPlace};
use rusqlite::{Connection, params};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::collections::BTreeMap;

const YARD: &str = "yard";
const HIVE: &str = "hive";
const FEEDER: &str = "feeder";
const GATEWAY: &str = "gateway";
/// A threshold of the flags: the id is the place and the name, the body the value.
const THRESHOLD: &str = "threshold";
/// Not a thing of the apiary: the row that counts its changes.
const REVISION: &str = "revision";

/// Grows with every change, whoever makes it; 0: nothing was ever declared.
pub(super) fn revision(db: &Connection) -> Result<i64, Fault> {
    let revision: Option<String> = db
        .prepare_cached("SELECT * FROM apiary_item WHERE kind = ?1")?
        .query_and_then([REVISION], |row| {
            seal::verify(row, "apiary_item")?;
            Ok::<_, Fault>(row.get("body")?)
        })?
        .next()
        .transpose()?;
    let unreadable = |_| Fault::Damaged("the apiary's revision does not read".into());
    revision.map_or(Ok(0), |text| text.parse().map_err(unreadable))
}

pub(super) fn load(db: &Connection) -> Result<Apiary, Fault> {
    let (mut yards, mut hives, mut feeders, mut gateways) = (vec![], vec![], vec![], vec![]);
    let mut thresholds = Vec::new();
    let mut select = db.prepare_cached(ALL_THINGS)?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        seal::verify(row, "apiary_item")?;
        let (kind, id): (String, String) = (row.get(0)?, row.get(1)?);
        let body: String = row.get(2)?;
        let damaged =
            |what: String| Fault::Damaged(format!("{kind} \"{id}\" does not read: {what}"));
        match kind.as_str() {
            YARD => yards.push(
                parse::<YardRecord>(&body)
                    .and_then(|r| r.into_yard(&id))
                    .map_err(damaged)?,
            ),
            HIVE => hives.push(
                parse::<HiveRecord>(&body)
                    .and_then(|r| r.into_hive(&id))
                    .map_err(damaged)?,
            ),
            FEEDER => feeders.push(
                parse::<FeederRecord>(&body)
                    .and_then(|r| r.into_feeder(&id))
                    .map_err(damaged)?,
            ),
            GATEWAY => gateways.push(DeviceId::new(&id).map_err(|e| damaged(e.to_string()))?),
            THRESHOLD => {
                thresholds.push(threshold(&id, &body).ok_or_else(|| damaged(body.clone()))?);
            }
            _ => return Err(damaged("unknown kind".into())),
        }
    }
    let apiary = Apiary::new(yards, hives, feeders, gateways);
    apiary
        .and_then(|apiary| apiary.with_thresholds(thresholds))
        .map_err(|problems| {
            let first = problems
                .first()
                .map(ToString::to_string)
                .unwrap_or_default();
            Fault::Damaged(format!("the apiary does not fit together: {first}"))
        })
}

/// `operation silent.least_hours`, `yard:north …`, `hive:north-01 …`; no id contains a space or colon.
fn threshold(id: &str, body: &str) -> Option<Threshold> {
    let (place, name) = id.split_once(' ')?;
    let place = match place.split_once(':') {
        None if place == "operation" => ThresholdPlace::Operation,
        Some(("yard", yard)) => ThresholdPlace::Yard(yard.parse().ok()?),
        Some(("hive", hive)) => ThresholdPlace::Hive(hive.parse().ok()?),
        _ => return None,
    };
    Some(Threshold {
        place,
        name: name.to_owned(),
        value: body.parse().ok()?,
    })
}

fn threshold_id(threshold: &Threshold) -> String {
    let name = &threshold.name;
    match &threshold.place {
        ThresholdPlace::Operation => format!("operation {name}"),
        ThresholdPlace::Yard(yard) => format!("yard:{yard} {name}"),
        ThresholdPlace::Hive(hive) => format!("hive:{hive} {name}"),
    }
}

fn parse<T: DeserializeOwned>(body: &str) -> Result<T, String> {
    serde_json::from_str(body).map_err(|e| e.to_string())
}

/// Writes what differs. Says whether anything did.
pub(super) fn replace(db: &Connection, apiary: &Apiary) -> Result<bool, Fault> {
    let mut wanted = rows_of(apiary)?;
    let mut changed = false;
    let mut select = db.prepare_cached(ALL_THINGS)?;
    let mut rows = select.query([])?;
    let mut gone = Vec::new();
    while let Some(row) = rows.next()? {
        let key: (String, String) = (row.get(0)?, row.get(1)?);
        let body: String = row.get(2)?;
        match wanted.get(&key) {
            None => gone.push(key),
            Some(same) if *same == body => drop(wanted.remove(&key)),
            Some(_) => {}
        }
    }
    drop(rows);
    let mut delete = db.prepare_cached("DELETE FROM apiary_item WHERE kind = ?1 AND id = ?2")?;
    for (kind, id) in gone {
        delete.execute(params![kind, id])?;
        changed = true;
    }
    let mut put = db.prepare_cached(
        "INSERT OR REPLACE INTO apiary_item (kind, id, body) VALUES (?1, ?2, ?3)",
    )?;
    for ((kind, id), body) in wanted {
        put.execute(params![kind, id, body])?;
        changed = true;
    }
    if changed {
        put.execute(params![REVISION, "", (revision(db)? + 1).to_string()])?;
    }
    Ok(changed)
}

const ALL_THINGS: &str = "SELECT * FROM apiary_item WHERE kind <> 'revision'";

type Rows = BTreeMap<(String, String), String>;

fn rows_of(apiary: &Apiary) -> Result<Rows, Fault> {
    let mut rows = Rows::new();
    for threshold in apiary.thresholds() {
        let key = (THRESHOLD.to_owned(), threshold_id(&threshold));
        rows.insert(key, threshold.value.to_string());
    }
    let mut put = |kind: &str, id: &str, body: String| {
        rows.insert((kind.to_owned(), id.to_owned()), body);
    };
    for yard in apiary.yards() {
        put(YARD, yard.id.as_str(), json(&YardRecord::from(yard))?);
    }
    for hive in apiary.hives() {
        put(HIVE, hive.id.as_str(), json(&HiveRecord::from(hive))?);
    }
    for feeder in apiary.feeders() {
        put(
            FEEDER,
            feeder.id.as_str(),
            json(&FeederRecord::from(feeder))?,
        );
    }
    for gateway in apiary.gateways() {
        put(GATEWAY, gateway.as_str(), "{}".to_owned());
    }
    Ok(rows)
}

fn json(record: &impl Serialize) -> Result<String, Fault> {
    serde_json::to_string(record).map_err(|e| Fault::Io(e.into()))
}

/// Every device that the apiary names: scales, level sensors, weather stations, gateways.
pub(super) fn devices_declared(apiary: &Apiary) -> impl Iterator<Item = &DeviceId> {
    let weather = apiary.yards().filter_map(|yard| yard.weather.as_ref());
    let scales = apiary.hives().flat_map(|hive| &hive.scales);
    let sensors = apiary
        .feeders()
        .flat_map(|feeder| feeder.sensors.iter().map(|sensor| &sensor.assignment));
    let assigned = scales.chain(sensors).map(|a| &a.source.device);
    weather.chain(assigned).chain(apiary.gateways())
}
