//! Held against sources outside the project.

use super::super::cold::ease;
use super::super::parameters::{Cold, Loss, Pace, Souring};
use super::super::souring::{growth, risk};

/// *Cardinal Temperatures for Growth of Osmotolerant Yeasts in Broths at Different Water Activity
/// Values* (abstract): no growth at 4 Cel within 30 days; D. hansenii grows best at 27 to 29.5 Cel
/// below a water activity of 0.922; some strains still grow at 42 Cel only in high sugar.
#[test]
fn yeasts_grow_between_their_cardinal_temperatures() {
    assert!(growth(4.0) < 1e-9 && growth(43.0) < 1e-9);
    let tenths = (40..420).map(|t| f64::from(t) / 10.0);
    let best = tenths
        .max_by(|a, b| growth(*a).total_cmp(&growth(*b)))
        .expect("some");
    assert!((27.0..=29.5).contains(&best), "{best}");
    assert!((growth(28.0) - 1.0).abs() < 1e-9);
    assert!(growth(10.0) < growth(20.0) && growth(20.0) < growth(26.0));
}

/// Oregon State University Extension and Ontario's apiary notes: liquid feed stops between 10 and
/// 14 Cel; 13 Cel and above is reached (published thresholds for feeding). It is taken freely from
/// somewhere between 16 and 24 Cel on (common practice).
#[test]
fn liquid_feed_stops_between_ten_and_fourteen_degrees() {
    let parameters = Cold::default();
    assert!(ease(&parameters, 10.0) < 1e-9);
    assert!(ease(&parameters, 14.0) >= 0.5 && ease(&parameters, 16.0) < 1.0);
    assert!((16.0..=24.0).contains(&parameters.free_cel));
}

/// E. Burrill, A. Dietz (1981) by way of the BEEBOOK, in-vitro 4.1.9: no foraging under 12 Cel.
/// Robbers start no later than foragers, and the default leaves room below.
#[test]
fn nobody_robs_in_the_cold() {
    let flight = Loss::default().flight_cel;
    assert!((7.0..=12.0).contains(&flight));
}

/// Home reports of 1:1 in warm storage: sour or mouldy after 3 to 10 days (several sites, common
/// practice). Few are sour on the third day at the best temperature, and few are not on the twentieth.
#[test]
fn thin_syrup_sours_within_days_and_batches_differ() {
    let parameters = Souring::default();
    let at = |days: f64| risk(&parameters, days / parameters.days_to_sour);
    assert!((3.0..=10.0).contains(&parameters.days_to_sour));
    assert!(at(2.0) < 0.1 && at(3.0) < 0.2 && at(10.0) > 0.5 && at(25.0) > 0.9);
    assert!(at(0.0) < 1e-6);
}

/// Reports of what colonies take a day: 7.5 to 15 l in a whole autumn (over two to four weeks), weak
/// colonies 0.1 to 0.8 l, strong ones up to 3.8 l (growers' pages and provincial notes, common practice).
#[test]
fn expected_paces_lie_within_what_is_reported() {
    let pace = Pace::default();
    assert!((7.5 / 28.0..=15.0 / 14.0).contains(&pace.winter_stores_l_per_day));
    assert!((0.1..=0.8).contains(&pace.emergency_l_per_day));
    assert!(pace.build_up_l_per_day < pace.comb_l_per_day);
    assert!(pace.build_up_l_per_day < pace.winter_stores_l_per_day);
}
