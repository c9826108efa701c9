//! A feeder without a level sensor: what was poured in is known from the scale or the notes, when it was
//! taken is not. Colonies differ by a factor; each factor that a colony might have is followed from fill
//! to fill, and weighed by what is known besides: how much room the next fill needed, and how much
//! water the hive lost while what was taken dried. The answer is the mixture of all of them, and wide
//! where nothing tells.

use super::filter::UNKNOWN_FILL_SHARE;
use super::model::{FeederCourse, FilledVolume};
use crate::events::{Change, ChangeKind};
use crate::series::grid::{Grid, HOURS_PER_DAY, PER_DAY, STEP_HOURS};
use larder_syrup::Estimate;

crate::numbers! { "estimate.feeder.unsensed":
    /// One colony's appetite against what is expected of it: the logarithm of the factor has this standard
    /// deviation. Strong and weak colonies of one yard differ by a factor of five either way.
    SPREAD: f64 = 0.9, "1", [0.3, 1.8], CommonPractice;
    /// This share of colonies leaves syrup alone for weeks, whatever they did before: a flow, no room, no
    /// queen.
    IDLE_SHARE: f64 = 0.25, "1", [0.08, 0.5], CommonPractice;
    /// The logarithm of what such a colony takes of the usual: mean and standard deviation.
    IDLE_LOG: (f64, f64) = (-2.5, 1.0), "1", [-5.0, 3.0], Chosen;
    /// From fill to fill a colony's own factor strays by this, as a logarithm.
    SPREAD_BETWEEN_FILLS: f64 = 0.45, "1", [0.15, 0.9], Chosen;
    /// A colony keeps this share of its distance from the usual factor, as a logarithm.
    KEPT: f64 = 0.7, "1", [0.0, 1.0], Chosen;
    /// Factors are followed at so many points, as logarithms: from, step.
    LOG_FACTORS: (f64, f64) = (-4.4, 0.24), "1", [-10.0, 1.0], Chosen;
    /// What was poured in is followed at so many amounts: their distance from the mean in standard
    /// deviations.
    AMOUNTS_SDS: [f64; 3] = [-1.2, 0.0, 1.2], "1", [-3.0, 3.0], Chosen;
    /// The weights of these amounts.
    AMOUNT_WEIGHTS: [f64; 3] = [0.26, 0.48, 0.26], "1", [0.1, 0.8], Chosen;
    /// An appetite strays from day to day by this share of it.
    DAY_SHARE: f64 = 0.4, "1", [0.13, 1.0], Chosen;
    /// Over a whole filling it strays by this share.
    FILLING_SHARE: f64 = 0.15, "1", [0.05, 0.45], Chosen;
    /// Of a kilogram taken this much dries off (see the mass balance).
    DRIED_SHARE: f64 = 0.32, "1", [0.11, 0.96], Chosen;
    /// How far that strays, as a share of it.
    DRIED_SPREAD: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// It dries over about this time, hours.
    DRYING_HOURS: f64 = 24.0, "h", [8.0, 72.0], Chosen;
    /// A hive that is not fed changes by this in a day: it eats, kg.
    BASELINE_KG: f64 = -0.1, "kg", [-0.3, -0.03], CommonPractice;
    /// Hives differ in that by this, kg.
    BASELINE_SD_KG: f64 = 0.15, "kg", [0.05, 0.45], Chosen;
    /// From fill to fill that strays by this, kg.
    BASELINE_DRIFT_KG: f64 = 0.06, "kg", [0.02, 0.18], Chosen;
    /// A night that is further off than so many standard deviations says no more than one that is so far.
    MOST_SDS: f64 = 3.0, "1", [1.0, 9.0], Chosen;
    /// How likely it is that what nights and fills say has another reason, and no colony is ruled out by it.
    DEAF_SHARE: f64 = 0.25, "1", [0.05, 0.45], Chosen;
    /// An interval holds the truth nine times in ten.
    NINE_IN_TEN: f64 = 0.9, "1", [0.9, 0.9], Defined;
    /// Nights err alike; so much of each counts.
    INDEPENDENT_SHARE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// A feeder with less than this share of its capacity in it counts as empty.
    EMPTY_SHARE: f64 = 0.02, "1", [0.0067, 0.06], Chosen;
    /// A feeder counts as empty where that is as sure as this.
    SURELY: f64 = 0.9, "1", [0.5, 1.0], Chosen;
    /// How well it is known what a fill brought that nobody weighed or wrote down, as a share of the
    /// capacity.
    UNKNOWN_FILL_SD_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A feeder filled to the brim holds this share of its capacity.
    BRIM_SHARE: f64 = 1.05, "1", [1.0, 3.1], Chosen;
    /// How sharply a fill that would run over speaks against what was thought to be left, as a share of the
    /// capacity.
    BRIM_SD_SHARE: f64 = 0.05, "1", [0.017, 0.15], Chosen;
    /// What may be in a feeder of which nothing was heard, standard deviation as a share of the capacity.
    UNKNOWN_SHARE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// What went with a feeder is known to this share of the capacity.
    LOST_SD_SHARE: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// Where no scale sees fills, somebody pours one that nobody wrote down about once in so many days.
    UNSEEN_FILL_DAYS: f64 = 7.0, "d", [2.3, 21.0], CommonPractice;
}

