//! Rain, dew and snow on the hives: every hive of a yard gains at once what no bee carried in.
//!
//! The gauge says when, where there is one; the scales say how much. Followed are the water `W` on a
//! hive and what the hives' own weight `H` strays from the usual course of a dry day, kg, from node
//! to node: `W' = d W + a rain + noise`, `H' = H + noise`. Observed is the yard's common course of
//! weight, less the usual one, `y = W + H + noise`: closely in the dark, when bees are in, loosely by
//! day. So what lay on the hives at night is known from the dry nights on both sides of a rain. `d`
//! follows how well the air dries (H. L. Penman, *Natural evaporation from open water, bare soil and
//! grass*, Proc. R. Soc. A 193 (1948) 120-145). `a` and the scale of `d` are learned from each yard's
//! rains by the filter's likelihood (F. C. Schweppe, *Evaluation of likelihood functions for Gaussian
//! signals*, IEEE Trans. Inf. Theory 11 (1965) 61-70). Filter and smoother as in [`crate::math::kalman`].

pub(crate) mod common;

use crate::math::kalman::{Adjoint, Marginal, State, Transition, Update, Vector};
use crate::parameters::RainParameters;
use crate::series::Weather;
use crate::series::grid::{PER_DAY, STEP_HOURS};
pub use common::undisturbed;
use common::{Common, common_changes, dry_nodes, own_sd, rain_without_gauge, usual_course};

crate::numbers! { "estimate.series.water":
    /// How far off the water that stays of a rain is, as a share of it.
    HELD_SHARE: f64 = 1.0, "1", [0.33, 1.0], Chosen;
    /// How far off the weight of snow is, all of which stays, kg/mm.
    SNOW_KG_PER_MM_SD: f64 = 0.15, "kg/mm", [0.05, 0.45], Chosen;
    /// Below this it snows, Cel.
    SNOW_BELOW: f64 = 1.0, "Cel", [0.33, 3.0], Chosen;
    /// A roof that holds about so much is wet all over, kg: what evaporates is that of a wet surface, and
    /// less in proportion when less is left.
    WET_ROOF_KG: f64 = 0.25, "kg", [0.083, 0.75], Chosen;
    /// Drying has a time constant within these, hours.
    DRYING_HOURS: [f64; 2] = [1.5, 60.0], "h", [0.5, 180.0], Chosen;
    /// How far off what dries is, as a share of it; errors of some hours go together.
    DRYING_SHARE: f64 = 2.0, "1", [0.67, 6.0], Chosen;
    /// How exactly the common course of weight is read, kg.
    READING_SD_KG: f64 = 0.008, "kg", [0.0027, 0.024], Chosen;
    /// How much bees in flight, wind and a flow move the common weight against the usual, kg: in the
    /// dark, by day, and in rain by day.
    FLIGHT_SD_KG: [f64; 3] = [0.008, 0.10, 0.08], "kg", [0.0027, 0.3], Chosen;
    /// How long such a move of the common weight lasts, hours: in the dark, by day, and in rain by day.
    FLIGHT_HOURS: [f64; 3] = [0.7, 2.5, 1.0], "h", [0.23, 7.5], Chosen;
    /// How much of what the hives stray from their usual course they stray in the dark.
    OWN_NIGHT_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// Without a gauge a change above this in half an hour is a hand's, kg: a cloudburst puts some hundred
    /// grams on a hive, or a kilogram on a large platform, a keeper who feeds puts two and more.
    MOST_UNGAUGED_KG: f64 = 1.2, "kg", [0.4, 3.6], Chosen;
    /// A yard's hives may hold so many times the usual water of a millimetre.
    HELD_FACTORS: [f64; 5] = [0.4, 0.63, 1.0, 1.6, 2.5], "1", [0.13, 7.5], Chosen;
    /// A yard's hives may dry so many times as fast as usual.
    DRYING_FACTORS: [f64; 3] = [0.63, 1.0, 1.6], "1", [0.21, 4.8], Chosen;
    /// How far yards differ in what they hold and how fast they dry, logarithm.
    FACTOR_SD: f64 = 0.7, "1", [0.23, 2.1], Chosen;
    /// A residual above so many standard deviations is no water.
    GATE_SDS: f64 = 5.0, "1", [1.7, 15.0], Chosen;
    /// In more rain than this in half an hour bees stay in, mm.
    INDOORS_MM: f64 = 0.1, "mm", [0.033, 0.3], Chosen;
    /// What a step that no scale saw leaves open, kg.
    UNSEEN_SD_KG: f64 = 0.05, "kg", [0.017, 0.15], Chosen;
    /// The variance of the water on the hives at the start, kg2.
    FIRST_WATER_VARIANCE: f64 = 0.01, "1", [0.0033, 0.03], Chosen;
    /// The variance of every other state at the start, kg2.
    FIRST_VARIANCE: f64 = 1e-4, "1", [3.3e-05, 0.0003], Chosen;
    /// This share of a half hour's rain is still on its way onto the hives in the next.
    LATE_RAIN_SHARE: f64 = 0.3, "1", [0.1, 0.9], Chosen;
    /// Drying is not known better than this in half an hour, kg.
    LEAST_DRYING_SD_KG: f64 = 1e-4, "kg", [3.3e-05, 0.0003], Chosen;
    /// This share of a day's nodes is by day.
    BY_DAY_SHARE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// How much of the hives' spread is that of their own course.
    OWN_SPREAD_SHARE: f64 = 0.15, "1", [0.05, 0.45], Chosen;
    /// How much of the hives' spread is that of the readings.
    READING_SPREAD_SHARE: f64 = 0.7, "1", [0.23, 1.0], Chosen;
}

