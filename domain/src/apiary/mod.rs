//! The apiary: yards, hives, feeders, and which device stands where since when. An [`Apiary`] is
//! whole by construction: every hive's yard and every feeder's hive exist, no id is used twice.

use crate::channel::ChannelKind;
use crate::identity::{ChannelRef, DeviceId, FeederId, HiveId, YardId};
use crate::time::{Span, Timestamp};
use chrono::NaiveDate;
use chrono_tz::Tz;
use larder_syrup::feeder::Shape;
use std::collections::BTreeMap;

mod learn_anew;

/// A place with hives.
#[derive(Clone, PartialEq, Debug)]
pub struct Yard {
    /// The yard's id.
    pub id: YardId,
    /// What people call it.
    pub name: String,
    /// The zone whose midnights bound its days.
    pub timezone: Tz,
    /// Degrees north, and degrees east.
    pub position: Option<(f64, f64)>,
    /// The device whose readings are this yard's weather.
    pub weather: Option<DeviceId>,
}

/// What a colony is fed for.
#[derive(
    Clone, Copy, PartialEq, Eq, Debug, strum::IntoStaticStr, strum::VariantArray, strum::EnumString,
)]
#[strum(serialize_all = "snake_case")]
pub enum Goal {
    /// Weight for the winter.
    WinterStores,
    /// Growth in spring.
    BuildUp,
    /// Drawing comb.
    Comb,
    /// Keeping it alive.
    Emergency,
}

impl Goal {
    /// All goals.
    pub const ALL: &'static [Self] = <Self as strum::VariantArray>::VARIANTS;

    /// The word in files and on the wire.
    pub fn name(self) -> &'static str {
        self.into()
    }

    /// Reads the word back.
    pub fn from_name(name: &str) -> Option<Self> {
        name.parse().ok()
    }
}

/// A channel that stood here for a while.
#[derive(Clone, PartialEq, Debug)]
pub struct Assignment {
    /// The channel.
    pub source: ChannelRef,
    /// From the first moment to the first one after; `Span::ALWAYS` where no dates are given.
    pub during: Span,
}

/// A hive carried to another yard.
#[derive(Clone, PartialEq, Debug)]
pub struct Move {
    /// Where to.
    pub yard: YardId,
    /// From when it stands there.
    pub from: Timestamp,
}

/// A hive.
#[derive(Clone, PartialEq, Debug)]
pub struct Hive {
    /// The hive's id.
    pub id: HiveId,
    /// What people call it; its id where no name was given.
    pub name: String,
    /// The yard where it stood first.
    pub yard: YardId,
    /// Where it was carried later, in order of time.
    pub moves: Vec<Move>,
    /// The scales under it, each for its time.
    pub scales: Vec<Assignment>,
    /// What it is fed for.
    pub goal: Option<Goal>,
    /// Gross weight on the scale that it should reach, kg.
    pub target_weight_kg: Option<f64>,
    /// By when.
    pub target_date: Option<NaiveDate>,
    /// Honey supers are on: no syrup.
    pub supers_on: bool,
}

impl Hive {
    /// The yard where it stands at `at`.
    pub fn yard_at(&self, at: Timestamp) -> &YardId {
        self.moves
            .iter()
            .rev()
            .find(|m| m.from <= at)
            .map_or(&self.yard, |m| &m.yard)
    }

    /// The yard where it stands last.
    pub fn yard_now(&self) -> &YardId {
        self.moves.last().map_or(&self.yard, |m| &m.yard)
    }
}

/// The kinds of feeder.
#[derive(
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Debug,
    strum::IntoStaticStr,
    strum::VariantArray,
    strum::EnumString,
)]
#[strum(serialize_all = "snake_case")]
pub enum FeederKind {
    /// Hangs in the hive in place of frames.
    Frame,
    /// Inverted pail over a hole in the lid.
    Pail,
    /// Inverted jar.
    Jar,
    /// Flat, on top under the lid.
    Tray,
    /// At the entrance.
    Entrance,
}

impl FeederKind {
    /// All kinds of feeder.
    pub const ALL: &'static [Self] = <Self as strum::VariantArray>::VARIANTS;

    /// The word in files and on the wire.
    pub fn name(self) -> &'static str {
        self.into()
    }

    /// Reads the word back.
    pub fn from_name(name: &str) -> Option<Self> {
        name.parse().ok()
    }
}

