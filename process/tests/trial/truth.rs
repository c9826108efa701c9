//! When each condition truly held, and when a flag of it would be neither right nor wrong.

use super::colony::Frame;
use super::devices::Device;
use super::instruments::Fault;
use super::sky::{PER_DAY, PER_HOUR, STEP_H};
use super::story::{Lived, Told};
use super::troubles::Trouble;
use super::windows::{Window, day_mean, joined, windows};
use larder_domain::FlagKind;

/// What a flag speaks of: a hive with its feeder, or a device.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Subject {
    Hive(usize),
    Device(String),
}

/// A condition that held.
#[derive(Clone, Debug)]
pub struct Event {
    pub kind: FlagKind,
    pub subject: Subject,
    pub window: Window,
    /// How large: l/h that leaked, hours of robbery, K of souring.
    pub size: f64,
    /// What the colony takes a day meanwhile, l.
    pub uptake_l_per_day: f64,
    pub what: String,
}

/// All that is true of a yard.
#[derive(Default)]
pub struct Truth {
    pub events: Vec<Event>,
    pub doubtful: Vec<(FlagKind, Subject, Window)>,
}

impl Truth {
    pub fn of(told: &Told) -> Self {
        let mut truth = Self::default();
        for (i, lived) in told.hives.iter().enumerate() {
            let hive = Hive {
                told,
                i,
                lived,
                truth: &mut truth,
            };
            hive.tell();
        }
        for device in told.devices() {
            truth.of_device(told, device);
        }
        truth
    }

    fn of_device(&mut self, told: &Told, device: &Device) {
        let subject = Subject::Device(device.name.clone());
        let n = told.plan.when.steps();
        let step_of =
            |ms: i64| ((ms - told.plan.when.start.0) / super::sky::STEP_MS).max(0) as usize;
        let end = told.plan.when.end().0;
        let reported_at = device.reported_at.iter().map(|t| t.0);
        let ends = reported_at.clone().skip(1).chain([end]);
        for (from, to) in reported_at.zip(ends) {
            let hours = (to - from) as f64 / 3.6e6;
            let window = (step_of(from), step_of(to));
            if hours >= 6.0 {
                self.add(FlagKind::Silent, &subject, window, hours, "");
            } else if hours >= 1.5 {
                self.doubt(FlagKind::Silent, &subject, window);
            }
        }
        for failing in &device.ailments.faults {
            let window = (failing.from, failing.until);
            let reported_at = device.reported_at.iter();
            let reported_at = reported_at.filter(|t| (window.0..window.1).contains(&step_of(t.0)));
            let hours = (window.1 - window.0) as f64 * STEP_H;
            if reported_at.count() >= 8 && hours >= 6.0 {
                let name = match failing.fault {
                    Fault::Drift(rate) if rate < 0.0 => "drifts down".to_owned(),
                    Fault::Drift(_) => "drifts up".to_owned(),
                    fault => format!("{fault:?}").to_lowercase(),
                };
                let of = if device.name.starts_with("sc") {
                    "scale"
                } else {
                    "level"
                };
                self.add(
                    FlagKind::SensorFault,
                    &subject,
                    window,
                    hours,
                    &format!("{of} {name}"),
                );
            } else {
                self.doubt(FlagKind::SensorFault, &subject, window);
            }
            // It comes back with a jump.
            let back = (window.1, (window.1 + 2 * PER_DAY).min(n));
            self.doubt(FlagKind::SensorFault, &subject, back);
        }
        let volts = |step: usize| device.ailments.volts(step);
        let low = windows(n, |step| volts(step) <= 3.5);
        for window in low {
            self.add(FlagKind::LowBattery, &subject, window, 0.0, "");
        }
        for window in windows(n, |step| volts(step) <= 3.57) {
            self.doubt(FlagKind::LowBattery, &subject, window);
        }
    }

    fn add(&mut self, kind: FlagKind, subject: &Subject, window: Window, size: f64, what: &str) {
        self.events.push(Event {
            kind,
            subject: subject.clone(),
            window,
            size,
            uptake_l_per_day: f64::NAN,
            what: what.to_owned(),
        });
    }

    fn doubt(&mut self, kind: FlagKind, subject: &Subject, window: Window) {
        self.doubtful.push((kind, subject.clone(), window));
    }
}

struct Hive<'a> {
    told: &'a Told,
    i: usize,
    lived: &'a Lived,
    truth: &'a mut Truth,
}

/// The colony takes next to nothing when a day leaves it less of its appetite than this.
const COLD_EASE: f64 = 0.2;
/// The colony could take when a day leaves it more of its appetite than this.
const WARM_EASE: f64 = 0.4;
/// After ripening, kg a day: flow is on, and flow may be on.
const FLOW_KG: f64 = 0.25;
const SOME_FLOW_KG: f64 = 0.1;

