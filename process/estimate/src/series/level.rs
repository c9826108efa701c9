//! A feeder's level sensor: its readings as litres, without absurd ones, and the jumps in them.

use crate::input::{FeederInput, LevelInput};
use crate::math::robust::{median_of_few, noise_sd};
use crate::series::clean::{CleanSeries, Sanity, clean};
use crate::series::resolution::{UNIFORM_SD, resolution};
use crate::series::runs::same;
use larder_domain::{Geometry, Sample, Span, Timestamp};

crate::numbers! { "estimate.series.level":
    /// A reading outside the feeder by more than this share of the capacity, and `OUTSIDE_LITRES`, is
    /// refused: offsets, warmth and comb in the beam explain less.
    OUTSIDE_SHARE: f64 = 0.15, "1", [0.05, 0.45], Chosen;
    /// A reading outside the feeder by more litres than this, and `OUTSIDE_SHARE`, is refused.
    OUTSIDE_LITRES: f64 = 0.4, "l", [0.13, 1.2], Chosen;
    /// A level on one side of a jump is the median of up to so many readings.
    MEDIAN_OF: usize = 5, "1", [1.0, 15.0], Chosen;
    /// A median of five is this much noisier than a mean of five (normal noise).
    MEDIAN_SD: f64 = 1.2, "1", [1.2, 1.2], Defined;
    /// A jump stands out from the noise of a single reading by this factor: some five standard
    /// deviations of a difference of medians.
    JUMP_SDS: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    /// A jump is at least this large, l.
    LEAST_JUMP_L: f64 = 0.08, "l", [0.027, 0.24], Chosen;
    /// At least this share of a jump lies between two readings: robbers and leaks take a quarter of an
    /// hour for each part.
    SHARP_SHARE: f64 = 0.35, "1", [0.12, 1.0], Chosen;
    /// At least this share of a jump that noise cannot hide lies between two readings.
    CLEAR_SHARP_SHARE: f64 = 0.5, "1", [0.17, 1.0], Chosen;
    /// Noise cannot hide a jump of more than so many times the least one.
    CLEAR_JUMPS: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// Readings further apart than this say nothing about suddenness, hours.
    SUDDEN_HOURS: f64 = 1.6, "h", [0.53, 4.8], Chosen;
    /// A rise across a gap of more than this has a time that means nothing, hours.
    GAP_HOURS: f64 = 96.0, "h", [32.0, 290.0], Chosen;
    /// A ruler, a tilted hive and a worn cell put an empty feeder's reading up to this far below zero, m.
    BELOW_M: f64 = 0.012, "m", [0.004, 0.036], Chosen;
    /// The same under a feeder that is weighed, kg: less than any feeder itself weighs.
    BELOW_KG: f64 = 0.12, "kg", [0.04, 0.25], Chosen;
    /// The same of a sensor that does its own sums, l.
    BELOW_L: f64 = 0.3, "l", [0.1, 0.9], Chosen;
    /// Noise takes a reading this many standard deviations lower.
    BELOW_SDS: f64 = 4.0, "1", [2.0, 6.0], Chosen;
    /// A reading within a jump belongs to the side that it is closer to than this share of the jump.
    SIDE_SHARE: f64 = 0.25, "1", [0.083, 0.45], Chosen;
    /// A level reading this many standard deviations from those around it is a spike.
    SPIKE_SDS: f64 = 5.0, "1", [1.7, 15.0], Chosen;
    /// A spike is at least so many steps of the sensor's resolution high.
    SPIKE_STEPS: f64 = 1.5, "1", [1.0, 4.5], Chosen;
    /// The median of nine readings lags by about two behind a level that falls: a spike is higher than
    /// what goes meanwhile.
    SPIKE_READINGS: f64 = 2.0, "1", [1.0, 4.0], Chosen;
    /// No colony empties a full feeder faster than this, hours.
    FASTEST_HOURS: f64 = 6.0, "h", [2.0, 18.0], CommonPractice;
    /// A sensor repeats itself by habit where more than this share of its values equal the one before: its
    /// steps are coarse, and a value that stays says nothing.
    COARSE_SHARE: f64 = 0.5, "1", [0.17, 0.9], Chosen;
    /// A level that stays the same for so long may be stuck, hours.
    STUCK_HOURS: f64 = 1.5, "h", [0.5, 4.5], Chosen;
    /// Level readings agree that lie within so many times their noise.
    STEADY_SDS: f64 = 6.0, "1", [2.0, 18.0], Chosen;
    /// Level readings that agree lie within so many hours.
    STEADY_HOURS: f64 = 2.5, "h", [0.83, 7.5], Chosen;
    /// Level sensors report about as often as this, hours.
    USUAL_INTERVAL_HOURS: f64 = 0.25, "h", [0.083, 0.75], Chosen;
    /// Level sensors report no oftener than this, hours.
    LEAST_INTERVAL_HOURS: f64 = 1.0 / 60.0, "h", [0.0056, 0.05], Chosen;
}

