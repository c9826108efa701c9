//! Losses that only the scale sees: no sensor watches a feeder of the hive, or none is heard.
//!
//! A hive that loses by the hour what its yard does not, and what it never lost at this time of
//! other days, loses syrup. In the dark nobody flies: it runs out. By day in flight weather robbers
//! are the likelier guess, unless it went on in the dark. How much a hive differs from its yard by
//! itself is learned from its own last week, by day and by night apart.

use super::super::balance::{self, Balance};
use super::super::signals::hands::by_hand;
use super::super::signals::{FeederSignals, HiveSignals, nodes};
use super::super::{Details, Episode, Exclusions, RuleContext};
use super::culprit::DUSK_HOURS;
use super::fast::{habit, hive_sd_kg};
use super::{Culprit, DARK_HOURS, FAST_GONE_HOURS, ROBBERS_GONE_HOURS, SLOW_GONE_HOURS};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity};
use larder_estimate::math::robust::{MAD_TO_SD, Sorted};
use larder_estimate::series::grid::PER_DAY;
use larder_syrup::Estimate;
use std::collections::VecDeque;

larder_estimate::numbers! { "flags.loss.weighed":
    /// By day a loss stands out within these windows, indices into [`balance::WINDOWS`].
    BY_DAY: [usize; 3] = [1, 2, 3], "1", [0.0, 6.0], Chosen;
    /// By day a hive loses at least this in each of the windows, kg: foragers of a strong colony weigh half
    /// a kilogram.
    DAY_KG: [f64; 3] = [0.45, 0.6, 0.9], "kg", [0.15, 2.7], Chosen;
    /// In the dark a loss stands out within these windows, indices into [`balance::WINDOWS`].
    BY_NIGHT: [usize; 2] = [2, 3], "1", [0.0, 6.0], Chosen;
    /// In the dark a hive loses at least this, kg.
    NIGHT_KG: f64 = 0.3, "kg", [0.1, 0.9], Chosen;
    /// A slow loss, or one by day that was not clear then, stands out in the dark behind it within these
    /// windows, indices into [`balance::WINDOWS`].
    SLOW: [usize; 2] = [4, 5], "1", [0.0, 6.0], Chosen;
    /// A slow loss is at least this, kg.
    SLOW_KG: f64 = 0.6, "kg", [0.2, 1.8], Chosen;
    /// What a hive usually differs from its yard by is learned from so many days.
    LEARNED_DAYS: usize = 7, "d", [2.0, 21.0], Chosen;
    /// So many half hours make a usual difference.
    LEAST_LEARNED: usize = 24, "1", [8.0, 72.0], Chosen;
    /// Wind from here on shakes a scale, m/s: its force goes with the square.
    WIND_M_S: f64 = 6.0, "m/s", [2.0, 18.0], Chosen;
    /// A hive that no yard is held against differs so many times as much from what it usually does.
    LONE_FACTOR: f64 = 1.5, "1", [1.0, 4.5], Chosen;
    /// What rain laid on a hive dries off again within so long, hours.
    RAIN_HOURS: f64 = 24.0, "h", [8.0, 72.0], Chosen;
    /// So long after a visit its bees and its readings are not as usual, hours.
    VISIT_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
    /// A visit within a window of so many hours and more is borne.
    WHOLE_HOURS: f64 = 12.0, "h", [6.0, 24.0], Chosen;
    /// Robbers take no more than this, kg/h; hands do.
    MOST_KG_PER_H: f64 = 2.5, "kg/h", [0.83, 7.5], Chosen;
    /// By day a hive loses so many times what it ever did in the days before.
    EVER_FACTOR: f64 = 1.3, "1", [1.0, 4.0], Chosen;
    /// A level sensor that was not heard for more nodes than this sees nothing.
    SILENT_NODES: usize = 6, "1", [2.0, 18.0], Chosen;
    /// A swarm that is known at a node left within so many hours before.
    SWARM_HOURS: f64 = 2.0, "h", [0.67, 6.0], Chosen;
    /// A loss goes on while this share of what opened it goes in the same time.
    GOES_ON_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// By day a loss that goes on takes this share of its pace in the last hour: a swarm has left by then.
    LASTING_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A slow leak is odd in the last hours of dark alone by so many standard deviations.
    LATELY_SDS: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// Of what was lost so much went in the dark where it runs out, against an even pace.
    DARK_SHARE: f64 = 0.5, "1", [0.17, 1.0], Chosen;
    /// How sure a loss in the dark is.
    LEAK: f64 = 0.85, "1", [0.28, 1.0], Chosen;
    /// How sure a slow loss is.
    SLOW_LEAK: f64 = 0.65, "1", [0.22, 1.0], Chosen;
    /// How sure robbers are by day.
    ROBBED: f64 = 0.55, "1", [0.18, 1.0], Measured;
    /// How much less sure is what no yard is held against.
    LONE_PROBABILITY: f64 = 0.15, "1", [0.05, 0.45], Chosen;
}

