//! From the file's words to the domain, with every mistake found.

use super::{
    ApiaryFile, FeederWire, GatewayWire, HiveWire, ScaleWire, SensorWire, ThresholdWire, YardWire,
};
use chrono::NaiveDate;
use larder_domain::apiary::Problem;
use larder_domain::names;
use larder_domain::{
    Apiary, Assignment, ChannelKind, ChannelName, ChannelRef, DeviceId, Feeder, FeederId,
    FeederKind, Geometry, Goal, Hive, HiveId, LevelSensor, Move, Span, Threshold, ThresholdPlace,
    Timestamp, Yard, YardId,
};
use larder_syrup::feeder::Shape;
use std::collections::BTreeSet;
use std::fmt::Display;
use std::str::FromStr;

/// The apiary after `file` was applied to `current`: what has the same id is replaced, what is only
/// in `current` stays, unless `prune` asks for the file alone. Applying twice changes nothing.
pub fn apply(current: &Apiary, file: &ApiaryFile, prune: bool) -> Result<Apiary, Vec<Problem>> {
    let mut problems = Vec::new();
    let mut yards = all(&file.yard, YardWire::to_yard, &mut problems);
    let mut hives = all(&file.hive, HiveWire::to_hive, &mut problems);
    let mut feeders = all(&file.feeder, FeederWire::to_feeder, &mut problems);
    let mut gateways = all(&file.gateway, GatewayWire::to_device, &mut problems);
    let thresholds = all(&file.threshold, ThresholdWire::to_threshold, &mut problems);
    if !problems.is_empty() {
        return Err(problems);
    }
    if !prune {
        let ids: BTreeSet<YardId> = yards.iter().map(|y| y.id.clone()).collect();
        yards.extend(current.yards().filter(|y| !ids.contains(&y.id)).cloned());
        let ids: BTreeSet<HiveId> = hives.iter().map(|h| h.id.clone()).collect();
        hives.extend(current.hives().filter(|h| !ids.contains(&h.id)).cloned());
        let ids: BTreeSet<FeederId> = feeders.iter().map(|f| f.id.clone()).collect();
        feeders.extend(current.feeders().filter(|f| !ids.contains(&f.id)).cloned());
        gateways.extend(current.gateways().iter().cloned());
    }
    let apiary = Apiary::new(yards, hives, feeders, gateways)?;
    let kept = match prune {
        true => Vec::new(),
        false => apiary.that_fit(current.thresholds()),
    };
    apiary.with_thresholds(kept.into_iter().chain(thresholds).collect())
}

impl ThresholdWire {
    fn to_threshold(&self) -> Result<Threshold, Vec<Problem>> {
        let wrong = |problem: String| {
            vec![Problem {
                place: format!("threshold \"{}\"", self.name),
                problem,
            }]
        };
        let place = match (&self.yard, &self.hive) {
            (None, None) => ThresholdPlace::Operation,
            (Some(yard), None) => {
                ThresholdPlace::Yard(YardId::new(yard).map_err(|e| wrong(e.to_string()))?)
            }
            (None, Some(hive)) => {
                ThresholdPlace::Hive(HiveId::new(hive).map_err(|e| wrong(e.to_string()))?)
            }
            (Some(_), Some(_)) => return Err(wrong("name a yard or a hive, not both".to_owned())),
        };
        Ok(Threshold {
            place,
            name: self.name.clone(),
            value: self.value,
        })
    }
}

fn all<F, T>(
    files: &[F],
    convert: impl Fn(&F) -> Result<T, Vec<Problem>>,
    problems: &mut Vec<Problem>,
) -> Vec<T> {
    files
        .iter()
        .filter_map(|file| convert(file).map_err(|found| problems.extend(found)).ok())
        .collect()
}

/// Collects what is wrong with one yard, hive or feeder.
struct Check {
    place: String,
    problems: Vec<Problem>,
}

impl Check {
    fn new(what: &str, id: &str) -> Self {
        Self {
            place: format!("{what} \"{id}\""),
            problems: Vec::new(),
        }
    }

    fn say(&mut self, problem: impl Display) {
        self.problems.push(Problem {
            place: self.place.clone(),
            problem: problem.to_string(),
        });
    }

    fn good<T, E: Display>(&mut self, key: &str, result: Result<T, E>) -> Option<T> {
        result
            .map_err(|error| self.say(format!("`{key}`: {error}")))
            .ok()
    }

