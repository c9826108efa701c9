//! What the hive weighs at night, and what a day changed when handling is taken out.

use crate::analysis::YardAnalysis;
use crate::math::robust::{mad_sd, median};
use crate::series::days::Day;
use crate::series::scale::ScaleTrack;
use larder_domain::{HiveId, Span, WeightDay, WeightQuality};
use larder_syrup::Estimate;

crate::numbers! { "estimate.report.night_weight":
    /// A night needs so many readings to be good.
    GOOD_READINGS: usize = 6, "1", [2.0, 18.0], Chosen;
    /// No reading is better than this, kg.
    LEAST_READING_SD_KG: f64 = 0.005, "kg", [0.0017, 0.015], Chosen;
    /// No night's mean is better than this, kg.
    LEAST_NIGHT_SD_KG: f64 = 0.01, "kg", [0.0033, 0.03], Chosen;
    /// Readings further from the median than so many standard deviations do not count.
    KEPT_SDS: f64 = 3.0, "1", [1.0, 9.0], Chosen;
}

/// One weight for each local day.
pub fn weigh_nights(hive: &HiveId, scale: &ScaleTrack, yard: &YardAnalysis) -> Vec<WeightDay> {
    let days = &yard.days;
    let mut scratch = Vec::new();
    let nights: Vec<Option<Night>> = days
        .iter()
        .map(|day| weigh(scale, day.night, water_sd(yard, day), &mut scratch))
        .collect();
    let day_of = |i: usize| {
        let day = &days[i];
        let next = days.get(i + 1).zip(nights.get(i + 1).copied().flatten());
        let until = days
            .get(i + 1)
            .map_or(day.span.end, |next| middle(next.night));
        let between = Span {
            start: middle(day.night),
            end: until,
        };
        let steps = || scale.steps.iter().filter(|s| between.contains(s.time()));
        let handling_kg = steps().map(|s| s.kg).sum::<f64>();
        let handling_var = steps().map(|s| s.sd_kg.powi(2)).sum::<f64>();
        let net = nights[i].zip(next).map(|(tonight, (_, later))| {
            let sd = (tonight.sd.powi(2) + later.sd.powi(2) + handling_var).sqrt();
            Estimate::normal(later.kg - tonight.kg - handling_kg, sd)
        });
        WeightDay {
            date: day.date,
            hive: hive.clone(),
            weight_kg: nights[i].map(|night| Estimate::normal(night.kg, night.sd)),
            net_change_kg: net,
            handling_kg,
            quality: match nights[i] {
                None => WeightQuality::Missing,
                Some(night) if night.n < GOOD_READINGS => WeightQuality::Poor,
                Some(_) => WeightQuality::Good,
            },
        }
    };
    (0..days.len()).map(day_of).collect()
}

fn middle(span: Span) -> larder_domain::Timestamp {
    span.start.plus_ms((span.end.0 - span.start.0) / 2)
}

/// How far the water on the hives is known in a night, kg.
fn water_sd(yard: &YardAnalysis, day: &Day) -> f64 {
    let node = yard.grid.nearest(middle(day.night));
    yard.water.sd_kg.get(node).copied().unwrap_or(0.0)
}

#[derive(Clone, Copy)]
struct Night {
    kg: f64,
    sd: f64,
    n: usize,
}

/// Mean of the readings that lie within three standard deviations of their median.
fn weigh(
    scale: &ScaleTrack,
    night: Span,
    water_sd_kg: f64,
    scratch: &mut Vec<f64>,
) -> Option<Night> {
    let times = &scale.series.times;
    let from = times.partition_point(|&t| t < night.start);
    let to = times.partition_point(|&t| t < night.end);
    let readings = &scale.series.values[from..to];
    if readings.is_empty() {
        return None;
    }
    scratch.clear();
    scratch.extend_from_slice(readings);
    let centre = median(scratch)?;
    let spread = mad_sd(scratch)?
        .max(scale.series.noise_sd)
        .max(LEAST_READING_SD_KG);
    let kept = || {
        readings
            .iter()
            .filter(|v| (*v - centre).abs() <= KEPT_SDS * spread)
    };
    let n = kept().count().max(1);
    Some(Night {
        kg: kept().sum::<f64>() / n as f64,
        sd: (spread.powi(2) / n as f64 + LEAST_NIGHT_SD_KG.powi(2))
            .sqrt()
            .hypot(water_sd_kg),
        n,
    })
}
