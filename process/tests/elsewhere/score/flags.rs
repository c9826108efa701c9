//! Flags. One is right when it opened in an event of its kind and subject or within some hours of it; a
//! further one of the same event is neither right nor wrong, and so is one that opened while it was in
//! doubt; any other is false. An event is also found by a flag that was open already.

use super::subjects::Subjects;
use crate::truth::{Condition, EventTruth, Truth};
use larder_domain::{Flag, Timestamp};
use std::collections::BTreeMap;

/// Hours by which a doubt reaches over its window.
const DOUBT_H: f64 = 6.0;

/// Hours that a flag may come before its event and behind it. What fluctuates has no sharp start; a loss
/// is often known only when it is over.
fn grace_h(kind: Condition) -> (f64, f64) {
    match kind {
        Condition::Stalled => (12.0, 24.0),
        Condition::TooCold | Condition::FlowOn | Condition::NeedsFeed => (24.0, 24.0),
        Condition::Souring | Condition::LowBattery => (36.0, 24.0),
        Condition::Leaking
        | Condition::Robbed
        | Condition::Displaced
        | Condition::SensorFault
        | Condition::Swarmed
        | Condition::Tipped => (2.0, 24.0),
        Condition::Empty => (6.0, 24.0),
        Condition::Silent => (1.0, 6.0),
        Condition::BehindTarget => (48.0, 24.0),
        Condition::RefillDue => (24.0, 12.0),
    }
}

/// How often a condition held and was found, how many flags were right and wrong.
#[derive(Clone, Copy, Default)]
pub struct Counts {
    pub events: usize,
    pub found: usize,
    pub right: usize,
    pub wrong: usize,
}

impl Counts {
    pub fn add(&mut self, other: Self) {
        self.events += other.events;
        self.found += other.found;
        self.right += other.right;
        self.wrong += other.wrong;
    }

    pub fn recall(self) -> f64 {
        self.found as f64 / self.events as f64
    }

    pub fn precision(self) -> f64 {
        self.right as f64 / (self.right + self.wrong) as f64
    }

    /// `None` if the condition never held.
    pub fn f1(self) -> Option<f64> {
        let (recall, precision) = (self.recall(), self.precision());
        let f1 = 2.0 * recall * precision / (recall + precision);
        (self.events > 0).then_some(if f1.is_finite() { f1 } else { 0.0 })
    }
}

/// A flag that stands for something or for nothing.
#[derive(Clone, Copy)]
pub struct Claim {
    pub kind: Condition,
    pub probability: f64,
    pub right: bool,
}

#[derive(Clone, Copy, PartialEq)]
enum Verdict {
    Right,
    Further,
    Doubtful,
    Wrong,
}

/// By the names that the truth uses.
struct Named<'a> {
    flag: &'a Flag,
    hive: String,
    feeder: String,
    device: String,
}

pub fn score(
    truth: &Truth,
    subjects: &Subjects,
    flags: &[Flag],
) -> (BTreeMap<Condition, Counts>, Vec<Claim>) {
    let (mut kinds, mut claims) = (BTreeMap::new(), Vec::new());
    for kind in Condition::all() {
        if Condition::POLICY.contains(&kind) && !truth.policy {
            continue;
        }
        let mut mine: Vec<Named<'_>> = flags
            .iter()
            .filter(|flag| flag.kind.name() == kind.name())
            .map(named)
            .collect();
        mine.sort_by_key(|named| named.flag.opened_at);
        let (counts, verdicts) = judge(truth, subjects, kind, &mine);
        kinds.insert(kind, counts);
        let judged = mine.iter().zip(verdicts);
        let judged = judged.filter(|(_, v)| matches!(v, Verdict::Right | Verdict::Wrong));
        claims.extend(judged.map(|(named, verdict)| Claim {
            kind,
            // As the report gives it.
            probability: (named.flag.probability * 100.0).round() / 100.0,
            right: verdict == Verdict::Right,
        }));
    }
    (kinds, claims)
}

fn named(flag: &Flag) -> Named<'_> {
    let text = |id: Option<String>| id.unwrap_or_default();
    Named {
        flag,
        hive: text(flag.hive.as_ref().map(ToString::to_string)),
        feeder: text(flag.feeder.as_ref().map(ToString::to_string)),
        device: text(flag.device.as_ref().map(ToString::to_string)),
    }
}

fn judge(
    truth: &Truth,
    subjects: &Subjects,
    kind: Condition,
    flags: &[Named<'_>],
) -> (Counts, Vec<Verdict>) {
    let (before, after) = grace_h(kind);
    let mut verdicts = vec![Verdict::Wrong; flags.len()];
    let events: Vec<&EventTruth> = truth.events.iter().filter(|e| e.kind == kind).collect();
    let mut missed = Vec::new();
    for event in &events {
        let (from, until) = (event.start.plus_hours(-before), event.end.plus_hours(after));
        let near = |named: &Named<'_>| {
            from <= named.flag.opened_at
                && named.flag.opened_at <= until
                && is_of(subjects, kind, named, event)
        };
        let mut first = true;
        for (verdict, _) in verdicts.iter_mut().zip(flags).filter(|(_, f)| near(f)) {
            if first {
                *verdict = Verdict::Right;
            } else if *verdict == Verdict::Wrong {
                *verdict = Verdict::Further;
            }
            first = false;
        }
        if first {
            missed.push(*event);
        }
    }
    let doubts: Vec<&EventTruth> = truth.doubtful.iter().filter(|e| e.kind == kind).collect();
    for (verdict, named) in verdicts.iter_mut().zip(flags) {
        let at = named.flag.opened_at;
        let mut of_it = doubts
            .iter()
            .filter(|e| e.start.plus_hours(-DOUBT_H) <= at && at <= e.end.plus_hours(DOUBT_H));
        if *verdict == Verdict::Wrong && of_it.any(|e| is_of(subjects, kind, named, e)) {
            *verdict = Verdict::Doubtful;
        }
    }
    let open = |named: &Named<'_>, at: Timestamp| {
        named.flag.opened_at < at && named.flag.closed_at.is_none_or(|closed| closed > at)
    };
    let held = |event: &&&EventTruth| {
        let mut rightful = flags
            .iter()
            .zip(&verdicts)
            .filter(|(_, v)| **v != Verdict::Wrong);
        rightful.any(|(f, _)| open(f, event.start) && is_of(subjects, kind, f, event))
    };
    let already = missed.iter().filter(held).count();
    let count = |of: Verdict| verdicts.iter().filter(|v| **v == of).count();
    let counts = Counts {
        events: events.len(),
        found: events.len() - missed.len() + already,
        right: count(Verdict::Right),
        wrong: count(Verdict::Wrong),
    };
    (counts, verdicts)
}

/// Whether a flag speaks of what an event happened to.
fn is_of(subjects: &Subjects, kind: Condition, flag: &Named<'_>, event: &EventTruth) -> bool {
    match kind {
        Condition::Silent | Condition::SensorFault | Condition::LowBattery => {
            if !flag.device.is_empty() {
                flag.device == event.device
            } else if !flag.feeder.is_empty() {
                subjects.has(&event.device, &flag.feeder)
            } else {
                !flag.hive.is_empty() && subjects.has(&event.device, &flag.hive)
            }
        }
        Condition::FlowOn
        | Condition::NeedsFeed
        | Condition::BehindTarget
        | Condition::Robbed
        | Condition::Swarmed
        | Condition::Tipped => flag.hive == event.hive,
        _ if !flag.feeder.is_empty() => flag.feeder == event.feeder,
        _ => flag.hive == event.hive,
    }
}