/// A sudden change of level.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LevelJump {
    /// Last reading before it.
    pub earliest: Timestamp,
    /// First reading behind it.
    pub latest: Timestamp,
    /// How much more is in the feeder, l by the geometry given.
    pub litres: f64,
}

/// The readings that one of a feeder's sensors made.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SensorTurn {
    /// The sensor, as an index into [`FeederInput::levels`].
    pub sensor: usize,
    /// The first reading of the sensor's turn, as an index into the series.
    pub first: usize,
    /// When the sensor's turn began.
    pub since: Timestamp,
    /// The step in which its values lie, in the channel's unit; zero where none matters.
    pub resolution: f64,
}

/// A feeder's level over the whole record. All volumes are by the geometry given and at the
/// temperature of the moment; what the geometry and the sensor get wrong is learned later.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct LevelTrack {
    /// Litres, in order of time; no absurd values.
    pub series: CleanSeries,
    /// Jumps of the level, in order.
    pub jumps: Vec<LevelJump>,
    /// Which sensor made which readings, in order.
    pub turns: Vec<SensorTurn>,
}

/// Every reading that can be, in order, l: also those that were left out of the series since they stayed
/// the same or stood alone.
type Possible = Vec<(Timestamp, f64)>;

/// Litres for one value of the channel; `kg_per_litre` is asked only where the feeder is weighed.
pub fn litres(geometry: &Geometry, value: f64, kg_per_litre: impl FnOnce() -> f64) -> f64 {
    match geometry {
        Geometry::Distance { mount_m, shape } => shape.litres_at(mount_m - value),
        Geometry::Depth { shape } => shape.litres_at(value),
        Geometry::Volume => value,
        Geometry::FeederWeight => value / kg_per_litre(),
    }
}

/// What an error of one unit of the channel (m, l or kg) costs in litres at `litres`.
pub fn litres_per_unit(geometry: &Geometry, litres: f64, kg_per_litre: f64) -> f64 {
    match geometry {
        Geometry::Distance { shape, .. } | Geometry::Depth { shape } => {
            shape.litres_per_metre_at(shape.depth_at(litres))
        }
        Geometry::Volume => 1.0,
        Geometry::FeederWeight => 1.0 / kg_per_litre,
    }
}

/// What a level sensor over a feeder of a capacity may show, l; what lies outside is a fault.
pub fn possible_litres(capacity_l: f64) -> std::ops::RangeInclusive<f64> {
    let outside = OUTSIDE_SHARE * capacity_l + OUTSIDE_LITRES;
    -outside..=capacity_l + OUTSIDE_SHARE * capacity_l + outside
}