/// How a level sensor's channel becomes litres.
#[derive(Clone, PartialEq, Debug)]
pub enum Geometry {
    /// A distance sensor above the syrup.
    Distance {
        /// From the sensor's face to the feeder's floor, m.
        mount_m: f64,
        /// The feeder's shape.
        shape: Shape,
    },
    /// A depth sensor in the syrup.
    Depth {
        /// The feeder's shape.
        shape: Shape,
    },
    /// The channel says litres itself.
    Volume,
    /// A load cell under the feeder, net of the empty feeder; litres follow from the syrup's density.
    FeederWeight,
}

impl Geometry {
    /// The quantity that its channel must measure.
    pub fn channel_kind(&self) -> ChannelKind {
        match self {
            Self::Distance { .. } => ChannelKind::Distance,
            Self::Depth { .. } => ChannelKind::Depth,
            Self::Volume => ChannelKind::Volume,
            Self::FeederWeight => ChannelKind::FeederWeight,
        }
    }
}

/// A sensor that sees how full a feeder is.
#[derive(Clone, PartialEq, Debug)]
pub struct LevelSensor {
    /// Which channel, and when.
    pub assignment: Assignment,
    /// How its values become litres.
    pub geometry: Geometry,
}

/// A feeder.
#[derive(Clone, PartialEq, Debug)]
pub struct Feeder {
    /// The feeder's id.
    pub id: FeederId,
    /// The hive that it feeds.
    pub hive: HiveId,
    /// What it is.
    pub kind: FeederKind,
    /// Litres it holds.
    pub capacity_l: f64,
    /// The hive's scale carries it.
    pub on_scale: bool,
    /// The sensors that watch it, each for its time.
    pub sensors: Vec<LevelSensor>,
}

/// What is wrong with an apiary. All problems are reported at once.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{place}: {problem}")]
pub struct Problem {
    /// Where: `hive "north-01"`.
    pub place: String,
    /// What, as a sentence that says what to change.
    pub problem: String,
}

/// Yards, hives, feeders and gateways that fit together.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Apiary {
    yards: BTreeMap<YardId, Yard>,
    hives: BTreeMap<HiveId, Hive>,
    feeders: BTreeMap<FeederId, Feeder>,
    gateways: Vec<DeviceId>,
    thresholds: BTreeMap<(ThresholdPlace, String), f64>,
}

/// Where a threshold of the flags holds; the more particular one wins.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum ThresholdPlace {
    /// Everywhere.
    Operation,
    /// In one yard.
    Yard(YardId),
    /// At one hive.
    Hive(HiveId),
}

/// A threshold of the flags that was set by hand. Which there are, the processing stage knows.
#[derive(Clone, PartialEq, Debug)]
pub struct Threshold {
    /// Where it holds.
    pub place: ThresholdPlace,
    /// The threshold's name: `silent.least_hours`.
    pub name: String,
    /// The value, in the threshold's own unit.
    pub value: f64,
}

impl Apiary {
    /// With these thresholds instead of those that it had; of two with one place and name the later.
    pub fn with_thresholds(mut self, thresholds: Vec<Threshold>) -> Result<Self, Vec<Problem>> {
        let mut problems = Vec::new();
        self.thresholds.clear();
        for Threshold { place, name, value } in thresholds {
            let missing = match &place {
                ThresholdPlace::Operation => None,
                ThresholdPlace::Yard(id) if self.yards.contains_key(id) => None,
                ThresholdPlace::Yard(id) => Some(format!("there is no yard \"{id}\"")),
                ThresholdPlace::Hive(id) if self.hives.contains_key(id) => None,
                ThresholdPlace::Hive(id) => Some(format!("there is no hive \"{id}\"")),
            };
            let wrong = missing.or_else(|| {
                (!value.is_finite()).then(|| "value must be a finite number".to_owned())
            });
            if let Some(problem) = wrong {
                problems.push(Problem {
                    place: format!("threshold \"{name}\""),
                    problem,
                });
            }
            self.thresholds.insert((place, name), value);
        }
        if problems.is_empty() {
            Ok(self)
        } else {
            Err(problems)
        }
    }