/// Windows that are looked at.
const WINDOWS: [usize; 5] = [1, 2, 3, 4, 5];

/// Raises both kinds for one hive. `known` holds when its level sensors told of a loss.
pub(super) fn raise(
    context: &RuleContext<'_>,
    exclusions: &Exclusions,
    h: usize,
    swarmed: &[Episode],
    known: &[Flag],
    flags: &mut Vec<Flag>,
) {
    let hive = &context.signals.hives[h];
    let seen = |k: usize| watched(hive, k);
    if !hive.weighed || (0..=context.signals.last).all(seen) {
        return;
    }
    let alone = Alone {
        context,
        exclusions,
        h,
        hive,
        hands: hands(context, h),
        swarmed,
        courses: WINDOWS.map(|window| Course::of(context, h, window)),
    };
    alone.run(known, flags);
}

/// Whether sensors see all of a hive's feeders.
fn watched(hive: &HiveSignals, k: usize) -> bool {
    let seen = |feeder: &FeederSignals| feeder.sensed && feeder.filtered[k].age <= SILENT_NODES;
    !hive.feeders.is_empty() && hive.feeders.iter().all(seen)
}

/// For each node the newest one at which a hand was on the hive.
fn hands(context: &RuleContext<'_>, h: usize) -> Vec<Option<usize>> {
    let grid = &context.signals.grid;
    let mut steps = context.analysis.hives[h].scale.steps.iter();
    let mut next = steps.find(|step| by_hand(step));
    let mut last = None;
    (0..=context.signals.last)
        .map(|k| {
            while let Some(step) = next.filter(|step| grid.at_or_after(step.latest) <= k) {
                last = Some(grid.at_or_after(step.latest));
                next = steps.find(|step| by_hand(step));
            }
            last
        })
        .collect()
}

/// What a hive lost in windows of one length, node by node.
struct Course {
    window: usize,
    /// Beyond its yard, its own days before and what dried off, and no more than it lost itself, kg.
    lost: Vec<f64>,
    /// Standard deviation of that on an ordinary day, kg.
    sd: Vec<f64>,
}

impl Course {
    fn of(context: &RuleContext<'_>, h: usize, window: usize) -> Self {
        let hours = balance::WINDOWS[window];
        let (back, signals, balance) = (nodes(hours), context.signals, context.balance);
        let light = &signals.weather.light;
        let n = signals.last + 1;
        let beyond: Vec<f64> = (0..n)
            .map(|k| balance.excess_loss(h, k, window) - habit(balance, h, k, window))
            .collect();
        let mut usual = [Usual::default(), Usual::default()];
        let noise = 2f64.sqrt() * signals.hives[h].noise_kg;
        let at = |k: usize| {
            if let Some(then) = k.checked_sub(back) {
                usual[usize::from(light[then])].add(then, beyond[then].abs());
            }
            let lone = balance.common(k, window).is_nan();
            let learned = usual[usize::from(light[k])].sd(k);
            let wind = (signals.weather.wind[k] / WIND_M_S).powi(2).max(1.0);
            let factor = if lone { LONE_FACTOR } else { 1.0 };
            let sd = learned.max(hive_sd_kg(light[k], hours)).max(noise) * factor * wind;
            let own = k.checked_sub(back).map_or(f64::NAN, |then| {
                balance.undried(h, then) - balance.undried(h, k)
            });
            // What is not known of the hive or of its yard is no loss.
            let lost = if beyond[k].is_nan() || own.is_nan() {
                f64::NAN
            } else {
                let dry = !wet(context, k, back, lone);
                beyond[k].min(own).min(below(balance, h, k, back, dry))
            };
            (lost, sd)
        };
        let (lost, sd) = (0..n).map(at).unzip();
        Self { window, lost, sd }
    }

