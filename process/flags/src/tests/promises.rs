//! What holds whatever happens.

use super::scene::{Life, Sky, hours, run, run_until};
use larder_domain::{Flag, FlagKind};
use proptest::prelude::*;
use std::collections::BTreeMap;

/// A life with something happening at a time, by number.
fn eventful(what: u8, start: f64) -> Life {
    let mut life = Life::ordinary();
    let usual = Life::ordinary().litres;
    let during = move |t: f64| (start..start + 30.0).contains(&t);
    match what % 6 {
        0 => {
            life.litres =
                Box::new(move |t| (usual(t) - 0.3 * (t - start).clamp(0.0, 30.0)).max(0.0))
        }
        1 => life.kg = Box::new(move |t| -0.4 * (t - start).clamp(0.0, 8.0)),
        2 => life.scale = Box::new(move |t, kg| (!during(t)).then_some(kg)),
        3 => {
            life.level = Box::new(move |t, m| {
                Some(if during(t) {
                    m * ((t * 7.0).sin() + 1.0)
                } else {
                    m
                })
            })
        }
        4 => life.litres = Box::new(move |t| usual(t.min(start))),
        _ => life.scale = Box::new(move |t, kg| Some(if during(t) { 31.07 } else { kg })),
    }
    life
}

type Subject = (FlagKind, String);

fn subject(flag: &Flag) -> Subject {
    let device = flag.device.as_ref().map(ToString::to_string);
    let feeder = flag.feeder.as_ref().map(ToString::to_string);
    let hive = flag.hive.as_ref().map(ToString::to_string);
    (flag.kind, device.or(feeder).or(hive).unwrap_or_default())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn flags_are_whole_and_do_not_overlap(what in 0u8..6, other in 0u8..6, start in 30.0f64..150.0) {
        let lives = [eventful(what, start), eventful(other, start + 20.0), Life::ordinary()];
        let flags = run(9.0, &Sky::fair(), &lives);
        let mut by_subject: BTreeMap<Subject, Vec<&Flag>> = BTreeMap::new();
        for flag in &flags {
            prop_assert!((0.0..=1.0).contains(&flag.probability));
            prop_assert!(flag.closed_at.is_none_or(|at| at > flag.opened_at), "{flag:?}");
            prop_assert!(flag.evidence.plain().ends_with('.') && flag.evidence.plain().chars().any(|c| c.is_ascii_digit()));
            by_subject.entry(subject(flag)).or_default().push(flag);
        }
        for (subject, found) in by_subject {
            for pair in found.windows(2) {
                let apart = pair[0].closed_at.is_some_and(|at| at <= pair[1].opened_at);
                prop_assert!(apart, "{subject:?}: {pair:?}");
            }
        }
    }
}

/// A live run must have said by then what a later run says was known then. Constants of instruments
/// are learned from the record at hand and may move an opening by a little.
#[test]
fn a_live_run_and_a_later_one_agree() {
    let lives = || {
        [
            eventful(0, 121.0),
            eventful(2, 90.0),
            eventful(4, 110.0),
            Life::ordinary(),
        ]
    };
    let whole = run(11.0, &Sky::fair(), &lives());
    let live = run_until(11.0, 7.5, &Sky::fair(), &lives());
    let early = |flags: &[Flag]| -> Vec<(Subject, f64)> {
        let known = flags.iter().filter(|f| hours(f.opened_at) < 170.0);
        known.map(|f| (subject(f), hours(f.opened_at))).collect()
    };
    let (whole, live) = (early(&whole), early(&live));
    assert!(!whole.is_empty());
    for (subject, opened) in &whole {
        let found = live
            .iter()
            .find(|(s, at)| s == subject && (at - opened).abs() <= 2.0);
        assert!(
            found.is_some(),
            "{subject:?} after {opened} h; live: {live:?}"
        );
    }
    assert_eq!(whole.len(), live.len());
}
