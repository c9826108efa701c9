//! A device is not heard: longer than its own rhythm explains.

use super::subject_of;
use crate::input::{DeviceInput, YardInput};
use crate::robust::median;
use larder_domain::{Flag, FlagKind, Severity, Timestamp};

/// So many of its own intervals without a word.
const INTERVALS: f64 = 10.0;
/// But never sooner than this, hours: radio links lose packs in a row.
const LEAST_HOURS: f64 = 2.5;
/// And never later than this, hours: six hours without a reading is silence whatever the rhythm.
const MOST_HOURS: f64 = 6.0;

/// Opens when the device is overdue, closes with the next reading.
pub fn raise(input: &YardInput<'_>, device: &DeviceInput<'_>, flags: &mut Vec<Flag>) {
    let heard = device.heard;
    let mut gaps: Vec<f64> = heard.windows(2).map(|w| w[1].hours_since(w[0])).collect();
    let Some(usual) = median(&mut gaps) else {
        return;
    };
    let patience = (INTERVALS * usual).clamp(LEAST_HOURS, MOST_HOURS);
    let mut say = |last: Timestamp, next: Option<Timestamp>| {
        let until = next.unwrap_or(input.now);
        let hours = until.hours_since(last);
        if hours < patience {
            return;
        }
        let (hive, feeder) = subject_of(input, device.device);
        flags.push(Flag {
            kind: FlagKind::Silent,
            yard: Some(input.yard.id.clone()),
            hive,
            feeder,
            device: Some(device.device.clone()),
            opened_at: last.plus_ms((patience * 3.6e6) as i64),
            closed_at: next,
            severity: if hours >= 24.0 { Severity::Urgent } else { Severity::Warning },
            probability: if hours >= MOST_HOURS { 0.98 } else { 0.8 },
            evidence: format!(
                "{} was last heard at {} and then not for {hours:.1} h; it usually reports every {:.0} min.",
                device.device,
                last.to_rfc3339(),
                usual * 60.0
            ),
        });
    };
    for pair in heard.windows(2) {
        say(pair[0], Some(pair[1]));
    }
    if let Some(&last) = heard.last() {
        say(last, None);
    }
}
