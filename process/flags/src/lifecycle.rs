//! What becomes of the flags that are kept when days are estimated again: the same one goes on, one
//! that is not found any more is withdrawn, a new one is opened.

use larder_domain::{Care, Flag, FlagId, KeptFlag, Span, Timestamp};
use std::collections::BTreeSet;

/// The flags to keep that differ from how they are kept now.
///
/// `kept`: those of one yard that were open at some time from the day before `days` on, withdrawn ones
/// too. `found`: what the estimation of `days` found. `known_at`: see [`KeptFlag::known_at`], for new
/// ones. A flag that was open where the days before end and is open where these start is one flag, as
/// it is where all days are estimated together; what it said when it opened stays.
pub fn changes(
    kept: &[KeptFlag],
    days: Span,
    found: &[Flag],
    now: Timestamp,
    known_at: impl Fn(&Flag) -> Option<Timestamp>,
) -> Vec<KeptFlag> {
    let mut after: Vec<KeptFlag> = kept.to_vec();
    let mut names: BTreeSet<FlagId> = kept.iter().map(|old| old.id.clone()).collect();
    let mut met = vec![false; kept.len()];
    for flag in found {
        let Some(i) = predecessor(&after, &met, days, flag) else {
            let mut id = FlagId::first_of(flag);
            while !names.insert(id.clone()) {
                id = id.next();
            }
            after.push(KeptFlag {
                id,
                flag: flag.clone(),
                known_at: known_at(flag),
                changed_at: now,
                withdrawn_at: None,
                care: Care::default(),
            });
            met.push(true);
            continue;
        };
        met[i] = true;
        after[i].withdrawn_at = None;
        if after[i].flag.opened_at < days.start {
            after[i].flag.closed_at = flag.closed_at;
        } else {
            after[i].flag = flag.clone();
        }
    }
    for (i, old) in kept.iter().enumerate() {
        if met[i] || !old.stands() {
            continue;
        }
        if days.contains(old.flag.opened_at) {
            after[i].withdrawn_at = Some(now);
        } else if old.flag.opened_at < days.start && reaches(&old.flag, days.start) {
            after[i].flag.closed_at = Some(days.start);
        }
    }
    differing(kept, after, now)
}

/// Which kept flag `flag` is, by index: one that goes on into these days, else one that opened in them
/// and whose time touches; of several the one that opened at about the same time, and rather one that
/// stands than one that was withdrawn.
fn predecessor(after: &[KeptFlag], met: &[bool], days: Span, flag: &Flag) -> Option<usize> {
    let before = |old: &KeptFlag| old.flag.opened_at < days.start;
    let going_on = after.iter().rposition(|old| {
        before(old) && old.stands() && reaches(&old.flag, days.start) && old.flag.goes_on_as(flag)
    });
    going_on.or_else(|| {
        let same = |old: &KeptFlag| {
            days.contains(old.flag.opened_at)
                && old.flag.goes_on_as(flag)
                && flag.closed_at.is_none_or(|at| at >= old.flag.opened_at)
        };
        (0..after.len())
            .filter(|&i| !met[i] && same(&after[i]))
            .min_by_key(|&i| {
                let apart = (after[i].flag.opened_at.0 - flag.opened_at.0).abs();
                (!after[i].stands(), apart)
            })
    })
}

fn reaches(flag: &Flag, at: Timestamp) -> bool {
    flag.closed_at.is_none_or(|closed| closed >= at)
}

