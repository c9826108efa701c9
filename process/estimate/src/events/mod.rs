//! What happened to a feeder's contents by hand or by accident: the steps on the scale, the jumps
//! of the level and the keeper's notes, put together.
//!
//! The scale is the judge where it can see: a load that came on is there, a level that rose without
//! a load is comb or foam in the beam. The level decides what the load was: syrup or a box.

pub mod hands;
pub(crate) mod jumps;
pub(crate) mod notes;
pub(crate) mod warmth;
pub(crate) mod weighed;
pub(crate) mod weighing;

pub use warmth::find_renewals;

use crate::input::{FeederInput, HiveInput};
use crate::series::level::LevelTrack;
use crate::series::scale::ScaleTrack;
use crate::series::strengths::Strengths;
use larder_domain::{Span, Timestamp};
use larder_syrup::Strength;

crate::numbers! { "estimate.events":
    /// A note belongs to a change up to this far from it: people write things down when they are back
    /// at the truck, hours.
    NOTE_HOURS: f64 = 1.0, "h", [0.33, 3.0], Chosen;
    /// Readings on both sides within this prove that a witness was watching, hours.
    WATCH_HOURS: f64 = 1.1, "h", [0.37, 3.3], Chosen;
    /// How well a note of the volume is meant, as a share of it.
    NOTE_VOLUME_SHARE: f64 = 0.10, "1", [0.033, 0.3], Chosen;
    /// What a ruler gets wrong about a feeder, as a share.
    GEOMETRY_SHARE: f64 = 0.05, "1", [0.017, 0.15], Chosen;
}

/// A sudden change of what is in a feeder.
#[derive(Clone, PartialEq, Debug)]
pub struct Change {
    /// The last moment at which the change had not happened yet.
    pub earliest: Timestamp,
    /// The first moment at which the change had happened.
    pub latest: Timestamp,
    /// What happened.
    pub kind: ChangeKind,
    /// How much came in (or went out, negative), l at 20 Cel, with its standard deviation, from
    /// witnesses other than the level sensor; `None`: only the level can say.
    pub litres: Option<(f64, f64)>,
    /// Which of the keeper's notes it is, by index.
    pub recorded: Option<usize>,
    /// Which of the scale's steps it is, by index.
    pub scale_step: Option<usize>,
    /// Whether a sensor saw it.
    pub seen: bool,
    /// What was poured.
    pub strength: Option<Strength>,
}

/// The kinds of sudden change.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ChangeKind {
    /// Syrup was poured in.
    Fill,
    /// Some syrup went out at once: dumped, tipped.
    Spill,
    /// All syrup went: the feeder was blown or knocked off, or emptied by hand.
    Lost,
    /// What was in it was thrown out and fresh syrup poured in.
    Renewed,
}

impl ChangeKind {
    /// Whether syrup was poured in.
    pub fn pours(self) -> bool {
        matches!(self, Self::Fill | Self::Renewed)
    }
}

impl Change {
    /// The middle of the time in which it happened.
    pub fn time(&self) -> Timestamp {
        self.earliest.plus_ms((self.latest.0 - self.earliest.0) / 2)
    }
}

/// All that is known of one feeder's sudden changes.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct FeederEvents {
    /// The sudden changes, in order of time.
    pub changes: Vec<Change>,
    /// When the level sensor tells of something else than syrup.
    pub masked: Vec<Span>,
    /// When the feeder was off the hive.
    pub displaced: Vec<Span>,
}

/// Puts together what one hive's witnesses say; one entry for each feeder. `until` is the clock.
pub fn detect_events(
    hive: &HiveInput<'_>,
    scale: &ScaleTrack,
    levels: &[LevelTrack],
    strengths: &Strengths,
    until: Timestamp,
) -> Vec<FeederEvents> {
    let mut found = vec![FeederEvents::default(); levels.len()];
    let mut notes: Vec<Vec<bool>> = hive
        .feeders
        .iter()
        .map(|feeder| vec![false; feeder.recorded.len()])
        .collect();
    let case = weighed::HiveWitnesses {
        hive,
        levels,
        strengths,
        until,
    };
    weighed::explain_steps(&case, scale, &mut found, &mut notes);
    for (f, feeder) in hive.feeders.iter().enumerate() {
        let witnesses = Witnesses {
            feeder,
            scale: feeder.feeder.on_scale.then_some(scale),
            level: &levels[f],
            strengths,
        };
        jumps::explain_jumps(&witnesses, &mut found[f], &mut notes[f]);
        notes::believe_notes(&witnesses, &mut found[f], &mut notes[f]);
        found[f].changes.sort_by_key(Change::time);
        found[f].masked.sort_by_key(|span| span.start);
    }
    found
}

/// Who can speak for one feeder.
struct Witnesses<'a> {
    feeder: &'a FeederInput<'a>,
    scale: Option<&'a ScaleTrack>,
    level: &'a LevelTrack,
    strengths: &'a Strengths,
}

/// The free note nearest to `span`, if one is near.
fn nearest_note(feeder: &FeederInput<'_>, used: &[bool], span: Span) -> Option<usize> {
    let outside = |at: Timestamp| {
        let early = span.start.hours_since(at);
        early.max(at.hours_since(span.end)).max(0.0)
    };
    let free = (0..feeder.recorded.len()).filter(|&i| !used[i]);
    free.map(|i| (i, outside(feeder.recorded[i].time)))
        .filter(|&(_, hours)| hours <= NOTE_HOURS)
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(i, _)| i)
}

/// The strength that a note gives, else what the yard got on that trip.
fn strength_of(
    feeder: &FeederInput<'_>,
    note: Option<usize>,
    strengths: &Strengths,
    at: Timestamp,
) -> Option<Strength> {
    note.and_then(|i| feeder.recorded[i].strength)
        .or_else(|| strengths.poured(&feeder.feeder.id, at))
}

/// Whether the scale has readings close to `span` on both sides.
fn scale_watched(scale: &ScaleTrack, span: Span) -> bool {
    let t = &scale.series.times;
    let last = t.partition_point(|&time| time <= span.start);
    let first = t.partition_point(|&time| time < span.end);
    let near = |i: usize| {
        t.get(i)
            .is_some_and(|time| time.hours_since(span.end) <= WATCH_HOURS)
    };
    last > 1 && span.start.hours_since(t[last - 1]) <= WATCH_HOURS && near(first + 1)
}
