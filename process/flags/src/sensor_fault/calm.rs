//! One cause, one flag: an instrument that fails again and again is told of once.

use super::super::{Episode, Vote};
use larder_domain::Timestamp;

larder_estimate::numbers! { "flags.sensor_fault.calm":
    /// A fault that came back within so long is the same one, hours.
    AGAIN_HOURS: f64 = 168.0, "h", [24.0, 720.0], Chosen;
    /// Each time that it came back it must be gone for so many times longer before it is over.
    PATIENCE: f64 = 4.0, "1", [1.5, 10.0], Chosen;
    /// And no longer than this, hours.
    MOST_HOURS: f64 = 72.0, "h", [24.0, 168.0], Chosen;
}

/// The spells in which a condition held. Each opens with its first vote and closes when it has been gone
/// for `close_hours`; one that comes back within a week must be gone for longer the next time.
pub(super) fn calming(
    votes: impl Iterator<Item = (Timestamp, Vote)>,
    close_hours: f64,
) -> Vec<Episode> {
    let mut found: Vec<Episode> = Vec::new();
    let mut open = false;
    let mut gone: Option<Timestamp> = None;
    let mut needed = close_hours;
    for (i, (at, vote)) in votes.enumerate() {
        if vote == Vote::Open {
            gone = None;
            if !open {
                let last = found.last().and_then(|last| last.until);
                let again = last.is_some_and(|until| at.hours_since(until) < AGAIN_HOURS);
                needed = if again {
                    (needed * PATIENCE).min(MOST_HOURS)
                } else {
                    close_hours
                };
                open = true;
                found.push(Episode {
                    opened: i,
                    from: at,
                    until: None,
                });
            }
        } else if open && vote == Vote::Close {
            let since = *gone.get_or_insert(at);
            if at.hours_since(since) >= needed {
                open = false;
                gone = None;
                if let Some(last) = found.last_mut() {
                    last.until = Some(at);
                }
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_back_must_be_gone_for_longer() {
        use Vote::{Close, Open};
        let at = |hour: i64| Timestamp(hour * 3_600_000);
        let bad = |hour: i64| hour == 0 || hour == 10 || hour == 20;
        let votes = (0..60).map(|hour| (at(hour), if bad(hour) { Open } else { Close }));
        let found = calming(votes, 3.0);
        let spells: Vec<_> = found.iter().map(|e| (e.from, e.until)).collect();
        assert_eq!(spells, [(at(0), Some(at(4))), (at(10), Some(at(33)))]);
    }
}
