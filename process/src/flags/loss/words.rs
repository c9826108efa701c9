//! What the flags of a loss say.

use super::super::signals::nodes;
use super::super::{Spell, Words};
use super::{Culprit, Open, Watch};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity};

impl Watch<'_> {
    /// The flag of a loss that has ended, or has not.
    pub(super) fn flag(&self, was: &Open, until: Option<usize>) -> Flag {
        let grid = &self.case.signals.grid;
        let spell = Spell {
            opened: was.opened,
            from: grid.time(was.opened),
            until: until.map(|k| grid.time(k)),
        };
        let seen = &was.seen;
        let hive = if seen.hive_kg.is_nan() {
            "no scale was heard".to_owned()
        } else {
            "the hive lost {lost} more than its yard".to_owned()
        };
        let feeder = &self.case.feeder(self.h, self.f).id;
        let usual = self.usual(was.opened, nodes(seen.hours)) * seen.hours;
        let mut facts = Evidence::new(format!(
            "{{left}} ({{left_mass}}) left {feeder} in {{hours}} and {hive}; before, the colony took {{usual}} in that time."
        ))
        .with("left", seen.drop_l, Measure::Volume)
        .with("left_mass", seen.drop_kg, Measure::Mass)
        .with("hours", seen.hours, Measure::Hours)
        .with("usual", usual, Measure::Volume);
        if !seen.hive_kg.is_nan() {
            facts = facts.with("lost", seen.hive_kg, Measure::Mass);
        }
        let (kind, advice) = match was.culprit {
            Culprit::Robbers => (
                FlagKind::Robbed,
                " In flight weather, with honey going too: robbers. Narrow the entrance and do not spill syrup.",
            ),
            _ => (
                FlagKind::Leaking,
                " Spilled syrup draws robbers: wash it away.",
            ),
        };
        let words = Words {
            severity: if was.culprit == Culprit::SlowLeak {
                Severity::Warning
            } else {
                Severity::Urgent
            },
            probability: was.probability,
            evidence: facts.and(advice),
        };
        self.case.feeder_flag(kind, (self.h, self.f), spell, words)
    }
}