/// What lies on each hive of a yard at every node.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Water {
    /// How much, kg.
    pub kg: Vec<f64>,
    /// Standard deviation of `kg`, kg. Where hardly any water is left, not much can be wrong.
    pub sd_kg: Vec<f64>,
}

/// Water on each hive at every node. `weights_kg` holds the weight of each hive at every node, NaN
/// where it is not known; `hands` marks nodes at which a load was put on or taken off at any of them.
pub fn water_on_hives(
    weights_kg: &[Vec<f64>],
    hands: &[bool],
    weather: &Weather,
    parameters: &RainParameters,
) -> Water {
    let n = weather.rain_mm.len();
    let (common, rain) = if weather.has_gauge {
        let rain = weather.rain_mm.clone();
        (common_changes(weights_kg, &rain, f64::INFINITY), rain)
    } else {
        let any = vec![f64::INFINITY; n];
        let common = common_changes(weights_kg, &any, MOST_UNGAUGED_KG);
        let rain = rain_without_gauge(&common, hands, parameters.kg_per_mm);
        (common, rain)
    };
    if common.iter().all(|c| c.n == 0) || rain.iter().all(|&mm| mm <= 0.0) {
        return Water {
            kg: vec![0.0; n],
            sd_kg: vec![0.0; n],
        };
    }
    smooth_water(weather, &common, &rain, parameters)
}

/// The time constant with which a wet hive dries at every node, hours.
fn drying_hours(weather: &Weather, parameters: &RainParameters) -> Vec<f64> {
    let hours = weather.drying_mm_per_hour.iter().map(|mm| {
        let hours = WET_ROOF_KG / (parameters.wet_m2 * mm);
        hours.clamp(DRYING_HOURS[0], DRYING_HOURS[1])
    });
    hours.collect()
}

const WATER: usize = 0;
const OWN: usize = 1;
const FLIGHT: usize = 2;

/// What stays of water and flight over a step.
struct Step {
    water: f64,
    flight: f64,
}

impl Transition<3> for Step {
    fn forwards(&self, states: &mut Vector<3>) {
        states[WATER] *= self.water;
        states[FLIGHT] *= self.flight;
    }

    fn backwards(&self, gradient: &mut Vector<3>) {
        self.forwards(gradient);
    }
}