fn differing(kept: &[KeptFlag], after: Vec<KeptFlag>, now: Timestamp) -> Vec<KeptFlag> {
    let changed = |(i, flag): (usize, KeptFlag)| match kept.get(i) {
        Some(old) if *old == flag => None,
        _ => Some(KeptFlag {
            changed_at: now,
            ..flag
        }),
    };
    after.into_iter().enumerate().filter_map(changed).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::{Evidence, FlagKind, FlagState, HiveId, Severity};

    const NOW: Timestamp = Timestamp(10_000);
    const DAYS: Span = Span {
        start: Timestamp(100),
        end: Timestamp(1000),
    };

    fn flag(kind: FlagKind, opened: i64, closed: Option<i64>) -> Flag {
        Flag {
            kind,
            yard: None,
            hive: Some(HiveId::new("h").unwrap()),
            feeder: None,
            device: None,
            opened_at: Timestamp(opened),
            closed_at: closed.map(Timestamp),
            severity: Severity::Warning,
            probability: 0.9,
            evidence: Evidence::from("because of 1."),
        }
    }

    fn stalled(opened: i64, closed: Option<i64>) -> Flag {
        flag(FlagKind::Stalled, opened, closed)
    }

    fn run(kept: &[KeptFlag], found: &[Flag]) -> Vec<KeptFlag> {
        changes(kept, DAYS, found, NOW, |_| Some(NOW))
    }

    fn kept(flags: &[Flag]) -> Vec<KeptFlag> {
        let early = changes(&[], Span::ALWAYS, flags, Timestamp(7), |_| {
            Some(Timestamp(7))
        });
        assert_eq!(early.len(), flags.len());
        early
    }

    #[test]
    fn a_flag_keeps_its_name_when_it_is_found_to_have_opened_at_another_time() {
        let old = kept(&[stalled(500, None)]);
        let now = run(&old, &[stalled(300, None)]);
        assert_eq!(now.len(), 1);
        assert_eq!((&now[0].id, now[0].known_at), (&old[0].id, old[0].known_at));
        assert_eq!(now[0].flag.opened_at, Timestamp(300));
        assert_eq!(now[0].changed_at, NOW);
        assert_eq!(
            run(&now, &[stalled(300, None)]),
            [],
            "nothing new, nothing written"
        );
    }

    #[test]
    fn a_flag_that_is_not_found_any_more_is_withdrawn_and_comes_back_as_itself() {
        let old = kept(&[stalled(500, Some(700))]);
        let gone = run(&old, &[]);
        assert_eq!(gone[0].state(), FlagState::Withdrawn);
        assert_eq!(gone[0].withdrawn_at, Some(NOW));
        assert_eq!(run(&gone, &[]), [], "once");
        let back = run(&gone, &[stalled(510, None)]);
        assert_eq!(back.len(), 1);
        assert_eq!(
            (back[0].state(), &back[0].id),
            (FlagState::Open, &old[0].id)
        );
    }

    #[test]
    fn what_opened_before_these_days_goes_on_or_is_over_but_is_not_withdrawn() {
        let old = kept(&[stalled(50, None)]);
        let later = Flag {
            severity: Severity::Urgent,
            ..stalled(120, Some(800))
        };
        let on = run(&old, &[later]);
        assert_eq!((on.len(), on[0].flag.opened_at), (1, Timestamp(50)));
        assert_eq!(on[0].flag.closed_at, Some(Timestamp(800)));
        assert_eq!(on[0].flag.severity, Severity::Warning, "as when it opened");
        let over = run(&old, &[]);
        assert_eq!(over[0].flag.closed_at, Some(DAYS.start));
        assert_eq!(over[0].state(), FlagState::Closed);
        assert_eq!(run(&kept(&[stalled(10, Some(60))]), &[]), [], "long over");
    }

    #[test]
    fn two_of_a_kind_stay_two_and_names_are_never_shared() {
        let old = kept(&[stalled(200, Some(300)), stalled(500, None)]);
        let found = [stalled(210, Some(290)), stalled(480, None)];
        let now = run(&old, &found);
        let ids: Vec<_> = now.iter().map(|flag| &flag.id).collect();
        assert_eq!(ids, [&old[0].id, &old[1].id]);
        // One that opened at 500 is now believed to have opened at 150; another one at 500 is new.
        let moved = run(
            &kept(&[stalled(500, Some(600))]),
            &[stalled(150, Some(550))],
        );
        let both = run(&moved, &[stalled(150, Some(450)), stalled(500, None)]);
        assert_eq!(both.len(), 2);
        assert_eq!(both[1].id.as_str(), "stalled:h:500~2");
    }

    #[test]
    fn of_another_kind_or_hive_is_another_flag() {
        let old = kept(&[stalled(500, None)]);
        let other = flag(FlagKind::TooCold, 500, None);
        let now = run(&old, std::slice::from_ref(&other));
        assert_eq!(now[0].state(), FlagState::Withdrawn);
        assert_eq!(now[1].flag, other);
    }

    #[test]
    fn a_flag_out_of_a_record_was_never_known_in_time() {
        let now = changes(&[], DAYS, &[stalled(500, None)], NOW, |_| None);
        assert_eq!(now[0].known_at, None);
    }
}
