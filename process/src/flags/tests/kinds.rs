//! For each kind something that is so, and something near it that is not.

use super::scene::{Life, Sky, hours, of_kind, run};
use larder_domain::{Flag, FlagKind, Goal, Severity};

fn four(first: Life) -> [Life; 4] {
    [first, Life::ordinary(), Life::ordinary(), Life::ordinary()]
}

/// The only flag of its kind, opened within `from..until` hours.
fn only(flags: &[Flag], kind: FlagKind, from: f64, until: f64) -> &Flag {
    let found = of_kind(flags, kind);
    assert_eq!(found.len(), 1, "{kind:?}: {flags:#?}");
    let opened = hours(found[0].opened_at);
    assert!(
        (from..until).contains(&opened),
        "{kind:?} opened after {opened} h: {}",
        found[0].evidence.plain()
    );
    found[0]
}

fn none(flags: &[Flag], kinds: &[FlagKind]) {
    for &kind in kinds {
        assert!(
            of_kind(flags, kind).is_empty(),
            "{kind:?}: {:?}",
            of_kind(flags, kind)
        );
    }
}

/// Litres with a drain of `l_per_h` from `start` for `long` hours on top of ordinary uptake.
fn draining(start: f64, long: f64, l_per_h: f64) -> Box<dyn Fn(f64) -> f64> {
    let usual = Life::ordinary().litres;
    Box::new(move |t| (usual(t) - l_per_h * (t - start).clamp(0.0, long)).max(0.0))
}

#[test]
fn an_ordinary_yard_is_left_in_peace() {
    let flags = run(12.0, &Sky::fair(), &four(Life::ordinary()));
    use FlagKind::{
        Displaced, FlowOn, Leaking, Robbed, SensorFault, Silent, Souring, Stalled, TooCold,
    };
    none(
        &flags,
        &[
            Displaced,
            FlowOn,
            Leaking,
            Robbed,
            SensorFault,
            Silent,
            Souring,
            Stalled,
            TooCold,
        ],
    );
}

#[test]
fn a_hole_is_a_leak_within_three_hours_also_at_night() {
    let mut life = Life::ordinary();
    life.litres = draining(121.0, 8.0, 0.45);
    // What leaks leaves the scale, all of it: the share that stays is made up for.
    life.kg = Box::new(|t| -0.85 * 1.33 * 0.45 * (t - 121.0).clamp(0.0, 8.0));
    let flags = run(9.0, &Sky::fair(), &four(life));
    let flag = only(&flags, FlagKind::Leaking, 121.0, 124.0);
    assert!(
        flag.evidence.plain().contains("left feeder-0"),
        "{}",
        flag.evidence.plain()
    );
    assert!(
        flag.closed_at.is_some_and(|at| hours(at) < 140.0),
        "{:?}",
        flag.closed_at.map(hours)
    );
    none(&flags, &[FlagKind::Robbed]);
    assert!(
        !flag.evidence.plain().contains("wash"),
        "what to do is said elsewhere, once: {}",
        flag.evidence.plain()
    );
}

#[test]
fn a_drip_is_a_leak_within_a_day_and_heavy_drinking_is_none() {
    // 35 ml an hour; what leaks leaves the scale, all of it.
    let mut drip = Life::ordinary();
    drip.litres = draining(151.0, 60.0, 0.035);
    drip.kg = Box::new(|t| -0.85 * 1.33 * 0.035 * (t - 151.0).clamp(0.0, 60.0));
    let flags = run(9.0, &Sky::fair(), &four(drip));
    only(&flags, FlagKind::Leaking, 155.0, 175.0);

    // As much again, but the colony takes it, and the water in it dries off over a day or two.
    let mut hungry = Life::ordinary();
    hungry.litres = draining(151.0, 60.0, 0.035);
    let flags = run(9.0, &Sky::fair(), &four(hungry));
    none(&flags, &[FlagKind::Leaking, FlagKind::Robbed]);
}

#[test]
fn robbers_that_were_quick_are_known_by_the_night_and_the_loss_stopped_at_dusk() {
    let mut life = Life::ordinary();
    // An hour in the afternoon: 0.35 l and half a kilogram of honey.
    life.litres = draining(158.0, 1.0, 0.35);
    life.kg = Box::new(|t| -(0.85 * 1.33 * 0.35 + 0.5) * (t - 158.0).clamp(0.0, 1.0));
    let flags = run(9.0, &Sky::fair(), &four(life));
    only(&flags, FlagKind::Robbed, 158.0, 178.0);
    none(&flags, &[FlagKind::Leaking]);
}