/// What the yard's hives did in common, and what is usual for them.
struct Course<'a> {
    weather: &'a Weather,
    common: &'a [Common],
    rain: &'a [f64],
    usual: Vec<f64>,
    own_sds: Vec<f64>,
}

/// What a filter made of it.
struct Filtered {
    states: Vec<Marginal<3>>,
    steps: Vec<Step>,
    updates: Vec<Option<Update<3>>>,
    /// Logarithm of how likely the course is, but for a constant.
    likelihood: f64,
}

fn smooth_water(
    weather: &Weather,
    common: &[Common],
    rain: &[f64],
    parameters: &RainParameters,
) -> Water {
    let course = Course::of(weather, common, rain);
    let parameters = if weather.has_gauge {
        course.learned(parameters)
    } else {
        *parameters
    };
    smoothed(&course.filtered(&parameters))
}

impl<'a> Course<'a> {
    fn of(weather: &'a Weather, common: &'a [Common], rain: &'a [f64]) -> Self {
        let dry = dry_nodes(rain);
        let usual = usual_course(common, &dry);
        Self {
            weather,
            common,
            rain,
            own_sds: own_sd(common, &usual, &dry),
            usual,
        }
    }

    /// Roofs differ: what a millimetre leaves, and then how fast it dries, is learned from the yard's
    /// own rains, as what makes its course of weight the likeliest.
    fn learned(&self, usual: &RainParameters) -> RainParameters {
        let held = self.likeliest(&HELD_FACTORS, |factor| RainParameters {
            kg_per_mm: factor * usual.kg_per_mm,
            ..*usual
        });
        self.likeliest(&DRYING_FACTORS, |factor| RainParameters {
            wet_m2: factor * held.wet_m2,
            ..held
        })
    }

    fn likeliest(&self, factors: &[f64], times: impl Fn(f64) -> RainParameters) -> RainParameters {
        let likely = |factor: f64| {
            let prior = -0.5 * (factor.ln() / FACTOR_SD).powi(2);
            self.filtered(&times(factor)).likelihood + prior
        };
        let all = factors.iter().map(|&factor| (factor, likely(factor)));
        let best = all.max_by(|a, b| a.1.total_cmp(&b.1));
        times(best.map_or(1.0, |(factor, _)| factor))
    }

    fn filtered(&self, parameters: &RainParameters) -> Filtered {
        let n = self.common.len();
        let hours = drying_hours(self.weather, parameters);
        let mut state = first_state();
        let mut found = Filtered {
            states: Vec::with_capacity(n),
            steps: Vec::with_capacity(n),
            updates: Vec::with_capacity(n),
            likelihood: 0.0,
        };
        let mut course = 0.0;
        for (k, (common, &drying)) in self.common.iter().zip(&hours).enumerate() {
            let fall = self.fall(k, parameters);
            let drying = if fall.mm > 0.0 {
                DRYING_HOURS[1]
            } else {
                drying
            };
            let stays = (-STEP_HOURS / drying).exp();
            let flight = self.flight(k, fall.mm);
            let lasts = (-STEP_HOURS / FLIGHT_HOURS[flight]).exp();
            let step = Step {
                water: stays * fall.room,
                flight: lasts,
            };
            let loose =
                DRYING_SHARE * (1.0 - stays) * state.mean[WATER].max(0.0) + LEAST_DRYING_SD_KG;
            let own = self.own_step_sd(k, flight);
            if common.n > 0 {
                course += common.kg - self.usual[k];
            }
            state.predict(&step);
            state.mean[WATER] += fall.held;
            state.covariance[WATER][WATER] += loose.powi(2) + fall.held_sd.powi(2);
            state.covariance[OWN][OWN] += own.powi(2) + (OWN_SPREAD_SHARE * common.sd).powi(2);
            state.covariance[FLIGHT][FLIGHT] +=
                FLIGHT_SD_KG[flight].powi(2) * (1.0 - lasts * lasts);
            let mut update = None;
            if common.n > 0 {
                let row = [1.0; 3];
                let residual = course - state.mean.iter().sum::<f64>();
                let noise = READING_SD_KG.powi(2) + (READING_SPREAD_SHARE * common.sd).powi(2);
                let innovation = state.innovation(&row, noise);
                let gate = GATE_SDS * innovation.variance().sqrt();
                let off = (residual * residual / innovation.variance()).min(GATE_SDS * GATE_SDS);
                found.likelihood -= 0.5 * (off + innovation.variance().ln());
                if residual.abs() < gate || fall.mm > 0.0 {
                    update = Some(state.update(&innovation, residual));
                } else {
                    // Hands, or foragers in numbers: no water, and no news of it.
                    course -= residual;
                }
            }
            found.steps.push(step);
            found.updates.push(update);
            found.states.push(state.marginal(WATER));
        }
        found
    }

