//! Fills: found, how much, and whether their interval holds it.

use super::subjects::{Subjects, Witness};
use crate::truth::Truth;
use larder_domain::FillEvent;

/// A fill is the one that was poured if it is not further from it than that, hours.
const APART_H: f64 = 2.0;
/// Less than that is not asked for, l.
const LEAST_L: f64 = 0.1;
/// From that on it counts in the table, l.
const LARGE_L: f64 = 0.7;

/// One fill of 0.7 l and more.
#[derive(Clone, Copy)]
pub struct FillScore {
    pub witness: Witness,
    pub found: bool,
    /// Its volume by the estimate as a share of the true one.
    pub ratio: Option<f64>,
    /// Whether its interval holds the true volume; `None` without one.
    pub covered: Option<bool>,
}

pub fn score(truth: &Truth, subjects: &Subjects, fills: &[FillEvent]) -> Vec<FillScore> {
    let poured: Vec<_> = truth
        .fills
        .iter()
        .filter(|f| f.volume_l >= LEAST_L)
        .collect();
    let mut pairs = Vec::new();
    for (i, fill) in poured.iter().enumerate() {
        for (j, told) in fills.iter().enumerate() {
            let gap = told.time.hours_since(fill.time).abs();
            if gap <= APART_H && told.feeder.as_str() == fill.feeder {
                pairs.push((gap, i, j));
            }
        }
    }
    // The nearest pairs first, each fill once.
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    let mut matched: Vec<Option<usize>> = vec![None; poured.len()];
    let mut used = vec![false; fills.len()];
    for (_, i, j) in pairs {
        if matched[i].is_none() && !used[j] {
            matched[i] = Some(j);
            used[j] = true;
        }
    }
    let large = poured
        .iter()
        .zip(matched)
        .filter(|(fill, _)| fill.volume_l >= LARGE_L);
    large
        .map(|(fill, found)| {
            let volume = found.and_then(|j| fills[j].volume_l);
            FillScore {
                witness: subjects.witness(&fill.feeder),
                found: found.is_some(),
                ratio: volume.map(|v| v.value / fill.volume_l),
                covered: volume.map(|v| (v.lo..=v.hi).contains(&fill.volume_l)),
            }
        })
        .collect()
}