#[test]
fn a_hungry_colony_is_no_leak() {
    let mut life = Life::ordinary();
    // Takes as fast as the hole above, and all of it stays on the scale.
    life.litres = draining(121.0, 8.0, 0.3);
    let flags = run(9.0, &Sky::fair(), &four(life));
    none(&flags, &[FlagKind::Leaking, FlagKind::Robbed]);
}

#[test]
fn robbers_come_by_day_and_take_honey_too() {
    let mut life = Life::ordinary();
    life.litres = draining(130.0, 6.0, 0.3);
    life.kg = Box::new(|t| -(0.85 * 1.33 * 0.3 + 0.25) * (t - 130.0).clamp(0.0, 6.0));
    let flags = run(9.0, &Sky::fair(), &four(life));
    only(&flags, FlagKind::Robbed, 130.0, 133.5);
    none(&flags, &[FlagKind::Leaking]);
}

#[test]
fn a_feeder_that_was_knocked_off_is_told_from_one_tipped_out() {
    let knocked = |tare: f64| {
        let mut life = Life::ordinary();
        let usual = Life::ordinary().litres;
        life.litres = Box::new(move |t| if t < 100.0 { usual(t) } else { 0.0 });
        life.stays = 0.0;
        life.kg = Box::new(move |t| {
            let taken = 0.85 * 1.33 * 0.5 / 24.0 * (t.min(100.0) - 12.0).max(0.0);
            taken - if t < 100.0 { 0.0 } else { tare }
        });
        run(7.0, &Sky::fair(), &four(life))
    };
    only(&knocked(1.2), FlagKind::Displaced, 100.0, 101.1);
    none(&knocked(0.0), &[FlagKind::Displaced]);
}

#[test]
fn a_yard_that_gains_from_flowers_is_told_to_stop_feeding_and_one_odd_scale_is_not() {
    let gain = |t: f64| {
        let days = ((t - 120.0) / 24.0).max(0.0);
        let today = ((days.fract() * 24.0 - 9.0) / 9.0).clamp(0.0, 1.0);
        if t < 120.0 {
            0.0
        } else {
            0.8 * (days.floor() + today)
        }
    };
    let mut lives = [
        Life::ordinary(),
        Life::ordinary(),
        Life::ordinary(),
        Life::ordinary(),
    ];
    for life in &mut lives {
        life.kg = Box::new(gain);
    }
    let flags = run(9.0, &Sky::fair(), &lives);
    assert_eq!(of_kind(&flags, FlagKind::FlowOn).len(), 4);
    let first = of_kind(&flags, FlagKind::FlowOn)[0];
    assert!((120.0..144.0).contains(&hours(first.opened_at)));

    let mut alone = Life::ordinary();
    alone.kg = Box::new(gain);
    none(&run(9.0, &Sky::fair(), &four(alone)), &[FlagKind::FlowOn]);
}

#[test]
fn rain_on_every_hive_is_no_flow_and_no_fill() {
    // A storm puts 1.7 kg on every hive at once; it dries off within a day.
    let wet = |t: f64| {
        if t < 130.0 {
            0.0
        } else {
            1.7 * (-(t - 130.0) / 10.0).exp()
        }
    };
    let mut lives = [
        Life::ordinary(),
        Life::ordinary(),
        Life::ordinary(),
        Life::ordinary(),
    ];
    for life in &mut lives {
        life.kg = Box::new(wet);
    }
    let sky = Sky {
        rain: Box::new(|t| {
            if (129.5..130.5).contains(&t) {
                6.0
            } else {
                0.0
            }
        }),
        ..Sky::fair()
    };
    let flags = run(9.0, &sky, &lives);
    use FlagKind::{FlowOn, Leaking, Robbed, SensorFault};
    none(&flags, &[FlowOn, Leaking, Robbed, SensorFault]);
}

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
fn an_empty_feeder_is_empty_and_one_with_a_rest_is_not() {
    let to = |rest: f64| {
        let mut life = Life::ordinary();
        life.litres = Box::new(move |t| {
            if t < 12.0 {
                0.0
            } else {
                (8.0 - 0.08 * (t - 12.0)).max(rest)
            }
        });
        run(7.0, &Sky::fair(), &[life])
    };
    only(&to(0.0), FlagKind::Empty, 100.0, 115.5);
    none(&to(0.8), &[FlagKind::Empty]);
}

#[test]
fn a_feeder_that_runs_low_is_due_while_stores_are_short() {
    let with = |target_kg: f64| {
        let life = Life {
            target_kg: Some(target_kg),
            ..Life::ordinary()
        };
        run(14.0, &Sky::fair(), &[life])
    };
    only(&with(60.0), FlagKind::RefillDue, 250.0, 340.0);
    none(
        &with(25.0),
        &[
            FlagKind::RefillDue,
            FlagKind::NeedsFeed,
            FlagKind::BehindTarget,
        ],
    );
}