    /// What falls onto a hive in the half hour at node `k`, and what of it stays.
    fn fall(&self, k: usize, parameters: &RainParameters) -> Fall {
        let mm = self.rain[k].max(LATE_RAIN_SHARE * self.rain[k.saturating_sub(1)]);
        if self.weather.air[k] < SNOW_BELOW {
            return Fall {
                mm,
                held: parameters.kg_per_mm * mm,
                held_sd: SNOW_KG_PER_MM_SD * mm,
                room: 1.0,
            };
        }
        let room = (-parameters.kg_per_mm * mm / parameters.holds_kg).exp();
        let held = parameters.holds_kg * (1.0 - room);
        Fall {
            mm,
            held,
            held_sd: HELD_SHARE * held,
            room,
        }
    }

    /// Which of [`FLIGHT_SD_KG`] and [`FLIGHT_HOURS`] holds at node `k`.
    fn flight(&self, k: usize, mm: f64) -> usize {
        match (self.weather.settled_night[k], mm > INDOORS_MM) {
            (true, _) => 0,
            (false, false) => 1,
            (false, true) => 2,
        }
    }

    /// How far the hives' own weight may stray from the usual course in the step to node `k`, kg.
    fn own_step_sd(&self, k: usize, flight: usize) -> f64 {
        let by_day = self.own_sds[k] / (BY_DAY_SHARE * PER_DAY as f64).sqrt();
        let own = if flight == 1 {
            by_day
        } else {
            OWN_NIGHT_SHARE * by_day
        };
        let unseen = self.common[k].n == 0;
        if unseen { own.max(UNSEEN_SD_KG) } else { own }
    }
}

/// Rain or snow of one half hour on a hive.
struct Fall {
    /// Rain and melted snow, mm.
    mm: f64,
    /// Water that stays, kg.
    held: f64,
    /// Standard deviation of `held`, kg.
    held_sd: f64,
    /// The share of the water already there that stays.
    room: f64,
}

fn first_state() -> State<3> {
    State {
        mean: [0.0; 3],
        covariance: [
            [FIRST_WATER_VARIANCE, 0.0, 0.0],
            [0.0, FIRST_VARIANCE, 0.0],
            [0.0, 0.0, FIRST_VARIANCE],
        ],
    }
}

