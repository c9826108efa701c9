//! What the syrup's own thermometer says: whether fresh syrup was poured onto the old, or the old was
//! thrown out first. Weight and level show only the difference; the mixture's temperature shows the
//! shares (heat balance: `T = (V_old T_old + V_fresh T_fresh) / V`).

use super::{Change, ChangeKind, FeederEvents, GEOMETRY_SHARE, strength_of};
use crate::input::{FeederInput, HiveInput};
use crate::series::level::{LevelChange, LevelTrack};
use crate::series::strengths::Strengths;
use larder_domain::{Sample, Span, Timestamp};
use larder_syrup::physics::kg_per_litre;

crate::numbers! { "estimate.events.warmth":
    /// What a thermometer on a feeder is off after a fill, and what sun and air do meanwhile, K.
    THERMOMETER_SD: f64 = 1.5, "K", [0.5, 4.5], Chosen;
    /// Syrup is poured between cold and blood-warm, Cel (common practice).
    FRESH_CELSIUS: (f64, f64) = (22.0, 8.0), "Cel", [2.7, 66.0], CommonPractice;
    /// What one tank of a trip is known to be, K.
    TANK_SD: f64 = 3.0, "K", [1.0, 9.0], Chosen;
    /// Fills this close come from one tank, hours.
    TRIP_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// A fill onto no more than this share of the feeder shows the tank's temperature.
    NEARLY_EMPTY: f64 = 0.15, "1", [0.05, 0.45], Chosen;
    /// Of the fills onto old syrup, how many follow a throwing-out for each one that does not.
    PRIOR_ODDS: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// A change of temperature smaller than this tells nothing, K.
    LEAST_KELVIN: f64 = 3.0, "K", [1.0, 9.0], Chosen;
    /// A fill that neither level nor scale shows must change the temperature by this much between two
    /// readings, K.
    SUDDEN_KELVIN: f64 = 5.0, "K", [1.7, 15.0], Chosen;
    /// Two readings of a thermometer further apart than this are not sudden, hours.
    SUDDEN_HOURS: f64 = 1.2, "h", [0.4, 3.6], Chosen;
    /// Hands at another hive of the yard within this, hours, make a lone jump of temperature a fill.
    VISIT_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
    /// The temperature just before a fill is looked for in this time before it, ms: two hours.
    TWO_HOURS_MS: i64 = 2 * 3_600_000, "ms", [7200000.0, 7200000.0], Defined;
    /// Fresh syrup is seen on a thermometer within this, hours.
    SOON_HOURS: f64 = 1.5, "h", [0.5, 4.5], Chosen;
    /// A level on both sides of a fill is read within so many hours.
    LEVEL_HOURS: f64 = 4.0, "h", [1.3, 12.0], Chosen;
    /// A note that lies within this share of the level's rise says that the syrup was poured on top.
    NOTE_SHARE: f64 = 0.2, "1", [0.067, 0.6], Chosen;
    /// The last temperature before a fill counts where it is no older than this, hours.
    OLD_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
    /// A change that is known already explains a lone jump of temperature within so many hours of it.
    EXPLAINED_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
}

/// Looks again at all fills of a yard; one entry for each hive and its feeders.
pub fn find_renewals(
    hives: &[HiveInput<'_>],
    levels: &[Vec<LevelTrack>],
    strengths: &Strengths,
    events: &mut [Vec<FeederEvents>],
) {
    let tanks = tank_temperatures(hives, levels, events);
    let poured = pouring_times(events);
    for ((hive, levels), found) in hives.iter().zip(levels).zip(events) {
        for ((feeder, level), found) in hive.feeders.iter().zip(levels).zip(found) {
            let place = Place {
                feeder,
                level,
                strengths,
            };
            let hidden: Vec<Span> = found
                .displaced
                .iter()
                .chain(&found.masked)
                .copied()
                .collect();
            for change in &mut found.changes {
                if let Some(litres) = place.renewed(change, &hidden, &tanks) {
                    change.kind = ChangeKind::Renewed;
                    change.litres = Some(litres);
                }
            }
            let unseen = place.unseen_renewals(found, &poured);
            found.changes.extend(unseen);
            found.changes.sort_by_key(Change::time);
        }
    }
}

/// One feeder with what watched it.
struct Place<'a> {
    feeder: &'a FeederInput<'a>,
    level: &'a LevelTrack,
    strengths: &'a Strengths,
}

