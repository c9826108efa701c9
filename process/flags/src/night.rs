//! Nights: when bees are in and hands are off, all that a hive does is lose a little, and all hives
//! of a yard lose alike. What differs is a leak or a drifting scale.

use super::balance::Balance;
use super::drying::DRYING_DOUBT;
use super::signals::{Signals, nodes};
use larder_estimate::input::YardInput;
use larder_estimate::math::robust::{MAD_TO_SD, median, median_of_few};
use larder_estimate::series::grid::{HOURS_PER_DAY, PER_DAY};
use larder_estimate::series::sun::LIGHT_BY_CLOCK;
use larder_syrup::physics::kg_per_litre;

larder_estimate::numbers! { "flags.night":
    /// A night is looked at after so many hours: when it is first worth it, and at its end.
    PARTS: [f64; 2] = [5.0, 8.0], "1", [1.7, 24.0], Chosen;
    /// Nights that make a habit.
    HABIT_NIGHTS: usize = 9, "d", [3.0, 27.0], Chosen;
    /// Nights further off than this make no habit, kg.
    ODD_KG: f64 = 0.2, "kg", [0.067, 0.6], Chosen;
    /// Nights of a hive usually differ by so much, kg (measured: 0.026 in autumn, 0.06 in spring with
    /// noisier scales).
    USUAL_SD_KG: f64 = 0.045, "kg", [0.015, 0.14], Measured;
    /// The usual difference of nights counts like so many nights of the hive's own.
    USUAL_NIGHTS: f64 = 5.0, "d", [1.7, 15.0], Measured;
    /// What a hive loses in an hour of the night by breathing and drying, kg (measured).
    TYPICAL_KG_PER_HOUR: f64 = -0.015, "kg/h", [-0.045, -0.005], Measured;
    /// The clock goes on by less than this from one node to the next, hours: it does not pass midnight.
    MOST_STEP_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
}

/// One hive's night, or the first part of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Night {
    /// The node at which it is known.
    pub known: usize,
    /// The length of the night so far, hours.
    pub hours: f64,
    /// What the hive's weight changed, kg.
    pub own_kg: f64,
    /// What the weight changed beyond the yard's change and the hive's own nights before, drying taken
    /// off, kg.
    pub odd_kg: f64,
    /// Standard deviation of `odd_kg`, kg.
    pub sd_kg: f64,
    /// What left the feeders on the scale in that time, kg.
    pub drop_kg: f64,
    /// What usually left them in such a night, kg.
    pub usual_drop_kg: f64,
    /// What left them in the two days before, kg.
    pub fed_kg: f64,
    /// Whether sensors saw all of the feeders all night.
    pub seen: bool,
    /// Nights that made the habit.
    pub n_habit: usize,
}

/// From this local hour: when it is surely dark by the clock.
const EVENING: f64 = LIGHT_BY_CLOCK.end;

/// A hive's nights in order of the moments at which they are known.
pub(super) fn nights(
    input: &YardInput<'_>,
    signals: &Signals,
    balance: &Balance,
    h: usize,
) -> Vec<Night> {
    let yard = Yard {
        input,
        signals,
        balance,
    };
    let mut found = Vec::new();
    for hours in PARTS {
        of_length(&yard, h, hours, &mut found);
    }
    found.sort_by_key(|night| night.known);
    debug_assert!(found.iter().all(|night| night.known <= signals.last));
    found
}

struct Yard<'a> {
    input: &'a YardInput<'a>,
    signals: &'a Signals,
    balance: &'a Balance,
}

