//! A device is not heard: longer than its own rhythm explains.

use super::{Details, Episode, RuleContext};
use larder_domain::{Evidence, Flag, FlagKind, Measure, Severity, Timestamp};
use larder_estimate::input::DeviceInput;
use larder_estimate::math::robust::median;
use larder_estimate::series::grid::HOURS_PER_DAY;

larder_estimate::numbers! { "flags.silent":
    /// How sure silence is once it is over, and while it lasts.
    PROBABILITY: [f64; 2] = [0.98, 0.9], "1", [0.3, 1.0], Chosen;
}

/// Opens when the device is overdue, closes with the next reading.
pub(super) fn raise(context: &RuleContext<'_>, device: &DeviceInput<'_>, flags: &mut Vec<Flag>) {
    let parameters = &context.device_parameters(device).silent;
    let reported_at = device.reported_at;
    let mut gaps: Vec<f64> = reported_at
        .windows(2)
        .map(|w| w[1].hours_since(w[0]))
        .collect();
    let Some(usual) = median(&mut gaps) else {
        return;
    };
    let patience =
        (parameters.intervals * usual).clamp(parameters.least_hours, parameters.most_hours);
    let mut say = |last: Timestamp, next: Option<Timestamp>| {
        let until = next.unwrap_or(context.input.now);
        let hours = until.hours_since(last);
        if hours < patience {
            return;
        }
        let episode = Episode {
            opened: 0,
            from: last.plus_hours(patience),
            until: next,
        };
        let details = Details {
            severity: if hours >= HOURS_PER_DAY {
                Severity::Urgent
            } else {
                Severity::Warning
            },
            probability: if hours >= parameters.most_hours {
                PROBABILITY[0]
            } else {
                PROBABILITY[1]
            },
            evidence: Evidence::new(format!(
                "{} was last heard on {{last}} and then not for {{hours}}; it usually reports every {{usual}}.",
                device.device
            ))
            .with("last", last.0 as f64, Measure::Moment)
            .with("hours", hours, Measure::Hours)
            .with("usual", usual, Measure::Hours),
        };
        flags.push(context.device_flag(FlagKind::Silent, device.device, episode, details));
    };
    for pair in reported_at.windows(2) {
        say(pair[0], Some(pair[1]));
    }
    if let Some(&last) = reported_at.last() {
        say(last, None);
    }
}