    /// What people call it; where nothing is said, its id.
    fn name(&mut self, given: Option<&str>, id: &str) -> String {
        let checked = given.and_then(|name| self.good("name", names::name(name)));
        checked.unwrap_or_else(|| id.to_owned())
    }

    fn id<T: FromStr<Err = E>, E: Display>(&mut self, key: &str, text: &str) -> Option<T> {
        self.good(key, text.parse::<T>())
    }

    fn moment(&mut self, key: &str, text: &str) -> Option<Timestamp> {
        self.good(
            key,
            Timestamp::parse_rfc3339(text)
                .ok_or_else(|| format!("\"{text}\" is not a moment like 2026-06-01T00:00:00Z")),
        )
    }

    fn span(&mut self, from: Option<&str>, to: Option<&str>) -> Option<Span> {
        let start = from.map_or(Some(Span::ALWAYS.start), |text| self.moment("from", text));
        let end = to.map_or(Some(Span::ALWAYS.end), |text| self.moment("to", text));
        Some(Span {
            start: start?,
            end: end?,
        })
    }

    fn source(&mut self, device: &str, channel: &str) -> Option<ChannelRef> {
        let device = self.id::<DeviceId, _>("device", device);
        let channel = self.good("channel", ChannelName::new(channel));
        Some(ChannelRef {
            device: device?,
            channel: channel?,
        })
    }

    /// What was built, if nothing was wrong.
    fn done<T>(self, built: Option<T>) -> Result<T, Vec<Problem>> {
        match built {
            Some(built) if self.problems.is_empty() => Ok(built),
            _ => Err(self.problems),
        }
    }
}

/// Takes one of a few words.
fn word<T: Copy>(
    check: &mut Check,
    key: &str,
    given: &str,
    all: &[T],
    name: impl Fn(T) -> &'static str,
) -> Option<T> {
    let found = all.iter().copied().find(|one| name(*one) == given);
    if found.is_none() {
        let known: Vec<&str> = all.iter().map(|one| name(*one)).collect();
        check.say(format!(
            "`{key}` must be one of {}, not \"{given}\"",
            known.join(", ")
        ));
    }
    found
}

impl YardWire {
    /// Checks and converts.
    pub fn to_yard(&self) -> Result<Yard, Vec<Problem>> {
        let given = self.id.as_deref().unwrap_or_default();
        let mut check = Check::new("yard", given);
        let id = check.id::<YardId, _>("id", given);
        let timezone = check.good(
            "timezone",
            self.timezone.parse::<chrono_tz::Tz>().map_err(|_| {
                format!(
                    "\"{}\" is not an IANA zone like America/New_York",
                    self.timezone
                )
            }),
        );
        let position = match (self.latitude, self.longitude) {
            (Some(latitude), Some(longitude)) => Some((latitude, longitude)),
            (None, None) => None,
            _ => {
                check.say("give both `latitude` and `longitude`, or neither");
                None
            }
        };
        let weather = self
            .weather
            .as_deref()
            .and_then(|device| check.id::<DeviceId, _>("weather", device));
        let name = check.name(self.name.as_deref(), given);
        let built = id.zip(timezone).map(|(id, timezone)| Yard {
            id,
            name,
            timezone,
            position,
            weather,
        });
        check.done(built)
    }
}

impl HiveWire {
    /// Checks and converts.
    pub fn to_hive(&self) -> Result<Hive, Vec<Problem>> {
        let given = self.id.as_deref().unwrap_or_default();
        let mut check = Check::new("hive", given);
        let id = check.id::<HiveId, _>("id", given);
        let yard = check.id::<YardId, _>("yard", &self.yard);
        let goal = self
            .goal
            .as_deref()
            .and_then(|goal| word(&mut check, "goal", goal, Goal::ALL, Goal::name));
        let target_date = self.target_date.as_deref().and_then(|date| {
            check.good(
                "target_date",
                NaiveDate::parse_from_str(date, "%Y-%m-%d")
                    .map_err(|_| format!("\"{date}\" is not a date like 2026-10-15")),
            )
        });
        let moves = self.moves.iter().filter_map(|one| {
            let yard = check.id::<YardId, _>("moves", &one.yard);
            let from = check.moment("moves", &one.from);
            Some(Move {
                yard: yard?,
                from: from?,
            })
        });
        let moves = moves.collect();
        let scales = self.scale.0.iter();
        let scales = scales.filter_map(|scale| scale.check(&mut check)).collect();
        let name = check.name(self.name.as_deref(), given);
        let built = id.zip(yard).map(|(id, yard)| Hive {
            id,
            name,
            yard,
            moves,
            scales,
            goal,
            target_weight_kg: self.target_weight_kg,
            target_date,
            supers_on: self.supers_on,
        });
        check.done(built)
    }
}

