//! Everything that is worked out about one yard before it is put into words: what flags and
//! forecasts are built on.

pub(crate) mod account;
pub(crate) mod unsensed;

use crate::events::hands::drop_unconfirmed_steps;
use crate::events::{FeederEvents, detect_events, find_renewals};
use crate::feeder::{FeederCourse, Observations, Workspace, observe};
use crate::input::{HiveInput, YardInput};
use crate::losses::{FeederLosses, HiveBalance};
use crate::parameters::Parameters;
use crate::series::clean::CleanSeries;
use crate::series::days::{Day, days_on, midnight_nodes};
use crate::series::level::{LevelTrack, track_level};
use crate::series::scale::{ScaleTrack, clean_scale, track_scale};
use crate::series::strengths::Strengths;
use crate::series::syrup_temperature::SyrupTemperature;
use crate::series::water::{Water, undisturbed, water_on_hives};
use crate::series::{Grid, Look, Weather};
use account::{Passes, account_for_losses, run};
use larder_domain::{Hive, Sample, Span, Timestamp};
use unsensed::guess_unsensed;

crate::numbers! { "estimate.analysis":
    /// Gaps of a load cell's own thermometer up to this are bridged, hours.
    THERMOMETER_GAP_HOURS: f64 = 3.0, "h", [1.0, 9.0], Chosen;
}

/// One yard, worked out.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct YardAnalysis {
    /// The moments of all series below.
    pub grid: Grid,
    /// The yard's local days on the grid.
    pub days: Vec<Day>,
    /// The weather.
    pub weather: Weather,
    /// Rain, dew or snow on each hive at every node, kg.
    pub water: Water,
    /// One for each hive of the input, in its order.
    pub hives: Vec<HiveAnalysis>,
}

/// One hive.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct HiveAnalysis {
    /// The hive's weight, cleaned; empty where it stands on no scale.
    pub scale: ScaleTrack,
    /// One for each feeder of the input, in its order.
    pub feeders: Vec<FeederAnalysis>,
    /// The hive's mass balance, hour by hour.
    pub balance: HiveBalance,
}

/// One feeder.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct FeederAnalysis {
    /// The readings of the feeder's level sensors, cleaned.
    pub level: LevelTrack,
    /// The level readings on the grid.
    pub observations: Observations,
    /// Fills, spills and times at which the sensor is not believed.
    pub events: FeederEvents,
    /// What was in it and how fast it was taken.
    pub course: FeederCourse,
    /// What left it and did not reach the colony.
    pub losses: FeederLosses,
    /// Density of what is in it at 20 Cel, kg/l.
    pub kg_per_litre: f64,
}

/// Works one yard out.
pub fn analyse_yard(input: &YardInput<'_>) -> YardAnalysis {
    analyse_yard_with(input, &Parameters::default())
}

