//! What is wrong, since when, and why it is thought so. One file for each kind or for kinds that
//! one model tells apart.
//!
//! A flag never flaps: it opens on one condition and closes on a clearly better one. It opens at
//! the moment at which its condition was first known to hold, with what had been measured by then;
//! a run over old readings says what the live one said.
//!
//! ```
//! use larder_domain::{FlagKind, Timestamp};
//! use larder_flags::{FlagTexts, Vote, episodes};
//!
//! // Hour by hour: the level is low for three hours, rises a little, and then clearly.
//! let votes = [Vote::Open, Vote::Open, Vote::Open, Vote::Keep, Vote::Close, Vote::Close];
//! let midnight = Timestamp(1_788_220_800_000);
//! let hourly = (0..).map(|hour| midnight.plus_ms(hour * 3_600_000)).zip(votes);
//!
//! let found = episodes(hourly, 2.0, 1.0);
//! assert_eq!(found.len(), 1);
//! assert_eq!(found[0].from, midnight.plus_hours(2.0));
//! assert_eq!(found[0].until, Some(midnight.plus_hours(5.0)));
//! assert_eq!(FlagTexts::of(FlagKind::RefillDue).one, "needs syrup soon");
//! ```

pub(crate) mod balance;
pub(crate) mod behind;
pub mod catalogue;
pub(crate) mod channels;
pub(crate) mod cold;
pub(crate) mod displaced;
pub(crate) mod drying;
pub(crate) mod empty;
pub(crate) mod fermentation_heat;
pub(crate) mod flow;
pub(crate) mod food_reserves;
pub(crate) mod goal;
mod hysteresis;
pub mod level_filter;
pub mod lifecycle;
pub(crate) mod loss;
pub(crate) mod low_battery;
pub(crate) mod needs_feed;
pub(crate) mod night;
pub mod notices;
pub mod numbers;
pub(crate) mod opened;
pub(crate) mod pace;
pub mod parameters;
pub(crate) mod refill;
pub(crate) mod sensor_fault;
pub mod signals;
pub(crate) mod silent;
pub(crate) mod souring;
pub(crate) mod stalled;
pub(crate) mod swarmed;
pub(crate) mod taking;
pub mod texts;
pub(crate) mod tipped;

pub use catalogue::YardParameters;
pub use hysteresis::{Episode, Vote, episodes, merged};
pub use parameters::FlagParameters;
pub use texts::FlagTexts;

use balance::Balance;
use larder_domain::{
    ChannelRef, DeviceId, Evidence, FeederId, Flag, FlagKind, HiveId, Severity, Span,
};
use larder_estimate::analysis::YardAnalysis;
use larder_estimate::input::{DeviceInput, YardInput};
use sensor_fault::{Judged, judge_level};
use signals::{FeederSignals, HiveSignals, Signals};

larder_estimate::numbers! { "flags":
    /// Nothing is surer than this, or less sure.
    PROBABILITY: [f64; 2] = [0.01, 0.99], "1", [0.0033, 1.0], Chosen;
}