    /// The thresholds that were set by hand, by place and name.
    pub fn thresholds(&self) -> Vec<Threshold> {
        let threshold = |((place, name), value): (&(ThresholdPlace, String), &f64)| Threshold {
            place: place.clone(),
            name: name.clone(),
            value: *value,
        };
        self.thresholds.iter().map(threshold).collect()
    }

    /// The thresholds among `thresholds` whose yard or hive is in this apiary.
    pub fn that_fit(&self, mut thresholds: Vec<Threshold>) -> Vec<Threshold> {
        thresholds.retain(|threshold| match &threshold.place {
            ThresholdPlace::Operation => true,
            ThresholdPlace::Yard(id) => self.yards.contains_key(id),
            ThresholdPlace::Hive(id) => self.hives.contains_key(id),
        });
        thresholds
    }

    /// Checks that everything fits together; says everything that does not.
    pub fn new(
        yards: Vec<Yard>,
        hives: Vec<Hive>,
        feeders: Vec<Feeder>,
        gateways: Vec<DeviceId>,
    ) -> Result<Self, Vec<Problem>> {
        let mut problems = Vec::new();
        let mut apiary = Self {
            gateways,
            ..Self::default()
        };
        apiary.gateways.sort();
        apiary.gateways.dedup();
        for yard in yards {
            check_position(&yard, &mut problems);
            let id = yard.id.clone();
            if apiary.yards.insert(id.clone(), yard).is_some() {
                problems.push(twice("yard", id.as_str()));
            }
        }
        for hive in hives {
            apiary.check_hive(&hive, &mut problems);
            let id = hive.id.clone();
            if apiary.hives.insert(id.clone(), hive).is_some() {
                problems.push(twice("hive", id.as_str()));
            }
        }
        for feeder in feeders {
            apiary.check_feeder(&feeder, &mut problems);
            let id = feeder.id.clone();
            if apiary.feeders.insert(id.clone(), feeder).is_some() {
                problems.push(twice("feeder", id.as_str()));
            }
        }
        apiary.check_assignments(&mut problems);
        if problems.is_empty() {
            Ok(apiary)
        } else {
            Err(problems)
        }
    }

    fn check_hive(&self, hive: &Hive, problems: &mut Vec<Problem>) {
        let place = format!("hive \"{}\"", hive.id);
        let mut say = |problem: String| {
            problems.push(Problem {
                place: place.clone(),
                problem,
            })
        };
        for yard in std::iter::once(&hive.yard).chain(hive.moves.iter().map(|m| &m.yard)) {
            if !self.yards.contains_key(yard) {
                say(format!(
                    "there is no yard \"{yard}\"; declare it or correct the name"
                ));
            }
        }
        if hive
            .moves
            .windows(2)
            .any(|pair| pair[0].from >= pair[1].from)
        {
            say("its moves must be in order of time".into());
        }
        if let Some(kg) = hive.target_weight_kg
            && !(kg > 0.0 && kg <= 1000.0)
        {
            say(format!(
                "target_weight_kg must lie between 0 and 1000, not {kg}"
            ));
        }
        for scale in &hive.scales {
            if scale.source.channel.kind() != Some(ChannelKind::Weight) {
                say(format!(
                    "its scale's channel must be a weight, not \"{}\"",
                    scale.source.channel
                ));
            }
        }
    }

    fn check_feeder(&self, feeder: &Feeder, problems: &mut Vec<Problem>) {
        let place = format!("feeder \"{}\"", feeder.id);
        let mut say = |problem: String| {
            problems.push(Problem {
                place: place.clone(),
                problem,
            })
        };
        if !self.hives.contains_key(&feeder.hive) {
            say(format!(
                "there is no hive \"{}\"; declare it or correct the name",
                feeder.hive
            ));
        }
        if !(feeder.capacity_l > 0.0 && feeder.capacity_l <= 2000.0) {
            say(format!(
                "capacity_l must lie between 0 and 2000, not {}",
                feeder.capacity_l
            ));
        }
        for sensor in &feeder.sensors {
            let wanted = sensor.geometry.channel_kind();
            if sensor.assignment.source.channel.kind() != Some(wanted) {
                say(format!(
                    "its sensor's channel \"{}\" must be a {}",
                    sensor.assignment.source.channel,
                    wanted.name()
                ));
            }
            if let Geometry::Distance { mount_m, .. } = sensor.geometry
                && !(mount_m > 0.0 && mount_m <= 10.0)
            {
                say(format!("mount_m must lie between 0 and 10, not {mount_m}"));
            }
        }
    }

