//! Syrup leaves a feeder and does not reach the colony: a leak, or robbers.
//!
//! Two witnesses, hour by hour: what the level says went out of the feeder, and what the scale says
//! went out of the hive beyond what the yard's other hives lost and what dried off. Uptake stays on
//! the scale but for that water; a leak does not. Robbers fly by day, carry honey off as well as
//! syrup, and stop at dusk; a hole does not care.

pub(crate) mod culprit;
mod details;
pub(crate) mod fast;
pub(crate) mod slow;
pub(crate) mod unweighed;
pub(crate) mod weighed;

use super::cold::ease_of_day;
use super::night::Night;
use super::signals::{FeederSignals, nodes};
use super::{Episode, Exclusions, RuleContext};
use larder_domain::{Flag, FlagKind};
use std::ops::Range;

larder_estimate::numbers! { "flags.loss":
    /// A fast loss has stopped when it has been gone for so long, hours.
    FAST_GONE_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// A slow one, hours.
    SLOW_GONE_HOURS: f64 = 6.0, "h", [2.0, 18.0], Chosen;
    /// Robbers come back the next morning: their flag stays over night, hours.
    ROBBERS_GONE_HOURS: f64 = 18.0, "h", [6.0, 54.0], Chosen;
    /// One look is enough where it is so clear who it is.
    SURE: f64 = 0.7, "1", [0.23, 2.1], Chosen;
    /// Losing on for so long after dark is no robbery, hours.
    DARK_HOURS: f64 = 2.5, "h", [0.83, 7.5], Chosen;
    /// A fast loss blurs the slow balance behind it for so long, hours.
    BLURRED_HOURS: f64 = 24.0, "h", [8.0, 72.0], Chosen;
    /// Of a loss that takes its time such a share falls in the second half of a window.
    GRADUAL: Range<f64> = 0.25..0.75, "1", [0.083, 2.2], Chosen;
    /// The first hours of a record tell nothing.
    FIRST_HOURS: f64 = 4.0, "h", [1.3, 12.0], Chosen;
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Culprit {
    Robbers,
    Leak,
    SlowLeak,
}

/// What a window says.
#[derive(Clone, Copy)]
struct Loss {
    hours: f64,
    /// What left the feeder, l.
    drop_l: f64,
    /// What left the feeder, kg.
    drop_kg: f64,
    /// What left the hive, kg; NaN without a scale.
    hive_kg: f64,
    /// Standard deviation of `hive_kg`, kg.
    hive_sd_kg: f64,
}

struct Open {
    culprit: Culprit,
    opened: usize,
    seen: Loss,
    probability: f64,
    gone_since: Option<usize>,
    dark_since: Option<usize>,
}

impl Open {
    fn new(opened: usize, seen: Loss, (culprit, probability): (Culprit, f64)) -> Self {
        Self {
            culprit,
            opened,
            seen,
            probability,
            gone_since: None,
            dark_since: None,
        }
    }
}

/// Raises both kinds.
pub(super) fn raise(
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    swarmed: &[Vec<Episode>],
    flags: &mut Vec<Flag>,
) {
    for (h, f, hive, feeder) in context.feeders() {
        if feeder.sensed {
            let on_scale = context.feeder(h, f).on_scale;
            let watch = Watch {
                context,
                exclusions,
                h,
                f,
                feeder,
                weighed: hive.weighed,
                on_scale,
                nights: &context.nights[h],
                easy: ease_of_day(&context.parameters(h).cold, &feeder.syrup),
            };
            watch.run(flags);
        }
    }
    for (h, swarms) in swarmed.iter().enumerate() {
        let id = &context.input.hives[h].hive.id;
        let known = flags.iter().filter(|flag| flag.hive.as_ref() == Some(id));
        let losses = known.filter(|flag| matches!(flag.kind, FlagKind::Leaking | FlagKind::Robbed));
        let losses: Vec<Flag> = losses.cloned().collect();
        weighed::raise(context, exclusions, h, swarms, &losses, flags);
    }
}

struct Watch<'a> {
    context: &'a RuleContext<'a>,
    exclusions: &'a Exclusions,
    h: usize,
    f: usize,
    feeder: &'a FeederSignals,
    weighed: bool,
    on_scale: bool,
    nights: &'a [Night],
    easy: Vec<f64>,
}