/// The temperature of the syrup before and behind a change, Cel.
fn warmed(feeder: &FeederInput<'_>, change: &Change) -> Option<(f64, f64)> {
    let before = change.earliest.plus_ms(-300_000);
    feeder.levels.iter().find_map(|level| {
        let samples = level.syrup_temperature;
        let last = samples.partition_point(|sample| sample.time <= before);
        let old = samples.get(last.checked_sub(1)?)?;
        let soon = samples[last..]
            .iter()
            .filter(|sample| sample.time > change.earliest)
            .take_while(|sample| sample.time.hours_since(change.latest) <= SOON_HOURS)
            .take(3);
        // It cools at once: the first readings count by how far they are from the old.
        let apart = |sample: &&Sample| (sample.value - old.value).abs();
        let new = soon.max_by(|a, b| apart(a).total_cmp(&apart(b)))?;
        (before.hours_since(old.time) <= OLD_HOURS).then_some((old.value, new.value))
    })
}

fn level_across(level: &LevelTrack, change: &Change) -> Option<LevelChange> {
    let span = Span {
        start: change.earliest,
        end: change.latest,
    };
    level.change_across(span, LEVEL_HOURS)
}

/// When fills onto next to nothing were poured, and how warm they were.
fn tank_temperatures(
    hives: &[HiveInput<'_>],
    levels: &[Vec<LevelTrack>],
    events: &[Vec<FeederEvents>],
) -> Vec<(Timestamp, f64)> {
    let mut tanks = Vec::new();
    for ((hive, levels), found) in hives.iter().zip(levels).zip(events) {
        for ((feeder, level), found) in hive.feeders.iter().zip(levels).zip(found) {
            for change in found.changes.iter().filter(|c| c.kind.pours()) {
                let Some((level, (_, warm))) =
                    level_across(level, change).zip(warmed(feeder, change))
                else {
                    continue;
                };
                if level.from < NEARLY_EMPTY * level.to {
                    tanks.push((change.time(), warm));
                }
            }
        }
    }
    tanks
}

fn pouring_times(events: &[Vec<FeederEvents>]) -> Vec<Timestamp> {
    let found = events.iter().flatten().flat_map(|found| &found.changes);
    let mut times: Vec<Timestamp> = found
        .filter(|change| change.kind.pours())
        .map(Change::time)
        .collect();
    times.sort();
    times
}

/// How warm what was poured at `at` was: value and standard deviation, Cel. A tank cools on its trip,
/// so the fill nearest in time tells best.
fn fresh(tanks: &[(Timestamp, f64)], at: Timestamp) -> (f64, f64) {
    let apart = |tank: &&(Timestamp, f64)| tank.0.hours_since(at).abs();
    let near = tanks.iter().filter(|tank| apart(tank) <= TRIP_HOURS);
    let nearest = near.min_by(|a, b| apart(a).total_cmp(&apart(b)));
    nearest.map_or(FRESH_CELSIUS, |tank| (tank.1, TANK_SD))
}

impl Place<'_> {
    /// How much was poured, l and standard deviation, if the old syrup was thrown out before a fill.
    fn renewed(
        &self,
        change: &Change,
        hidden: &[Span],
        tanks: &[(Timestamp, f64)],
    ) -> Option<(f64, f64)> {
        let just_before = change.earliest.plus_ms(-TWO_HOURS_MS);
        let unseen = |span: &Span| span.start <= change.latest && span.end >= just_before;
        if change.kind != ChangeKind::Fill || hidden.iter().any(unseen) {
            return None;
        }
        let level = level_across(self.level, change)?;
        let (old, new) = warmed(self.feeder, change)?;
        let before = level.from.max(0.0);
        if (new - old).abs() < LEAST_KELVIN || before < NEARLY_EMPTY * level.to {
            return None;
        }
        let noted = change
            .recorded
            .and_then(|i| self.feeder.recorded[i].volume_l);
        let added = level.litres();
        if noted.is_some_and(|noted| (noted - added).abs() < NOTE_SHARE * noted) {
            return None;
        }
        let share = (added / level.to).clamp(0.0, 1.0);
        let (warm, warm_sd) = fresh(tanks, change.time());
        let poured_on = log_normal(
            new - (old + share * (warm - old)),
            (share * warm_sd).hypot(THERMOMETER_SD),
        );
        let alone = log_normal(new - warm, warm_sd.hypot(THERMOMETER_SD));
        let odds = PRIOR_ODDS * (alone - poured_on).exp();
        (odds > 1.0).then(|| self.poured_anew(change, &level))
    }

    fn poured_anew(&self, change: &Change, level: &LevelChange) -> (f64, f64) {
        let by_level = (level.to, (GEOMETRY_SHARE * level.to).hypot(level.sd));
        let Some((more, sd)) = change.litres else {
            return by_level;
        };
        let inside = self.strengths.at(
            &self.feeder.feeder.id,
            change.earliest.plus_ms(-TWO_HOURS_MS),
        );
        let denser = kg_per_litre(inside) / kg_per_litre(change.strength);
        let before = level.from.max(0.0) * denser;
        let sd = sd.hypot(GEOMETRY_SHARE * before).hypot(level.sd);
        (more + before, sd)
    }

    /// Fresh syrup in place of as much old: neither level nor weight tells, the thermometer jumps
    /// while hands are in the yard.
    fn unseen_renewals(&self, found: &FeederEvents, poured: &[Timestamp]) -> Vec<Change> {
        let mut renewals = Vec::new();
        for level in &self.feeder.levels {
            for pair in level.syrup_temperature.windows(2) {
                if jumps(pair) && self.could_be_fresh(pair, found, poured) {
                    renewals.extend(self.renewal(pair));
                }
            }
        }
        renewals
    }

    fn could_be_fresh(&self, pair: &[Sample], found: &FeederEvents, poured: &[Timestamp]) -> bool {
        let (start, end) = (pair[0].time, pair[1].time);
        let explained = found.changes.iter().any(|c| {
            c.earliest.hours_since(end) < EXPLAINED_HOURS
                && start.hours_since(c.latest) < EXPLAINED_HOURS
        });
        let away = found.displaced.iter().chain(&found.masked);
        let away = away
            .into_iter()
            .any(|span| span.contains(start) || span.contains(end));
        let next = poured.partition_point(|at| start.hours_since(*at) > VISIT_HOURS);
        let visited = poured
            .get(next)
            .is_some_and(|at| at.hours_since(end) <= VISIT_HOURS);
        visited && !explained && !away
    }

    fn renewal(&self, pair: &[Sample]) -> Option<Change> {
        let change = Change {
            earliest: pair[0].time,
            latest: pair[1].time,
            kind: ChangeKind::Renewed,
            litres: None,
            recorded: None,
            scale_step: None,
            seen: true,
            strength: strength_of(self.feeder, None, self.strengths, pair[0].time),
        };
        let level = level_across(self.level, &change)?;
        let held = level.from.min(level.to) > NEARLY_EMPTY * self.feeder.feeder.capacity_l;
        held.then(|| Change {
            litres: Some((level.to, (GEOMETRY_SHARE * level.to).hypot(level.sd))),
            ..change
        })
    }
}

fn jumps(pair: &[Sample]) -> bool {
    let sudden = pair[1].time.hours_since(pair[0].time) <= SUDDEN_HOURS;
    sudden && (pair[1].value - pair[0].value).abs() >= SUDDEN_KELVIN
}

/// The logarithm of a normal density, up to a constant.
fn log_normal(off: f64, sd: f64) -> f64 {
    -0.5 * (off / sd).powi(2) - sd.ln()
}
