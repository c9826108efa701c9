//! Nights: what a hive gained or lost in a day, without what hands did.

use super::subjects::Subjects;
use crate::truth::{Condition, Truth};
use larder_domain::WeightDay;
use std::collections::{BTreeMap, BTreeSet};

/// The error of a missing night, kg.
const MISSING_KG: f64 = 0.5;

/// One day of a scale that was sound, without anything that would hide what the hive did.
#[derive(Clone, Copy)]
pub struct NightScore {
    pub error_kg: f64,
    pub covered: bool,
}

pub fn score(truth: &Truth, subjects: &Subjects, days: &[WeightDay]) -> Vec<NightScore> {
    let mut told: BTreeMap<(String, String), &WeightDay> = BTreeMap::new();
    for day in days {
        told.insert((day.hive.to_string(), day.date.to_string()), day);
    }
    let unsound = unsound(truth, subjects);
    let mut scores = Vec::new();
    for night in truth.nights.iter().filter(|night| !night.disturbed) {
        let key = (night.hive.clone(), night.date.clone());
        let Some(net_kg) = night.net_change_kg.filter(|_| !unsound.contains(&key)) else {
            continue;
        };
        let estimate = told.get(&key).and_then(|day| day.net_change_kg);
        scores.push(NightScore {
            error_kg: estimate.map_or(MISSING_KG, |e| e.value - net_kg),
            covered: estimate.is_some_and(|e| (e.lo - 5e-4..=e.hi + 5e-4).contains(&net_kg)),
        });
    }
    scores
}

/// Hives and days on which a device of theirs failed or was not heard, or their feeder was off.
fn unsound(truth: &Truth, subjects: &Subjects) -> BTreeSet<(String, String)> {
    let mut all = BTreeSet::new();
    for event in &truth.events {
        let hives: Vec<&String> = match event.kind {
            Condition::SensorFault | Condition::Silent => {
                subjects.hives_of(&event.device).collect()
            }
            Condition::Displaced => vec![&event.hive],
            _ => continue,
        };
        for hive in hives {
            let zone = subjects.zone_of_hive(hive);
            let first = event.start.local_date(zone);
            let first = first.pred_opt().unwrap_or(first);
            let last = event.end.local_date(zone);
            let last = last.succ_opt().unwrap_or(last);
            for date in first.iter_days().take_while(|date| *date <= last) {
                all.insert((hive.clone(), date.to_string()));
            }
        }
    }
    all
}
