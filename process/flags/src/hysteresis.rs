//! Hysteresis: a flag opens on one condition that has held for a while and closes on a clearly
//! better one.

use larder_domain::Timestamp;

/// From when to when a condition held; `None`: it still does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Episode {
    /// Index of the observation that opened it.
    pub opened: usize,
    /// When it opened.
    pub from: Timestamp,
    /// When it closed.
    pub until: Option<Timestamp>,
}

impl Episode {
    /// Whether it was open at `at`.
    pub fn holds_at(&self, at: Timestamp) -> bool {
        self.from <= at && self.until.is_none_or(|until| at < until)
    }
}

/// What one observation says about a condition.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Vote {
    /// The condition holds.
    Open,
    /// The condition clearly no longer holds.
    Close,
    /// Neither is clear: what was, stays.
    Keep,
}

/// Runs a condition with hysteresis in level and time: it opens when it has held for `open_hours`
/// and closes when it has been gone for `close_hours`. Signs must be in order of time.
pub fn episodes(
    votes: impl Iterator<Item = (Timestamp, Vote)>,
    open_hours: f64,
    close_hours: f64,
) -> Vec<Episode> {
    let mut found: Vec<Episode> = Vec::new();
    let mut open = false;
    let mut since: Option<Timestamp> = None;
    for (i, (at, vote)) in votes.enumerate() {
        let turns = if open { Vote::Close } else { Vote::Open };
        if vote != turns {
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
            if let Some(episode) = found.last_mut() {
                episode.until = Some(at);
            }
        } else {
            found.push(Episode {
                opened: i,
                from: at,
                until: None,
            });
        }
        open = !open;
    }
    found
}

/// Joins spells that overlap or touch, whatever they came from.
pub fn merged(mut all: Vec<Episode>) -> Vec<Episode> {
    all.sort_by_key(|episode| episode.from);
    let mut kept: Vec<Episode> = Vec::new();
    for episode in all {
        match kept.last_mut() {
            Some(last) if last.until.is_none_or(|until| episode.from <= until) => {
                last.until = match (last.until, episode.until) {
                    (Some(a), Some(b)) => Some(a.max(b)),
                    _ => None,
                };
            }
            _ => kept.push(episode),
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_flag_does_not_flap() {
        use Vote::{Close, Keep, Open};
        let votes = [
            Open, Close, Open, Open, Open, Close, Open, Keep, Close, Close, Close, Open,
        ];
        let hourly = (0..).map(|h| Timestamp(h * 3_600_000));
        let found = episodes(hourly.zip(votes), 2.0, 2.0);
        let expected = Episode {
            opened: 4,
            from: Timestamp(4 * 3_600_000),
            until: Some(Timestamp(10 * 3_600_000)),
        };
        assert_eq!(found, [expected]);
    }

    fn a_vote() -> impl Strategy<Value = Vote> {
        prop_oneof![Just(Vote::Open), Just(Vote::Close), Just(Vote::Keep)]
    }

    proptest! {
        #[test]
        fn spells_are_apart_and_close_behind_their_opening(
            votes in prop::collection::vec(a_vote(), 0..200), open in 0.0f64..4.0, close in 0.0f64..4.0,
        ) {
            let hourly = (0..).map(|h| Timestamp(h * 3_600_000));
            let found = episodes(hourly.zip(votes), open, close);
            for episode in &found {
                prop_assert!(episode.until.is_none_or(|until| until > episode.from));
            }
            for pair in found.windows(2) {
                prop_assert!(pair[0].until.is_some_and(|until| until < pair[1].from));
            }
        }

        #[test]
        fn what_is_known_later_does_not_move_an_opening(
            votes in prop::collection::vec(a_vote(), 1..120), cut in 1usize..120,
        ) {
            let hourly = (0..).map(|h| Timestamp(h * 3_600_000));
            let all: Vec<_> = hourly.zip(votes).collect();
            let whole = episodes(all.iter().copied(), 2.0, 3.0);
            let cut = cut.min(all.len());
            let until_then = episodes(all[..cut].iter().copied(), 2.0, 3.0);
            for (early, late) in until_then.iter().zip(&whole) {
                prop_assert_eq!(early.from, late.from);
                prop_assert_eq!(early.opened, late.opened);
            }
        }
    }
}
