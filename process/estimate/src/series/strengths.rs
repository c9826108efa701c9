//! Which strength of syrup was in a feeder when: what the keeper wrote down, for this feeder or for
//! the yard on the same trip, carried on until the next fill.

use crate::input::YardInput;
use larder_domain::{Feeder, FeederId, Goal, RecordedFill, Timestamp};
use larder_syrup::physics::DensityOf;
use larder_syrup::units::DegreesCelsius;
use larder_syrup::{Strength, physics};

crate::numbers! { "estimate.series.strengths":
    /// Records this close together belong to one trip with one tank, hours.
    SAME_TRIP_HOURS: f64 = 6.0, "h", [2.0, 18.0], Chosen;
    /// A fill is written down up to this long after it, hours.
    LATE_NOTE_HOURS: f64 = 1.5, "h", [0.5, 4.5], Chosen;
    /// Syrup in a hive is not colder or warmer than these, Cel.
    SYRUP_CEL: [f64; 2] = [0.0, 45.0], "Cel", [0.0, 140.0], Chosen;
    /// Sugar to one part of water, by mass, in syrup for winter stores that nobody wrote down.
    THICK: f64 = 2.0, "1", [0.67, 6.0], CommonPractice;
    /// Sugar to one part of water, by mass, in other syrup that nobody wrote down.
    THIN: f64 = 1.0, "1", [0.33, 3.0], CommonPractice;
}

/// Recorded strengths of one yard.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Strengths {
    recorded: Vec<(Timestamp, FeederId, Strength)>,
    usual: Option<Strength>,
}

impl Strengths {
    /// Everything written down in a yard.
    pub fn of(input: &YardInput<'_>) -> Self {
        let feeders = input.hives.iter().flat_map(|hive| &hive.feeders);
        let goals = input.hives.iter().map(|hive| hive.hive.goal);
        Self::written_down(feeders.flat_map(|feeder| feeder.recorded), goals)
    }

    /// From the fills that were written down in a yard, in any order, and what its hives are fed for.
    pub fn written_down<'a>(
        fills: impl Iterator<Item = &'a RecordedFill>,
        mut goals: impl Iterator<Item = Option<Goal>>,
    ) -> Self {
        let mut recorded: Vec<_> = fills
            .filter_map(|fill| Some((fill.time, fill.feeder.clone(), fill.strength?)))
            .collect();
        recorded.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
        let any_winter = goals.any(|goal| goal == Some(Goal::WinterStores));
        let sugar = if any_winter { THICK } else { THIN };
        let usual = Strength::by_mass(sugar, 1.0).ok();
        Self { recorded, usual }
    }

    /// What was in `feeder` at `at`: its own record up to then, else the yard's nearest of that
    /// trip, else its own last before, else the yard's last before, else the usual one.
    pub fn at(&self, feeder: &FeederId, at: Timestamp) -> Option<Strength> {
        let until = at.plus_hours(LATE_NOTE_HOURS);
        let end = self.recorded.partition_point(|r| r.0 <= until);
        let before = &self.recorded[..end];
        let own = before.iter().rev().find(|r| &r.1 == feeder);
        own.or(before.last()).map(|r| r.2).or(self.usual)
    }

    /// What was poured in at a fill at `at` that nobody wrote down for this feeder: the yard's
    /// nearest record of that trip, else what was in it before.
    pub fn poured(&self, feeder: &FeederId, at: Timestamp) -> Option<Strength> {
        let apart = |r: &&(Timestamp, FeederId, Strength)| r.0.hours_since(at).abs();
        let of_trip = self
            .recorded
            .iter()
            .filter(|r| apart(r) <= SAME_TRIP_HOURS)
            .min_by(|a, b| apart(a).total_cmp(&apart(b)));
        of_trip.map(|r| r.2).or_else(|| self.at(feeder, at))
    }

    /// Density at 20 Cel of what was in `feeder` at `at`, kg/l.
    pub fn kg_per_litre(&self, feeder: &Feeder, at: Timestamp) -> f64 {
        physics::kg_per_litre(self.at(&feeder.id, at))
    }
}

/// How much more room a litre of 20 Cel takes at other temperatures.
#[derive(Clone, Copy, Debug)]
pub struct Expansion {
    syrup: Option<(DensityOf, f64)>,
}

impl Expansion {
    /// Of syrup of a strength; none where it is not known.
    pub fn of(strength: Option<Strength>) -> Self {
        let syrup = strength.map(|strength| {
            let sugar = strength.mass_fraction();
            (DensityOf::sugar(sugar), physics::density_at_20_kg_m3(sugar))
        });
        Self { syrup }
    }

    /// The room that a litre of 20 Cel takes at `celsius`, l.
    pub fn at(&self, celsius: f64) -> f64 {
        let Some((syrup, at_20)) = self.syrup.filter(|_| celsius.is_finite()) else {
            return 1.0;
        };
        at_20 / syrup.at(DegreesCelsius(celsius.clamp(SYRUP_CEL[0], SYRUP_CEL[1])))
    }
}
