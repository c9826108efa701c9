//! Everything that is worked out about one yard before it is put into words: what flags and
//! forecasts are built on.

use crate::clean::CleanSeries;
use crate::climate::Climate;
use crate::days::{Day, days_on, midnight_nodes};
use crate::evidence::{FeederEvidence, find_renewals, gather};
use crate::feeder::{
    Appetite, FeederCourse, Observations, Workspace, estimate, guess_without_sensor, observe,
};
use crate::grid::{Grid, STEP_HOURS};
use crate::input::{HiveInput, YardInput};
use crate::level::{LevelTrack, track_level};
use crate::losses::{
    BalanceInput, FeederLosses, HiveBalance, balance_yard, find_losses, share_out,
};
use crate::robust::median;
use crate::scale::{ScaleTrack, clean_scale, track_scale};
use crate::strengths::Strengths;
use crate::visits::drop_doubtful;
use crate::water::{undisturbed, water_on_hives};
use larder_domain::{Sample, Span, Timestamp};

/// One yard, worked out.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct YardAnalysis {
    /// The moments of all series below.
    pub grid: Grid,
    /// The yard's local days on the grid.
    pub days: Vec<Day>,
    /// The weather.
    pub climate: Climate,
    /// Rain, dew or snow on each hive at every node, kg.
    pub water_kg: Vec<f64>,
    /// One for each hive of the input, in its order.
    pub hives: Vec<HiveAnalysis>,
}

/// One hive.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct HiveAnalysis {
    /// Its scale; empty where it has none.
    pub scale: ScaleTrack,
    /// One for each feeder of the input, in its order.
    pub feeders: Vec<FeederAnalysis>,
    /// Its mass balance, hour by hour.
    pub balance: HiveBalance,
}

/// One feeder.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct FeederAnalysis {
    /// Its level sensor's readings.
    pub level: LevelTrack,
    /// The same on the grid.
    pub observations: Observations,
    /// Fills, spills and times at which the sensor is not believed.
    pub evidence: FeederEvidence,
    /// What was in it and how fast it was taken.
    pub course: FeederCourse,
    /// What left it and did not reach the colony.
    pub losses: FeederLosses,
    /// Density of what is in it at 20 Cel, kg/l.
    pub kg_per_litre: f64,
}

/// Works one yard out.
pub fn analyse_yard(input: &YardInput<'_>) -> YardAnalysis {
    let grid = Grid::covering(extent(input));
    let days = days_on(&grid, input.yard.timezone);
    let midnights = midnight_nodes(&grid, &days);
    let climate = Climate::of(input, &grid, &days);
    let strengths = Strengths::of(input);
    let mut analysis = YardAnalysis {
        grid,
        days,
        climate,
        water_kg: Vec::new(),
        hives: Vec::with_capacity(input.hives.len()),
    };
    let mut scratch = Vec::new();
    let mut workspace = Workspace::default();
    let yard_syrup = syrup_temperature_of_yard(input, &grid, &analysis.climate);
    let scales = input
        .hives
        .iter()
        .map(|hive| clean_scale(hive.weight, &mut scratch));
    let scales: Vec<CleanSeries> = scales.collect();
    let mut hands = vec![false; grid.len()];
    let weights: Vec<Vec<f64>> = scales
        .iter()
        .map(|scale| undisturbed(&grid, scale, &mut hands))
        .collect();
    analysis.water_kg = water_on_hives(&weights, &hands, &analysis.climate);
    let mut tracks: Vec<ScaleTrack> = Vec::with_capacity(scales.len());
    for (hive, scale) in input.hives.iter().zip(scales) {
        tracks.push(watch_scale(hive, scale, &analysis));
    }
    let levels: Vec<Vec<LevelTrack>> = input
        .hives
        .iter()
        .map(|hive| watch_levels(hive, &strengths, &mut scratch))
        .collect();
    drop_doubtful(&grid, &input.hives, &mut tracks, &levels);
    let mut evidence = gather_all(input, &tracks, &levels, &strengths, &grid);
    find_renewals(&input.hives, &levels, &strengths, &mut evidence);
    for (((hive, scale), levels), evidence) in
        input.hives.iter().zip(tracks).zip(levels).zip(evidence)
    {
        let seen = Seen {
            scale,
            levels,
            evidence,
        };
        let found = watch_hive(hive, seen, &analysis, &strengths, &yard_syrup);
        analysis.hives.push(found);
    }
    for (hive, found) in input.hives.iter().zip(&mut analysis.hives) {
        for (feeder, found) in hive.feeders.iter().zip(&mut found.feeders) {
            if found.observations.nodes.is_empty() {
                continue;
            }
            found.course = run(&grid, feeder, found, &midnights, &mut workspace);
        }
    }
    account_for_losses(input, &mut analysis, &midnights, &mut workspace);
    guess_unsensed(input, &mut analysis, &midnights);
    analysis
}