fn smoothed(filtered: &Filtered) -> Water {
    let n = filtered.states.len();
    let mut water = Water {
        kg: vec![0.0; n],
        sd_kg: vec![0.0; n],
    };
    let mut adjoint = Adjoint::nothing();
    for k in (0..n).rev() {
        water.kg[k] = filtered.states[k].mean(&adjoint).max(0.0);
        water.sd_kg[k] = filtered.states[k]
            .variance(&adjoint)
            .sqrt()
            .min(water.kg[k]);
        if let Some(update) = &filtered.updates[k] {
            adjoint.before_update(update);
        }
        adjoint.before_predict(&filtered.steps[k]);
    }
    water
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Forty days with 3 mm in the evening of every fifth, of which each millimetre leaves so much on a
    /// hive that dries within the next morning.
    fn learned_of_rains(kg_per_mm: f64) -> f64 {
        let n = 40 * PER_DAY;
        let of_day = |k: usize| k % PER_DAY;
        let dark: Vec<bool> = (0..n).map(|k| of_day(k) < 12 || of_day(k) > 40).collect();
        let rains = |k: usize| k / PER_DAY % 5 == 4 && (42..44).contains(&of_day(k));
        let weather = Weather {
            has_gauge: true,
            air: vec![12.0; n],
            rain_mm: (0..n).map(|k| if rains(k) { 1.5 } else { 0.0 }).collect(),
            drying_mm_per_hour: dark.iter().map(|&d| if d { 0.0 } else { 0.4 }).collect(),
            settled_night: dark,
            ..Weather::default()
        };
        let common = |k: usize| {
            let dried =
                (k / PER_DAY).is_multiple_of(5) && k > PER_DAY && (16..24).contains(&of_day(k));
            let water = if rains(k) {
                1.5 * kg_per_mm
            } else if dried {
                -3.0 * kg_per_mm / 8.0
            } else {
                0.0
            };
            let noise = 0.004 * f64::from((k as u32 * 7) % 5) - 0.008;
            Common {
                kg: water + noise - 0.005,
                sd: 0.005,
                n: 4,
            }
        };
        let common: Vec<Common> = (0..n).map(common).collect();
        let course = Course::of(&weather, &common, &weather.rain_mm);
        course.learned(&RainParameters::default()).kg_per_mm
    }

    #[test]
    fn a_yard_learns_what_its_roofs_hold() {
        let (sheds, soaks) = (learned_of_rains(0.015), learned_of_rains(0.1));
        assert!(sheds < 0.03, "{sheds}");
        assert!(soaks > 0.06, "{soaks}");
    }

    /// Twenty days of four hives that lose 0.24 kg a day, with `rain_kg` on each from the tenth midnight
    /// to the next noon, while the gauge counts `rain_mm` in two hours.
    fn water_at_night(rain_kg: f64, rain_mm: f64) -> (f64, f64) {
        let n = 20 * PER_DAY;
        let rainy = 10 * PER_DAY;
        let mut weather = Weather {
            has_gauge: true,
            air: vec![12.0; n],
            rain_mm: vec![0.0; n],
            ..Weather::default()
        };
        weather.rain_mm[rainy..rainy + 4].fill(rain_mm / 4.0);
        let of_day = |k: usize| k % PER_DAY;
        weather.settled_night = (0..n).map(|k| of_day(k) < 12 || of_day(k) > 40).collect();
        let mm = |&dark: &bool| if dark { 0.0 } else { 0.4 };
        weather.drying_mm_per_hour = weather.settled_night.iter().map(mm).collect();
        let weights: Vec<Vec<f64>> = (0u32..4)
            .map(|hive| {
                let at = |k: usize| {
                    let on_it = ((k as f64 - rainy as f64 + 1.0) / 4.0).clamp(0.0, 1.0);
                    let dried = ((k as f64 - rainy as f64 - 16.0) / 8.0).clamp(0.0, 1.0);
                    let noise = 0.01 * f64::from((k as u32 * 7 + hive * 3) % 5) - 0.02;
                    30.0 + f64::from(hive) - 0.005 * k as f64 + rain_kg * (on_it - dried) + noise
                };
                (0..n).map(at).collect()
            })
            .collect();
        let water = water_on_hives(
            &weights,
            &vec![false; n],
            &weather,
            &RainParameters::default(),
        );
        (water.kg[rainy + 8], water.kg[rainy + 2 * PER_DAY])
    }

    #[test]
    fn rain_is_weighed_by_the_nights_around_it() {
        for (kg, mm) in [(0.3, 8.0), (0.15, 4.0)] {
            let (wet, dry) = water_at_night(kg, mm);
            assert!((wet - kg).abs() < 0.06, "{wet} of {kg}");
            assert!(dry < 0.02, "{dry}");
        }
    }

    #[test]
    fn a_gauge_alone_makes_no_water() {
        let (wet, _) = water_at_night(0.0, 8.0);
        assert!(wet < 0.06, "{wet}");
    }
}
