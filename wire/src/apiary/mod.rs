//! Yards, hives, feeders, gateways and thresholds as they are written down. JSON says everything and
//! takes the short forms of the file too; TOML leaves out what is usual (see `short`).

mod convert;
mod one_or_many;
mod parse;
mod short;
mod write;

pub use convert::{apply, assignment};
pub use one_or_many::{Scales, Sensors};

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa::openapi::{ObjectBuilder, OneOfBuilder, Ref, RefOr, Schema, Type};

/// A whole apiary file.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ApiaryFile {
    /// The yards.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub yard: Vec<YardWire>,
    /// The hives.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub hive: Vec<HiveWire>,
    /// The feeders.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub feeder: Vec<FeederWire>,
    /// Devices that may speak for others.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gateway: Vec<GatewayWire>,
    /// Thresholds of the flags.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub threshold: Vec<ThresholdWire>,
}

/// A place with hives.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Yard)]
pub struct YardWire {
    /// The yard's id; in a request to the API it may be left out, the path says it.
    #[serde(default)]
    #[schema(nullable = false)]
    pub id: Option<String>,
    /// What people call it; its id where left out.
    #[serde(default)]
    #[schema(nullable = false)]
    pub name: Option<String>,
    /// IANA name of the zone whose midnights bound its days.
    pub timezone: String,
    /// Degrees north.
    #[serde(default)]
    #[schema(minimum = -90, maximum = 90)]
    pub latitude: Option<f64>,
    /// Degrees east.
    #[serde(default)]
    #[schema(minimum = -180, maximum = 180)]
    pub longitude: Option<f64>,
    /// The device whose readings are this yard's weather.
    #[serde(default)]
    pub weather: Option<String>,
    /// Tells this state from any other; only in the API. Sent back with a change, the change is refused
    /// with 412 where somebody changed it meanwhile; left out, it is not looked at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub revision: Option<String>,
}

/// A hive.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Hive)]
pub struct HiveWire {
    /// The hive's id; in a request to the API it may be left out, the path says it.
    #[serde(default)]
    #[schema(nullable = false)]
    pub id: Option<String>,
    /// What people call it; its id where left out.
    #[serde(default)]
    #[schema(nullable = false)]
    pub name: Option<String>,
    /// The yard where it stood first.
    pub yard: String,
    /// The scale under it: a device, a table, or a list of either, each for its time.
    #[serde(default)]
    #[schema(value_type = Vec<ScaleWire>)]
    pub scale: Scales,
    /// `winter_stores`, `build_up`, `comb` or `emergency`.
    #[serde(default)]
    #[schema(schema_with = goal_or_null)]
    pub goal: Option<String>,
    /// Gross weight on the scale that it should reach, kg.
    #[serde(default)]
    pub target_weight_kg: Option<f64>,
    /// By when: `2026-10-15`.
    #[serde(default)]
    #[schema(format = Date)]
    pub target_date: Option<String>,
    /// Honey supers are on: no syrup.
    #[serde(default)]
    pub supers_on: bool,
    /// Where it was carried later.
    #[serde(default)]
    pub moves: Vec<MoveWire>,
    /// Tells this state from any other; only in the API. Sent back with a change, the change is refused
    /// with 412 where somebody changed it meanwhile; left out, it is not looked at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub revision: Option<String>,
}

/// A scale under a hive. On the wire its name alone where nothing else is said.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Scale)]
pub struct ScaleWire {
    /// The device.
    pub device: String,
    /// The scale's channel; `weight` where left out.
    #[serde(default)]
    #[schema(nullable = false)]
    pub channel: Option<String>,
    /// From when it stands there, RFC 3339; its first reading where left out.
    #[serde(default)]
    #[schema(format = DateTime)]
    pub from: Option<String>,
    /// Until when, RFC 3339; still where left out.
    #[serde(default)]
    #[schema(format = DateTime)]
    pub to: Option<String>,
}

/// A hive carried to another yard.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Move)]
pub struct MoveWire {
    /// Where to.
    pub yard: String,
    /// From when it stands there, RFC 3339.
    #[schema(format = DateTime)]
    pub from: String,
}

/// A feeder.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Feeder)]
pub struct FeederWire {
    /// The feeder's id; in a request to the API it may be left out, the path says it.
    #[serde(default)]
    #[schema(nullable = false)]
    pub id: Option<String>,
    /// The hive that it feeds.
    pub hive: String,
    /// `frame`, `pail`, `jar`, `tray` or `entrance`.
    #[schema(schema_with = feeder_kind)]
    pub kind: String,
    /// Litres it holds.
    pub capacity_l: f64,
    /// The hive's scale carries it.
    #[serde(default = "yes")]
    pub on_scale: bool,
    /// The sensor that watches it, or a list of them, each for its time.
    #[serde(default)]
    #[schema(value_type = Vec<SensorWire>)]
    pub sensor: Sensors,
    /// Tells this state from any other; only in the API. Sent back with a change, the change is refused
    /// with 412 where somebody changed it meanwhile; left out, it is not looked at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub revision: Option<String>,
}

/// The word list that the API's description holds under this name.
fn listed(name: &str) -> RefOr<Schema> {
    Ref::from_schema_name(name).into()
}

fn feeder_kind() -> RefOr<Schema> {
    listed("FeederKind")
}

fn goal_or_null() -> RefOr<Schema> {
    let null = ObjectBuilder::new().schema_type(Type::Null);
    let one_of = OneOfBuilder::new().item(null).item(listed("Goal"));
    one_of.into()
}

fn yes() -> bool {
    true
}

/// A level sensor. `distance` needs `mount_m`; `distance` and `depth` need `area_m2` or `table`.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Sensor)]
pub struct SensorWire {
    /// The device.
    pub device: String,
    /// The sensor's channel: a `distance`, `depth`, `volume` or `feeder_weight`.
    pub channel: String,
    /// From the sensor's face to the feeder's floor, m.
    #[serde(default)]
    pub mount_m: Option<f64>,
    /// Plan area of a feeder with straight walls, m2.
    #[serde(default)]
    pub area_m2: Option<f64>,
    /// Pairs of depth (m) and litres for any other shape.
    #[serde(default)]
    pub table: Option<Vec<(f64, f64)>>,
    /// From when it watches, RFC 3339; its first reading where left out.
    #[serde(default)]
    #[schema(format = DateTime)]
    pub from: Option<String>,
    /// Until when, RFC 3339; still where left out.
    #[serde(default)]
    #[schema(format = DateTime)]
    pub to: Option<String>,
}

/// A device that may speak for others.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Gateway)]
pub struct GatewayWire {
    /// The device.
    pub id: String,
}

/// A threshold of the flags: for a yard, for a hive, or for the whole operation where neither is named.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Threshold)]
pub struct ThresholdWire {
    /// The threshold's name; `larder flags parameters` lists them.
    pub name: String,
    /// The value, in the threshold's own unit.
    pub value: f64,
    /// Only in this yard.
    #[serde(default)]
    pub yard: Option<String>,
    /// Only at this hive.
    #[serde(default)]
    pub hive: Option<String>,
}

#[cfg(test)]
mod tests;
