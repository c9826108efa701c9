//! Flags held against the truth. A flag is right when it opened in an event of its kind and subject, or
//! within some hours of it; a further one is neither; one that opened while it was in doubt is neither;
//! any other is false. An event is also found by a flag that was open already.

use super::sky::{PER_DAY, PER_HOUR, STEP_H, STEP_MS};
use super::story::Told;
use super::truth::{Event, Subject, Truth};
use larder_domain::{Flag, FlagKind};

/// Kinds that have a physical truth.
pub const PHYSICAL: [FlagKind; 11] = [
    FlagKind::Stalled,
    FlagKind::TooCold,
    FlagKind::Souring,
    FlagKind::Leaking,
    FlagKind::Robbed,
    FlagKind::Displaced,
    FlagKind::FlowOn,
    FlagKind::Empty,
    FlagKind::Silent,
    FlagKind::SensorFault,
    FlagKind::LowBattery,
];

/// Hours that a flag may come before its event and behind it. What fluctuates (warmth, nectar, age) has
/// no sharp start; a loss is often known only when it is over.
fn grace_hours(kind: FlagKind) -> (f64, f64) {
    match kind {
        FlagKind::Silent => (1.0, 6.0),
        FlagKind::Leaking | FlagKind::Robbed | FlagKind::Displaced | FlagKind::SensorFault => {
            (2.0, 24.0)
        }
        FlagKind::Empty => (6.0, 24.0),
        FlagKind::Stalled => (12.0, 24.0),
        FlagKind::Souring | FlagKind::LowBattery => (36.0, 24.0),
        _ => (24.0, 24.0),
    }
}

/// An event and whether it was found.
pub struct Judged {
    pub event: Event,
    pub place: String,
    /// Hours from its start; `None`: missed.
    pub delay_h: Option<f64>,
}

/// A flag that stands for something or for nothing.
pub struct Claim {
    pub kind: FlagKind,
    pub probability: f64,
    pub right: bool,
    /// For people: where, when, what it says, what was going on.
    pub says: String,
}

/// What came out of some yards.
#[derive(Default)]
pub struct Score {
    pub hive_months: f64,
    pub events: Vec<Judged>,
    pub claims: Vec<Claim>,
}

impl Score {
    /// Of several.
    pub fn of(parts: impl IntoIterator<Item = Self>) -> Self {
        let mut all = Self::default();
        for part in parts {
            all.hive_months += part.hive_months;
            all.events.extend(part.events);
            all.claims.extend(part.claims);
        }
        all
    }

    pub fn add(&mut self, told: &Told, truth: &Truth, flags: &[Flag]) {
        self.hive_months += (told.plan.hives.len() * told.plan.when.days) as f64 / 30.44;
        for kind in PHYSICAL {
            let mut subjects: Vec<&Subject> = truth.events.iter().map(|e| &e.subject).collect();
            let flagged: Vec<(Subject, &Flag)> = flags
                .iter()
                .filter(|flag| flag.kind == kind)
                .filter_map(|flag| Some((subject_of(told, flag)?, flag)))
                .collect();
            subjects.extend(flagged.iter().map(|(subject, _)| subject));
            subjects.sort();
            subjects.dedup();
            for subject in subjects {
                let mine = flagged.iter().filter(|(of, _)| of == subject);
                let mine: Vec<&Flag> = mine.map(|(_, flag)| *flag).collect();
                self.judge(told, truth, kind, subject, &mine);
            }
        }
    }

