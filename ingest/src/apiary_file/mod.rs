//! The apiary as it is written in files and on the wire: yards, hives, feeders and gateways in TOML
//! (`larder apply`, `larder export`) and in JSON (the HTTP API). Free of MQTT and of stores.

mod convert;
mod one_or_many;
mod parse;
mod write;

pub use convert::apply;
pub use one_or_many::{Scales, Sensors};

use serde::{Deserialize, Serialize};

/// A whole apiary file.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ApiaryFile {
    /// The yards.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub yard: Vec<YardFile>,
    /// The hives.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub hive: Vec<HiveFile>,
    /// The feeders.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub feeder: Vec<FeederFile>,
    /// Devices that may speak for others.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gateway: Vec<GatewayFile>,
    /// Thresholds of the flags.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub threshold: Vec<ThresholdFile>,
}

/// A place with hives.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct YardFile {
    /// The yard's id.
    pub id: String,
    /// What people call it; its id where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// IANA name of the zone whose midnights bound its days.
    pub timezone: String,
    /// Degrees north.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub latitude: Option<f64>,
    /// Degrees east.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub longitude: Option<f64>,
    /// The device whose readings are this yard's weather.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weather: Option<String>,
}

/// A hive.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HiveFile {
    /// The hive's id.
    pub id: String,
    /// What people call it; its id where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// The yard where it stood first.
    pub yard: String,
    /// The scale under it: a device, a table, or a list of either, each for its time.
    #[serde(default, skip_serializing_if = "Scales::is_empty")]
    pub scale: Scales,
    /// `winter_stores`, `build_up`, `comb` or `emergency`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub goal: Option<String>,
    /// Gross weight on the scale that it should reach, kg.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target_weight_kg: Option<f64>,
    /// By when: `2026-10-15`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target_date: Option<String>,
    /// Honey supers are on: no syrup.
    #[serde(default)]
    pub supers_on: bool,
    /// Where it was carried later.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub moves: Vec<MoveFile>,
}

/// A scale under a hive. On the wire its name alone where nothing else is said.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ScaleFile {
    /// The device.
    pub device: String,
    /// The scale's channel; `weight` where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub channel: Option<String>,
    /// From when it stands there, RFC 3339; its first reading where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Until when, RFC 3339; still where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
}

/// A hive carried to another yard.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MoveFile {
    /// Where to.
    pub yard: String,
    /// From when it stands there, RFC 3339.
    pub from: String,
}

/// A feeder.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FeederFile {
    /// The feeder's id.
    pub id: String,
    /// The hive that it feeds.
    pub hive: String,
    /// `frame`, `pail`, `jar`, `tray` or `entrance`.
    pub kind: String,
    /// Litres it holds.
    pub capacity_l: f64,
    /// The hive's scale carries it.
    #[serde(default = "yes")]
    pub on_scale: bool,
    /// The sensor that watches it, or a list of them, each for its time.
    #[serde(default, skip_serializing_if = "Sensors::is_empty")]
    pub sensor: Sensors,
}

fn yes() -> bool {
    true
}

/// A level sensor. `distance` needs `mount_m`; `distance` and `depth` need `area_m2` or `table`.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SensorFile {
    /// The device.
    pub device: String,
    /// The sensor's channel: a `distance`, `depth`, `volume` or `feeder_weight`.
    pub channel: String,
    /// From the sensor's face to the feeder's floor, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mount_m: Option<f64>,
    /// Plan area of a feeder with straight walls, m2.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub area_m2: Option<f64>,
    /// Pairs of depth (m) and litres for any other shape.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub table: Option<Vec<(f64, f64)>>,
    /// From when it watches, RFC 3339; its first reading where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Until when, RFC 3339; still where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
}

/// A device that may speak for others.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GatewayFile {
    /// The device.
    pub id: String,
}

/// A threshold of the flags: for a yard, for a hive, or for the whole operation where neither is named.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThresholdFile {
    /// The threshold's name; `larder flags parameters` lists them.
    pub name: String,
    /// The value, in the threshold's own unit.
    pub value: f64,
    /// Only in this yard.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub yard: Option<String>,
    /// Only at this hive.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hive: Option<String>,
}

#[cfg(test)]
mod tests;
