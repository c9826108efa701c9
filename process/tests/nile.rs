//! The filter and the smoother against published values: the Nile at Aswan, local-level model
//! (J. Durbin, S. J. Koopman, *Time Series Analysis by State Space Methods*, chapter 2). Values and
//! their sources: `tests/checks/nile_local_level.csv`.

use larder_estimate::math::kalman::{Adjoint, State, Transition, Update, Vector};
use std::collections::BTreeMap;
use std::path::Path;

const OBSERVATION_VARIANCE: f64 = 15_099.0;
const LEVEL_VARIANCE: f64 = 1_469.1;
/// Large enough to stand for "nothing is known"; exact diffuse values agree to their tolerance.
const DIFFUSE: f64 = 1e12;

fn table(name: &str) -> Vec<csv::StringRecord> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/checks");
    let mut rows = csv::Reader::from_path(folder.join(name)).expect("the check table is there");
    rows.records()
        .map(|row| row.expect("the table is whole"))
        .collect()
}

/// The level stays but for noise.
struct Stay;

impl Transition<1> for Stay {
    fn forwards(&self, _: &mut Vector<1>) {}

    fn backwards(&self, _: &mut Vector<1>) {}
}

struct Nile {
    filtered: Vec<State<1>>,
    smoothed: Vec<State<1>>,
}

fn run() -> Nile {
    let flows: Vec<f64> = table("nile_data.csv")
        .iter()
        .map(|row| row[1].parse().expect("a number"))
        .collect();
    let mut state = State {
        mean: [0.0],
        covariance: [[DIFFUSE]],
    };
    let mut filtered = Vec::new();
    let mut updates: Vec<Update<1>> = Vec::new();
    for (t, flow) in flows.iter().enumerate() {
        if t > 0 {
            state.predict(&Stay);
            state.covariance[0][0] += LEVEL_VARIANCE;
        }
        let residual = flow - state.mean[0];
        let view = state.innovation(&[1.0], OBSERVATION_VARIANCE);
        updates.push(state.update(&view, residual));
        filtered.push(state);
    }
    let mut smoothed = filtered.clone();
    let mut adjoint = Adjoint::nothing();
    for t in (0..flows.len()).rev() {
        smoothed[t] = filtered[t].smoothed(&adjoint);
        adjoint.before_update(&updates[t]);
        adjoint.before_predict(&Stay);
    }
    Nile { filtered, smoothed }
}

#[test]
fn the_nile_is_filtered_and_smoothed_as_published() {
    let nile = run();
    let mut checked = BTreeMap::new();
    for row in table("nile_local_level.csv") {
        let Some((what, year)) = row[0]
            .strip_prefix("nile-")
            .and_then(|id| id.split_once('-'))
        else {
            continue;
        };
        let Ok(year) = year.parse::<usize>() else {
            continue;
        };
        let found = match what {
            "filt" => nile.filtered[year - 1].mean[0],
            "filtP" => nile.filtered[year - 1].covariance[0][0],
            "sm" | "smooth" => nile.smoothed[year - 1].mean[0],
            "smP" => nile.smoothed[year - 1].covariance[0][0],
            _ => continue,
        };
        let (value, tolerance): (f64, f64) = (
            row[2].parse().expect("a value"),
            row[3].parse().expect("a tolerance"),
        );
        assert_eq!(&row[4], "abs");
        assert!(
            (found - value).abs() <= tolerance,
            "{}: {found}, not {value}",
            &row[0]
        );
        *checked.entry(what.to_owned()).or_insert(0) += 1;
    }
    assert!(
        checked.len() >= 4 && checked.values().sum::<i32>() >= 10,
        "{checked:?}"
    );
}
