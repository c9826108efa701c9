//! Every threshold by name, so that it can be listed and set from outside.

use super::FlagParameters;
use larder_domain::{Apiary, HiveId, ThresholdPlace, YardId};
use std::collections::BTreeMap;

/// One threshold.
pub struct Parameter {
    /// The threshold's name: the kind, a point, the threshold (`silent.least_hours`).
    pub name: &'static str,
    /// The unit of the value; `/`: none.
    pub unit: &'static str,
    /// Where the default comes from.
    pub source: &'static str,
    read: fn(&FlagParameters) -> f64,
    write: fn(&mut FlagParameters, f64),
}

macro_rules! catalogue {
    ($($kind:ident . $field:ident, $unit:literal, $source:literal;)*) => {
        /// All thresholds, by kind.
        pub const CATALOGUE: &[Parameter] = &[$(Parameter {
            name: concat!(stringify!($kind), ".", stringify!($field)),
            unit: $unit,
            source: $source,
            read: |p| p.$kind.$field,
            write: |p, value| p.$kind.$field = value,
        },)*];
    };
}

catalogue! {
    silent.intervals, "intervals", "measured";
    silent.least_hours, "h", "common practice";
    silent.most_hours, "h", "common practice";
    low_battery.low_v, "V", "common practice";
    low_battery.charged_v, "V", "common practice";
    low_battery.stays_hours, "h", "chosen";
    sensor_fault.stuck_hours, "h", "measured";
    sensor_fault.scale_stuck_hours, "h", "measured";
    sensor_fault.absurd_share, "/", "measured";
    sensor_fault.sound_share, "/", "chosen";
    sensor_fault.absurd_hours, "h", "chosen";
    sensor_fault.echo_share, "/", "chosen";
    sensor_fault.drift_kg_per_night, "kg/night", "measured";
    sensor_fault.drift_sds, "sd", "chosen";
    empty.share, "/", "common practice";
    empty.litres, "l", "chosen";
    empty.filled_factor, "/", "chosen";
    empty.stays_hours, "h", "chosen";
    displaced.tare_kg_per_litre, "kg/l", "common practice";
    displaced.least_step_kg, "kg", "measured";
    displaced.wind_m_s, "m/s", "common practice (Beaufort 6)";
    loss.fast_l_per_h, "l/h", "measured";
    loss.fast_kg, "kg", "chosen";
    loss.sds, "sd", "chosen";
    loss.honey_factor, "/", "measured";
    loss.flight_cel, "Cel", "Burrill and Dietz 1981";
    loss.slow_sds, "sd", "measured";
    loss.slow_kg, "kg", "measured";
    flow.open_kg_per_day, "kg/day", "common practice";
    flow.close_kg_per_day, "kg/day", "chosen";
    flow.yard_kg_per_day, "kg/day", "chosen";
    flow.close_hours, "h", "chosen";
    cold.none_cel, "Cel", "common practice";
    cold.free_cel, "Cel", "measured";
    cold.open_ease, "/", "measured";
    cold.close_ease, "/", "chosen";
    cold.least_share, "/", "chosen";
    pace.winter_stores_l_per_day, "l", "common practice";
    pace.build_up_l_per_day, "l", "common practice";
    pace.comb_l_per_day, "l", "common practice";
    pace.emergency_l_per_day, "l", "common practice";
    stalled.ease, "/", "chosen";
    stalled.hours, "h", "chosen";
    stalled.share, "/", "chosen";
    stalled.holds_hours, "h", "chosen";
    stalled.of_expected, "/", "chosen";
    stalled.resumed, "/", "chosen";
    stalled.least_share, "/", "chosen";
    souring.days_to_sour, "d", "common practice";
    souring.factor_per_hundredth, "/", "common practice";
    souring.spread_factor, "/", "common practice";
    souring.hot_kelvin, "K", "measured";
    souring.warm_kelvin, "K", "measured";
    souring.foam_mm, "mm", "measured";
    souring.shown_risk, "/", "chosen";
    souring.open_risk, "/", "chosen";
    souring.close_risk, "/", "chosen";
    refill.share, "/", "common practice";
    refill.days, "d", "common practice";
    needs_feed.under_target_kg, "kg", "chosen";
    needs_feed.hours, "h", "chosen";
    behind.factor, "/", "chosen";
    behind.least_short_kg, "kg", "measured";
    behind.hours, "h", "chosen";
}

impl Parameter {
    /// The threshold's value in `parameters`.
    pub fn of(&self, parameters: &FlagParameters) -> f64 {
        (self.read)(parameters)
    }

    /// The value that holds where nobody sets it.
    pub fn default_value(&self) -> f64 {
        self.of(&FlagParameters::default())
    }
}

/// A threshold that there is not, or a value that none can have.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum BadParameter {
    /// No such name; with the nearest one.
    #[error("there is no threshold \"{given}\"; did you mean \"{nearest}\"?")]
    Unknown {
        /// What was given.
        given: String,
        /// The name that it looks most like.
        nearest: &'static str,
    },
    /// Below zero or no number.
    #[error("threshold \"{name}\" must be a number from 0 up, not {value}")]
    Value {
        /// Which.
        name: &'static str,
        /// What was given.
        value: f64,
    },
}