#[test]
fn a_hive_without_feed_under_target_needs_feed_and_is_behind() {
    let mut life = Life::ordinary();
    life.litres = Box::new(|t| {
        if (12.0..60.0).contains(&t) {
            8.0 - (t - 12.0) / 6.0
        } else {
            0.0
        }
    });
    let flags = run(14.0, &Sky::fair(), &[life]);
    let hungry = of_kind(&flags, FlagKind::NeedsFeed);
    assert!(
        hungry
            .iter()
            .any(|f| (55.0..70.0).contains(&hours(f.opened_at))),
        "{hungry:#?}"
    );
    assert_eq!(of_kind(&flags, FlagKind::BehindTarget).len(), 1);
}

#[test]
fn silence_a_stuck_value_and_absurd_values_are_the_devices_fault() {
    let mut silent = Life::ordinary();
    silent.scale = Box::new(|t, kg| (!(100.0..110.0).contains(&t)).then_some(kg));
    let flags = run(7.0, &Sky::fair(), &four(silent));
    let flag = only(&flags, FlagKind::Silent, 101.0, 106.1);
    assert!(
        flag.closed_at
            .is_some_and(|at| (hours(at) - 110.0).abs() < 0.5)
    );

    let mut stuck = Life::ordinary();
    stuck.level = Box::new(|t, m| {
        Some(if (100.0..120.0).contains(&t) {
            0.0771
        } else {
            m
        })
    });
    only(
        &run(7.0, &Sky::fair(), &four(stuck)),
        FlagKind::SensorFault,
        100.0,
        106.0,
    );

    // A cable that is off.
    let mut off = Life::ordinary();
    off.scale = Box::new(|t, kg| {
        Some(if (100.0..120.0).contains(&t) {
            -4.3
        } else {
            kg
        })
    });
    let flags = run(7.0, &Sky::fair(), &four(off));
    only(&flags, FlagKind::SensorFault, 100.0, 103.0);
    none(
        &flags,
        &[FlagKind::Leaking, FlagKind::Robbed, FlagKind::Displaced],
    );

    // One absurd value is none.
    let mut spike = Life::ordinary();
    spike.scale = Box::new(|t, kg| {
        Some(if (100.0..100.2).contains(&t) {
            -4.3
        } else {
            kg
        })
    });
    none(
        &run(7.0, &Sky::fair(), &four(spike)),
        &[FlagKind::SensorFault],
    );
}

#[test]
fn a_scale_that_gains_at_night_drifts() {
    let mut drift = Life::ordinary();
    drift.kg = Box::new(|t| 0.05 * (t - 200.0).clamp(0.0, 100.0));
    let flags = run(13.0, &Sky::fair(), &four(drift));
    let flag = only(&flags, FlagKind::SensorFault, 200.0, 256.0);
    assert!(
        flag.evidence.plain().contains("drifts"),
        "{}",
        flag.evidence.plain()
    );
}

#[test]
fn warm_old_thin_syrup_sours_and_fresh_syrup_does_not() {
    let hot = Sky {
        celsius: Box::new(|_| 28.0),
        ..Sky::fair()
    };
    let mut idle = Life::ordinary();
    idle.litres = Box::new(|t| {
        if t < 12.0 {
            0.0
        } else {
            8.0 - 0.1 / 24.0 * (t - 12.0)
        }
    });
    let flags = run(20.0, &hot, &[idle]);
    let flag = only(&flags, FlagKind::Souring, 200.0, 400.0);
    assert!(flag.probability >= 0.5, "{flag:?}");
    none(&run(6.0, &hot, &[Life::ordinary()]), &[FlagKind::Souring]);
}

#[test]
fn syrup_that_warms_itself_is_souring_and_a_warm_place_is_not() {
    // A kelvin and a half from 200 h on, twelve days before the age of thick syrup would say so.
    let mut ferments = Life::ordinary();
    ferments.warmer = Box::new(|t| if t < 200.0 { 0.4 } else { 1.9 });
    let flags = run(12.0, &Sky::fair(), &four(ferments));
    let flag = only(&flags, FlagKind::Souring, 205.0, 236.0);
    assert!(
        flag.evidence.plain().contains("warmer than the yard"),
        "{}",
        flag.evidence.plain()
    );
    // Over a strong colony, or in the sun, it was warmer all along.
    let mut warm = Life::ordinary();
    warm.warmer = Box::new(|_| 3.0);
    none(&run(12.0, &Sky::fair(), &four(warm)), &[FlagKind::Souring]);
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
    assert!(lo <= 0.0 && 0.0 < hi && hi < 0.5 * 28.0 / 24.0 / 2.0, "{lo} {hi}");
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
