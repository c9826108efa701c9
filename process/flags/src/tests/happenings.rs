//! Hives that no level sensor watches, and what happens to hives besides.

use super::scene::{Life, Sky, hours, of_kind, run};
use super::told::{four, none, only};
use larder_domain::{FlagKind, Severity};

/// A hive whose feeder has no sensor that is heard.
fn unwatched(kg: impl Fn(f64) -> f64 + 'static) -> Life {
    Life {
        level: Box::new(|_, _| None),
        kg: Box::new(kg),
        ..Life::ordinary()
    }
}

const LOSSES: [FlagKind; 4] = [
    FlagKind::Leaking,
    FlagKind::Robbed,
    FlagKind::Swarmed,
    FlagKind::Tipped,
];

#[test]
fn a_hole_is_told_by_the_scale_alone_in_the_dark() {
    // Two hours after midnight on: 0.2 kg an hour for eight hours.
    let hole = unwatched(|t| -0.2 * (t - 170.0).clamp(0.0, 8.0));
    let flags = run(9.0, &Sky::fair(), &four(hole));
    let flag = only(&flags, FlagKind::Leaking, 171.0, 175.5);
    assert!(flag.evidence.plain().contains("no sensor watches"));
    assert!(flag.closed_at.is_some_and(|at| hours(at) < 190.0));
    none(&flags, &[FlagKind::Robbed, FlagKind::Swarmed]);
}

#[test]
fn robbers_are_told_by_the_scale_alone() {
    let robbed = unwatched(|t| -0.7 * (t - 178.0).clamp(0.0, 5.0));
    let flags = run(9.0, &Sky::fair(), &four(robbed));
    only(&flags, FlagKind::Robbed, 178.5, 181.5);
    none(&flags, &[FlagKind::Leaking, FlagKind::Swarmed]);
}

#[test]
fn foragers_are_no_robbers_and_a_day_like_others_is_no_loss() {
    // Half a kilogram of bees goes out at eight and is home by six, every day.
    let out = |t: f64| {
        let hour = t % 24.0;
        -0.5 * ((hour - 8.0) / 1.5).clamp(0.0, 1.0) * ((18.0 - hour) / 3.0).clamp(0.0, 1.0)
    };
    let flags = run(9.0, &Sky::fair(), &four(unwatched(out)));
    none(&flags, &LOSSES);
}

#[test]
fn a_swarm_leaves_at_once_and_is_neither_robbed_nor_lost_syrup() {
    // Two kilograms within half an hour at eleven, for good.
    let swarm = |t: f64| -2.0 * ((t - 179.0) / 0.5).clamp(0.0, 1.0);
    for life in [
        unwatched(swarm),
        Life {
            kg: Box::new(swarm),
            ..Life::ordinary()
        },
    ] {
        let flags = run(9.0, &Sky::fair(), &four(life));
        let flag = only(&flags, FlagKind::Swarmed, 179.5, 181.5);
        assert_eq!(flag.severity, Severity::Warning);
        none(&flags, &[FlagKind::Leaking, FlagKind::Robbed]);
    }
}

#[test]
fn a_swarm_that_comes_home_is_over() {
    let swarm =
        |t: f64| -2.0 * ((t - 179.0) / 0.5).clamp(0.0, 1.0) * ((183.0 - t) / 0.25).clamp(0.0, 1.0);
    let flags = run(9.0, &Sky::fair(), &four(unwatched(swarm)));
    let flag = only(&flags, FlagKind::Swarmed, 179.5, 181.5);
    assert!(flag.closed_at.is_some_and(|at| hours(at) < 185.0));
}

#[test]
fn nothing_swarms_by_night_or_in_the_cold() {
    let at_night = |t: f64| -2.0 * ((t - 171.0) / 0.5).clamp(0.0, 1.0);
    none(
        &run(9.0, &Sky::fair(), &four(unwatched(at_night))),
        &[FlagKind::Swarmed],
    );
    let cold = Sky {
        celsius: Box::new(|_| 8.0),
        ..Sky::fair()
    };
    let by_day = |t: f64| -2.0 * ((t - 179.0) / 0.5).clamp(0.0, 1.0);
    none(
        &run(9.0, &cold, &four(unwatched(by_day))),
        &[FlagKind::Swarmed],
    );
}

#[test]
fn a_hive_that_is_gone_is_told_within_two_hours_and_one_that_is_lifted_is_not() {
    let gone = |until: f64| Life {
        scale: Box::new(move |t, kg| {
            let bare = 0.3 + 0.01 * ((4.0 * t).round() % 3.0);
            Some(if (150.0..until).contains(&t) {
                bare
            } else {
                kg
            })
        }),
        ..Life::ordinary()
    };
    let flags = run(9.0, &Sky::fair(), &four(gone(1e3)));
    let flag = only(&flags, FlagKind::Tipped, 150.5, 152.0);
    assert!(flag.closed_at.is_none() && flag.severity == Severity::Urgent);
    none(
        &flags,
        &[FlagKind::Robbed, FlagKind::Leaking, FlagKind::Swarmed],
    );

    none(
        &run(9.0, &Sky::fair(), &four(gone(150.6))),
        &[FlagKind::Tipped],
    );
    let back = run(9.0, &Sky::fair(), &four(gone(160.0)));
    let flag = only(&back, FlagKind::Tipped, 150.5, 152.0);
    assert!(flag.closed_at.is_some_and(|at| hours(at) < 161.0));
}

#[test]
fn a_scale_that_shows_zero_is_broken_and_not_bare() {
    let broken = Life {
        scale: Box::new(|t, kg| Some(if t < 150.0 { kg } else { 0.0 })),
        ..Life::ordinary()
    };
    none(&run(9.0, &Sky::fair(), &four(broken)), &[FlagKind::Tipped]);
}

#[test]
fn one_visit_is_one_flag_that_is_good_to_know() {
    // The feed at twelve hours, and a box put on in two lifts a week later.
    let boxes = |t: f64| 4.0 * f64::from(t >= 160.0) + 6.0 * f64::from(t >= 160.5);
    let life = Life {
        kg: Box::new(boxes),
        ..Life::ordinary()
    };
    let flags = run(9.0, &Sky::fair(), &four(life));
    let opened = of_kind(&flags, FlagKind::Opened);
    let of_hive: Vec<_> = opened
        .iter()
        .filter(|flag| flag.hive.as_ref().is_some_and(|id| id.as_str() == "hive-0"))
        .collect();
    assert_eq!(of_hive.len(), 2, "{of_hive:#?}");
    for flag in &of_hive {
        assert_eq!(flag.severity, Severity::Info);
        let long = flag.closed_at.map(|at| at.hours_since(flag.opened_at));
        assert!(long.is_some_and(|hours| hours < 2.5), "{long:?}");
    }
    assert!((160.0..161.1).contains(&hours(of_hive[1].opened_at)));
}

#[test]
fn rain_opens_no_hive() {
    let rain = |t: f64| {
        1.2 * ((t - 160.0) / 0.3).clamp(0.0, 1.0) * (1.0 - (t - 161.0) / 12.0).clamp(0.0, 1.0)
    };
    let wet = || Life {
        kg: Box::new(rain),
        ..Life::ordinary()
    };
    let sky = Sky {
        gauge: false,
        ..Sky::fair()
    };
    let flags = run(9.0, &sky, &[wet(), wet(), wet(), wet()]);
    let late = of_kind(&flags, FlagKind::Opened);
    assert!(
        late.iter().all(|flag| hours(flag.opened_at) < 24.0),
        "{late:#?}"
    );
    none(&flags, &LOSSES);
}