impl Hive<'_> {
    fn tell(mut self) {
        let frames = &self.lived.frames;
        let n = frames.len();
        let t = self.told.plan.hives[self.i].traits;
        let ease = day_mean(frames, PER_DAY, |f| f.ease);
        let flow = gains(frames);
        let there = |k: usize| frames[k].litres > 0.06 * t.capacity_l && !frames[k].off;
        // Empty: for three hours.
        let least_l = f64::max(0.02 * t.capacity_l, 0.05);
        // A feeder that was never filled is not in use.
        let first = (0..n).find(|&k| frames[k].litres > 0.0).unwrap_or(n);
        let dry = windows(n, |k| {
            k > first && frames[k].litres < least_l && !frames[k].off
        });
        self.keep(FlagKind::Empty, dry, 3 * PER_HOUR, "");
        self.doubtful(
            FlagKind::Empty,
            windows(n, |k| frames[k].litres < 2.2 * least_l),
        );
        // Too cold, and who can tell.
        let cold = windows(n, |k| there(k) && ease[k] < COLD_EASE);
        self.keep(FlagKind::TooCold, cold, 6 * PER_HOUR, "");
        self.doubtful(FlagKind::TooCold, windows(n, |k| ease[k] < WARM_EASE));
        // Flow, on hives that are weighed.
        if self.lived.scale.is_some() {
            let on = windows(n, |k| flow[k] > FLOW_KG);
            self.keep(FlagKind::FlowOn, joined(on, PER_DAY), PER_DAY / 2, "");
            let some = windows(n, |k| flow[k] > SOME_FLOW_KG);
            self.doubtful(FlagKind::FlowOn, some);
        }
        self.souring();
        self.troubles(&ease, &flow);
        // A colony that takes little for another reason.
        let taken = day_mean(frames, PER_DAY, |f| f.taken_l * PER_DAY as f64);
        let little = |k: usize| taken[k] < 0.4 * t.appetite_l_per_day;
        let slow = windows(n, little).into_iter();
        let slow = slow.map(|w| (w.0, (w.1 + PER_DAY).min(n))).collect();
        self.doubtful(FlagKind::Stalled, slow);
    }

    fn souring(&mut self) {
        let frames = &self.lived.frames;
        let n = frames.len();
        let capacity = self.told.plan.hives[self.i].traits.capacity_l;
        let there = |k: usize| frames[k].litres > 0.08 * capacity;
        let measured = self
            .lived
            .level
            .as_ref()
            .is_some_and(|d| !d.temperature.is_empty());
        let thermometer = if measured {
            "with a thermometer"
        } else {
            "without"
        };
        let sour = windows(n, |k| there(k) && frames[k].aged >= 1.0);
        for window in sour {
            let heat_k = frames[window.0..window.1]
                .iter()
                .map(|f| f.heat_k)
                .fold(0.0, f64::max);
            if window.1 - window.0 >= PER_DAY {
                self.add(FlagKind::Souring, window, heat_k, thermometer);
            } else {
                self.doubtful(FlagKind::Souring, vec![window]);
            }
        }
        self.doubtful(FlagKind::Souring, windows(n, |k| frames[k].aged > 0.5));
    }

    fn troubles(&mut self, ease: &[f64], flow: &[f64]) {
        let frames = &self.lived.frames;
        let capacity = self.told.plan.hives[self.i].traits.capacity_l;
        let level = self.lived.level.as_ref().map_or("", |_| "level");
        let scale = self.lived.scale.as_ref().map_or("", |_| "scale");
        let witnesses = format!("{level} {scale}");
        for (going, until) in &self.lived.past {
            let window = (going.since, *until);
            let part = &frames[window.0..window.1];
            let hours = part.len() as f64 * STEP_H;
            match going.trouble {
                Trouble::Leak { .. } => {
                    let leaked: f64 = part.iter().map(|f| f.leaked_l).sum();
                    self.add(FlagKind::Leaking, window, leaked / hours, &witnesses);
                }
                Trouble::Robbers { .. } => self.add(FlagKind::Robbed, window, hours, &witnesses),
                Trouble::BlownOff { .. } => {
                    self.add(FlagKind::Displaced, window, part.len() as f64, &witnesses);
                    if let Some(level) = &self.lived.level {
                        let subject = Subject::Device(level.name.clone());
                        self.truth.doubt(FlagKind::SensorFault, &subject, window);
                    }
                }
                Trouble::Stall { .. } => {
                    let could = |k: usize| {
                        let there = frames[k].litres > 0.1 * capacity;
                        there && ease[k] > WARM_EASE && flow[k] < SOME_FLOW_KG
                    };
                    let pieces = windows(frames.len(), |k| {
                        (window.0..window.1).contains(&k) && could(k)
                    });
                    self.keep(FlagKind::Stalled, pieces, 36 * PER_HOUR, &witnesses);
                }
                Trouble::Sour => {}
            }
        }
    }

    /// Those that lasted are events, the others in doubt.
    fn keep(&mut self, kind: FlagKind, found: Vec<Window>, least: usize, what: &str) {
        for window in found {
            if window.1 - window.0 >= least {
                self.add(kind, window, (window.1 - window.0) as f64 * STEP_H, what);
            } else {
                self.doubtful(kind, vec![window]);
            }
        }
    }

    fn add(&mut self, kind: FlagKind, window: Window, size: f64, what: &str) {
        let part = &self.lived.frames[window.0..window.1];
        let taken: f64 = part.iter().map(|f| f.taken_l).sum();
        let days = part.len() as f64 / PER_DAY as f64;
        self.truth.events.push(Event {
            kind,
            subject: Subject::Hive(self.i),
            window,
            size,
            uptake_l_per_day: taken / days,
            what: what.to_owned(),
        });
    }

    fn doubtful(&mut self, kind: FlagKind, found: Vec<Window>) {
        let subject = Subject::Hive(self.i);
        found
            .into_iter()
            .for_each(|w| self.truth.doubt(kind, &subject, w));
    }
}

/// What flowers give in the day around each step, once it is ripe, kg.
fn gains(frames: &[Frame]) -> Vec<f64> {
    let mean = day_mean(frames, PER_DAY, |f| f.nectar_kg * PER_DAY as f64);
    (0..frames.len())
        .map(|k| mean[(k + PER_DAY / 2).min(frames.len() - 1)])
        .collect()
}
