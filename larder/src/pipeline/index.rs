//! What a run asks of the whole operation, asked once: which hives ever stood in a yard, which feeders
//! a hive has, which series and what health a device. What one yard costs does not depend on how many
//! others there are.

use super::cover;
use super::load::{devices_of, stays};
use anyhow::Result;
use larder_domain::{Apiary, DeviceId, Feeder, Hive, HiveId, Span, YardId};
use larder_store::{Change, DeviceHealth, Readings, Records, SeriesInfo};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// The operation as one run sees it.
pub struct Index<'a> {
    pub apiary: &'a Apiary,
    yards: HashMap<&'a YardId, OfYard<'a>>,
    feeders: HashMap<&'a HiveId, Vec<&'a Feeder>>,
    series: HashMap<DeviceId, Vec<SeriesInfo>>,
    health: HashMap<DeviceId, DeviceHealth>,
}

#[derive(Default)]
struct OfYard<'a> {
    /// The hives that ever stood there, by id.
    hives: Vec<&'a Hive>,
    /// The devices of the hives that ever stood there, and of the yard's weather.
    devices: BTreeSet<DeviceId>,
}

impl<'a> Index<'a> {
    pub fn of(apiary: &'a Apiary, readings: &dyn Readings, records: &dyn Records) -> Result<Self> {
        let mut feeders: HashMap<&HiveId, Vec<&Feeder>> = HashMap::new();
        for feeder in apiary.feeders() {
            feeders.entry(&feeder.hive).or_default().push(feeder);
        }
        let mut yards: HashMap<&YardId, OfYard<'_>> = HashMap::new();
        for yard in apiary.yards() {
            let of_yard = yards.entry(&yard.id).or_default();
            of_yard.devices.extend(yard.weather.clone());
        }
        for hive in apiary.hives() {
            let its = feeders.get(&hive.id).map_or(&[][..], Vec::as_slice);
            let moved = hive.moves.iter().map(|carried| &carried.yard);
            let stood: BTreeSet<&YardId> = std::iter::once(&hive.yard).chain(moved).collect();
            for yard in stood {
                let here = stays(hive, yard);
                if let (false, Some(of_yard)) = (here.is_empty(), yards.get_mut(yard)) {
                    of_yard.hives.push(hive);
                    of_yard.devices.extend(devices_of(hive, its, &here));
                }
            }
        }
        let mut series: HashMap<DeviceId, Vec<SeriesInfo>> = HashMap::new();
        for info in readings.series()? {
            series
                .entry(info.series.device.clone())
                .or_default()
                .push(info);
        }
        let health = records.devices()?.into_iter();
        Ok(Self {
            apiary,
            yards,
            feeders,
            series,
            health: health.map(|known| (known.device.clone(), known)).collect(),
        })
    }

    /// By yard, the span of what changed in series of its devices or was written down for it.
    pub fn touched(
        &self,
        changes: &[Change],
        noted: &BTreeMap<YardId, Span>,
    ) -> HashMap<YardId, Span> {
        let mut yards_of: HashMap<&DeviceId, Vec<&YardId>> = HashMap::new();
        for (yard, of_yard) in &self.yards {
            for device in &of_yard.devices {
                yards_of.entry(device).or_default().push(yard);
            }
        }
        let mut touched: HashMap<YardId, Span> = noted.clone().into_iter().collect();
        for change in changes {
            for &yard in yards_of.get(&change.series.device).into_iter().flatten() {
                let known = touched.entry(yard.clone()).or_insert(change.span);
                *known = cover(*known, change.span);
            }
        }
        touched
    }

    /// The hives that ever stood in a yard, by id.
    pub fn hives(&self, yard: &YardId) -> &[&'a Hive] {
        self.yards.get(yard).map_or(&[], |of_yard| &of_yard.hives)
    }

    /// The devices that ever stood in a yard.
    pub fn devices(&self, yard: &YardId) -> impl Iterator<Item = &DeviceId> {
        self.yards
            .get(yard)
            .into_iter()
            .flat_map(|of_yard| &of_yard.devices)
    }

    /// A hive's feeders, by id.
    pub fn feeders(&self, hive: &HiveId) -> &[&'a Feeder] {
        self.feeders.get(hive).map_or(&[], Vec::as_slice)
    }

    /// A device's series, by channel.
    pub fn series(&self, device: &DeviceId) -> &[SeriesInfo] {
        self.series.get(device).map_or(&[], Vec::as_slice)
    }

    /// What is known of a device beside its readings.
    pub fn health(&self, device: &DeviceId) -> Option<&DeviceHealth> {
        self.health.get(device)
    }

    /// What is known of every device beside its readings.
    pub fn all_health(&self) -> impl Iterator<Item = &DeviceHealth> {
        self.health.values()
    }
}
