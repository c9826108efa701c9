//! What a colony is expected to take: by its neighbours at the same time, each colony against its own
//! measure, or by its own days before; and as long as neither is known, by the goal of feeding.

use super::signals::{FeederSignals, nodes};
use super::taking::Taking;
use super::{Exclusions, RuleContext, goal};
use larder_estimate::math::robust::{MAD_TO_SD, median};
use larder_estimate::series::grid::PER_DAY;
use larder_syrup::Estimate;

larder_estimate::numbers! { "flags.pace":
    /// Days of a colony's own past that count.
    OWN_DAYS: usize = 7, "d", [2.0, 21.0], Chosen;
    /// Neighbours that make a measure.
    LEAST_NEIGHBOURS: usize = 2, "1", [1.0, 6.0], Chosen;
    /// Less ease than this in a day says nothing of a colony's appetite.
    LEAST_EASE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A median of normal values is known so much worse than their mean.
    MEDIAN_SD: f64 = 1.25, "1", [1.25, 1.25], Defined;
    /// A colony takes at most and at least so many times what its neighbours do.
    RATIO: (f64, f64) = (0.2, 4.0), "1", [0.067, 12.0], Chosen;
    /// A pace that was set to nothing is this, l a day.
    LEAST_PAR_L: f64 = 0.01, "l", [0.0033, 0.03], Chosen;
    /// A full feeder lasts about as long as keepers stay away, days (common practice: a week).
    VISIT_DAYS: f64 = 7.0, "d", [2.3, 21.0], CommonPractice;
    /// With less than this share of the capacity in it a feeder says nothing of appetite.
    LEAST_SHARE: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// What a sensor's drift with warmth makes of a day, as a share of the capacity (measured).
    SENSOR_SHARE: f64 = 0.004, "1", [0.0013, 0.012], Measured;
    /// A level is the mean of so many hours.
    LEVEL_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// The mean level of some hours is so many times as noisy as a node's.
    LEVEL_NOISE: f64 = 0.6, "1", [0.2, 1.8], Chosen;
}

/// What is expected of a feeder in the window before a node.
#[derive(Clone, Copy, Debug)]
pub(super) struct Expected {
    /// Litres; NaN where the temperature is not known.
    pub litres: f64,
    /// What its neighbours' median feeder lost, l; NaN where too few are known.
    pub neighbours: f64,
    /// Standard deviation of `neighbours`, l: neighbours differ.
    pub neighbours_sd: f64,
}

impl Expected {
    /// The least that is expected, l: neighbours that differ among each other tell less.
    pub(super) fn least(&self) -> f64 {
        if self.neighbours.is_nan() || self.neighbours_sd.is_nan() {
            return self.litres;
        }
        let known = 1.0 - self.neighbours_sd / self.neighbours.max(LEAST_PAR_L);
        self.litres * known.max(0.0)
    }

    /// What its neighbours' median feeder lost, with its interval.
    pub(super) fn beside(&self) -> Estimate {
        Estimate::normal(self.neighbours, self.neighbours_sd).at_least(0.0)
    }
}

/// What every feeder of a yard lost in windows of one length.
pub(super) struct Pace<'a> {
    context: &'a RuleContext<'a>,
    feeders: Vec<Course>,
}

/// What is expected of one feeder.
pub(super) struct Outlook<'a> {
    course: &'a Course,
    /// At each node what its neighbours took, and how well that is known, l.
    neighbours: Vec<(f64, f64)>,
}

impl Outlook<'_> {
    /// In the window before a node.
    pub(super) fn at(&self, k: usize) -> Expected {
        let (beside, sd) = self.neighbours[k];
        let litres = if beside.is_nan() {
            self.course.easy[k] * self.course.for_full_ease(k)
        } else {
            beside * self.course.ratio(k, &self.neighbours)
        };
        Expected {
            litres,
            neighbours: beside,
            neighbours_sd: sd,
        }
    }
}

struct Course {
    at: (usize, usize),
    /// What such a feeder gives in the window where nothing hinders, at each node, l.
    par: Vec<f64>,
    /// What went in the window before each node, l; NaN where unknown or hardly any was there.
    taken: Vec<f64>,
    /// The mean ease of taking in the day before each node.
    easy: Vec<f64>,
}

impl<'a> Pace<'a> {
    /// Over windows of so many hours.
    pub(super) fn of(
        context: &'a RuleContext<'a>,
        exclusions: &Exclusions,
        taking: &Taking,
        hours: f64,
    ) -> Self {
        let back = nodes(hours);
        let sensed = context.feeders().filter(|found| found.3.sensed);
        let feeders = sensed.map(|(h, f, ..)| Course {
            at: (h, f),
            par: par(context, h, f, back),
            taken: taken(context, exclusions, h, f, back),
            easy: taking.easy((h, f)).to_vec(),
        });
        Self {
            context,
            feeders: feeders.collect(),
        }
    }

