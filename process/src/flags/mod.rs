//! What is wrong, since when, and why it is thought so. One file for each kind.
//!
//! A flag never flaps: it opens on one condition and closes on a clearly better one.

mod empty;
mod low_battery;
mod silent;

use crate::analysis::YardAnalysis;
use crate::input::YardInput;
use larder_domain::{DeviceId, FeederId, Flag, HiveId, Timestamp};

/// All flags that were open at some time in the span, by opening time.
pub fn raise(input: &YardInput<'_>, analysis: &YardAnalysis) -> Vec<Flag> {
    let mut flags = Vec::new();
    for device in &input.devices {
        silent::raise(input, device, &mut flags);
        low_battery::raise(input, device, &mut flags);
    }
    for (hive, found) in input.hives.iter().zip(&analysis.hives) {
        for (feeder, found) in hive.feeders.iter().zip(&found.feeders) {
            empty::raise(input, &analysis.grid, feeder, found, &mut flags);
        }
    }
    let within = |flag: &Flag| {
        flag.opened_at < input.span.end && flag.closed_at.is_none_or(|at| at > input.span.start)
    };
    flags.retain(within);
    flags.sort_by(|a, b| {
        let key = |f: &Flag| (f.opened_at, f.kind, f.device.clone(), f.feeder.clone());
        key(a).cmp(&key(b))
    });
    flags
}

/// From when to when a condition held; `None`: it still does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Spell {
    /// Index of the observation that opened it.
    pub opened: usize,
    /// When it opened.
    pub from: Timestamp,
    /// When it closed.
    pub until: Option<Timestamp>,
}

/// What one observation says about a condition.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Sign {
    /// It holds.
    Holds,
    /// It clearly no longer holds.
    Gone,
    /// Neither: what was, stays.
    Between,
}

/// Runs a condition with hysteresis in level and time: it opens when it has held for `open_hours`
/// and closes when it has been gone for `close_hours`. Signs must be in order of time.
pub fn spells(
    signs: impl Iterator<Item = (Timestamp, Sign)>,
    open_hours: f64,
    close_hours: f64,
) -> Vec<Spell> {
    let mut found: Vec<Spell> = Vec::new();
    let mut open = false;
    let mut since: Option<Timestamp> = None;
    for (i, (at, sign)) in signs.enumerate() {
        let turns = if open { Sign::Gone } else { Sign::Holds };
        if sign != turns {
            since = None;
            continue;
        }
        let start = *since.get_or_insert(at);
        let needed = if open { close_hours } else { open_hours };
        if at.hours_since(start) < needed {
            continue;
        }
        since = None;
        if open {
            if let Some(spell) = found.last_mut() {
                spell.until = Some(at);
            }
        } else {
            found.push(Spell {
                opened: i,
                from: at,
                until: None,
            });
        }
        open = !open;
    }
    found
}

/// The hive and feeder that a device serves, where it serves one.
fn subject_of(input: &YardInput<'_>, device: &DeviceId) -> (Option<HiveId>, Option<FeederId>) {
    for hive in &input.hives {
        for feeder in &hive.feeders {
            let mut sensors = feeder.feeder.sensors.iter();
            if sensors.any(|sensor| &sensor.assignment.source.device == device) {
                return (Some(hive.hive.id.clone()), Some(feeder.feeder.id.clone()));
            }
        }
    }
    let on = |hive: &&crate::HiveInput<'_>| {
        hive.hive
            .scales
            .iter()
            .any(|scale| &scale.source.device == device)
    };
    let mut hives = input.hives.iter().filter(on);
    match (hives.next(), hives.next()) {
        (Some(hive), None) => (Some(hive.hive.id.clone()), None),
        _ => (None, None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flag_does_not_flap() {
        use Sign::{Between, Gone, Holds};
        let signs = [
            Holds, Gone, Holds, Holds, Holds, Gone, Holds, Between, Gone, Gone, Gone, Holds,
        ];
        let hourly = (0..).map(|h| Timestamp(h * 3_600_000));
        let found = spells(hourly.zip(signs), 2.0, 2.0);
        let expected = Spell {
            opened: 4,
            from: Timestamp(4 * 3_600_000),
            until: Some(Timestamp(10 * 3_600_000)),
        };
        assert_eq!(found, [expected]);
    }
}