/// Analyses one yard with parameters other than the usual ones.
pub fn analyse_yard_with(input: &YardInput<'_>, parameters: &Parameters) -> YardAnalysis {
    let grid = Grid::covering(extent(input));
    let days = days_on(&grid, input.yard.timezone);
    let midnights = midnight_nodes(&grid, &days);
    let weather = Weather::of(input, &grid, Look::Around);
    let strengths = Strengths::of(input);
    let mut analysis = YardAnalysis {
        grid,
        days,
        weather,
        water: Water::default(),
        hives: Vec::with_capacity(input.hives.len()),
    };
    let mut scratch = Vec::new();
    let mut passes = Passes {
        midnights: &midnights,
        workspace: Workspace::default(),
        parameters: &parameters.feeder,
    };
    let syrup = SyrupTemperature::of(input, &grid, &analysis.weather.air, Look::Around);
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
    analysis.water = water_on_hives(&weights, &hands, &analysis.weather, &parameters.rain);
    let quiet_nights = analysis.weather.quiet_nights();
    let mut tracks: Vec<ScaleTrack> = Vec::with_capacity(scales.len());
    for (hive, scale) in input.hives.iter().zip(scales) {
        tracks.push(watch_scale(hive, scale, &analysis, &quiet_nights));
    }
    let levels: Vec<Vec<LevelTrack>> = input
        .hives
        .iter()
        .map(|hive| watch_levels(hive, &strengths, &mut scratch))
        .collect();
    let gauge: &[f64] = if analysis.weather.has_gauge {
        &analysis.weather.rain_mm
    } else {
        &[]
    };
    drop_unconfirmed_steps(&analysis.grid, &input.hives, &mut tracks, &levels, gauge);
    let mut events = detect_all(input, &tracks, &levels, &strengths, &grid);
    find_renewals(&input.hives, &levels, &strengths, &mut events);
    let hives = input.hives.iter().enumerate();
    for ((((h, hive), scale), levels), events) in hives.zip(tracks).zip(levels).zip(events) {
        let seen = Seen {
            scale,
            levels,
            events,
        };
        let warmth = |f: usize| syrup.in_feeder(h, f, hive.feeders[f].feeder);
        let found = watch_hive(hive, seen, &analysis, &strengths, warmth);
        analysis.hives.push(found);
    }
    for (hive, found) in input.hives.iter().zip(&mut analysis.hives) {
        for (feeder, found) in hive.feeders.iter().zip(&mut found.feeders) {
            if found.observations.nodes.is_empty() {
                continue;
            }
            found.course = run(&grid, feeder, found, &mut passes);
        }
    }
    account_for_losses(input, &mut analysis, &mut passes);
    let warmth = |h: usize, f: usize| syrup.in_feeder(h, f, input.hives[h].feeders[f].feeder);
    guess_unsensed(input, &mut analysis, &midnights, warmth);
    analysis
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

fn watch_scale(
    hive: &HiveInput<'_>,
    scale: CleanSeries,
    yard: &YardAnalysis,
    quiet_night: &[bool],
) -> ScaleTrack {
    let own = yard
        .grid
        .resample(hive.scale_temperature, THERMOMETER_GAP_HOURS, Look::Around);
    let cell = yard.weather.of_load_cell(&own);
    let turns = turns_of(hive.hive);
    track_scale(
        &yard.grid,
        scale,
        &cell,
        &yard.water.kg,
        quiet_night,
        &turns,
    )
}

/// The time of each scale that stood under a hive: from its first moment to the next one's.
fn turns_of(hive: &Hive) -> Vec<Span> {
    let mut starts: Vec<Timestamp> = hive.scales.iter().map(|s| s.during.start).collect();
    starts.sort_unstable();
    starts.dedup();
    let ends = starts.iter().skip(1).copied().chain([Span::ALWAYS.end]);
    let begins = starts.iter().skip(1).copied();
    std::iter::once(Span::ALWAYS.start)
        .chain(begins)
        .zip(ends)
        .map(|(start, end)| Span { start, end })
        .collect()
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

fn detect_all(
    input: &YardInput<'_>,
    tracks: &[ScaleTrack],
    levels: &[Vec<LevelTrack>],
    strengths: &Strengths,
    grid: &Grid,
) -> Vec<Vec<FeederEvents>> {
    let until = grid.time(grid.len() - 1);
    let hives = input.hives.iter().zip(tracks).zip(levels);
    hives
        .map(|((hive, scale), levels)| detect_events(hive, scale, levels, strengths, until))
        .collect()
}

/// What one hive's witnesses saw.
struct Seen {
    scale: ScaleTrack,
    levels: Vec<LevelTrack>,
    events: Vec<FeederEvents>,
}

fn watch_hive(
    hive: &HiveInput<'_>,
    seen: Seen,
    yard: &YardAnalysis,
    strengths: &Strengths,
    warmth: impl Fn(usize) -> Vec<f64>,
) -> HiveAnalysis {
    let grid = &yard.grid;
    let feeders = hive.feeders.iter().enumerate();
    let feeders =
        feeders
            .zip(seen.levels)
            .zip(seen.events)
            .map(|(((f, feeder), level), events)| {
                let seen = observe(grid, feeder, &level, &events, &warmth(f), strengths);
                FeederAnalysis {
                    level,
                    observations: seen,
                    events,
                    course: FeederCourse::default(),
                    losses: FeederLosses::default(),
                    kg_per_litre: strengths.kg_per_litre(feeder.feeder, grid.time(grid.len() / 2)),
                }
            });
    HiveAnalysis {
        feeders: feeders.collect(),
        scale: seen.scale,
        balance: HiveBalance::default(),
    }
}