/// Reads all sensors of one feeder. `kg_per_litre` gives the density of what is in it at a moment.
pub fn track_level(
    feeder: &FeederInput<'_>,
    kg_per_litre: impl Fn(Timestamp) -> f64,
    scratch: &mut Vec<f64>,
) -> LevelTrack {
    let capacity = feeder.feeder.capacity_l;
    let mut track = LevelTrack::default();
    let mut possible = Possible::new();
    for (sensor, level) in feeder.levels.iter().enumerate() {
        let resolution = resolution(level.samples);
        let times: Vec<Timestamp> = level.samples.iter().map(|s| s.time).collect();
        let density = level.samples.first().map_or(1.0, |s| kg_per_litre(s.time));
        let step_l = resolution * litres_per_unit(level.geometry(), capacity / 2.0, density);
        let noise_l = noise_of(level, &kg_per_litre, scratch).max(UNIFORM_SD * step_l);
        let sanity = Sanity {
            least: -(below_empty_l(level.geometry(), density) + BELOW_SDS * noise_l),
            most: *possible_litres(capacity).end(),
            spike_sds: SPIKE_SDS,
            spike_least: (SPIKE_STEPS * step_l)
                .max(SPIKE_READINGS * usual_interval_hours(&times) * capacity / FASTEST_HOURS),
            stuck_hours: if repeats_by_habit(level.samples) {
                f64::INFINITY
            } else {
                STUCK_HOURS
            },
            quiet_per_hour: 0.0,
        };
        let in_litres = level.samples.iter().map(|sample| Sample {
            time: sample.time,
            value: litres(level.geometry(), sample.value, || kg_per_litre(sample.time)),
        });
        let can_be = sanity.least..=sanity.most;
        let readings = in_litres.clone().map(|sample| (sample.time, sample.value));
        possible.extend(readings.filter(|reading| can_be.contains(&reading.1)));
        let mut series = clean(in_litres, &sanity, scratch);
        series.noise_sd = series.noise_sd.max(UNIFORM_SD * step_l);
        if let Some(&since) = series.times.first() {
            let first = track.series.times.len();
            track.turns.push(SensorTurn {
                sensor,
                first,
                since,
                resolution,
            });
        }
        track.append(series);
    }
    track.jumps = find_jumps(&track.series);
    for jump in &mut track.jumps {
        narrow(jump, &possible, &track.series);
    }
    track
}

/// How far below empty a sensor may read, l: what lies lower is no syrup but a vessel off its cell, a
/// longer way for the echo or a fault, and must never become the sensor's zero.
fn below_empty_l(geometry: &Geometry, kg_per_litre: f64) -> f64 {
    match geometry {
        Geometry::FeederWeight => BELOW_KG / kg_per_litre,
        Geometry::Volume => BELOW_L,
        Geometry::Distance { .. } | Geometry::Depth { .. } => {
            BELOW_M * litres_per_unit(geometry, 0.0, kg_per_litre)
        }
    }
}

/// The noise of a sensor's readings, l, absurd ones among them.
fn noise_of(
    level: &LevelInput<'_>,
    kg_per_litre: impl Fn(Timestamp) -> f64,
    scratch: &mut Vec<f64>,
) -> f64 {
    let readings = level.samples.iter();
    let in_litres = readings.map(|s| litres(level.geometry(), s.value, || kg_per_litre(s.time)));
    let values: Vec<f64> = in_litres.filter(|value| value.is_finite()).collect();
    noise_sd(&values, scratch).unwrap_or(0.0)
}

/// Readings within a jump that were left out tell when it was: those like the level before it, and those
/// like the level behind it.
fn narrow(jump: &mut LevelJump, possible: &Possible, series: &CleanSeries) {
    let at = |time: Timestamp| {
        let i = series.times.partition_point(|&t| t < time);
        series.values.get(i).copied()
    };
    let (Some(before), Some(behind)) = (at(jump.earliest), at(jump.latest)) else {
        return;
    };
    let first = possible.partition_point(|reading| reading.0 <= jump.earliest);
    let within = possible[first..].iter().take_while(|r| r.0 < jump.latest);
    for &(time, litres) in within {
        if (litres - before).abs() < SIDE_SHARE * (behind - before).abs() {
            jump.earliest = time;
        } else if (litres - behind).abs() < SIDE_SHARE * (behind - before).abs() {
            jump.latest = time;
            break;
        }
    }
}

