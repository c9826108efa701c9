//! What the keeper feeds for, and what follows from it: how fast syrup is expected to go before a
//! colony has days of its own to go by, and how pressing it is when something is wrong.

use super::RuleContext;
use larder_domain::{FlagKind, Goal, Severity};

larder_estimate::numbers! { "flags.goal":
    /// Syrup of less sugar than this is fed thin, for growth, kg/kg: between 1:1 and 5:3.
    THIN: f64 = 0.56, "1", [0.19, 1.7], Chosen;
}

/// What the feeder's syrup is for. Where the keeper did not say, thin syrup is for growth and thick
/// syrup for the winter (common practice).
pub(super) fn of_feeder(context: &RuleContext<'_>, h: usize, f: usize, k: usize) -> Goal {
    let said = context.input.hives[h].hive.goal;
    let strength = context.signals.hives[h].feeders[f].strength[k];
    said.unwrap_or(match strength {
        Some(strength) if strength.mass_fraction().value() < THIN => Goal::BuildUp,
        _ => Goal::WinterStores,
    })
}

/// What a hive is fed for: the goal of its first feeder, where it has any.
pub(super) fn of_hive(context: &RuleContext<'_>, h: usize, k: usize) -> Goal {
    if context.signals.hives[h].feeders.is_empty() {
        let said = context.input.hives[h].hive.goal;
        return said.unwrap_or(Goal::WinterStores);
    }
    of_feeder(context, h, 0, k)
}

/// What a colony fed for that takes in a day on which nothing hinders it, l.
pub(super) fn litres_per_day(context: &RuleContext<'_>, h: usize, f: usize, k: usize) -> f64 {
    let pace = &context.parameters(h).pace;
    match of_feeder(context, h, f, k) {
        Goal::WinterStores => pace.winter_stores_l_per_day,
        Goal::BuildUp => pace.build_up_l_per_day,
        Goal::Comb => pace.comb_l_per_day,
        Goal::Emergency => pace.emergency_l_per_day,
    }
}

/// How soon to act on a kind in a hive that is fed for that.
pub(super) fn severity(kind: FlagKind, goal: Goal) -> Severity {
    use FlagKind::{BehindTarget, Empty, RefillDue, Stalled, TooCold};
    use Goal::{BuildUp, Comb, Emergency, WinterStores};
    match (kind, goal) {
        // It lives from hand to mouth.
        (Empty | RefillDue | Stalled, Emergency) => Severity::Urgent,
        (TooCold | BehindTarget, Emergency) => Severity::Warning,
        // Comb builders stop when the syrup does.
        (Empty, Comb) => Severity::Warning,
        // A growing colony turns syrup into brood and wax, and leaves it for flowers.
        (Stalled | BehindTarget, BuildUp | Comb) => Severity::Info,
        (Empty | TooCold, WinterStores | BuildUp | Comb) => Severity::Info,
        _ => Severity::Warning,
    }
}
