//! Feeders without a sensor: the neighbours' pace, the warmth of the syrup, and the water that a hive
//! loses while it dries what it took.

use super::YardAnalysis;
use super::account::without_steps;
use crate::feeder::{Guess, NightGain, Unsensed, guess_without_sensor};
use crate::input::{FeederInput, YardInput};
use crate::math::robust::{median, median_of_few};
use crate::series::grid::{HOURS_PER_DAY, STEP_HOURS};

crate::numbers! { "estimate.analysis.unsensed":
    /// A feeder with less in it than this share of its capacity tells nothing of the yard's appetite.
    LEAST_FULL_SHARE: f64 = 0.1, "1", [0.033, 0.3], Chosen;
    /// A middling colony takes so many litres on a warm day from a feeder of a litre; from larger ones the
    /// more by the square root of what they hold, since more bees reach it (common practice: a quart jar
    /// in two or three days, a gallon in three to six).
    USUAL_L_PER_DAY: f64 = 0.5, "l", [0.17, 1.5], CommonPractice;
    /// Syrup colder than the first of these is not taken, warmer than the second freely, Cel.
    EASE_CEL: [f64; 2] = [9.0, 18.0], "Cel", [3.0, 30.0], CommonPractice;
    /// The ease where no temperature is known.
    USUAL_EASE: f64 = 0.6, "1", [0.2, 1.0], Chosen;
    /// A cold colony still takes this share.
    LEAST_EASE: f64 = 0.02, "1", [0.0, 0.1], Chosen;
    /// What a sound scale's night strays by, kg: warmth of the load cell, dew, bees that stay out.
    NIGHT_SD_KG: f64 = 0.07, "kg", [0.023, 0.2], Chosen;
    /// Hives follow what the yard gains or loses with this spread, as a share of it: they differ in bees.
    YARD_SHARE: f64 = 0.4, "1", [0.13, 1.0], Chosen;
    /// A yard of fewer weighed hives has no common course.
    LEAST_HIVES: usize = 3, "1", [2.0, 9.0], Chosen;
    /// The second round knows what the neighbours dried.
    ROUNDS: usize = 2, "1", [1.0, 4.0], Chosen;
    /// A night is known by so many nodes at least.
    LEAST_NODES: usize = 3, "1", [1.0, 6.0], Chosen;
    /// Of what a watched feeder beside it gave this much dries off within the day or two.
    WATCHED_DRIED_SHARE: f64 = 0.32, "1", [0.11, 0.96], Chosen;
}

/// Works out every feeder without a sensor.
pub(super) fn guess_unsensed(
    input: &YardInput<'_>,
    analysis: &mut YardAnalysis,
    midnights: &[bool],
    warmth: impl Fn(usize, usize) -> Vec<f64>,
) {
    let any = analysis
        .hives
        .iter()
        .any(|hive| hive.feeders.iter().any(|f| f.observations.nodes.is_empty()));
    if !any {
        return;
    }
    let appetite = yard_appetite(input, analysis);
    let nights: Vec<Vec<NightGain>> = (0..input.hives.len())
        .map(|h| night_gains(input, analysis, h))
        .collect();
    // What each weighed hive dried off between its nights, beside what is in `nights`.
    let mut dried: Vec<Vec<f64>> = nights.iter().map(|n| vec![0.0; n.len()]).collect();
    for round in 0..ROUNDS {
        let common = if round == 0 {
            Vec::new()
        } else {
            common_course(analysis, &nights, &dried)
        };
        for (h, hive) in input.hives.iter().enumerate() {
            let own = beside(&nights[h], &common, h);
            let open: Vec<usize> = (0..hive.feeders.len())
                .filter(|&f| analysis.hives[h].feeders[f].observations.nodes.is_empty())
                .collect();
            for &f in &open {
                let feeder = &hive.feeders[f];
                let pace = pace_of(feeder, &appetite, &warmth(h, f));
                let alone = open.len() == 1 && feeder.feeder.on_scale;
                let guess = of_feeder(
                    input,
                    analysis,
                    (h, f),
                    midnights,
                    &pace,
                    if alone { &own } else { &[] },
                );
                if alone {
                    dried[h] = guess.dried_kg;
                }
                analysis.hives[h].feeders[f].course = guess.course;
            }
        }
    }
}

fn of_feeder(
    input: &YardInput<'_>,
    analysis: &YardAnalysis,
    (h, f): (usize, usize),
    midnights: &[bool],
    pace: &[f64],
    nights: &[NightGain],
) -> Guess {
    let found = &analysis.hives[h].feeders[f];
    let feeder = input.hives[h].feeders[f].feeder;
    guess_without_sensor(&Unsensed {
        grid: &analysis.grid,
        changes: &found.events.changes,
        midnights,
        pace,
        capacity_l: feeder.capacity_l,
        kg_per_litre: found.kg_per_litre,
        nights,
        weighed: feeder.on_scale && !input.hives[h].weight.is_empty(),
    })
}

/// What a middling colony takes from a feeder, l/h: what the yard's watched feeders show, else by how warm
/// the syrup is.
fn pace_of(feeder: &FeederInput<'_>, appetite: &[f64], warmth: &[f64]) -> Vec<f64> {
    let capacity = feeder.feeder.capacity_l;
    let usual = USUAL_L_PER_DAY * capacity.sqrt() / HOURS_PER_DAY;
    let both = appetite.iter().zip(warmth);
    both.map(|(&per_capacity, &celsius)| {
        if per_capacity.is_nan() {
            usual * ease(celsius)
        } else {
            capacity * per_capacity.max(LEAST_EASE * usual / capacity)
        }
    })
    .collect()
}