    fn hours(&self) -> f64 {
        balance::WINDOWS[self.window]
    }

    /// Whether the loss stands out at a node and at the one before, each by more than `sds`.
    fn stands_out(&self, k: usize, least_kg: f64, sds: f64) -> bool {
        let most_kg = MOST_KG_PER_H * self.hours();
        let at = |k: usize| {
            (least_kg..most_kg).contains(&self.lost[k]) && self.lost[k] > sds * self.sd[k]
        };
        at(k) && k.checked_sub(1).is_some_and(at)
    }

    /// Whether it never lost nearly as much in the days before.
    fn as_never_before(&self, k: usize) -> bool {
        let until = k.saturating_sub(nodes(self.hours()) + PER_DAY / 4);
        let from = until.saturating_sub(LEARNED_DAYS * PER_DAY);
        let most = self.lost[from..until].iter().copied().fold(0.0, f64::max);
        self.lost[k] > EVER_FACTOR * most
    }
}

/// Whether water may have dried off in a window that neither gauge nor yard accounts for.
fn wet(context: &RuleContext<'_>, k: usize, back: usize, lone: bool) -> bool {
    let weather = &context.signals.weather;
    !weather.has_gauge || lone && weather.wet(k.saturating_sub(back), k)
}

/// By how much a wet hive is lighter than it was at any time of the day before the window, kg: what rain
/// laid on it only dries off. Without limit where it is dry.
fn below(balance: &Balance, h: usize, k: usize, back: usize, dry: bool) -> f64 {
    if dry {
        return f64::INFINITY;
    }
    let to = k.saturating_sub(back);
    let before = to.saturating_sub(nodes(RAIN_HOURS))..=to;
    let least = before
        .map(|k| balance.undried(h, k))
        .fold(f64::INFINITY, f64::min);
    least - balance.undried(h, k)
}

/// The differences of the last days.
#[derive(Default)]
struct Usual {
    kept: VecDeque<(usize, f64)>,
    sorted: Sorted,
}

impl Usual {
    fn add(&mut self, k: usize, kg: f64) {
        if !kg.is_nan() {
            self.kept.push_back((k, kg));
            self.sorted.insert(kg);
        }
    }

    fn sd(&mut self, k: usize) -> f64 {
        let old = |&(then, _): &(usize, f64)| then + LEARNED_DAYS * PER_DAY < k;
        while self.kept.front().is_some_and(old) {
            let gone = self.kept.pop_front();
            gone.iter().for_each(|&(_, kg)| self.sorted.remove(kg));
        }
        let known = self.sorted.len() >= LEAST_LEARNED;
        let middle = self.sorted.median().filter(|_| known);
        MAD_TO_SD * middle.unwrap_or(0.0)
    }
}

/// A loss that stood out.
struct Seen {
    culprit: Culprit,
    probability: f64,
    course: usize,
    opened: usize,
    gone_since: Option<usize>,
    dark_since: Option<usize>,
}

struct Alone<'a> {
    context: &'a RuleContext<'a>,
    exclusions: &'a Exclusions,
    h: usize,
    hive: &'a HiveSignals,
    hands: Vec<Option<usize>>,
    swarmed: &'a [Episode],
    courses: [Course; 5],
}