impl Watch<'_> {
    fn run(&self, flags: &mut Vec<Flag>) {
        let mut open: Option<Open> = None;
        let mut fast_before = 0;
        let mut blurred_until = 0;
        for k in nodes(FIRST_HOURS)..=self.context.signals.last {
            let blind = self.exclusions.level(self.context, self.h, self.f, k)
                || self.exclusions.off(self.context, self.h, self.f, k);
            if blind {
                flags.extend(open.take().map(|was| self.flag(&was, Some(k))));
                continue;
            }
            let fast = fast::WINDOWS.into_iter().find_map(|w| self.fast(k, w));
            fast_before = if fast.is_some() { fast_before + 1 } else { 0 };
            let fast = fast
                .filter(|(seen, sure)| {
                    fast_before > 1 || *sure && !self.dusk(k) && self.culprit(k, seen).1 > SURE
                })
                .map(|(seen, _)| seen);
            if let Some(was) = &mut open {
                if self.is_over(k, was, fast) {
                    blurred_until = k + nodes(BLURRED_HOURS);
                    flags.extend(open.take().map(|was| self.flag(&was, Some(k))));
                }
            } else if let Some(seen) = fast.filter(|seen| self.foremost(k, seen.hours)) {
                open = Some(Open::new(k, seen, self.culprit(k, &seen)));
            } else if k >= blurred_until
                && let Some((seen, culprit)) = self.slow(k)
                && self.foremost(k, seen.hours)
            {
                open = Some(Open::new(k, seen, culprit));
            }
        }
        flags.extend(open.map(|was| self.flag(&was, None)));
    }

    /// Whether no other feeder of the hive went down by more beyond what is usual: what a hive loses has
    /// left one of them.
    fn foremost(&self, k: usize, hours: f64) -> bool {
        let back = nodes(hours);
        let beyond = |f: usize, feeder: &FeederSignals| {
            let (usual, _) = self.usual_of(f, feeder, k, back);
            unweighed::drop(feeder, k, back) - usual * hours
        };
        let own = beyond(self.f, self.feeder);
        let feeders = self.context.signals.hives[self.h]
            .feeders
            .iter()
            .enumerate();
        let mut others = feeders.filter(|(f, feeder)| *f != self.f && feeder.sensed);
        !others.any(|(f, feeder)| beyond(f, feeder) > own)
    }

    /// Follows an open loss by one node; whether it has ended.
    fn is_over(&self, k: usize, was: &mut Open, fast: Option<Loss>) -> bool {
        if let (Culprit::SlowLeak, Some(seen)) = (was.culprit, fast) {
            // It was no drip: it is watched, and ends, as what it is.
            (was.culprit, was.probability) = self.culprit(k, &seen);
            was.seen = seen;
        }
        let lasting = match was.culprit {
            Culprit::SlowLeak => self.still_slow(k),
            Culprit::Leak | Culprit::Robbers => self.still_fast(k),
        };
        was.gone_since = if lasting {
            None
        } else {
            was.gone_since.or(Some(k))
        };
        let robbers = was.culprit == Culprit::Robbers;
        let going = self.fast(k, fast::WINDOWS[0]).is_some();
        was.dark_since = if robbers && !self.context.signals.weather.light[k] && going {
            was.dark_since.or(Some(k))
        } else {
            None
        };
        let wait = match was.culprit {
            Culprit::Robbers => ROBBERS_GONE_HOURS,
            Culprit::Leak => FAST_GONE_HOURS,
            Culprit::SlowLeak => SLOW_GONE_HOURS,
        };
        let past = |since: Option<usize>, hours| since.is_some_and(|at| k - at >= nodes(hours));
        let refilled = self.feeder.changed[k] == Some(k) && !robbers;
        past(was.gone_since, wait) || past(was.dark_since, DARK_HOURS) || refilled
    }

    /// How much went out of the feeder in the window before `k`, l; NaN where something was poured
    /// or nothing was seen.
    fn drop(&self, k: usize, back: usize) -> f64 {
        unweighed::drop(self.feeder, k, back)
    }
}
