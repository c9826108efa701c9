//! For each kind something that is so, and something near it that is not.

use super::scene::{Life, Sky, hours, of_kind, run};
use super::told::{four, none, only};
use larder_domain::FlagKind;

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
fn rain_that_falls_through_the_night_is_no_flow_where_there_is_no_gauge() {
    // 0.9 kg through a night, slowly; it dries off within two days.
    let wet = |t: f64| {
        let fallen = 0.9 * ((t - 140.0) / 11.0).clamp(0.0, 1.0);
        fallen * (-(t - 152.0).max(0.0) / 12.0).exp()
    };
    let mut lives = [(); 4].map(|()| Life::ordinary());
    for life in &mut lives {
        life.kg = Box::new(wet);
    }
    let sky = Sky {
        gauge: false,
        ..Sky::fair()
    };
    none(&run(9.0, &sky, &lives), &[FlagKind::FlowOn]);
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
fn a_coarse_float_that_rests_is_right() {
    // Steps of 6 mm are half a litre; the colony takes a quarter of a litre a day, and none from day 8 on.
    let mut coarse = Life::ordinary();
    coarse.litres = Box::new(|t| {
        if t < 12.0 {
            0.0
        } else {
            8.0 - 0.25 / 24.0 * (t.min(192.0) - 12.0)
        }
    });
    coarse.level = Box::new(|_, m| Some((m / 0.006).round() * 0.006));
    let flags = run(13.0, &Sky::fair(), &four(coarse));
    none(&flags, &[FlagKind::SensorFault]);
}

#[test]
fn a_loose_plug_is_one_fault_however_often_it_comes_off() {
    let mut loose = Life::ordinary();
    loose.scale = Box::new(|t, kg| {
        let off = (100.0..180.0).contains(&t) && (4.0 * t).round() as usize % 9 > 4;
        Some(if off { 65.535 } else { kg })
    });
    let flags = run(9.0, &Sky::fair(), &four(loose));
    only(&flags, FlagKind::SensorFault, 100.0, 112.0);
}

#[test]
fn a_level_below_the_floor_is_a_fault() {
    let mut below = Life::ordinary();
    below.level = Box::new(|t, m| {
        Some(if (130.0..150.0).contains(&t) {
            m - 0.12
        } else {
            m
        })
    });
    let flags = run(8.0, &Sky::fair(), &four(below));
    only(&flags, FlagKind::SensorFault, 130.0, 133.0);
    none(&flags, &[FlagKind::Displaced]);
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
    assert!((0.4..0.7).contains(&flag.probability), "{flag:?}");
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
fn foam_is_souring_and_comb_in_the_way_for_some_hours_is_not() {
    let lifted = |by: fn(f64) -> f64| {
        let usual = Life::ordinary().litres;
        let life = Life {
            litres: Box::new(move |t| usual(t.min(130.0))),
            level: Box::new(move |t, metres| Some(metres + by(t))),
            sugar: 1.0,
            ..Life::ordinary()
        };
        run(8.0, &Sky::fair(), &four(life))
    };
    // Nobody takes it any more, and foam lifts the level by 4 mm within a day and stays.
    let foam = lifted(|t| 0.004 * (1.0 - (-(t - 130.0).max(0.0) / 8.0).exp()));
    let flag = only(&foam, FlagKind::Souring, 134.0, 166.0);
    assert!(
        flag.evidence.plain().contains("foam"),
        "{}",
        flag.evidence.plain()
    );

    let comb = lifted(|t| {
        if (130.0..134.0).contains(&t) {
            0.010
        } else {
            0.0
        }
    });
    none(&comb, &[FlagKind::Souring]);
}