    /// One channel can stand in one place at a time.
    fn check_assignments(&self, problems: &mut Vec<Problem>) {
        let scales = self.hives.values().flat_map(|hive| {
            hive.scales
                .iter()
                .map(move |a| (format!("hive \"{}\"", hive.id), a))
        });
        let sensors = self.feeders.values().flat_map(|feeder| {
            let place = format!("feeder \"{}\"", feeder.id);
            feeder
                .sensors
                .iter()
                .map(move |s| (place.clone(), &s.assignment))
        });
        let mut by_channel: BTreeMap<&ChannelRef, Vec<(String, Span)>> = BTreeMap::new();
        for (place, assignment) in scales.chain(sensors) {
            if assignment.during.start >= assignment.during.end {
                let problem = format!("{}: `from` must come before `to`", assignment.source);
                problems.push(Problem {
                    place: place.clone(),
                    problem,
                });
            }
            let earlier = by_channel.entry(&assignment.source).or_default();
            if let Some((other, _)) = earlier
                .iter()
                .find(|(_, during)| during.intersect(assignment.during).is_some())
            {
                let problem = format!(
                    "{} already stands at {other} at that time; give both `from` and `to`",
                    assignment.source
                );
                problems.push(Problem {
                    place: place.clone(),
                    problem,
                });
            }
            earlier.push((place, assignment.during));
        }
    }

    /// Takes `other` in: what has the same id is replaced, what is only here stays.
    pub fn updated_with(&self, other: Self) -> Result<Self, Vec<Problem>> {
        let mut merged = self.clone();
        merged.yards.extend(other.yards);
        merged.hives.extend(other.hives);
        merged.feeders.extend(other.feeders);
        merged.gateways.extend(other.gateways);
        Self::new(
            merged.yards.into_values().collect(),
            merged.hives.into_values().collect(),
            merged.feeders.into_values().collect(),
            merged.gateways,
        )
    }

    /// All yards, by id.
    pub fn yards(&self) -> impl Iterator<Item = &Yard> {
        self.yards.values()
    }

    /// All hives, by id.
    pub fn hives(&self) -> impl Iterator<Item = &Hive> {
        self.hives.values()
    }

    /// All feeders, by id.
    pub fn feeders(&self) -> impl Iterator<Item = &Feeder> {
        self.feeders.values()
    }

    /// Devices that may speak for others.
    pub fn gateways(&self) -> &[DeviceId] {
        &self.gateways
    }

    /// One yard.
    pub fn yard(&self, id: &YardId) -> Option<&Yard> {
        self.yards.get(id)
    }

    /// One hive.
    pub fn hive(&self, id: &HiveId) -> Option<&Hive> {
        self.hives.get(id)
    }

    /// One feeder.
    pub fn feeder(&self, id: &FeederId) -> Option<&Feeder> {
        self.feeders.get(id)
    }

    /// The feeders of one hive, by id.
    pub fn feeders_of<'a>(&'a self, hive: &'a HiveId) -> impl Iterator<Item = &'a Feeder> {
        self.feeders
            .values()
            .filter(move |feeder| feeder.hive == *hive)
    }

    /// The hives that stand in one yard now, by id.
    pub fn hives_in<'a>(&'a self, yard: &'a YardId) -> impl Iterator<Item = &'a Hive> {
        self.hives
            .values()
            .filter(move |hive| hive.yard_now() == yard)
    }
}

fn check_position(yard: &Yard, problems: &mut Vec<Problem>) {
    if let Some((latitude, longitude)) = yard.position
        && !((-90.0..=90.0).contains(&latitude) && (-180.0..=180.0).contains(&longitude))
    {
        problems.push(Problem {
            place: format!("yard \"{}\"", yard.id),
            problem: "latitude lies between -90 and 90, longitude between -180 and 180".into(),
        });
    }
}

fn twice(what: &str, id: &str) -> Problem {
    Problem {
        place: format!("{what} \"{id}\""),
        problem: "is declared twice; keep one".into(),
    }
}
