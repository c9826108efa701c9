//! One step on the scale against one feeder: was it this feeder's, and what happened to it.

use super::weighed::{LEVEL_HOURS, MOST_TARE_KG, OUTAGE_HOURS};
use super::{ChangeKind, GEOMETRY_SHARE, NOTE_VOLUME_SHARE};
use crate::input::FeederInput;
use crate::series::level::{LevelChange, LevelTrack};
use crate::series::scale::ScaleStep;
use larder_syrup::Strength;
use larder_syrup::physics::kg_per_litre;

crate::numbers! { "estimate.events.weighing":
    /// A feeder that is off or knocked over shows its old level in at most this share of readings.
    OFF_SHARE: f64 = 0.25, "1", [0.083, 0.75], Chosen;
    /// Scale and level agree within so many standard deviations.
    AGREE_SDS: f64 = 3.5, "1", [1.2, 10.0], Chosen;
    /// A level moved clearly when it moved by so many standard deviations.
    CLEAR_SDS: f64 = 3.0, "1", [1.0, 9.0], Chosen;
    /// A level moved clearly when it moved by this share of the load on the scale.
    CLEAR_SHARE: f64 = 0.25, "1", [0.083, 0.75], Chosen;
    /// No level is known better than this, l.
    LEAST_LEVEL_SD_L: f64 = 0.01, "l", [0.0033, 0.03], Chosen;
    /// More than this share of the capacity does not go into a feeder.
    pub(super) MOST_FULL_SHARE: f64 = 1.1, "1", [0.37, 3.3], Chosen;
    /// With less than this share of the capacity in it nothing was thrown out.
    LEAST_HELD_SHARE: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// A load that is this many times the slack off what topping up asks for was none.
    TOPPED_UP_SLACKS: f64 = 1.5, "1", [0.5, 4.5], Chosen;
    /// A feeder that went took a share of its capacity between these with it.
    LOST_SHARE: [f64; 2] = [0.05, 1.05], "1", [0.017, 3.1], Chosen;
    /// Across an outage at least this share of a load is still in the feeder.
    OUTAGE_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// How firmly a load that went is believed to be syrup thrown out of a feeder that nothing sees into.
    LOST_BELIEF: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// A level is steady within so many times its noise.
    STEADY_SDS: f64 = 4.0, "1", [1.3, 12.0], Chosen;
    /// A feeder that came off held at least this share of its capacity, unless it is heavy by itself.
    OFF_LEAST_SHARE: f64 = 0.08, "1", [0.027, 0.24], Chosen;
    /// A feeder that came off with less syrup weighs at least this by itself, kg.
    OFF_LEAST_KG: f64 = 0.3, "kg", [0.1, 0.9], Chosen;
    /// A sensor that still sees its old level does so within so many hours after the step.
    STILL_HOURS: f64 = 5.0, "h", [1.7, 15.0], Chosen;
    /// A sensor that sees something steady does so within so many hours after the step.
    STEADY_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
    /// A note is what a step and the level before it add up to within so many standard deviations.
    NOTED_SDS: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// How much more firmly than by the level's change alone it is believed that old syrup was thrown out
    /// first, where a note says so.
    RENEWED_BELIEF: f64 = 1.0, "1", [0.33, 3.0], Chosen;
    /// How firmly a load is believed to be a fill that was noted and that no level shows.
    NOTED_BELIEF: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// A load and a note of the same fill agree within this share.
    WEIGHED_NOTE_SHARE: f64 = 0.2, "1", [0.067, 0.6], Chosen;
    /// How firmly a load larger than the feeder is believed to be a noted fill and a box with it.
    BOX_BELIEF: f64 = 1.0, "1", [0.33, 3.0], Chosen;
    /// How firmly a load is believed to be a fill that was not noted and that no level shows.
    UNNOTED_BELIEF: f64 = 0.5, "1", [0.17, 1.5], Chosen;
    /// A level is steady when more than this share of the readings stays near it.
    STEADY_SHARE: f64 = 0.5, "1", [0.17, 1.0], Chosen;
}

/// What is known of the step and the feeder.
pub(super) struct Weighing<'a> {
    pub feeder: &'a FeederInput<'a>,
    pub noted: Option<f64>,
    pub has_note: bool,
    /// The step as syrup that was poured, l.
    pub litres: f64,
    /// The step as syrup that was in it and went, l.
    pub lost_litres: f64,
    pub sd: f64,
    pub level: Option<LevelChange>,
}

/// How surely, what, and how much as far as the scale can say.
pub(super) type Verdict = (f64, ChangeKind, Option<(f64, f64)>);