/// How many factors are followed.
const FACTORS: usize = 29;

/// What a hive gained from one night to the next beside what is explained: by handling, by the feeders
/// with sensors and by what the whole yard did.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct NightGain {
    /// The node in the middle of the first night.
    pub from: usize,
    /// The node in the middle of the second.
    pub to: usize,
    /// What it gained, kg.
    pub kg: f64,
    /// Standard deviation of that, kg.
    pub sd_kg: f64,
}

/// All that is known of a feeder that no level sensor watches.
pub struct Unsensed<'a> {
    /// Nodes.
    pub grid: &'a Grid,
    /// Sudden changes, in order of time.
    pub changes: &'a [Change],
    /// Nodes at local midnights.
    pub midnights: &'a [bool],
    /// What a colony of middling appetite takes while there is syrup, l/h at every node.
    pub pace: &'a [f64],
    /// Litres that it holds.
    pub capacity_l: f64,
    /// Density of what is in it, kg/l.
    pub kg_per_litre: f64,
    /// What its hive gained from night to night; empty without a scale, or where others share it.
    pub nights: &'a [NightGain],
    /// Whether a scale sees what is poured in.
    pub weighed: bool,
}

/// What was found out about such a feeder.
pub struct Guess {
    /// Its course.
    pub course: FeederCourse,
    /// How much water of it dried off between the nights given, kg.
    pub dried_kg: Vec<f64>,
}

/// Follows the feeder from change to change.
pub fn guess_without_sensor(task: &Unsensed<'_>) -> Guess {
    let n = task.grid.len();
    let mut follow = Follow {
        task,
        course: FeederCourse {
            volume_l: vec![0.0; n],
            volume_sd: vec![0.0; n],
            rate: vec![0.0; n],
            rate_sd: vec![0.0; n],
            empty: vec![false; n],
            taken: vec![None; n],
            changes: Vec::with_capacity(task.changes.len()),
            sensors: Vec::new(),
        },
        drying: vec![0.0; n],
        pool: 0.0,
        appetite: (0.0, SPREAD),
        content: (0.0, UNKNOWN_SHARE * task.capacity_l),
        known: false,
        day: Moments::default(),
        baseline: (BASELINE_KG, BASELINE_SD_KG),
    };
    let mut from = 0;
    for i in 0..=task.changes.len() {
        let change = task.changes.get(i);
        let to = change.map_or(n, |c| task.grid.at_or_after(c.time()).clamp(from, n));
        follow.until(from, to, change);
        if let Some(change) = change {
            let filled = follow.apply(change);
            follow.course.changes.push(filled);
        }
        from = to;
    }
    let dried = |night: &NightGain| follow.drying[night.from..night.to].iter().sum::<f64>();
    let dried_kg = task
        .nights
        .iter()
        .map(|night| dried(night) * STEP_HOURS)
        .collect();
    Guess {
        course: follow.course,
        dried_kg,
    }
}

/// Mean and mean square, added up over all that might be.
#[derive(Clone, Copy, Default)]
struct Moments {
    mean: f64,
    square: f64,
}

impl Moments {
    fn add(&mut self, weight: f64, value: f64) {
        self.mean += weight * value;
        self.square += weight * value * value;
    }

