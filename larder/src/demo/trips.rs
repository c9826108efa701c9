//! The keeper's refill trips: who gets how much, and what is written down of it.

use super::layout::HivePlan;
use larder_domain::{RecordedFill, Timestamp};
use larder_sim::Dice;
use larder_sim::Syrup;
use larder_sim::colony::Colony;
use larder_sim::weather::LocalClock;

/// Days from one trip to the next.
const DAYS_BETWEEN: i64 = 6;
/// The last trip lies this many local days before the history's end.
const LAST_TRIP_DAYS_AGO: i64 = 4;
/// A day's work is this many yards; further ones have their trip a day later.
const YARDS_A_DAY: i64 = 4;
/// The first hive of a day is opened at 10:00, when bees fly and syrup is taken at once.
const FIRST_HIVE_MINUTE: i64 = 10 * 60;
const MINUTES_A_YARD: i64 = 75;
const MINUTES_A_HIVE: i64 = 6;
/// A hive stands open for this long before and after its fill.
const OPEN_MINUTES: i64 = 3;

/// The round of trips.
#[derive(Clone, Copy, Debug)]
pub struct Trips {
    last_day: i64,
}

impl Trips {
    /// Trips every few days, the last one some days before the day on which the history ends.
    pub fn before(last_day_of_history: i64) -> Self {
        Self {
            last_day: last_day_of_history - LAST_TRIP_DAYS_AGO,
        }
    }

    /// Minutes until the keeper pours at this hive (negative: since then); `None` on other days.
    fn minutes_until(self, hive: &HivePlan, clock: LocalClock) -> Option<i64> {
        let yard = hive.yard as i64;
        let trip_day = clock.day - yard / YARDS_A_DAY - self.last_day;
        let pours = FIRST_HIVE_MINUTE
            + (yard % YARDS_A_DAY) * MINUTES_A_YARD
            + hive.place as i64 * MINUTES_A_HIVE;
        let minute = (clock.hour * 60.0 + 1e-6) as i64;
        (trip_day.rem_euclid(DAYS_BETWEEN) == 0).then_some(pours - minute)
    }

    /// The keeper has the hive open.
    pub fn hands_on(self, hive: &HivePlan, clock: LocalClock) -> bool {
        self.minutes_until(hive, clock)
            .is_some_and(|minutes| minutes.abs() <= OPEN_MINUTES)
    }

    /// Pours, if this is the minute for it; gives back what the keeper wrote down, if anything.
    pub fn visit(
        self,
        hive: &HivePlan,
        colony: &mut Colony,
        at: Timestamp,
        clock: LocalClock,
        dice: &mut Dice,
    ) -> Option<RecordedFill> {
        if self.minutes_until(hive, clock) != Some(0) {
            return None;
        }
        let poured_l = planned_litres(hive, colony)?;
        // A jug is read to a few per cent.
        let true_l = poured_l * (1.0 + dice.normal(0.02).clamp(-0.05, 0.05));
        colony.fill(Syrup::of_litres(true_l, hive.strength));
        let round = (clock.day - self.last_day).div_euclid(DAYS_BETWEEN);
        written_down(hive, at, poured_l, round, dice)
    }
}

/// Enough for the days until the next trip and a little more, in quarter litres.
fn planned_litres(hive: &HivePlan, colony: &Colony) -> Option<f64> {
    let room_l = hive.traits.capacity_l * 0.95 - colony.litres();
    let wanted_l = hive.traits.appetite_l_per_day * (DAYS_BETWEEN as f64 + 1.5) - colony.litres();
    let litres = (room_l.min(wanted_l.max(0.5)) * 4.0).floor() / 4.0;
    (litres >= 0.25).then_some(litres)
}

/// One fill in nine is forgotten, one in nine is noted without its volume.
fn written_down(
    hive: &HivePlan,
    at: Timestamp,
    litres: f64,
    round: i64,
    dice: &mut Dice,
) -> Option<RecordedFill> {
    const FIVE_MINUTES_MS: i64 = 5 * 60 * 1000;
    let off_ms = dice.between(-9.0, 1.0) * 60_000.0;
    let noted = at.plus_ms(off_ms as i64).0 / FIVE_MINUTES_MS * FIVE_MINUTES_MS;
    let turn = (hive.place as i64 + 2 * hive.yard as i64 + 4 * round).rem_euclid(9);
    (turn != 4).then(|| RecordedFill {
        feeder: hive.feeder.clone(),
        time: Timestamp(noted),
        volume_l: (turn != 7).then_some(litres),
        strength: Some(hive.strength),
    })
}