/// All flags that were open at some time in the span, by opening time: each hive and its devices with
/// its own thresholds, all else with the yard's.
pub fn raise(
    input: &YardInput<'_>,
    analysis: &YardAnalysis,
    parameters: &YardParameters,
) -> Vec<Flag> {
    if analysis.grid.is_empty() {
        return Vec::new();
    }
    let signals = Signals::of(input, analysis);
    let balance = Balance::of(input, &signals, analysis);
    let nights = (0..input.hives.len())
        .map(|h| night::nights(input, &signals, &balance, h))
        .collect();
    let judged = input.hives.iter().map(|hive| {
        let feeders = hive.feeders.iter();
        feeders
            .map(|feeder| judge_level(feeder, &input.devices))
            .collect()
    });
    let mut context = RuleContext {
        input,
        analysis,
        judged: judged.collect(),
        signals: &signals,
        balance: &balance,
        nights,
        own_kg: Vec::new(),
        thresholds: parameters,
    };
    context.own_kg = (0..input.hives.len())
        .map(|h| food_reserves::own(&context, h))
        .collect();
    let mut flags = Vec::new();
    for device in &input.devices {
        silent::raise(&context, device, &mut flags);
        low_battery::raise(&context, device, &mut flags);
    }
    let displaced = displaced::raise(&context, &mut flags);
    let swarmed = swarmed::raise(&context, &displaced, &mut flags);
    let tipped = tipped::raise(&context, &mut flags);
    let faults = sensor_fault::raise(&context, &displaced, &mut flags);
    let exclusions = Exclusions { displaced, faults };
    let flow = flow::raise(&context, &exclusions, &mut flags);
    loss::raise(&context, &exclusions, &swarmed, &mut flags);
    empty::raise(&context, &exclusions, &mut flags);
    let taking = taking::Taking::of(&context, &exclusions, &flow);
    cold::raise(&context, &exclusions, &taking, &mut flags);
    let sour = souring::raise(&context, &exclusions, &flow, &taking, &mut flags);
    stalled::raise(&context, &exclusions, &flow, &sour, &taking, &mut flags);
    refill::raise(&context, &exclusions, &flow, &mut flags);
    needs_feed::raise(&context, &exclusions, &flow, &mut flags);
    behind::raise(&context, &exclusions, &mut flags);
    let sudden = (0..input.hives.len()).map(|h| {
        let fallen = exclusions.displaced[h].iter().flatten();
        let all = fallen.chain(&swarmed[h]).chain(&tipped[h]);
        all.copied().collect()
    });
    let sudden: Vec<Vec<Episode>> = sudden.collect();
    opened::raise(&context, &sudden, &mut flags);
    finish(input, flags)
}

fn finish(input: &YardInput<'_>, mut flags: Vec<Flag>) -> Vec<Flag> {
    let within = |flag: &Flag| {
        flag.opened_at < input.span.end && flag.closed_at.is_none_or(|at| at > input.span.start)
    };
    flags.retain(within);
    flags.sort_by(|a, b| sort_key(a).cmp(&sort_key(b)));
    flags
}

fn sort_key(flag: &Flag) -> impl Ord {
    let places = (&flag.device, &flag.feeder, &flag.hive);
    (flag.opened_at, flag.kind, places)
}

/// One yard, and all that the kinds share.
struct RuleContext<'a> {
    input: &'a YardInput<'a>,
    analysis: &'a YardAnalysis,
    signals: &'a Signals,
    balance: &'a Balance,
    /// For each hive and feeder, its level readings.
    judged: Vec<Vec<Vec<Judged>>>,
    /// For each hive.
    nights: Vec<Vec<night::Night>>,
    /// For each hive, its weight as its target means it (see [`food_reserves::own`]).
    own_kg: Vec<Vec<f64>>,
    thresholds: &'a YardParameters,
}

/// What must not be believed when.
struct Exclusions {
    /// For each hive and feeder: when it was off.
    displaced: Vec<Vec<Vec<Episode>>>,
    /// Instruments that were wrong.
    faults: SensorFaults,
}

/// When instruments were known to be wrong.
#[derive(Default)]
struct SensorFaults {
    /// For each hive: its scale.
    scales: Vec<Vec<Episode>>,
    /// For each hive and feeder: its level sensor.
    levels: Vec<Vec<Vec<Episode>>>,
}

impl Exclusions {
    fn scale(&self, context: &RuleContext<'_>, hive: usize, k: usize) -> bool {
        let at = context.signals.grid.time(k);
        self.faults.scales[hive]
            .iter()
            .any(|episode| episode.holds_at(at))
    }

    fn level(&self, context: &RuleContext<'_>, hive: usize, feeder: usize, k: usize) -> bool {
        let at = context.signals.grid.time(k);
        self.faults.levels[hive][feeder]
            .iter()
            .any(|episode| episode.holds_at(at))
    }

    fn off(&self, context: &RuleContext<'_>, hive: usize, feeder: usize, k: usize) -> bool {
        let at = context.signals.grid.time(k);
        self.displaced[hive][feeder]
            .iter()
            .any(|episode| episode.holds_at(at))
    }
}

/// What a flag says besides its kind and its place.
struct Details {
    severity: Severity,
    probability: f64,
    evidence: Evidence,
}