/// Balances every hive against its feeders and neighbours, and estimates again what leaks and
/// robbers touched.
fn account_for_losses(
    input: &YardInput<'_>,
    analysis: &mut YardAnalysis,
    midnights: &[bool],
    workspace: &mut Workspace,
) {
    for _ in 0..BALANCE_ROUNDS {
        let inputs: Vec<BalanceInput> = input
            .hives
            .iter()
            .zip(&analysis.hives)
            .map(|(hive, found)| balance_input(hive, found, analysis))
            .collect();
        let mut balances = balance_yard(&analysis.grid, &inputs);
        balances.iter_mut().for_each(find_losses);
        for ((hive, found), balance) in input.hives.iter().zip(&mut analysis.hives).zip(balances) {
            let courses: Vec<&FeederCourse> = found.feeders.iter().map(|f| &f.course).collect();
            let density: Vec<f64> = found.feeders.iter().map(|f| f.kg_per_litre).collect();
            let losses = share_out(&balance, &courses, &density);
            found.balance = balance;
            for ((feeder, found), losses) in hive.feeders.iter().zip(&mut found.feeders).zip(losses)
            {
                let touched =
                    !losses.litres_per_hour.is_empty() || !found.losses.litres_per_hour.is_empty();
                found.losses = losses;
                if touched && !found.observations.nodes.is_empty() {
                    let grid = &analysis.grid;
                    found.course = run(grid, feeder, found, midnights, workspace);
                }
            }
        }
    }
}

/// The second round knows what was lost in the first, and so what was eaten.
const BALANCE_ROUNDS: usize = 2;

fn run(
    grid: &Grid,
    feeder: &crate::FeederInput<'_>,
    found: &FeederAnalysis,
    midnights: &[bool],
    workspace: &mut Workspace,
) -> FeederCourse {
    let task = crate::feeder::Task {
        grid,
        observations: &found.observations,
        changes: &found.evidence.changes,
        midnights,
        losses: &found.losses.litres_per_hour,
        losses_sd: &found.losses.sd,
        capacity_l: feeder.feeder.capacity_l,
    };
    estimate(&task, workspace)
}