fn of_length(context: &Yard<'_>, h: usize, hours: f64, found: &mut Vec<Night>) {
    let signals = context.signals;
    let span = nodes(hours);
    let until = (EVENING + hours) % HOURS_PER_DAY;
    let mut habit = Vec::new();
    let mut scratch = Vec::new();
    for k in span + PER_DAY..=signals.last {
        let (before, now) = (signals.local_hour[k - 1], signals.local_hour[k]);
        if !(before < until && now >= until && now - before < MOST_STEP_HOURS) {
            continue;
        }
        let own_kg = context.balance.weight(h, k) - context.balance.weight(h, k - span);
        let change =
            |i: usize| context.balance.undried(i, k) - context.balance.undried(i, k - span);
        if own_kg.is_nan() || signals.weather.wet(k - span, k) {
            continue;
        }
        scratch.clear();
        scratch.extend(
            (0..signals.hives.len())
                .filter(|&i| i != h)
                .map(change)
                .filter(|c| !c.is_nan()),
        );
        let yard = median(&mut scratch).unwrap_or(TYPICAL_KG_PER_HOUR * hours);
        let (input, signals) = (context.input, context.signals);
        let (drop_kg, seen) = left_feeders(input, signals, h, k, span);
        let (day_kg, _) = left_feeders(input, signals, h, k, PER_DAY);
        let (two_days_kg, _) = left_feeders(input, signals, h, k, (2 * PER_DAY).min(k));
        let dried = context.balance.dried(h, k, span);
        let usual = Habit::of(&habit);
        let now = [change(h) - yard, drop_kg, dried];
        let odd_kg = now[0] - usual.excess_kg;
        found.push(Night {
            known: k,
            hours,
            own_kg,
            odd_kg,
            sd_kg: usual.sd_kg.hypot(DRYING_DOUBT * (dried - usual.dried_kg)),
            usual_drop_kg: usual.drop_kg,
            drop_kg,
            fed_kg: day_kg.max(two_days_kg),
            seen,
            n_habit: habit.len(),
        });
        if odd_kg.abs() < ODD_KG {
            habit.push(now);
        }
    }
}

/// What left the hive's feeders in the last `back` nodes, kg, and whether all were watched.
pub(super) fn left_feeders(
    input: &YardInput<'_>,
    signals: &Signals,
    h: usize,
    k: usize,
    back: usize,
) -> (f64, bool) {
    let mut seen = true;
    let feeders = signals.hives[h].feeders.iter().zip(&input.hives[h].feeders);
    let kg = feeders
        .map(|(feeder, given)| {
            let watched = feeder.sensed && feeder.filtered[k].age <= 2;
            seen &= watched;
            if !watched || !given.feeder.on_scale {
                return 0.0;
            }
            // Across a fill, only what left since.
            let from = (k - back)
                .max(feeder.changed[k].map_or(0, |at| at + 4))
                .min(k);
            let left = feeder.filtered[from].litres - feeder.filtered[k].litres;
            left.max(0.0) * kg_per_litre(feeder.strength[k])
        })
        .sum();
    (kg, seen)
}

/// What a hive's nights before were like.
struct Habit {
    /// Beyond the yard, kg.
    excess_kg: f64,
    /// How much nights differ from that: its own, and what nights of such hives usually do, kg.
    sd_kg: f64,
    /// What left the feeders, kg.
    drop_kg: f64,
    /// What dried off, kg.
    dried_kg: f64,
}

impl Habit {
    /// Of nights given by excess, drop and what dried off, kg.
    fn of(nights: &[[f64; 3]]) -> Self {
        let recent = &nights[nights.len().saturating_sub(HABIT_NIGHTS)..];
        let middle = |i: usize| median_of_few(recent.iter().map(|n| n[i])).unwrap_or(0.0);
        let excess_kg = middle(0);
        let spread = median_of_few(recent.iter().map(|n| (n[0] - excess_kg).abs()));
        let n = recent.len() as f64;
        let own = n * (MAD_TO_SD * spread.unwrap_or(0.0)).powi(2);
        let usual = USUAL_NIGHTS * USUAL_SD_KG * USUAL_SD_KG;
        Self {
            excess_kg,
            sd_kg: ((own + usual) / (n + USUAL_NIGHTS)).sqrt(),
            drop_kg: middle(1),
            dried_kg: middle(2),
        }
    }
}

/// How long a whole night is, hours.
pub(super) const WHOLE_NIGHT_HOURS: f64 = PARTS[1];