    /// What is expected of a feeder at each node; `None` for one that no sensor watches.
    pub(super) fn outlook(&self, at: (usize, usize)) -> Option<Outlook<'_>> {
        let course = self.feeders.iter().find(|course| course.at == at)?;
        let neighbours = self.neighbours(course);
        Some(Outlook { course, neighbours })
    }

    /// At each node the median of what the other feeders lost, for a feeder of this one's par, and how
    /// well it is known, l.
    fn neighbours(&self, course: &Course) -> Vec<(f64, f64)> {
        let others = self.feeders.iter().filter(|c| c.at != course.at);
        let others: Vec<_> = others.collect();
        let mut known = Vec::with_capacity(others.len());
        (0..=self.context.signals.last)
            .map(|k| {
                known.clear();
                let taken = others.iter().map(|c| course.par[k] / c.par[k] * c.taken[k]);
                known.extend(taken.filter(|v| !v.is_nan()));
                if known.len() < LEAST_NEIGHBOURS {
                    return (f64::NAN, f64::NAN);
                }
                let n = known.len() as f64;
                let middle = median(&mut known).unwrap_or(f64::NAN);
                known.iter_mut().for_each(|v| *v = (*v - middle).abs());
                let spread = MAD_TO_SD * median(&mut known).unwrap_or(f64::NAN);
                (middle.max(0.0), MEDIAN_SD * spread / n.sqrt())
            })
            .collect()
    }
}

impl Course {
    /// The days before that say something of the colony's appetite.
    fn days_before(&self, k: usize) -> impl Iterator<Item = usize> {
        let before = (1..=OWN_DAYS).filter_map(move |day| k.checked_sub(day * PER_DAY));
        before.filter(|&then| !self.taken[then].is_nan() && self.easy[then] > LEAST_EASE)
    }

    /// What its own days say it takes where nothing hinders it; the goal's pace counts as one of them.
    fn for_full_ease(&self, k: usize) -> f64 {
        let start = (self.par[k], 1.0);
        let add = |(litres, ease): (f64, f64), then: usize| {
            (litres + self.taken[then].max(0.0), ease + self.easy[then])
        };
        let (litres, ease) = self.days_before(k).fold(start, add);
        litres / ease
    }

    /// How many times its neighbours' measure it takes; the goal's pace at par counts as one day.
    fn ratio(&self, k: usize, neighbours: &[(f64, f64)]) -> f64 {
        let known = self
            .days_before(k)
            .filter(|&then| !neighbours[then].0.is_nan());
        let add = |(own, beside): (f64, f64), then: usize| {
            (own + self.taken[then].max(0.0), beside + neighbours[then].0)
        };
        let (own, beside) = known.fold((self.par[k], self.par[k]), add);
        (own / beside).clamp(RATIO.0, RATIO.1)
    }
}

/// What a feeder gives in a window in which nothing hinders it, l: by the goal, and no more than lets
/// it last to the next visit; a small one has few holes.
fn par(context: &RuleContext<'_>, h: usize, f: usize, back: usize) -> Vec<f64> {
    let lasts = context.feeder(h, f).capacity_l / VISIT_DAYS;
    let days = back as f64 / PER_DAY as f64;
    let par = |k: usize| {
        days * goal::litres_per_day(context, h, f, k)
            .min(lasts)
            .max(LEAST_PAR_L)
    };
    (0..=context.signals.last).map(par).collect()
}

/// What went out of a feeder in the windows before each node, l; NaN where there was little to take,
/// nothing to see or a fill in between.
fn taken(
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    h: usize,
    f: usize,
    back: usize,
) -> Vec<f64> {
    let feeder = &context.signals.hives[h].feeders[f];
    let least_l = LEAST_SHARE * context.feeder(h, f).capacity_l;
    (0..=context.signals.last)
        .map(|k| {
            let blind = !feeder.sensed
                || exclusions.level(context, h, f, k)
                || exclusions.off(context, h, f, k);
            let scarce = k < back || feeder.filtered[k - back].litres < least_l;
            if blind || scarce {
                return f64::NAN;
            }
            uptake(context, h, f, k, back)
        })
        .collect()
}

/// What went out of a feeder in the window before `k`, l; NaN across a fill or without readings.
pub(super) fn uptake(context: &RuleContext<'_>, h: usize, f: usize, k: usize, back: usize) -> f64 {
    let feeder = &context.signals.hives[h].feeders[f];
    let before = nodes(LEVEL_HOURS);
    if k < back + before || feeder.changed[k] != feeder.changed[k - back - before] {
        return f64::NAN;
    }
    feeder.level(k - back) - feeder.level(k)
}

/// Standard deviation of [`uptake`], l: it is a difference of two means of three hours, and warmth
/// moves a sensor between them.
pub(super) fn uptake_sd(feeder: &FeederSignals, capacity_l: f64) -> f64 {
    LEVEL_NOISE * feeder.noise_l + SENSOR_SHARE * capacity_l
}