fn balance_input(
    hive: &HiveInput<'_>,
    found: &HiveAnalysis,
    analysis: &YardAnalysis,
) -> BalanceInput {
    let grid = &analysis.grid;
    let n = grid.len();
    let mut weight_kg = found.scale.at_nodes.clone();
    let mut carried = 0.0;
    let mut steps = found.scale.steps.iter().peekable();
    let mut hidden_until = 0;
    for (k, weight) in weight_kg.iter_mut().enumerate() {
        while let Some(step) = steps.next_if(|step| grid.nearest(step.after) <= k) {
            carried += step.kg;
            hidden_until = grid.nearest(step.before) + 1;
        }
        *weight = if k < hidden_until {
            f64::NAN
        } else {
            *weight - carried
        };
    }
    let mut input = BalanceInput {
        weight_kg,
        eaten_kg: vec![0.0; n],
        brought_kg: vec![0.0; n],
        outflow: vec![(0.0, 0.0); n],
    };
    for (feeder, found) in hive.feeders.iter().zip(&found.feeders) {
        let course = &found.course;
        if course.rate.len() != n {
            continue;
        }
        let mut changed = vec![false; n];
        for change in &found.evidence.changes {
            let k = grid.at_or_after(change.time());
            changed[k.saturating_sub(1)] = true;
            changed[k] = true;
        }
        for k in 0..n {
            let rate = course.rate[k].max(0.0);
            let loss = found.losses.litres_per_hour.get(k).copied().unwrap_or(0.0);
            input.eaten_kg[k] += rate * found.kg_per_litre;
            if !feeder.feeder.on_scale {
                // All that left it should have come in, if it went into the colony.
                input.brought_kg[k] += (rate + loss) * found.kg_per_litre;
            }
            // What the level says is more than rate and loss where the loss is not well known.
            let fallen = (course.volume_l[k] - course.volume_l[(k + 1).min(n - 1)]) / STEP_HOURS;
            let jumps = changed.get(k).copied().unwrap_or(true);
            input.outflow[k].0 += if loss > 0.0 && !jumps {
                fallen.max(0.0)
            } else {
                rate + loss
            };
            input.outflow[k].1 += course.rate_sd[k];
        }
    }
    input
}

/// From the first reading to the clock, within what is asked for.
fn extent(input: &YardInput<'_>) -> Span {
    let first = |samples: &[Sample]| samples.first().map(|sample| sample.time);
    let levels = |hive: &HiveInput<'_>| {
        let all = hive.feeders.iter().flat_map(|feeder| &feeder.levels);
        all.filter_map(|level| first(level.samples)).min()
    };
    let of_hive = |hive: &HiveInput<'_>| first(hive.weight).into_iter().chain(levels(hive)).min();
    let earliest = input.hives.iter().filter_map(of_hive).min();
    let end = input.span.end.min(input.now);
    let start = earliest.unwrap_or(input.span.start).max(input.span.start);
    Span {
        start: start.min(end),
        end,
    }
}

fn watch_scale(hive: &HiveInput<'_>, scale: CleanSeries, yard: &YardAnalysis) -> ScaleTrack {
    let own = yard.grid.resample(hive.scale_temperature, 3.0);
    let cell = yard.climate.of_load_cell(own);
    let quiet_night = &yard.climate.quiet_night;
    track_scale(&yard.grid, scale, &cell, &yard.water_kg, quiet_night)
}

fn watch_levels(
    hive: &HiveInput<'_>,
    strengths: &Strengths,
    scratch: &mut Vec<f64>,
) -> Vec<LevelTrack> {
    let mut track = |feeder: &crate::FeederInput<'_>| {
        let density = |at: Timestamp| strengths.kg_per_litre(feeder.feeder, at);
        track_level(feeder, density, scratch)
    };
    hive.feeders.iter().map(&mut track).collect()
}

fn gather_all(
    input: &YardInput<'_>,
    tracks: &[ScaleTrack],
    levels: &[Vec<LevelTrack>],
    strengths: &Strengths,
    grid: &Grid,
) -> Vec<Vec<FeederEvidence>> {
    let until = grid.time(grid.len() - 1);
    let hives = input.hives.iter().zip(tracks).zip(levels);
    hives
        .map(|((hive, scale), levels)| gather(hive, scale, levels, strengths, until))
        .collect()
}

/// What one hive's witnesses saw.
struct Seen {
    scale: ScaleTrack,
    levels: Vec<LevelTrack>,
    evidence: Vec<FeederEvidence>,
}