impl Details {
    fn measured_by(mut self, channels: Vec<ChannelRef>) -> Self {
        self.evidence.channels.extend(channels);
        self
    }
}

impl<'a> RuleContext<'a> {
    /// The thresholds of a hive.
    fn parameters(&self, hive: usize) -> &'a FlagParameters {
        self.thresholds.of_hive(&self.input.hives[hive].hive.id)
    }

    /// The thresholds of a device: those of the hive that it serves, where it serves one.
    fn device_parameters(&self, device: &DeviceInput<'_>) -> &'a FlagParameters {
        let (hive, _) = subject_of(self.input, device.device);
        hive.map_or(&self.thresholds.yard, |hive| self.thresholds.of_hive(&hive))
    }

    /// Every feeder: its hive's index, its own, the hive's signals and its own.
    fn feeders(&self) -> impl Iterator<Item = (usize, usize, &'a HiveSignals, &'a FeederSignals)> {
        let hives = self.signals.hives.iter().enumerate();
        hives.flat_map(|(h, hive)| {
            let feeders = hive.feeders.iter().enumerate();
            feeders.map(move |(f, feeder)| (h, f, hive, feeder))
        })
    }

    fn feeder(&self, hive: usize, feeder: usize) -> &'a larder_domain::Feeder {
        self.input.hives[hive].feeders[feeder].feeder
    }

    fn device_flag(
        &self,
        kind: FlagKind,
        device: &DeviceId,
        episode: Episode,
        details: Details,
    ) -> Flag {
        let (hive, feeder) = subject_of(self.input, device);
        let details =
            details.measured_by(channels::of_device(self.input, device, episode.from, kind));
        Flag {
            device: Some(device.clone()),
            hive,
            feeder,
            ..self.flag(kind, episode, details)
        }
    }

    fn hive_flag(&self, kind: FlagKind, hive: usize, episode: Episode, details: Details) -> Flag {
        let details = details.measured_by(channels::of_hive(&self.input.hives[hive], episode.from));
        let hive = self.input.hives[hive].hive.id.clone();
        Flag {
            hive: Some(hive),
            ..self.flag(kind, episode, details)
        }
    }

    fn feeder_flag(
        &self,
        kind: FlagKind,
        at: (usize, usize),
        episode: Episode,
        details: Details,
    ) -> Flag {
        let feeder = self.feeder(at.0, at.1);
        let details = details.measured_by(channels::of_feeder(feeder, episode.from));
        let feeder = feeder.id.clone();
        Flag {
            feeder: Some(feeder),
            ..self.hive_flag(kind, at.0, episode, details)
        }
    }

    fn flag(&self, kind: FlagKind, episode: Episode, details: Details) -> Flag {
        Flag {
            kind,
            yard: Some(self.input.yard.id.clone()),
            hive: None,
            feeder: None,
            device: None,
            opened_at: episode.from,
            closed_at: episode.until,
            severity: details.severity,
            probability: details.probability.clamp(PROBABILITY[0], PROBABILITY[1]),
            evidence: Evidence {
                over: Some(Span {
                    start: episode.from.plus_ms(-channels::LOOK_BACK_MS),
                    end: episode.from,
                }),
                ..details.evidence
            },
        }
    }
}

/// Tests on small invented yards.
#[cfg(test)]
mod tests;

/// The hive and feeder that a device serves, where it serves one.
fn subject_of(input: &YardInput<'_>, device: &DeviceId) -> (Option<HiveId>, Option<FeederId>) {
    for hive in &input.hives {
        for feeder in &hive.feeders {
            let mut sensors = feeder.feeder.sensors.iter();
            if sensors.any(|sensor| &sensor.assignment.source.device == device) {
                return (Some(hive.hive.id.clone()), Some(feeder.feeder.id.clone()));
            }
        }
    }
    let on = |hive: &&larder_estimate::HiveInput<'_>| {
        hive.hive
            .scales
            .iter()
            .any(|scale| &scale.source.device == device)
    };
    let mut hives = input.hives.iter().filter(on);
    match (hives.next(), hives.next()) {
        (Some(hive), None) => (Some(hive.hive.id.clone()), None),
        _ => (None, None),
    }
}