    fn variance(&self) -> f64 {
        (self.square - self.mean * self.mean).max(0.0)
    }
}

/// The wider side of what nine in ten of all that might be have left, as a standard deviation.
fn wider_side(mean: f64, at_pace: f64, all: &[Maybe]) -> f64 {
    let mut left: Vec<(f64, f64)> = all.iter().map(|m| (m.left(at_pace), m.weight)).collect();
    left.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let at = |share: f64| {
        let mut sum = 0.0;
        let reached = left.iter().find(|(_, weight)| {
            sum += weight;
            sum >= share
        });
        reached.map_or(mean, |(litres, _)| *litres)
    };
    let tail = (1.0 - NINE_IN_TEN) / 2.0;
    (at(1.0 - tail) - mean).max(mean - at(tail)) / Estimate::Z90
}

/// One colony that might be, and how likely it is.
struct Maybe {
    litres: f64,
    log_factor: f64,
    /// How likely before anything speaks for or against it.
    expected: f64,
    weight: f64,
    /// What the hive then changes by in a day by itself, kg: mean and standard deviation.
    baseline: (f64, f64),
}

impl Maybe {
    /// What is left after a colony of middling appetite has taken `at_pace`, l.
    fn left(&self, at_pace: f64) -> f64 {
        (self.litres - self.log_factor.exp() * at_pace).max(0.0)
    }
}

struct Follow<'a> {
    task: &'a Unsensed<'a>,
    course: FeederCourse,
    /// Water that dries off, kg/h at every node.
    drying: Vec<f64>,
    /// Fresh syrup in the combs, as what of it still dries off, kg.
    pool: f64,
    /// The logarithm of the colony's factor: mean and standard deviation.
    appetite: (f64, f64),
    /// What is in the feeder, l: mean and standard deviation.
    content: (f64, f64),
    /// Whether anything that happened to it is known.
    known: bool,
    /// What was taken since midnight before the last change.
    day: Moments,
    /// What the hive changes by in a day when it is not fed, kg: mean and standard deviation.
    baseline: (f64, f64),
}

