//! A battery is nearly empty.

use super::{Details, RuleContext, Vote, episodes};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Sample, Severity};
use larder_estimate::input::DeviceInput;
use larder_syrup::Estimate;

larder_estimate::numbers! { "flags.low_battery":
    /// A line through so many reports counts: cold nights and radio bursts make single ones sag.
    REPORTS: usize = 9, "1", [3.0, 27.0], Chosen;
    /// How sure a low battery is.
    PROBABILITY: f64 = 0.95, "1", [0.32, 1.0], Chosen;
}

/// Opens when the line through the last reports is low, closes when it is charged again.
pub(super) fn raise(context: &RuleContext<'_>, device: &DeviceInput<'_>, flags: &mut Vec<Flag>) {
    let parameters = &context.device_parameters(device).low_battery;
    let battery = device.battery;
    let volts = |i: usize| fitted(&battery[(i + 1).saturating_sub(REPORTS)..=i]);
    let votes = (0..battery.len()).map(|i| {
        let vote = match volts(i).value {
            low if low <= parameters.low_v => Vote::Open,
            high if high >= parameters.charged_v => Vote::Close,
            _ => Vote::Keep,
        };
        (battery[i].time, vote)
    });
    for episode in episodes(votes, 0.0, parameters.stays_hours) {
        let details = Details {
            severity: Severity::Warning,
            probability: PROBABILITY,
            evidence: Evidence::new(format!(
                "The battery of {} is at {{volts}}; under {{low}} it has days left.",
                device.device
            ))
            .with_estimate("volts", volts(episode.opened), Measure::Voltage)
            .with("low", parameters.low_v, Measure::Voltage),
        };
        flags.push(context.device_flag(FlagKind::LowBattery, device.device, episode, details));
    }
}

/// Where a straight line (least squares) through reports stands at the last one, V, with its interval.
/// With fewer than three it is their highest.
fn fitted(reports: &[Sample]) -> Estimate {
    let highest = reports.iter().map(|r| r.value).reduce(f64::max);
    let (Some(last), Some(highest)) = (reports.last(), highest) else {
        return Estimate::normal(f64::NAN, f64::NAN);
    };
    if reports.len() < 3 {
        return Estimate::normal(highest, f64::NAN);
    }
    let n = reports.len() as f64;
    let hours = |r: &Sample| r.time.hours_since(last.time);
    let mean_t = reports.iter().map(hours).sum::<f64>() / n;
    let mean_v = reports.iter().map(|r| r.value).sum::<f64>() / n;
    let sum = |of: &dyn Fn(&Sample) -> f64| reports.iter().map(of).sum::<f64>();
    let tt = sum(&|r| (hours(r) - mean_t).powi(2)).max(1e-9);
    let slope = sum(&|r| (hours(r) - mean_t) * (r.value - mean_v)) / tt;
    let left = sum(&|r| (r.value - mean_v - slope * (hours(r) - mean_t)).powi(2)) / (n - 2.0);
    let sd = (left * (1.0 / n + mean_t * mean_t / tt)).sqrt();
    Estimate::normal(mean_v - slope * mean_t, sd)
}