fn ease(celsius: f64) -> f64 {
    if celsius.is_nan() {
        return USUAL_EASE;
    }
    let share = ((celsius - EASE_CEL[0]) / (EASE_CEL[1] - EASE_CEL[0])).clamp(0.0, 1.0);
    (share * share * (1.0 + 2.0 * (1.0 - share))).max(LEAST_EASE)
}

/// What a hive gained from night to night: handling and what its watched feeders dried taken out.
fn night_gains(input: &YardInput<'_>, analysis: &YardAnalysis, h: usize) -> Vec<NightGain> {
    let found = &analysis.hives[h];
    if input.hives[h].weight.is_empty() {
        return Vec::new();
    }
    let grid = &analysis.grid;
    let weight = without_steps(grid, &found.scale);
    let middle = |i: usize| {
        let night = analysis.days[i].night;
        let nodes = grid.at_or_after(night.start)..grid.at_or_after(night.end).min(weight.len());
        let known: Vec<f64> = weight
            .get(nodes.clone())
            .unwrap_or(&[])
            .iter()
            .copied()
            .filter(|kg| !kg.is_nan())
            .collect();
        (known.len() >= LEAST_NODES).then(|| {
            let kg = known.iter().sum::<f64>() / known.len() as f64;
            ((nodes.start + nodes.end) / 2, kg)
        })
    };
    let mut gains = Vec::new();
    for i in 1..analysis.days.len() {
        let Some(((from, before), (to, after))) = middle(i - 1).zip(middle(i)) else {
            continue;
        };
        let water = |k: usize| analysis.water.sd_kg.get(k).copied().unwrap_or(0.0);
        let watched: f64 = found
            .feeders
            .iter()
            .filter(|f| f.course.rate.len() == grid.len() && !f.observations.nodes.is_empty())
            .map(|f| {
                let taken: f64 = f.course.rate[from..to]
                    .iter()
                    .map(|rate| rate.max(0.0))
                    .sum();
                WATCHED_DRIED_SHARE * taken * STEP_HOURS * f.kg_per_litre
            })
            .sum();
        let noise = found.scale.series.noise_sd / (LEAST_NODES as f64).sqrt();
        gains.push(NightGain {
            from,
            to,
            kg: after - before + watched,
            sd_kg: NIGHT_SD_KG.hypot(noise).hypot(water(from)).hypot(water(to)),
        });
    }
    gains
}

/// What all weighed hives of the yard gained beyond what they eat and dry, by the node at the end of the
/// night: a flow, or its end. For each hive it is what the others did.
fn common_course(
    analysis: &YardAnalysis,
    nights: &[Vec<NightGain>],
    dried: &[Vec<f64>],
) -> Vec<(usize, Vec<(usize, f64)>)> {
    let mut by_night: Vec<(usize, Vec<(usize, f64)>)> = Vec::new();
    for day in &analysis.days {
        let until = analysis.grid.at_or_after(day.night.end);
        let from = analysis.grid.at_or_after(day.night.start);
        let mut all = Vec::new();
        for (h, (nights, dried)) in nights.iter().zip(dried).enumerate() {
            let own = nights
                .iter()
                .zip(dried)
                .find(|(n, _)| n.to >= from && n.to <= until);
            if let Some((night, dried)) = own {
                all.push((h, night.kg + dried));
            }
        }
        by_night.push(((from + until) / 2, all));
    }
    by_night
}

/// A hive's nights beside what the others did in them.
fn beside(
    nights: &[NightGain],
    common: &[(usize, Vec<(usize, f64)>)],
    own: usize,
) -> Vec<NightGain> {
    let usual: f64 = {
        let mut all: Vec<f64> = common
            .iter()
            .flat_map(|(_, of)| of.iter().map(|(_, kg)| *kg))
            .collect();
        median(&mut all).unwrap_or(0.0)
    };
    let mut next = common.iter().peekable();
    nights
        .iter()
        .map(|night| {
            while next.peek().is_some_and(|(at, _)| *at < night.to) && next.len() > 1 {
                next.next();
            }
            let others = next.peek().filter(|(at, _)| *at == night.to);
            let others = others.map(|(_, of)| {
                of.iter()
                    .filter(|(h, _)| *h != own)
                    .map(|(_, kg)| kg - usual)
            });
            let yard = others.and_then(|of| {
                let of: Vec<f64> = of.collect();
                (of.len() + 1 >= LEAST_HIVES)
                    .then(|| median_of_few(of.into_iter()))
                    .flatten()
            });
            let kg = yard.unwrap_or(0.0);
            NightGain {
                kg: night.kg - kg,
                sd_kg: night.sd_kg.hypot(YARD_SHARE * kg),
                ..*night
            }
        })
        .collect()
}

/// Median over the yard's watched feeders, l/h for each litre of capacity; NaN where none is known.
fn yard_appetite(input: &YardInput<'_>, analysis: &YardAnalysis) -> Vec<f64> {
    let mut known = Vec::new();
    let mut per_capacity = Vec::with_capacity(analysis.grid.len());
    for k in 0..analysis.grid.len() {
        known.clear();
        for (hive, found) in input.hives.iter().zip(&analysis.hives) {
            for (feeder, found) in hive.feeders.iter().zip(&found.feeders) {
                let course = &found.course;
                let capacity = feeder.feeder.capacity_l;
                if !course.sensors.is_empty() && course.volume_l[k] > LEAST_FULL_SHARE * capacity {
                    known.push(course.rate[k].max(0.0) / capacity);
                }
            }
        }
        per_capacity.push(median(&mut known).unwrap_or(f64::NAN));
    }
    per_capacity
}