impl LevelTrack {
    fn append(&mut self, other: CleanSeries) {
        let n = (self.series.values.len(), other.values.len());
        let weight = |sd: f64, n: usize| sd * n as f64;
        let total = (n.0 + n.1).max(1) as f64;
        self.series.noise_sd =
            (weight(self.series.noise_sd, n.0) + weight(other.noise_sd, n.1)) / total;
        self.series.times.extend(other.times);
        self.series.values.extend(other.values);
        self.series.n_refused += other.n_refused;
    }

    /// Which turn the newest reading at or before `at` belongs to, by index; before the first reading
    /// the first. `None`: no sensor ever read.
    pub fn turn_at(&self, at: Timestamp) -> Option<usize> {
        let begun = self.turns.partition_point(|turn| turn.since <= at);
        (!self.turns.is_empty()).then(|| begun.saturating_sub(1))
    }

    /// How the level changed between `span.start` and `span.end`: medians of up to five readings
    /// within `reach_hours` on each side. `None` where a side has no readings.
    pub fn change_across(&self, span: Span, reach_hours: f64) -> Option<LevelChange> {
        self.change_between(span, reach_hours, Span::ALWAYS)
    }

    /// How the level changed between `span.start` and `span.end`, from readings within `bounds` only:
    /// where other steps follow soon. `None` where a side has no readings.
    pub fn change_between(
        &self,
        span: Span,
        reach_hours: f64,
        bounds: Span,
    ) -> Option<LevelChange> {
        let t = &self.series.times;
        let last = t.partition_point(|&time| time <= span.start);
        let first = t.partition_point(|&time| time < span.end);
        let before = (last.saturating_sub(MEDIAN_OF)..last)
            .filter(|&i| span.start.hours_since(t[i]) <= reach_hours && t[i] >= bounds.start);
        let behind = (first..t.len().min(first + MEDIAN_OF))
            .filter(|&i| t[i].hours_since(span.end) <= reach_hours && t[i] <= bounds.end);
        let (n0, n1) = (before.clone().count(), behind.clone().count());
        let v = &self.series.values;
        let from = median_of_few(before.map(|i| v[i]))?;
        let to = median_of_few(behind.map(|i| v[i]))?;
        let share = 1.0 / n0 as f64 + 1.0 / n1 as f64;
        Some(LevelChange {
            from,
            to,
            sd: MEDIAN_SD * self.series.noise_sd * share.sqrt(),
        })
    }

    /// The level just before `at`: a median of readings within `reach_hours`.
    pub fn level_before(&self, at: Timestamp, reach_hours: f64) -> Option<f64> {
        let t = &self.series.times;
        let end = t.partition_point(|&time| time <= at);
        let recent =
            (end.saturating_sub(MEDIAN_OF)..end).filter(|&i| at.hours_since(t[i]) <= reach_hours);
        median_of_few(recent.map(|i| self.series.values[i]))
    }

    /// The share of the readings expected in the `hours` from `at` on that lie within `slack` of
    /// `litres`. Readings that were refused, or never came, count as elsewhere.
    pub fn share_near(&self, at: Timestamp, hours: f64, litres: f64, slack: f64) -> f64 {
        let t = &self.series.times;
        let from = t.partition_point(|&time| time < at);
        let within = (from..t.len()).take_while(|&i| t[i].hours_since(at) <= hours);
        let near = within
            .filter(|&i| (self.series.values[i] - litres).abs() <= slack)
            .count();
        let every = usual_interval_hours(t);
        near as f64 / (hours / every).max(1.0)
    }

    /// When the level is again seen for good after `at`: the first of eight readings in two and a
    /// half hours that agree with each other.
    pub fn steady_again(&self, at: Timestamp) -> Option<Timestamp> {
        let t = &self.series.times;
        let from = t.partition_point(|&time| time < at);
        let slack = STEADY_SDS * self.noise_l();
        let mut windows = (from..t.len().saturating_sub(8)).filter(|&i| {
            let eight = &self.series.values[i..i + 8];
            let centre = median_of_few(eight.iter().copied()).unwrap_or(f64::NAN);
            t[i + 7].hours_since(t[i]) <= STEADY_HOURS
                && eight.iter().all(|v| (v - centre).abs() < slack)
        });
        windows.next().map(|i| t[i])
    }