impl FlagParameters {
    /// Sets one by name.
    pub fn set(&mut self, name: &str, value: f64) -> Result<(), BadParameter> {
        let Some(parameter) = CATALOGUE.iter().find(|known| known.name == name) else {
            let nearest = CATALOGUE
                .iter()
                .min_by_key(|known| distance(known.name, name));
            return Err(BadParameter::Unknown {
                given: name.chars().take(80).collect(),
                nearest: nearest.map_or("", |known| known.name),
            });
        };
        if !(value.is_finite() && value >= 0.0) {
            let name = parameter.name;
            return Err(BadParameter::Value { name, value });
        }
        (parameter.write)(self, value);
        Ok(())
    }
}

/// How many letters must be put in, left out or changed (Levenshtein 1966).
fn distance(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().take(80).collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (i, a) in one.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, b) in other.iter().enumerate() {
            let changed = diagonal + usize::from(a != *b);
            diagonal = row[j + 1];
            row[j + 1] = changed.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[other.len()]
}

/// The thresholds of one yard, and of hives that have their own.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct YardParameters {
    /// For the yard.
    pub yard: FlagParameters,
    /// For hives with thresholds of their own.
    pub hives: BTreeMap<HiveId, FlagParameters>,
}

impl YardParameters {
    /// The thresholds of a hive: its own, else the yard's.
    pub fn of_hive(&self, hive: &HiveId) -> &FlagParameters {
        self.hives.get(hive).unwrap_or(&self.yard)
    }

    /// Puts the operation's, the yard's and the hives' together: the most particular one holds.
    pub fn of(apiary: &Apiary, yard: &YardId) -> Result<Self, BadParameter> {
        let mut all = Self::default();
        for threshold in apiary.thresholds() {
            match &threshold.place {
                ThresholdPlace::Operation => all.yard.set(&threshold.name, threshold.value)?,
                ThresholdPlace::Yard(_) | ThresholdPlace::Hive(_) => {}
            }
        }
        for threshold in apiary.thresholds() {
            if threshold.place == ThresholdPlace::Yard(yard.clone()) {
                all.yard.set(&threshold.name, threshold.value)?;
            }
        }
        for threshold in apiary.thresholds() {
            if let ThresholdPlace::Hive(hive) = &threshold.place {
                let of_yard = all.yard;
                let own = all.hives.entry(hive.clone()).or_insert(of_yard);
                own.set(&threshold.name, threshold.value)?;
            }
        }
        Ok(all)
    }
}

/// Everything that is wrong with the thresholds of an apiary.
pub fn mistakes(apiary: &Apiary) -> Vec<BadParameter> {
    let mut parameters = FlagParameters::default();
    let set = |t: larder_domain::Threshold| parameters.set(&t.name, t.value).err();
    apiary.thresholds().into_iter().filter_map(set).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::{Hive, Threshold, Yard};

    #[test]
    fn every_threshold_is_in_the_catalogue_once() {
        let printed = format!("{:?}", FlagParameters::default());
        let fields = printed.split([',', '{']).filter(|part| {
            part.contains(": ") && !part.trim_end().ends_with(|c: char| c.is_alphabetic())
        });
        assert_eq!(CATALOGUE.len(), fields.count());
        let mut names: Vec<_> = CATALOGUE.iter().map(|p| p.name).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), CATALOGUE.len());
    }

    #[test]
    fn an_unknown_name_is_answered_with_the_nearest() {
        let mut parameters = FlagParameters::default();
        let said = parameters
            .set("silent.leest_hours", 4.0)
            .unwrap_err()
            .to_string();
        assert_eq!(
            said,
            "there is no threshold \"silent.leest_hours\"; did you mean \"silent.least_hours\"?"
        );
        assert!(parameters.set("silent.least_hours", f64::NAN).is_err());
        assert!(parameters.set("silent.least_hours", -1.0).is_err());
        parameters.set("silent.least_hours", 4.0).unwrap();
        assert!((parameters.silent.least_hours - 4.0).abs() < 1e-12);
    }

    #[test]
    fn the_most_particular_one_holds() {
        let north = YardId::new("north").unwrap();
        let hive = HiveId::new("h").unwrap();
        let yard = Yard {
            id: north.clone(),
            name: "North".into(),
            timezone: chrono_tz::UTC,
            position: None,
            weather: None,
        };
        let declared = Hive {
            id: hive.clone(),
            name: "h".into(),
            yard: north.clone(),
            moves: vec![],
            scales: vec![],
            goal: None,
            target_weight_kg: None,
            target_date: None,
            supers_on: false,
        };
        let set = |place, value| Threshold {
            place,
            name: "refill.days".into(),
            value,
        };
        let apiary = Apiary::new(vec![yard], vec![declared], vec![], vec![])
            .and_then(|apiary| {
                apiary.with_thresholds(vec![
                    set(ThresholdPlace::Hive(hive.clone()), 5.0),
                    set(ThresholdPlace::Operation, 3.0),
                    set(ThresholdPlace::Yard(north.clone()), 4.0),
                ])
            })
            .unwrap();
        let all = YardParameters::of(&apiary, &north).unwrap();
        assert!((all.yard.refill.days - 4.0).abs() < 1e-12);
        assert!((all.hives[&hive].refill.days - 5.0).abs() < 1e-12);
        let elsewhere = YardParameters::of(&apiary, &YardId::new("x").unwrap()).unwrap();
        assert!((elsewhere.yard.refill.days - 3.0).abs() < 1e-12);
    }
}
