//! Hysteresis: a flag opens on one condition that has held for a while and closes on a clearly
//! better one.

use larder_domain::Timestamp;

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

impl Spell {
    /// Whether it was open at `at`.
    pub fn holds_at(&self, at: Timestamp) -> bool {
        self.from <= at && self.until.is_none_or(|until| at < until)
    }
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

/// Joins spells that overlap or touch, whatever they came from.
pub fn joined(mut all: Vec<Spell>) -> Vec<Spell> {
    all.sort_by_key(|spell| spell.from);
    let mut kept: Vec<Spell> = Vec::new();
    for spell in all {
        match kept.last_mut() {
            Some(last) if last.until.is_none_or(|until| spell.from <= until) => {
                last.until = match (last.until, spell.until) {
                    (Some(a), Some(b)) => Some(a.max(b)),
                    _ => None,
                };
            }
            _ => kept.push(spell),
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

    fn a_sign() -> impl Strategy<Value = Sign> {
        prop_oneof![Just(Sign::Holds), Just(Sign::Gone), Just(Sign::Between)]
    }

    proptest! {
        #[test]
        fn spells_are_apart_and_close_behind_their_opening(
            signs in prop::collection::vec(a_sign(), 0..200), open in 0.0f64..4.0, close in 0.0f64..4.0,
        ) {
            let hourly = (0..).map(|h| Timestamp(h * 3_600_000));
            let found = spells(hourly.zip(signs), open, close);
            for spell in &found {
                prop_assert!(spell.until.is_none_or(|until| until > spell.from));
            }
            for pair in found.windows(2) {
                prop_assert!(pair[0].until.is_some_and(|until| until < pair[1].from));
            }
        }

        #[test]
        fn what_is_known_later_does_not_move_an_opening(
            signs in prop::collection::vec(a_sign(), 1..120), cut in 1usize..120,
        ) {
            let hourly = (0..).map(|h| Timestamp(h * 3_600_000));
            let all: Vec<_> = hourly.zip(signs).collect();
            let whole = spells(all.iter().copied(), 2.0, 3.0);
            let cut = cut.min(all.len());
            let until_then = spells(all[..cut].iter().copied(), 2.0, 3.0);
            for (early, late) in until_then.iter().zip(&whole) {
                prop_assert_eq!(early.from, late.from);
                prop_assert_eq!(early.opened, late.opened);
            }
        }
    }
}