    /// Noise of one reading, l.
    pub fn noise_l(&self) -> f64 {
        self.series.noise_sd
    }

    /// Whether readings within `hours` exist on both sides of `at`.
    pub fn watches(&self, at: Timestamp, hours: f64) -> bool {
        let t = &self.series.times;
        let i = t.partition_point(|&time| time <= at);
        let near = |j: usize| {
            t.get(j)
                .is_some_and(|time| time.hours_since(at).abs() <= hours)
        };
        i > 0 && near(i - 1) && near(i)
    }
}

/// A level on both sides of a moment.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LevelChange {
    /// Before, l.
    pub from: f64,
    /// Behind, l.
    pub to: f64,
    /// Standard deviation of the difference, l.
    pub sd: f64,
}

impl LevelChange {
    /// The difference, l.
    pub fn litres(&self) -> f64 {
        self.to - self.from
    }
}

fn usual_interval_hours(times: &[Timestamp]) -> f64 {
    let sparse = times.windows(2).step_by(1 + times.len() / 64);
    let mut gaps: Vec<f64> = sparse.map(|w| w[1].hours_since(w[0])).collect();
    crate::math::robust::median(&mut gaps)
        .unwrap_or(USUAL_INTERVAL_HOURS)
        .max(LEAST_INTERVAL_HOURS)
}

fn repeats_by_habit(samples: &[Sample]) -> bool {
    let pairs = samples.windows(2);
    let equal = pairs
        .filter(|pair| same(pair[0].value, pair[1].value))
        .count();
    equal as f64 > COARSE_SHARE * samples.len() as f64
}

fn find_jumps(series: &CleanSeries) -> Vec<LevelJump> {
    let limit = LEAST_JUMP_L.max(JUMP_SDS * series.noise_sd);
    let (t, v) = (&series.times, &series.values);
    let mut found: Vec<(usize, f64)> = Vec::new();
    for i in 1..v.len() {
        let near = |range: std::ops::Range<usize>, at: Timestamp| {
            let range = range.filter(move |&j| (t[j].0 - at.0).abs() <= 2 * 3_600_000);
            median_of_few(range.map(|j| v[j]))
        };
        let apart = t[i].hours_since(t[i - 1]);
        // What falls over a gap may have been taken; what rises was poured in.
        let least = if v[i] > v[i - 1] && apart <= GAP_HOURS {
            if apart > SUDDEN_HOURS {
                CLEAR_JUMPS * limit
            } else {
                limit
            }
        } else if apart <= SUDDEN_HOURS {
            limit
        } else {
            continue;
        };
        if (v[i] - v[i - 1]).abs() < SHARP_SHARE * least {
            continue;
        }
        let before = near(i.saturating_sub(MEDIAN_OF)..i, t[i - 1]);
        let behind = near(i..v.len().min(i + MEDIAN_OF), t[i]);
        let (Some(before), Some(behind)) = (before, behind) else {
            continue;
        };
        let change = behind - before;
        let here = v[i] - v[i - 1];
        let sharp = if change.abs() > CLEAR_JUMPS * limit {
            CLEAR_SHARP_SHARE
        } else {
            SHARP_SHARE
        };
        if change.abs() < least || here * change < 0.0 || here.abs() < sharp * change.abs() {
            continue;
        }
        match found.last_mut() {
            Some(last) if i - last.0 < MEDIAN_OF && change * last.1 > 0.0 => {
                if change.abs() > last.1.abs() {
                    *last = (i, change);
                }
            }
            _ => found.push((i, change)),
        }
    }
    let jump = |(i, litres)| LevelJump {
        earliest: t[i - 1],
        latest: t[i],
        litres,
    };
    found.into_iter().map(jump).collect()
}
