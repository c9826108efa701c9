//! What stands where and who watches it.

use chrono_tz::Tz;
use larder_domain::Apiary;
use std::collections::{BTreeMap, BTreeSet};

/// What watches a feeder. A scale counts only where it carries it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Witness {
    LevelAndScale,
    Level,
    Scale,
    Neither,
}

impl Witness {
    pub const ALL: [Self; 4] = [Self::LevelAndScale, Self::Level, Self::Scale, Self::Neither];

    pub fn name(self) -> &'static str {
        match self {
            Self::LevelAndScale => "level and scale",
            Self::Level => "level",
            Self::Scale => "scale",
            Self::Neither => "neither",
        }
    }
}

/// An apiary by its names.
pub struct Subjects {
    witness: BTreeMap<String, Witness>,
    capacity_l: BTreeMap<String, f64>,
    /// Hives, feeders and yards that a device belongs to.
    of_device: BTreeMap<String, BTreeSet<String>>,
    zones: BTreeMap<String, Tz>,
    hives: BTreeMap<String, String>,
}

impl Subjects {
    pub fn of(apiary: &Apiary) -> Self {
        let mut subjects = Self {
            witness: BTreeMap::new(),
            capacity_l: BTreeMap::new(),
            of_device: BTreeMap::new(),
            zones: BTreeMap::new(),
            hives: BTreeMap::new(),
        };
        for yard in apiary.yards() {
            subjects.zones.insert(yard.id.to_string(), yard.timezone);
            if let Some(device) = &yard.weather {
                subjects.belongs(device.to_string(), yard.id.to_string());
            }
        }
        for hive in apiary.hives() {
            let id = hive.id.to_string();
            subjects
                .hives
                .insert(id.clone(), hive.yard_now().to_string());
            for scale in &hive.scales {
                subjects.belongs(scale.source.device.to_string(), id.clone());
            }
            for feeder in apiary.feeders_of(&hive.id) {
                let level = !feeder.sensors.is_empty();
                let scale = !hive.scales.is_empty() && feeder.on_scale;
                let witness = match (level, scale) {
                    (true, true) => Witness::LevelAndScale,
                    (true, false) => Witness::Level,
                    (false, true) => Witness::Scale,
                    (false, false) => Witness::Neither,
                };
                subjects.witness.insert(feeder.id.to_string(), witness);
                subjects
                    .capacity_l
                    .insert(feeder.id.to_string(), feeder.capacity_l);
                for sensor in &feeder.sensors {
                    let device = sensor.assignment.source.device.to_string();
                    subjects.belongs(device.clone(), id.clone());
                    subjects.belongs(device, feeder.id.to_string());
                }
            }
        }
        subjects
    }

    fn belongs(&mut self, device: String, to: String) {
        self.of_device.entry(device).or_default().insert(to);
    }

    pub fn witness(&self, feeder: &str) -> Witness {
        self.witness
            .get(feeder)
            .copied()
            .unwrap_or(Witness::Neither)
    }

    pub fn capacity_l(&self, feeder: &str) -> f64 {
        self.capacity_l.get(feeder).copied().unwrap_or(0.0)
    }

    pub fn has(&self, device: &str, part: &str) -> bool {
        self.of_device
            .get(device)
            .is_some_and(|parts| parts.contains(part))
    }

    pub fn hives_of<'a>(&'a self, device: &str) -> impl Iterator<Item = &'a String> {
        let parts = self.of_device.get(device).into_iter().flatten();
        parts.filter(|part| self.hives.contains_key(*part))
    }

    pub fn zone(&self, yard: &str) -> Tz {
        self.zones.get(yard).copied().unwrap_or(Tz::UTC)
    }

    pub fn zone_of_hive(&self, hive: &str) -> Tz {
        let yard = self.hives.get(hive);
        yard.map_or(Tz::UTC, |yard| self.zone(yard))
    }
}