/// Where a channel stands, from when to when; or what is wrong with it, in sentences.
pub fn assignment(
    device: &str,
    channel: &str,
    from: Option<&str>,
    to: Option<&str>,
) -> Result<Assignment, Vec<Problem>> {
    let mut check = Check::new("device", device);
    let built = ScaleWire {
        device: device.to_owned(),
        channel: Some(channel.to_owned()),
        from: from.map(str::to_owned),
        to: to.map(str::to_owned),
    };
    let built = built.check(&mut check);
    check.done(built)
}

impl ScaleWire {
    fn check(&self, check: &mut Check) -> Option<Assignment> {
        let channel = self
            .channel
            .as_deref()
            .unwrap_or(ChannelKind::Weight.name());
        let source = check.source(&self.device, channel);
        let during = check.span(self.from.as_deref(), self.to.as_deref());
        Some(Assignment {
            source: source?,
            during: during?,
        })
    }
}

impl FeederWire {
    /// Checks and converts.
    pub fn to_feeder(&self) -> Result<Feeder, Vec<Problem>> {
        let given = self.id.as_deref().unwrap_or_default();
        let mut check = Check::new("feeder", given);
        let id = check.id::<FeederId, _>("id", given);
        let hive = check.id::<HiveId, _>("hive", &self.hive);
        let kind = word(
            &mut check,
            "kind",
            &self.kind,
            FeederKind::ALL,
            FeederKind::name,
        );
        let sensors = self.sensor.0.iter();
        let sensors = sensors.filter_map(|s| s.check(&mut check)).collect();
        let built = id.zip(hive).zip(kind).map(|((id, hive), kind)| Feeder {
            id,
            hive,
            kind,
            capacity_l: self.capacity_l,
            on_scale: self.on_scale,
            sensors,
        });
        check.done(built)
    }
}

impl SensorWire {
    /// Checks and converts.
    pub fn to_sensor(&self) -> Result<LevelSensor, Vec<Problem>> {
        let mut check = Check::new("device", &self.device);
        let built = self.check(&mut check);
        check.done(built)
    }

    fn check(&self, check: &mut Check) -> Option<LevelSensor> {
        let source = check.source(&self.device, &self.channel);
        let during = check.span(self.from.as_deref(), self.to.as_deref());
        let geometry = self.geometry(check);
        Some(LevelSensor {
            assignment: Assignment {
                source: source?,
                during: during?,
            },
            geometry: geometry?,
        })
    }

    /// A shape or a mounting height that the channel does not need describes the feeder all the
    /// same, and is no mistake.
    fn geometry(&self, check: &mut Check) -> Option<Geometry> {
        let kind = ChannelName::new(&self.channel).ok()?.kind();
        match kind {
            Some(ChannelKind::Distance) => {
                if self.mount_m.is_none() {
                    check.say("a distance needs `mount_m`: metres from the sensor to the floor");
                }
                let shape = self.shape(check);
                Some(Geometry::Distance {
                    mount_m: self.mount_m?,
                    shape: shape?,
                })
            }
            Some(ChannelKind::Depth) => self.shape(check).map(|shape| Geometry::Depth { shape }),
            Some(ChannelKind::Volume) => Some(Geometry::Volume),
            Some(ChannelKind::FeederWeight) => Some(Geometry::FeederWeight),
            _ => {
                check.say(format!(
                    "a sensor's `channel` must be a distance, depth, volume or feeder_weight, not \"{}\"",
                    self.channel
                ));
                None
            }
        }
    }

    fn shape(&self, check: &mut Check) -> Option<Shape> {
        match (self.area_m2, &self.table) {
            (Some(area), None) => check.good("area_m2", Shape::straight(area)),
            (None, Some(rows)) => check.good("table", Shape::table(rows)),
            _ => {
                check.say("give the feeder's shape once: `area_m2` or `table`");
                None
            }
        }
    }
}

impl GatewayWire {
    /// Checks and converts.
    pub fn to_device(&self) -> Result<DeviceId, Vec<Problem>> {
        let mut check = Check::new("gateway", &self.id);
        let id = check.id::<DeviceId, _>("id", &self.id);
        check.done(id)
    }
}