fn watch_hive(
    hive: &HiveInput<'_>,
    seen: Seen,
    yard: &YardAnalysis,
    strengths: &Strengths,
    yard_syrup: &[f64],
) -> HiveAnalysis {
    let grid = &yard.grid;
    let feeders = hive.feeders.iter().zip(seen.levels).zip(seen.evidence).map(
        |((feeder, level), evidence)| {
            let temperature = syrup_temperature(grid, feeder, yard_syrup);
            let seen = observe(grid, feeder, &level, &evidence, &temperature, strengths);
            FeederAnalysis {
                level,
                observations: seen,
                evidence,
                course: FeederCourse::default(),
                losses: FeederLosses::default(),
                kg_per_litre: strengths.kg_per_litre(feeder.feeder, grid.time(grid.len() / 2)),
            }
        },
    );
    HiveAnalysis {
        feeders: feeders.collect(),
        scale: seen.scale,
        balance: HiveBalance::default(),
    }
}

/// Its own thermometer, else the yard's feeders', else the air.
fn syrup_temperature(grid: &Grid, feeder: &crate::FeederInput<'_>, yard: &[f64]) -> Vec<f64> {
    let mut own = vec![f64::NAN; grid.len()];
    for level in &feeder.levels {
        let found = grid.resample(level.syrup_temperature, 3.0);
        for (value, found) in own.iter_mut().zip(found) {
            if !found.is_nan() {
                *value = found;
            }
        }
    }
    let pairs = own.iter().zip(yard);
    pairs
        .map(|(&o, &y)| if o.is_nan() { y } else { o })
        .collect()
}

/// The mean syrup temperature of the yard's feeders; the air's, half an hour late, where none is known.
fn syrup_temperature_of_yard(input: &YardInput<'_>, grid: &Grid, climate: &Climate) -> Vec<f64> {
    let mut sums = vec![(0.0, 0u32); grid.len()];
    let feeders = input.hives.iter().flat_map(|hive| &hive.feeders);
    for level in feeders.flat_map(|feeder| &feeder.levels) {
        if level.syrup_temperature.is_empty() {
            continue;
        }
        let own = grid.resample(level.syrup_temperature, 3.0);
        for (sum, value) in sums.iter_mut().zip(own) {
            if !value.is_nan() {
                sum.0 += value;
                sum.1 += 1;
            }
        }
    }
    let air = climate.air.iter();
    sums.iter()
        .zip(air)
        .map(|(&(sum, n), &air)| if n > 0 { sum / f64::from(n) } else { air })
        .collect()
}

fn guess_unsensed(input: &YardInput<'_>, analysis: &mut YardAnalysis, midnights: &[bool]) {
    let appetite = yard_appetite(input, analysis);
    for (hive, found) in input.hives.iter().zip(&mut analysis.hives) {
        for (feeder, found) in hive.feeders.iter().zip(&mut found.feeders) {
            if found.observations.nodes.is_empty() {
                found.course = guess_without_sensor(
                    &analysis.grid,
                    &found.evidence.changes,
                    midnights,
                    &appetite,
                    feeder.feeder.capacity_l,
                );
            }
        }
    }
}

fn yard_appetite(input: &YardInput<'_>, analysis: &YardAnalysis) -> Appetite {
    let mut known = Vec::new();
    let mut per_capacity = Vec::with_capacity(analysis.grid.len());
    for k in 0..analysis.grid.len() {
        known.clear();
        for (hive, found) in input.hives.iter().zip(&analysis.hives) {
            for (feeder, found) in hive.feeders.iter().zip(&found.feeders) {
                let course = &found.course;
                let capacity = feeder.feeder.capacity_l;
                if course.sensor.is_some() && course.volume_l[k] > 0.1 * capacity {
                    known.push(course.rate[k].max(0.0) / capacity);
                }
            }
        }
        per_capacity.push(median(&mut known).unwrap_or(f64::NAN));
    }
    Appetite { per_capacity }
}
