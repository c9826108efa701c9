//! What the flags of a loss say.

use super::super::signals::nodes;
use super::super::{Details, Episode};
use super::{Culprit, Open, Watch};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity};
use larder_syrup::Estimate;

impl Watch<'_> {
    /// The flag of a loss that has ended, or has not.
    pub(super) fn flag(&self, was: &Open, until: Option<usize>) -> Flag {
        let grid = &self.context.signals.grid;
        let episode = Episode {
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
        let feeder = &self.context.feeder(self.h, self.f).id;
        let left = Estimate::normal(seen.drop_l, self.feeder.noise_l);
        let density = seen.drop_kg / seen.drop_l;
        let left_mass = Estimate::normal(seen.drop_kg, self.feeder.noise_l * density);
        let usual = self.usual(was.opened, nodes(seen.hours));
        let usual = Estimate::normal(usual.0 * seen.hours, usual.1 * seen.hours);
        let mut facts = Evidence::new(format!(
            "{{left}} ({{left_mass}}) left {feeder} in {{hours}} and {hive}; before, the colony took {{usual}} in that time."
        ))
        .with_estimate("left", left, Measure::Volume)
        .with_estimate("left_mass", left_mass, Measure::Mass)
        .with("hours", seen.hours, Measure::Hours)
        .with_estimate("usual", usual.at_least(0.0), Measure::Volume);
        if !seen.hive_kg.is_nan() {
            let lost = Estimate::normal(seen.hive_kg, seen.hive_sd_kg);
            facts = facts.with_estimate("lost", lost, Measure::Mass);
        }
        let (kind, who) = match was.culprit {
            Culprit::Robbers => (FlagKind::Robbed, " In flight weather: robbers."),
            Culprit::Leak | Culprit::SlowLeak => (FlagKind::Leaking, ""),
        };
        let details = Details {
            severity: if was.culprit == Culprit::SlowLeak {
                Severity::Warning
            } else {
                Severity::Urgent
            },
            probability: was.probability,
            evidence: facts.and(who),
        };
        self.context
            .feeder_flag(kind, (self.h, self.f), episode, details)
    }
}