impl Weighing<'_> {
    /// Whether a step on the scale was this feeder's; `outage` is its level on both sides of it
    /// where the sensor was out at the time.
    pub fn judge(&self, outage: Option<LevelChange>) -> Option<Verdict> {
        let Some(level) = self.level else {
            return self.judge_unseen(outage);
        };
        let slack = level.sd.hypot(self.sd);
        let agree = (self.litres - level.litres()).abs()
            <= AGREE_SDS * slack + GEOMETRY_SHARE * self.litres.abs();
        let clear = (CLEAR_SDS * level.sd).max(CLEAR_SHARE * self.litres.abs());
        let sure = level.litres().abs() / level.sd.max(LEAST_LEVEL_SD_L);
        let weighed = Some((self.litres, self.sd));
        if let Some(renewed) = self.renewed(&level) {
            return Some((sure + RENEWED_BELIEF, ChangeKind::Renewed, Some(renewed)));
        }
        if self.litres > 0.0 && (level.litres() > clear || (agree && self.has_note)) {
            return Some((sure, ChangeKind::Fill, weighed.filter(|_| agree)));
        }
        if self.litres < 0.0 && level.litres() < -clear {
            let agree = (self.lost_litres + level.litres()).abs()
                <= AGREE_SDS * slack + GEOMETRY_SHARE * self.lost_litres;
            let lost = (-self.lost_litres, self.sd);
            return Some((sure, ChangeKind::Spill, agree.then_some(lost)));
        }
        // What is written down and weighs as much is in the feeder, whatever a sensor that sticks shows.
        let noted = self.noted.filter(|noted| {
            (noted - self.litres).abs() <= WEIGHED_NOTE_SHARE * noted
                && self.litres <= MOST_FULL_SHARE * self.feeder.feeder.capacity_l
        });
        noted.map(|_| (NOTED_BELIEF, ChangeKind::Fill, weighed))
    }

    /// The note says more than came on: what was in the feeder was thrown out first. How much was
    /// poured follows from the level before and the step.
    fn renewed(&self, level: &LevelChange) -> Option<(f64, f64)> {
        let noted = self.noted?;
        let before = level.from.max(0.0);
        let slack = NOTED_SDS * NOTE_VOLUME_SHARE * noted + NOTED_SDS * level.sd;
        let all = self.litres + before;
        let topped_up = (self.litres - noted).abs();
        let fits =
            (all - noted).abs() <= slack && all <= MOST_FULL_SHARE * self.feeder.feeder.capacity_l;
        let large = before > LEAST_HELD_SHARE * self.feeder.feeder.capacity_l;
        (large && fits && topped_up > TOPPED_UP_SLACKS * slack).then(|| {
            let sd = (GEOMETRY_SHARE * before).hypot(self.sd).hypot(level.sd);
            let note_sd = NOTE_VOLUME_SHARE * noted;
            let weight = note_sd.powi(2) / (note_sd.powi(2) + sd.powi(2));
            (noted + weight * (all - noted), sd * weight.sqrt())
        })
    }

    fn could_be_thrown_out(&self) -> bool {
        let capacity = self.feeder.feeder.capacity_l;
        self.lost_litres > LOST_SHARE[0] * capacity && self.lost_litres <= LOST_SHARE[1] * capacity
    }

    fn judge_unseen(&self, outage: Option<LevelChange>) -> Option<Verdict> {
        let fits =
            self.litres > 0.0 && self.litres <= MOST_FULL_SHARE * self.feeder.feeder.capacity_l;
        let weighed = Some((self.litres, self.sd));
        let rose = outage.is_some_and(|level| level.to > OUTAGE_SHARE * self.litres);
        match (self.has_note, fits) {
            (true, true) => Some((NOTED_BELIEF, ChangeKind::Fill, weighed)),
            // A box came with it: only the note can say.
            (true, false) if self.litres > 0.0 => {
                let guess = self.noted.map(|v| (v, NOTE_VOLUME_SHARE * v));
                Some((BOX_BELIEF, ChangeKind::Fill, guess))
            }
            (false, true) if rose || self.feeder.levels.is_empty() => {
                Some((UNNOTED_BELIEF, ChangeKind::Fill, weighed))
            }
            // Nothing sees into it: a load that went may be syrup thrown out, all of it.
            _ if self.feeder.levels.is_empty() && self.could_be_thrown_out() => Some((
                LOST_BELIEF,
                ChangeKind::Lost,
                Some((-self.lost_litres, self.sd)),
            )),
            _ => None,
        }
    }
}

/// Whether the feeder went off the hive with all that was in it: the step is what was in it and a
/// little more, and the level has not been seen since.
pub(super) fn lost_all(
    weighing: &Weighing<'_>,
    level: &LevelTrack,
    step: &ScaleStep,
    inside: Option<Strength>,
) -> bool {
    let recent = level.level_before(step.earliest, LEVEL_HOURS);
    let Some(before) = recent.or_else(|| level.level_before(step.earliest, OUTAGE_HOURS)) else {
        return false;
    };
    let slack = GEOMETRY_SHARE * weighing.feeder.feeder.capacity_l + STEADY_SDS * level.noise_l();
    let tare = (weighing.lost_litres - before.max(0.0)) * kg_per_litre(inside);
    let fits = step.kg < 0.0 && tare > -slack && tare < MOST_TARE_KG + slack;
    let enough =
        before > OFF_LEAST_SHARE * weighing.feeder.feeder.capacity_l || tare > OFF_LEAST_KG;
    let still_there = level.share_near(step.latest, STILL_HOURS, before, slack);
    fits && enough && still_there < OFF_SHARE && !holds_some(weighing, level, step, before)
}

/// Whether the level stays steadily at something well above empty: the feeder is still there.
fn holds_some(weighing: &Weighing<'_>, level: &LevelTrack, step: &ScaleStep, before: f64) -> bool {
    let Some(change) = weighing.level else {
        return false;
    };
    let noise = STEADY_SDS * level.noise_l();
    let steady = level.share_near(step.latest, STEADY_HOURS, change.to, noise) > STEADY_SHARE;
    steady && change.to > OUTAGE_SHARE * before.max(0.0) + noise
}