impl Alone<'_> {
    fn run(&self, known: &[Flag], flags: &mut Vec<Flag>) {
        let grid = &self.context.signals.grid;
        let told = |k: usize| {
            let at = grid.time(k);
            known
                .iter()
                .any(|flag| flag.opened_at <= at && flag.closed_at.is_none_or(|end| at < end))
        };
        let mut open: Option<Seen> = None;
        let mut blurred_until = 0;
        for k in PER_DAY..=self.context.signals.last {
            let blind =
                self.exclusions.scale(self.context, self.h, k) || watched(self.hive, k) || told(k);
            if let Some(was) = &mut open {
                if blind || self.is_over(k, was) {
                    blurred_until = k;
                    flags.extend(open.take().map(|was| self.flag(&was, Some(k))));
                }
            } else if !blind {
                open = self.opens(k, blurred_until);
            }
        }
        flags.extend(open.map(|was| self.flag(&was, None)));
    }

    /// Whether it carries a feeder that no sensor watches.
    fn feeds(&self, k: usize) -> bool {
        let unwatched = |f: &usize| {
            let feeder = &self.hive.feeders[*f];
            self.context.feeder(self.h, *f).on_scale
                && !(feeder.sensed && feeder.filtered[k].age <= 2)
        };
        (0..self.hive.feeders.len()).any(|f| unwatched(&f))
    }

    fn dark(&self, k: usize, hours: f64) -> bool {
        let light = &self.context.signals.weather.light;
        light[k.saturating_sub(nodes(hours))..=k]
            .iter()
            .all(|day| !day)
    }

    /// Whether hands were on the hive near either end of a window: what they leave is no loss.
    fn handled(&self, k: usize, hours: f64) -> bool {
        let apart = nodes(VISIT_HOURS);
        let from = k.saturating_sub(nodes(hours));
        let since = |end: usize| self.hands[(end + 1).min(k)].map(|hand| hand + apart);
        let at = |end: usize| since(end).is_some_and(|calm| calm > end);
        // What a visit changed is known well enough for half a day, not for hours.
        let within = hours < WHOLE_HOURS && since(k).is_some_and(|calm| calm > from);
        at(k) || at(from) || within
    }

    /// Whether what went in a window went with a swarm.
    fn swarmed(&self, k: usize, hours: f64) -> bool {
        let back = nodes(hours + SWARM_HOURS);
        let mut known = self.swarmed.iter().map(|swarm| swarm.opened);
        known.any(|swarm| (k.saturating_sub(back)..=k).contains(&swarm))
    }

    fn opens(&self, k: usize, blurred_until: usize) -> Option<Seen> {
        let weather = &self.context.signals.weather;
        let parameters = &self.context.parameters(self.h).loss;
        // One witness has to say what two say together.
        let sds = parameters.sds * 2f64.sqrt();
        let warm = weather.air[k].is_nan() || weather.air[k] >= parameters.flight_cel;
        let clear = |course: usize, least_kg: f64| {
            let course = &self.courses[course];
            let fresh = k >= blurred_until + nodes(course.hours());
            fresh
                && course.stands_out(k, least_kg, sds)
                && !self.handled(k, course.hours())
                && !self.swarmed(k, course.hours())
        };
        let found = |culprit, probability: f64, course| {
            let lone = self.context.balance.common(k, WINDOWS[course]).is_nan();
            Seen {
                culprit,
                probability: if lone {
                    probability - LONE_PROBABILITY
                } else {
                    probability
                },
                course,
                opened: k,
                gone_since: None,
                dark_since: None,
            }
        };
        let of_window = |window: &usize| WINDOWS.iter().position(|w| w == window);
        if weather.light[k] {
            let seen = BY_DAY.iter().zip(DAY_KG).find_map(|(window, least_kg)| {
                of_window(window).filter(|&course| {
                    clear(course, least_kg) && self.courses[course].as_never_before(k)
                })
            });
            return seen.and_then(|course| {
                self.by_day(k, course, warm)
                    .map(|(who, p)| found(who, p, course))
            });
        }
        let seen = BY_NIGHT.iter().filter_map(of_window);
        let mut dark = seen.filter(|&course| self.dark(k, self.courses[course].hours()));
        if self.feeds(k)
            && let Some(course) = dark.find(|&course| clear(course, NIGHT_KG))
        {
            return Some(found(Culprit::Leak, LEAK, course));
        }
        let mut slow = SLOW.iter().filter_map(of_window);
        let course = slow.find(|&course| clear(course, SLOW_KG))?;
        self.slow(k, course).map(|(who, p)| found(who, p, course))
    }

    /// Who it is by day: what went on in the dark, or sets in where robbers go home, is a hole.
    fn by_day(&self, k: usize, course: usize, warm: bool) -> Option<(Culprit, f64)> {
        let light = &self.context.signals.weather.light;
        let back = nodes(self.courses[course].hours());
        let undried = |k: usize| self.context.balance.undried(self.h, k);
        let from = k - back;
        let dawn = (from..=k).find(|&k| light[k])?;
        let pace = (undried(from) - undried(k)) / back as f64;
        let hour = nodes(VISIT_HOURS);
        if undried(k - hour) - undried(k) < LASTING_SHARE * pace * hour as f64 {
            return None;
        }
        let early = dawn - from;
        let in_the_dark =
            early >= 2 && undried(from) - undried(dawn) > DARK_SHARE * pace * early as f64;
        let yesterday = (k + nodes(DUSK_HOURS)).checked_sub(PER_DAY);
        let dusk = yesterday.is_some_and(|then| !light[then]);
        if in_the_dark || !warm || dusk {
            return self.feeds(k).then_some((Culprit::Leak, SLOW_LEAK));
        }
        Some((Culprit::Robbers, ROBBED))
    }

    /// Who it was, by the dark behind it: a hole does not stop at dusk.
    fn slow(&self, k: usize, course: usize) -> Option<(Culprit, f64)> {
        let light = &self.context.signals.weather.light;
        let seen = &self.courses[course];
        let dusk = (0..=k).rev().find(|&k| light[k])?;
        let back = nodes(seen.hours());
        let long = k - dusk;
        if long < nodes(balance::WINDOWS[WINDOWS[1]]) {
            return None;
        }
        let at = if long >= nodes(balance::WINDOWS[WINDOWS[2]]) {
            2
        } else {
            1
        };
        let lately = &self.courses[at];
        let even = seen.lost[k] * lately.hours() / seen.hours();
        let odd = lately.lost[k] > LATELY_SDS * lately.sd[k];
        if odd && lately.lost[k] > DARK_SHARE * even && long < back {
            return self.feeds(k).then_some((Culprit::SlowLeak, SLOW_LEAK));
        }
        let burst = &self.courses[1];
        let flown =
            (k - back..=dusk).any(|k| light[k] && burst.lost[k] > DARK_SHARE * seen.lost[k]);
        flown.then_some((Culprit::Robbers, SLOW_LEAK))
    }

    /// Follows an open loss by one node; whether it has ended.
    fn is_over(&self, k: usize, was: &mut Seen) -> bool {
        let opened = &self.courses[was.course];
        let pace = opened.lost[was.opened] / opened.hours();
        let lately = &self.courses[if was.culprit == Culprit::SlowLeak {
            3
        } else {
            1
        }];
        let goes_on = lately.lost[k] > GOES_ON_SHARE * pace * lately.hours();
        was.gone_since = if goes_on {
            None
        } else {
            was.gone_since.or(Some(k))
        };
        let robbers = was.culprit == Culprit::Robbers;
        let dark = robbers && goes_on && self.dark(k, lately.hours());
        was.dark_since = if dark {
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
        let handled = self.hands[k] == Some(k) && !robbers;
        past(was.gone_since, wait) || past(was.dark_since, DARK_HOURS) || handled
    }

    fn flag(&self, was: &Seen, until: Option<usize>) -> Flag {
        let grid = &self.context.signals.grid;
        let episode = Episode {
            opened: was.opened,
            from: grid.time(was.opened),
            until: until.map(|k| grid.time(k)),
        };
        let course = &self.courses[was.course];
        let lone = self
            .context
            .balance
            .common(was.opened, course.window)
            .is_nan();
        let than = if lone {
            "it usually does at this time"
        } else {
            "its yard"
        };
        let (kind, who) = match was.culprit {
            Culprit::Robbers => (FlagKind::Robbed, " In flight weather: robbers."),
            Culprit::Leak | Culprit::SlowLeak => (FlagKind::Leaking, " It goes on in the dark."),
        };
        let lost = Estimate::normal(course.lost[was.opened], course.sd[was.opened]);
        let facts = Evidence::new(format!(
            "The hive lost {{lost}} more than {than} in {{hours}}, and nobody was at it; no sensor watches its feed."
        ))
        .with_estimate("lost", lost, Measure::Mass)
        .with("hours", course.hours(), Measure::Hours);
        let details = Details {
            severity: if was.culprit == Culprit::SlowLeak {
                Severity::Warning
            } else {
                Severity::Urgent
            },
            probability: was.probability,
            evidence: facts.and(who),
        };
        let on_scale = |f: &usize| self.context.feeder(self.h, *f).on_scale;
        let mut feeders = (0..self.hive.feeders.len()).filter(on_scale);
        match (feeders.next(), feeders.next()) {
            (Some(f), None) => self
                .context
                .feeder_flag(kind, (self.h, f), episode, details),
            _ => self.context.hive_flag(kind, self.h, episode, details),
        }
    }
}
