//! Nectar, and what looks like it.

use super::scene::{Life, Sky, hours, of_kind, run};
use larder_domain::FlagKind;

fn yard(kg: fn(f64) -> f64) -> [Life; 4] {
    std::array::from_fn(|_| Life {
        kg: Box::new(kg),
        ..Life::ordinary()
    })
}

/// Hours of a day.
fn of_day(t: f64) -> f64 {
    t.rem_euclid(24.0)
}

#[test]
fn bees_that_stay_in_on_a_wet_morning_are_no_flow() {
    // Every day 0.8 kg of bees go out from eight to eleven and come home from four to seven; on the sixth
    // day it rains.
    let bees = |t: f64| {
        let rains = (120.0..144.0).contains(&t);
        let out = ((of_day(t) - 8.0) / 3.0).clamp(0.0, 1.0);
        let home = ((of_day(t) - 16.0) / 3.0).clamp(0.0, 1.0);
        if rains { 0.0 } else { 0.8 * (home - out) }
    };
    let flags = run(9.0, &Sky::fair(), &yard(bees));
    assert!(of_kind(&flags, FlagKind::FlowOn).is_empty(), "{flags:?}");
}

#[test]
fn a_drizzle_does_not_hide_two_kilograms_a_day() {
    let gain = |t: f64| {
        let days = ((t - 120.0) / 24.0).max(0.0);
        2.0 * (days.floor() + ((days.fract() * 24.0 - 9.0) / 9.0).clamp(0.0, 1.0))
    };
    let sky = Sky {
        rain: Box::new(|t| if of_day(t) < 2.0 { 0.25 } else { 0.0 }),
        ..Sky::fair()
    };
    let flags = run(9.0, &sky, &yard(gain));
    let flows = of_kind(&flags, FlagKind::FlowOn);
    assert_eq!(flows.len(), 4, "{flags:?}");
    assert!((129.0..144.0).contains(&hours(flows[0].opened_at)));
}
