//! A hive's scale: what it weighed, with faults, rain and the load cell's temperature taken out,
//! and the sudden steps in it.

pub(crate) mod load_cell;
pub(crate) mod steps;

pub use load_cell::LoadCell;
pub use steps::{LEAST_STEP_KG, ScaleStep, least_step_kg};

use crate::series::clean::{CleanSeries, Sanity, clean};
use crate::series::{Grid, Look, at_time};
use larder_domain::{Sample, Span};
use load_cell::{learn_load_cell, take_temperature_out};
use std::ops::Range;
use steps::{find_disturbances, measure_step};

crate::numbers! { "estimate.series.scale":
    /// A hive on a scale weighs at least this, kg; less is a fault. An empty nucleus box weighs some 4
    /// kg (common practice).
    pub LEAST_KG: f64 = 4.0, "kg", [1.0, 8.0], CommonPractice;
    /// A hive on a scale weighs at most this, kg; more is a fault. A full hive with supers weighs up to
    /// 200 kg (common practice).
    pub MOST_KG: f64 = 300.0, "kg", [200.0, 500.0], CommonPractice;
    /// A weight that is a spike lies at least this many standard deviations from those around it.
    SPIKE_SDS: f64 = 8.0, "1", [4.0, 16.0], Chosen;
    /// A weight that is a spike lies at least this far from those around it, kg.
    LEAST_SPIKE_KG: f64 = 0.4, "kg", [0.1, 1.0], Chosen;
    /// A scale that shows the same for so long may be stuck, hours.
    STUCK_HOURS: f64 = 8.0, "h", [4.0, 16.0], Chosen;
    /// A hive loses at least this in an hour when all is quiet, kg.
    QUIET_KG_PER_HOUR: f64 = 0.006, "kg/h", [0.002, 0.02], Measured;
}

/// One hive's scale over the whole record.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct ScaleTrack {
    /// Cleaned readings; the load cell's temperature and the rain on the hive are taken out.
    pub series: CleanSeries,
    /// What was learned of each load cell, in the order in which they stood here.
    pub load_cells: Vec<LoadCell>,
    /// The mean of the readings around every node of the grid, kg; NaN where there are none.
    pub at_nodes: Vec<f64>,
    /// Sudden changes, in order of time.
    pub steps: Vec<ScaleStep>,
}

const SANITY: Sanity = Sanity {
    least: LEAST_KG,
    most: MOST_KG,
    spike_sds: SPIKE_SDS,
    spike_least: LEAST_SPIKE_KG,
    stuck_hours: STUCK_HOURS,
    quiet_per_hour: QUIET_KG_PER_HOUR,
};

/// The readings without those that cannot be.
pub fn clean_scale(samples: &[Sample], scratch: &mut Vec<f64>) -> CleanSeries {
    clean(samples.iter().copied(), &SANITY, scratch)
}

/// Takes rain and the temperature out and finds the steps. `cell_temperature` holds the load
/// cell's own (lagged) temperature at every node and `water_kg` what lies on every hive of the
/// yard; `is_night` marks nodes at which bees stay in and hands stay off. Each of `turns` is the time
/// of another scale.
pub fn track_scale(
    grid: &Grid,
    mut series: CleanSeries,
    cell_temperature: &[f64],
    water_kg: &[f64],
    is_night: &[bool],
    turns: &[Span],
) -> ScaleTrack {
    for (value, &time) in series.values.iter_mut().zip(&series.times) {
        *value -= at_time(grid, water_kg, time);
    }
    let found = find_disturbances(&series);
    let mut load_cells = Vec::with_capacity(turns.len());
    for turn in turns {
        let turn = turn_of(&series, *turn);
        if turn.is_empty() {
            continue;
        }
        let cell = learn_load_cell(
            grid,
            &series,
            turn.clone(),
            &found,
            cell_temperature,
            is_night,
        );
        take_temperature_out(grid, &mut series, turn, cell_temperature, &cell);
        load_cells.push(cell);
    }
    let steps = (0..found.len())
        .filter_map(|i| measure_step(&series, &found, i))
        .collect();
    ScaleTrack {
        at_nodes: grid.means(series.readings(), Look::Around),
        series,
        load_cells,
        steps,
    }
}

/// The readings of one scale.
fn turn_of(series: &CleanSeries, turn: Span) -> Range<usize> {
    let from = series.times.partition_point(|time| *time < turn.start);
    let to = series.times.partition_point(|time| *time < turn.end);
    from..to.max(from)
}