impl Follow<'_> {
    /// From one change to the next.
    fn until(&mut self, from: usize, to: usize, end: Option<&Change>) {
        let task = self.task;
        let mut at_pace = Vec::with_capacity(to - from + 1);
        let mut sum = 0.0;
        for k in from..to {
            at_pace.push(sum);
            sum += task.pace[k] * STEP_HOURS;
        }
        at_pace.push(sum);
        let all = self.weighed_up(from, &at_pace, end);
        self.write(from, &at_pace, &all);
        let mut logs = Moments::default();
        let mut left = Moments::default();
        for maybe in &all {
            logs.add(maybe.weight, maybe.log_factor);
            left.add(maybe.weight, maybe.left(sum));
        }
        if self.known {
            let spread = logs.variance().sqrt().hypot(SPREAD_BETWEEN_FILLS);
            self.appetite = (KEPT * logs.mean, spread.min(SPREAD));
        }
        self.content = (left.mean, left.variance().sqrt());
        let mut own = Moments::default();
        for maybe in &all {
            own.add(maybe.weight, maybe.baseline.0);
        }
        let sure = all.iter().map(|m| m.weight * m.baseline.1).sum::<f64>();
        let sd = own.variance().sqrt().hypot(sure).hypot(BASELINE_DRIFT_KG);
        self.baseline = (own.mean, sd.min(BASELINE_SD_KG));
    }

    /// Every colony that might be, weighed by all that speaks for and against it; weights add up to one.
    fn weighed_up(&self, from: usize, at_pace: &[f64], end: Option<&Change>) -> Vec<Maybe> {
        let task = self.task;
        let to = from + at_pace.len() - 1;
        let within = |night: &&NightGain| night.to > from && night.to <= to;
        let nights: Vec<&NightGain> = task.nights.iter().filter(within).collect();
        let mut all = Vec::with_capacity(AMOUNTS_SDS.len() * FACTORS);
        for (sds, share) in AMOUNTS_SDS.into_iter().zip(AMOUNT_WEIGHTS) {
            let litres =
                (self.content.0 + sds * self.content.1).clamp(0.0, BRIM_SHARE * task.capacity_l);
            for i in 0..FACTORS {
                let log_factor = LOG_FACTORS.0 + LOG_FACTORS.1 * i as f64;
                let expected = share * self.expected(log_factor);
                let maybe = Maybe {
                    litres,
                    log_factor,
                    expected,
                    weight: expected.ln(),
                    baseline: self.baseline,
                };
                let last = maybe.left(at_pace[at_pace.len() - 1]);
                let (by_nights, baseline) = self.of_nights(&maybe, from, at_pace, &nights);
                let speaks = if self.known {
                    self.of_end(last, end) + by_nights
                } else {
                    0.0
                };
                all.push(Maybe {
                    weight: maybe.weight + speaks,
                    baseline,
                    ..maybe
                });
            }
        }
        let most = all
            .iter()
            .map(|m| m.weight)
            .fold(f64::NEG_INFINITY, f64::max);
        let weight = |m: &Maybe| (m.weight - most).exp();
        let total: f64 = all.iter().map(weight).sum();
        let expected: Vec<f64> = all.iter().map(|m| m.expected).collect();
        let all_expected: f64 = expected.iter().sum();
        for (maybe, expected) in all.iter_mut().zip(expected) {
            let spoken = weight(maybe) / total;
            maybe.weight = (1.0 - DEAF_SHARE) * spoken + DEAF_SHARE * expected / all_expected;
        }
        all
    }

    /// How likely a colony's factor is before anything speaks for or against it: what it was before, or a
    /// colony that leaves its syrup alone.
    fn expected(&self, log_factor: f64) -> f64 {
        let normal = |mean: f64, sd: f64| (-0.5 * ((log_factor - mean) / sd).powi(2)).exp() / sd;
        let (mean, sd) = self.appetite;
        (1.0 - IDLE_SHARE) * normal(mean, sd) + IDLE_SHARE * normal(IDLE_LOG.0, IDLE_LOG.1)
    }

    /// What the change at the end says of `left` litres just before it: a logarithm.
    fn of_end(&self, left: f64, end: Option<&Change>) -> f64 {
        let capacity = self.task.capacity_l;
        let off = match end.map(|change| (change.kind, change.litres)) {
            Some((ChangeKind::Fill, Some((litres, sd)))) => {
                let over = left + litres - BRIM_SHARE * capacity;
                over.max(0.0) / sd.hypot(BRIM_SD_SHARE * capacity)
            }
            Some((ChangeKind::Lost | ChangeKind::Spill, Some((litres, sd)))) => {
                (left - litres.abs()) / sd.hypot(LOST_SD_SHARE * capacity)
            }
            _ => 0.0,
        };
        -0.5 * off.abs().min(MOST_SDS).powi(2)
    }

    /// What the nights say of a colony, a logarithm, and what the hive would then eat by itself: that is not
    /// known and taken out.
    fn of_nights(
        &self,
        maybe: &Maybe,
        from: usize,
        at_pace: &[f64],
        nights: &[&NightGain],
    ) -> (f64, (f64, f64)) {
        if nights.is_empty() {
            return (0.0, self.baseline);
        }
        let mut pool = self.pool;
        let mut k = 0;
        let stays = (-STEP_HOURS / DRYING_HOURS).exp();
        let (mut w, mut wr, mut wrr, mut spread) = (0.0, 0.0, 0.0, 0.0);
        let mut offs = Vec::with_capacity(nights.len());
        for night in nights {
            let before = night.from.min(from)..night.to.min(from);
            let mut dried = self.drying[before].iter().sum::<f64>() * STEP_HOURS;
            while from + k < night.to {
                let taken = if self.known {
                    maybe.left(at_pace[k]) - maybe.left(at_pace[k + 1])
                } else {
                    0.0
                };
                pool += taken * self.task.kg_per_litre * DRIED_SHARE;
                if from + k >= night.from {
                    dried += pool * (1.0 - stays);
                }
                pool *= stays;
                k += 1;
            }
            let variance = night.sd_kg.powi(2) + (DRIED_SPREAD * dried).powi(2);
            let off = night.kg + dried - self.baseline.0;
            offs.push((off, variance));
            w += 1.0 / variance;
            wr += off / variance;
            spread += variance.ln();
        }
        let information = w + self.baseline.1.powi(-2);
        let own = wr / information;
        for (off, variance) in offs {
            wrr += ((off - own).powi(2) / variance).min(MOST_SDS.powi(2));
        }
        wrr += (own / self.baseline.1).powi(2);
        let baseline = (self.baseline.0 + own, information.powf(-0.5));
        (-0.5 * INDEPENDENT_SHARE * (wrr + spread), baseline)
    }

    /// Writes what all that might be come to.
    fn write(&mut self, from: usize, at_pace: &[f64], all: &[Maybe]) {
        let task = self.task;
        let to = from + at_pace.len() - 1;
        let stays = (-STEP_HOURS / DRYING_HOURS).exp();
        // What each had left at the last midnight, or at the change.
        let mut since: Vec<f64> = all.iter().map(|maybe| maybe.left(0.0)).collect();
        let start = all.iter().map(|m| m.weight * m.litres).sum::<f64>();
        let mut before = self.content.0.min(start);
        for k in from..to {
            let j = k - from;
            let (mut left, mut rate, mut empty) = (Moments::default(), Moments::default(), 0.0);
            for maybe in all {
                let now = maybe.left(at_pace[j]);
                left.add(maybe.weight, now);
                rate.add(
                    maybe.weight,
                    (now - maybe.left(at_pace[j + 1])) / STEP_HOURS,
                );
                if now < EMPTY_SHARE * task.capacity_l {
                    empty += maybe.weight;
                }
            }
            let unseen = self.unseen_fill(j);
            let strayed = FILLING_SHARE * (start - left.mean).max(0.0);
            let wide = UNKNOWN_SHARE * task.capacity_l * unseen.sqrt();
            let course = &mut self.course;
            course.volume_l[k] = left.mean;
            let sd = wider_side(left.mean, at_pace[j], all);
            course.volume_sd[k] = sd.hypot(strayed).hypot(wide);
            course.empty[k] = self.known && empty * (1.0 - unseen) > SURELY;
            course.rate[k] = rate.mean;
            let other = unseen.sqrt() * task.pace[k];
            course.rate_sd[k] = rate
                .variance()
                .sqrt()
                .hypot(DAY_SHARE * rate.mean)
                .hypot(other);
            self.pool += (before - left.mean).max(0.0) * task.kg_per_litre * DRIED_SHARE;
            before = left.mean;
            self.drying[k] = self.pool * (1.0 - stays) / STEP_HOURS;
            self.pool *= stays;
            if task.midnights[k] || k + 1 == task.grid.len() {
                let mut taken = Moments::default();
                for (maybe, since) in all.iter().zip(&mut since) {
                    let now = maybe.left(at_pace[j]);
                    taken.add(maybe.weight, *since - now);
                    *since = now;
                }
                let day = &self.day;
                let mean = day.mean + taken.mean;
                let variance = day.variance() + taken.variance();
                let pace: f64 = task.pace[k.saturating_sub(PER_DAY)..k].iter().sum();
                let other = unseen * (pace * STEP_HOURS).powi(2);
                let strayed = (DAY_SHARE * mean).powi(2);
                self.course.taken[k] = Some((mean, variance + strayed + other));
                self.day = Moments::default();
            }
        }
        // What was taken since midnight is told with the rest of its day.
        let mut taken = Moments::default();
        for (maybe, since) in all.iter().zip(&since) {
            taken.add(maybe.weight, since - maybe.left(at_pace[to - from]));
        }
        let variance = self.day.variance() + taken.variance();
        let mean = self.day.mean + taken.mean;
        self.day = Moments {
            mean,
            square: variance + mean * mean,
        };
    }

    /// How likely it is that somebody has filled it unseen, `nodes` after the last change that is known.
    fn unseen_fill(&self, nodes: usize) -> f64 {
        if !self.known {
            return 1.0;
        }
        if self.task.weighed {
            return 0.0;
        }
        let days = nodes as f64 * STEP_HOURS / HOURS_PER_DAY;
        1.0 - (-days / UNSEEN_FILL_DAYS).exp()
    }

    fn apply(&mut self, change: &Change) -> FilledVolume {
        let capacity = self.task.capacity_l;
        let (amount, sd) = change.litres.unwrap_or((
            UNKNOWN_FILL_SHARE * capacity,
            UNKNOWN_FILL_SD_SHARE * capacity,
        ));
        let (before, before_sd) = if self.known { self.content } else { (0.0, 0.0) };
        self.known = true;
        self.content = match change.kind {
            ChangeKind::Fill => (
                (before + amount).min(BRIM_SHARE * capacity),
                sd.hypot(before_sd),
            ),
            ChangeKind::Renewed => (amount, sd),
            ChangeKind::Spill | ChangeKind::Lost => (0.0, BRIM_SD_SHARE * capacity),
        };
        FilledVolume {
            litres: if change.kind.pours() { amount } else { -before },
            sd,
            litres_before: before,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::{Span, Timestamp};

    fn grid() -> Grid {
        Grid::covering(Span {
            start: Timestamp(0),
            end: Timestamp(12 * 86_400_000),
        })
    }

    fn fill(day: i64, litres: f64) -> Change {
        Change {
            earliest: Timestamp(day * 86_400_000),
            latest: Timestamp(day * 86_400_000),
            kind: ChangeKind::Fill,
            litres: Some((litres, 0.1)),
            recorded: None,
            scale_step: None,
            seen: false,
            strength: None,
        }
    }

    /// A feeder of five litres; the yard's pace empties it in five days.
    fn guess(changes: &[Change], nights: &[NightGain], weighed: bool) -> FeederCourse {
        let grid = grid();
        let pace = vec![1.0 / 24.0; grid.len()];
        let midnights: Vec<bool> = (0..grid.len()).map(|k| k > 0 && k % PER_DAY == 0).collect();
        let task = Unsensed {
            grid: &grid,
            changes,
            midnights: &midnights,
            pace: &pace,
            capacity_l: 5.0,
            kg_per_litre: 1.3,
            nights,
            weighed,
        };
        guess_without_sensor(&task).course
    }

    #[test]
    fn how_fast_a_colony_takes_it_is_as_wide_as_colonies_differ() {
        let course = guess(&[fill(0, 5.0)], &[], true);
        let third = course.taken[3 * PER_DAY].expect("a day");
        let sd = third.1.sqrt();
        assert!(third.0 > 0.3 && third.0 < 1.5, "{third:?}");
        assert!(sd > 0.4, "{sd}");
        let late = course.volume_sd[5 * PER_DAY];
        assert!(late > 1.0, "{late}");
        assert!(course.volume_sd[1] < 0.2);
    }

    #[test]
    fn the_next_fill_says_how_much_was_gone() {
        let course = guess(&[fill(0, 5.0), fill(2, 4.5)], &[], true);
        let left = course.volume_l[2 * PER_DAY - 1];
        assert!(left < 1.2, "{left}");
    }

    /// Syrup of which a third dries off within days of being taken: a hive that loses 0.35 kg a night more
    /// after it was filled than before is taking most of a litre a day, one that goes on as before is not.
    #[test]
    fn what_dries_off_says_how_much_was_taken() {
        let nights = |kg: f64| -> Vec<NightGain> {
            let night = |day: usize| NightGain {
                from: day * PER_DAY + 5,
                to: (day + 1) * PER_DAY + 5,
                kg: if day < 4 { -0.1 } else { kg },
                sd_kg: 0.06,
            };
            (0..11).map(night).collect()
        };
        let resting = guess(&[fill(4, 5.0)], &nights(-0.1), true);
        let taking = guess(&[fill(4, 5.0)], &nights(-0.45), true);
        let of = |course: &FeederCourse| course.volume_l[9 * PER_DAY];
        assert!(of(&resting) > 3.5, "{}", of(&resting));
        assert!(of(&taking) < 2.5, "{}", of(&taking));
    }

    #[test]
    fn what_no_witness_saw_is_not_known() {
        let course = guess(&[fill(0, 5.0)], &[], false);
        let k = 11 * PER_DAY;
        assert!(1.645 * course.volume_sd[k] > 3.0, "{}", course.volume_sd[k]);
        assert!(!course.empty[k]);
        let none = guess(&[], &[], true);
        assert!(1.645 * none.volume_sd[k] > 4.0 && none.volume_l[k] < 0.5);
        assert!(none.taken[k].expect("a day").1.sqrt() > 0.5);
    }
}
