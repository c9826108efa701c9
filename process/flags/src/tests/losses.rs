//! Leaks, robbers and feeders that went, and what looks like them.

use super::scene::{Life, Sky, hours, run};
use super::told::{four, none, only};
use larder_domain::FlagKind;

/// Litres with a drain of `l_per_h` from `start` for `long` hours on top of ordinary uptake.
fn draining(start: f64, long: f64, l_per_h: f64) -> Box<dyn Fn(f64) -> f64> {
    let usual = Life::ordinary().litres;
    Box::new(move |t| (usual(t) - l_per_h * (t - start).clamp(0.0, long)).max(0.0))
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
fn a_hole_at_dusk_is_not_taken_for_robbers() {
    // The sun sets at half past six; from five on half a litre an hour runs out.
    let mut life = Life::ordinary();
    life.litres = draining(137.0, 10.0, 0.5);
    life.kg = Box::new(|t| -0.85 * 1.33 * 0.5 * (t - 137.0).clamp(0.0, 10.0));
    let flags = run(9.0, &Sky::fair(), &four(life));
    only(&flags, FlagKind::Leaking, 137.5, 140.5);
    none(&flags, &[FlagKind::Robbed]);
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

/// A colony that takes 1.1 l a day, of which 0.27 dries off and is spent, over a day or so.
fn thirsty() -> Life {
    Life {
        litres: Box::new(|t| {
            if t < 12.0 {
                0.0
            } else {
                (10.0 - 1.1 / 24.0 * (t - 12.0)).max(0.0)
            }
        }),
        stays: 0.73,
        fill: (12.0, 10.0),
        ..Life::ordinary()
    }
}

#[test]
fn a_drip_under_a_thirsty_colony_is_a_leak_and_its_thirst_alone_is_none() {
    let mut drip = thirsty();
    let usual = thirsty().litres;
    drip.litres = Box::new(move |t| (usual(t) - 0.03 * (t - 151.0).clamp(0.0, 50.0)).max(0.0));
    drip.kg = Box::new(|t| -0.73 * 1.33 * 0.03 * (t - 151.0).clamp(0.0, 50.0));
    only(
        &run(9.0, &Sky::fair(), &four(drip)),
        FlagKind::Leaking,
        155.0,
        176.0,
    );

    // Takes half as much again from one day on, and dries it.
    let mut more = thirsty();
    let usual = thirsty().litres;
    more.litres = Box::new(move |t| (usual(t) - 0.035 * (t - 151.0).clamp(0.0, 50.0)).max(0.0));
    none(
        &run(9.0, &Sky::fair(), &four(more)),
        &[FlagKind::Leaking, FlagKind::Robbed],
    );
}

#[test]
fn what_leaks_beside_the_scale_makes_the_hive_no_heavier() {
    let beside = |l_per_h: f64, leaks: f64| {
        let mut life = Life::ordinary();
        life.beside = true;
        life.litres = draining(151.0, 60.0, l_per_h);
        life.kg = Box::new(move |t| -leaks * 0.85 * 1.33 * l_per_h * (t - 151.0).clamp(0.0, 60.0));
        run(9.0, &Sky::fair(), &four(life))
    };
    only(&beside(0.035, 1.0), FlagKind::Leaking, 155.0, 176.0);
    none(&beside(0.035, 0.0), &[FlagKind::Leaking, FlagKind::Robbed]);
}

#[test]
fn nectar_that_dries_by_night_is_no_leak() {
    // Two kilograms a day from eight to eighteen, of which a fifth is gone by the next morning.
    let mut flow = Life::ordinary();
    flow.kg = Box::new(|t| {
        let day = |n: f64| {
            let came = 2.0 * ((t - 24.0 * n - 8.0) / 10.0).clamp(0.0, 1.0);
            let dried = 0.4 * ((t - 24.0 * n - 18.0) / 14.0).clamp(0.0, 1.0);
            came - dried
        };
        (4..9).map(|n| day(f64::from(n))).sum()
    });
    none(
        &run(9.0, &Sky::fair(), &four(flow)),
        &[FlagKind::Leaking, FlagKind::Robbed],
    );
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
fn a_feeder_that_nobody_watches_falls_by_night_and_is_taken_by_day() {
    // Only the scale is heard: 1.2 kg of feeder and what is in it go at once.
    let gone_at = |at: f64| {
        let mut life = Life::ordinary();
        let usual = Life::ordinary().litres;
        life.litres = Box::new(move |t| if t < at { usual(t) } else { 0.0 });
        life.stays = 0.0;
        life.level = Box::new(move |t, m| (t < at - 1.0).then_some(m));
        life.kg = Box::new(move |t| {
            let taken = 0.85 * 1.33 * 0.5 / 24.0 * (t.min(at) - 12.0).max(0.0);
            taken - if t < at { 0.0 } else { 1.2 }
        });
        run(7.0, &Sky::fair(), &four(life))
    };
    only(&gone_at(98.0), FlagKind::Displaced, 98.0, 101.0);
    none(&gone_at(108.0), &[FlagKind::Displaced]);
}

#[test]
fn a_feeder_whose_sensor_swings_in_the_wind_was_knocked_off() {
    // It held 5.1 l and weighs 1.5 kg; what its sensor shows could each be a level.
    let mut life = Life::ordinary();
    let away_kg = 1.5 + 1.33 * (life.litres)(150.0);
    life.scale = Box::new(move |t, kg| Some(if t < 150.0 { kg } else { kg - away_kg }));
    life.level = Box::new(|t, metres| {
        let swings = [0.11, 0.05, 0.09, 0.03, 0.12];
        let turn = (4.0 * t).round() as usize % swings.len();
        Some(if t < 150.0 { metres } else { swings[turn] })
    });
    let flags = run(9.0, &Sky::fair(), &four(life));
    only(&flags, FlagKind::Displaced, 150.0, 152.0);
}

#[test]
fn robbers_on_a_slow_scale_are_no_fall() {
    // 2 l an hour and as much honey for two hours; the level ends where there is none.
    let mut life = Life::ordinary();
    life.litres = draining(154.0, 2.0, 2.4);
    life.kg = Box::new(|t| -(0.85 * 1.33 * 2.4 + 0.8) * (t - 154.0).clamp(0.0, 2.0));
    let flags = run(9.0, &Sky::fair(), &four(life));
    none(&flags, &[FlagKind::Displaced]);
}
