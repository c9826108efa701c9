//! Colonies that take less than they should, and those that should not take more.

use super::scene::{Life, Sky, hours, of_kind, run};
use super::told::{four, none, only};
use larder_domain::{Flag, FlagKind, Goal, Severity};

#[test]
fn cold_syrup_is_too_cold_and_a_cold_night_is_not() {
    let cold = |from: f64, until: f64| Sky {
        celsius: Box::new(move |t| {
            if (from..until).contains(&t) {
                6.0
            } else {
                20.0
            }
        }),
        ..Sky::fair()
    };
    let mut still = Life::ordinary();
    let usual = Life::ordinary().litres;
    still.litres = Box::new(move |t| usual(t.min(120.0)));
    let flags = run(8.0, &cold(120.0, 170.0), &[still]);
    only(&flags, FlagKind::TooCold, 120.0, 145.0);
    none(&flags, &[FlagKind::Stalled]);
    let flags = run(8.0, &cold(120.0, 128.0), &[Life::ordinary()]);
    none(&flags, &[FlagKind::TooCold]);
}

#[test]
fn a_colony_that_stops_taking_is_stalled_within_two_days() {
    let mut life = Life::ordinary();
    let usual = Life::ordinary().litres;
    life.litres = Box::new(move |t| usual(t.min(120.0)));
    let flags = run(9.0, &Sky::fair(), &four(life));
    let flag = only(&flags, FlagKind::Stalled, 140.0, 168.0);
    assert!(
        flag.evidence.plain().contains("neighbours took"),
        "{}",
        flag.evidence.plain()
    );
}

/// A colony alone in its yard that takes so much a day from its first day on.
fn trickling(goal: Goal, sugar: f64, l_per_day: f64) -> Vec<Flag> {
    let life = Life {
        litres: Box::new(move |t| {
            if t < 12.0 {
                0.0
            } else {
                8.0 - l_per_day / 24.0 * (t - 12.0)
            }
        }),
        goal,
        sugar,
        ..Life::ordinary()
    };
    run(5.0, &Sky::fair(), &[life])
}

#[test]
fn what_is_slow_in_autumn_is_not_in_spring() {
    // Before a colony has days of its own, what it is fed for says what to expect.
    let autumn = trickling(Goal::WinterStores, 2.0, 0.1);
    let flag = only(&autumn, FlagKind::Stalled, 36.0, 72.0);
    assert_eq!(flag.severity, Severity::Warning);
    none(&trickling(Goal::BuildUp, 1.0, 0.1), &[FlagKind::Stalled]);
    // Comb builders take more, and what they leave is no alarm.
    let comb = trickling(Goal::Comb, 1.0, 0.03);
    let flag = only(&comb, FlagKind::Stalled, 36.0, 72.0);
    assert_eq!(flag.severity, Severity::Info);
    let starving = trickling(Goal::Emergency, 1.0, 0.03);
    let flag = only(&starving, FlagKind::Stalled, 36.0, 72.0);
    assert_eq!(flag.severity, Severity::Urgent);
}

#[test]
fn a_slow_colony_is_no_stall_where_the_whole_yard_is_slow() {
    // From 120 h on it rains and nobody takes much; one hive takes nothing at all.
    let slow = |left: f64| {
        let mut life = Life::ordinary();
        let usual = Life::ordinary().litres;
        life.litres = Box::new(move |t| usual(t.min(120.0)) - left / 24.0 * (t - 120.0).max(0.0));
        life
    };
    let lives = [slow(0.03), slow(0.06), slow(0.04), slow(0.05)];
    none(&run(9.0, &Sky::fair(), &lives), &[FlagKind::Stalled]);
}

#[test]
fn a_colony_that_is_kept_alive_needs_feed_without_a_target_and_others_do_not() {
    let with = |goal: Goal| {
        let life = Life {
            litres: Box::new(|t| {
                if (12.0..60.0).contains(&t) {
                    8.0 - (t - 12.0) / 6.0
                } else {
                    0.0
                }
            }),
            target_kg: None,
            goal,
            ..Life::ordinary()
        };
        run(7.0, &Sky::fair(), &[life])
    };
    let emergency = with(Goal::Emergency);
    let hungry = of_kind(&emergency, FlagKind::NeedsFeed);
    let again = |f: &&&Flag| (55.0..70.0).contains(&hours(f.opened_at));
    assert_eq!(hungry.iter().filter(again).count(), 1, "{hungry:#?}");
    none(&with(Goal::WinterStores), &[FlagKind::NeedsFeed]);
}

#[test]
fn a_number_that_is_estimated_carries_its_interval() {
    let mut life = Life::ordinary();
    let usual = Life::ordinary().litres;
    life.litres = Box::new(move |t| usual(t.min(120.0)));
    let flags = run(9.0, &Sky::fair(), &four(life));
    let flag = only(&flags, FlagKind::Stalled, 140.0, 168.0);
    let number = |name: &str| {
        let found = flag.evidence.quantities.iter().find(|q| q.name == name);
        found.unwrap_or_else(|| panic!("{name}: {flag:?}"))
    };
    // Nothing was taken, and each neighbour took 0.5 l a day.
    let (lo, hi) = number("took").interval.unwrap();
    assert!(
        lo <= 0.0 && 0.0 < hi && hi < 0.5 * 28.0 / 24.0 / 2.0,
        "{lo} {hi}"
    );
    let (lo, hi) = number("neighbours").interval.unwrap();
    let truth = 0.5 * 28.0 / 24.0;
    assert!(lo - 0.05 < truth && truth < hi + 0.05, "{lo} {hi}");
    let (lo, hi) = number("left").interval.unwrap();
    assert!(lo < 5.75 && 5.75 < hi, "{lo} {hi}");
    assert_eq!(number("hours").interval, None, "a threshold is known");
    assert!(
        flag.evidence.plain().contains('['),
        "{}",
        flag.evidence.plain()
    );
}