    fn judge(
        &mut self,
        told: &Told,
        truth: &Truth,
        kind: FlagKind,
        subject: &Subject,
        flags: &[&Flag],
    ) {
        let of_subject = |s: &Subject, k: FlagKind| s == subject && k == kind;
        let events: Vec<&Event> = truth
            .events
            .iter()
            .filter(|e| of_subject(&e.subject, e.kind))
            .collect();
        let (before, after) = grace_hours(kind);
        let (before, after) = (steps(before), steps(after));
        let mut delays: Vec<Option<f64>> = vec![None; events.len()];
        let mut sound: Vec<&Flag> = Vec::new();
        for flag in flags {
            let at = step_of(told, flag.opened_at.0);
            let near = |e: &Event| at + before >= e.window.0 && at <= e.window.1 + after;
            let fresh = (0..events.len()).find(|&i| near(events[i]) && delays[i].is_none());
            let doubtful = || {
                let mut doubts = truth.doubtful.iter().filter(|d| of_subject(&d.1, d.0));
                doubts.any(|(.., w)| (w.0..=w.1).contains(&at))
            };
            let right = if let Some(i) = fresh {
                delays[i] = Some(at.saturating_sub(events[i].window.0) as f64 * STEP_H);
                true
            } else if events.iter().any(|e| near(e)) || doubtful() {
                sound.push(flag);
                continue;
            } else {
                false
            };
            if right {
                sound.push(flag);
            }
            self.claims.push(Claim {
                kind,
                probability: flag.probability,
                right,
                says: says(told, truth, subject, flag),
            });
        }
        for (event, delay) in events.into_iter().zip(delays) {
            let open = |flag: &&&Flag| {
                let closed = flag.closed_at.map_or(usize::MAX, |at| step_of(told, at.0));
                step_of(told, flag.opened_at.0) <= event.window.0 && closed >= event.window.0
            };
            let already = sound.iter().any(|flag| open(&flag)).then_some(0.0);
            self.events.push(Judged {
                event: event.clone(),
                place: format!("{} {subject:?}", told.plan.name),
                delay_h: delay.or(already),
            });
        }
    }

    /// Recall, precision and F1 of one kind; `None` without an event.
    pub fn of_kind(&self, kind: FlagKind) -> Option<[f64; 3]> {
        let events = self.events.iter().filter(|e| e.event.kind == kind);
        let (n, found) = events.fold((0, 0), |(n, found), e| {
            (n + 1, found + usize::from(e.delay_h.is_some()))
        });
        let claims = || self.claims.iter().filter(|c| c.kind == kind);
        let right = claims().filter(|c| c.right).count();
        let recall = f64::from(found as u32) / n as f64;
        let precision = right as f64 / claims().count().max(1) as f64;
        let f1 = 2.0 * recall * precision / (recall + precision).max(1e-9);
        (n > 0).then_some([recall, precision, f1])
    }

    pub fn macro_f1(&self) -> f64 {
        let kinds: Vec<f64> = PHYSICAL
            .iter()
            .filter_map(|&k| Some(self.of_kind(k)?[2]))
            .collect();
        kinds.iter().sum::<f64>() / kinds.len() as f64
    }

    pub fn false_per_hive_month(&self, of: impl Fn(FlagKind) -> bool) -> f64 {
        let wrong = self.claims.iter().filter(|c| !c.right && of(c.kind));
        wrong.count() as f64 / self.hive_months
    }

    pub fn brier(&self) -> f64 {
        let squares = self
            .claims
            .iter()
            .map(|c| (f64::from(u8::from(c.right)) - c.probability).powi(2));
        squares.sum::<f64>() / self.claims.len() as f64
    }
}

fn steps(hours: f64) -> usize {
    (hours * PER_HOUR as f64) as usize
}

fn step_of(told: &Told, ms: i64) -> usize {
    ((ms - told.plan.when.start.0).max(0) / STEP_MS) as usize
}

fn subject_of(told: &Told, flag: &Flag) -> Option<Subject> {
    if let Some(device) = &flag.device {
        return Some(Subject::Device(device.to_string()));
    }
    let hive = flag.hive.as_ref()?.to_string();
    let index = hive.strip_prefix(&format!("{}-", told.plan.name))?;
    Some(Subject::Hive(index.parse().ok()?))
}

fn says(told: &Told, truth: &Truth, subject: &Subject, flag: &Flag) -> String {
    let at = step_of(told, flag.opened_at.0);
    let of_hive = |s: &Subject| match (s, subject) {
        (Subject::Device(a), Subject::Hive(i)) => a.ends_with(&format!("{}-{i}", told.plan.name)),
        (a, b) => a == b,
    };
    let then = truth.events.iter().filter(|e| {
        of_hive(&e.subject) && at + PER_DAY >= e.window.0 && at <= e.window.1 + PER_DAY
    });
    let then: Vec<String> = then
        .map(|e| format!("{} {} {:?}", e.kind.name(), e.what, e.window))
        .collect();
    format!(
        "{} {subject:?} step {at} (day {:.1}) p {:.2} {} | {}",
        told.plan.name,
        at as f64 / PER_DAY as f64,
        flag.probability,
        flag.evidence.plain(),
        then.join("; ")
    )
}
