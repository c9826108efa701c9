//! How estimates and flags hold where nobody looked, as far as a test can hold it: a dozen small worlds of
//! the project's own simulators, and what must be so in every one of them. `docs/elsewhere.md` has the
//! tables over many more, and `examples/elsewhere` makes them.

#[path = "../../examples/score_scenario/apiary_file.rs"]
mod apiary_file;
mod folder;
mod from_demo;
mod from_trial;
mod graft;
mod raw;
mod read;
#[path = "../../examples/score_scenario/readings.rs"]
mod readings;
mod rules;
mod score;
mod table;
#[path = "../trial"]
mod trial {
    pub mod ailments;
    pub mod batch;
    pub mod colony;
    pub mod devices;
    pub mod given;
    pub mod instruments;
    pub mod plan;
    pub mod sky;
    pub mod story;
    pub mod troubles;
    #[allow(dead_code, reason = "only the trial's own tables tell sizes")]
    pub mod truth;
    pub mod windows;
}
mod truth;
mod world;
#[path = "../../examples/score_scenario/yard.rs"]
mod yard;

use graft::Herd;
use larder_domain::{Flag, Timestamp};
use raw::Raw;
use score::{DayScore, Score, Witness, mean, share};
use std::path::Path;
use table::Scores;
use world::World;

/// Seeds of worlds on which nothing was chosen and whose figures stand nowhere.
const GRAFTS: std::ops::Range<u64> = 1001..1008;
const TRIALS: std::ops::Range<u64> = 1001..1003;
const DEMOS: std::ops::Range<u64> = 1001..1004;

fn worlds() -> Scores {
    let mut scores = Scores::new();
    let mut add = |simulator: &str, score| {
        let kinds = scores.entry(simulator.to_owned()).or_default();
        kinds.entry("any".to_owned()).or_default().add(score);
    };
    for seed in GRAFTS {
        add(
            "grafts",
            World::graft(Herd::own(), seed)
                .expect("it is whole")
                .score(),
        );
    }
    for (_, score) in TRIALS.flat_map(from_trial::score) {
        add("trial", score);
    }
    for seed in DEMOS {
        let world = World::of(from_demo::yard(seed)).expect("it is whole");
        add("demo", world.score());
    }
    scores
}

/// What a small set of worlds must reach: a floor that no chance of a few flags falls through, and that a
/// fault does.
struct Floor {
    simulator: &'static str,
    macro_f1: f64,
    false_per_hive_month: f64,
    found_fills: f64,
    uptake_covered: f64,
}

const FLOORS: [Floor; 3] = [
    Floor {
        simulator: "demo",
        macro_f1: 0.7,
        false_per_hive_month: 0.6,
        found_fills: 0.95,
        uptake_covered: 0.9,
    },
    Floor {
        simulator: "grafts",
        macro_f1: 0.5,
        false_per_hive_month: 1.1,
        found_fills: 0.85,
        uptake_covered: 0.75,
    },
    Floor {
        simulator: "trial",
        macro_f1: 0.65,
        false_per_hive_month: 0.9,
        found_fills: 0.92,
        uptake_covered: 0.8,
    },
];

#[test]
fn estimates_and_flags_hold_where_nobody_looked() {
    let scores = worlds();
    println!("{}", table::markdown(&scores));
    for floor in &FLOORS {
        let name = floor.simulator;
        let score = table::pooled(&scores[name]);
        let days = || score.days.iter();
        let places = |of: &dyn Fn(&&DayScore) -> bool| -> Vec<String> {
            days().filter(of).map(|day| day.place.clone()).collect()
        };
        let unsound = places(&|day| day.unsound);
        assert!(
            unsound.is_empty(),
            "{name}: not in their interval: {unsound:#?}"
        );
        let f1 = score.macro_f1();
        assert!(f1 >= floor.macro_f1, "{name}: macro F1 {f1}");
        let wrong = score.false_per_hive_month();
        assert!(
            wrong <= floor.false_per_hive_month,
            "{name}: {wrong} false alarms"
        );
        let watched = |witness| witness != Witness::Neither;
        let found = share(
            score
                .fills
                .iter()
                .filter(|f| watched(f.witness))
                .map(|f| f.found),
        );
        assert!(found >= floor.found_fills, "{name}: {found} of the fills");
        let taking = days().filter(|day| day.taking && watched(day.witness));
        let covered = share(taking.map(|day| day.covered));
        assert!(covered >= floor.uptake_covered, "{name}: {covered} covered");
    }
}

/// What nothing excuses: more in a feeder than it holds, more taken than there was. By the true fills, of
/// which one may be found on the other side of midnight, a day in a thousand may differ.
#[test]
fn nothing_passes_the_brim_and_nothing_comes_from_nothing() {
    for (name, kinds) in worlds() {
        let days = table::pooled(&kinds).days;
        let places = |of: &dyn Fn(&&DayScore) -> bool| -> Vec<String> {
            days.iter()
                .filter(of)
                .map(|day| day.place.clone())
                .collect()
        };
        let over = places(&|day| day.over_brim);
        assert!(over.is_empty(), "{name}: over the brim: {over:#?}");
        let conjured = places(&|day| day.from_nothing);
        assert!(
            conjured.is_empty(),
            "{name}: taken from nothing: {conjured:#?}"
        );
        let above = places(&|day| day.above);
        assert!(
            above.len() <= 1 + days.len() / 1000,
            "{name}: more than was there: {above:#?}"
        );
    }
}

#[test]
fn every_litre_of_a_graft_is_accounted_for() {
    for seed in GRAFTS {
        let truth = graft::graft(seed).truth;
        let mut left_l: Option<(&str, f64)> = None;
        for day in &truth.days {
            let before_l = left_l.filter(|(feeder, _)| *feeder == day.feeder);
            if let Some((_, before_l)) = before_l {
                let gone = day.uptake_l + day.leaked_l + day.robbed_l + day.spilled_l;
                let expected = before_l + day.filled_l - gone - day.evaporated_l;
                // Mixed strengths and dried water do not quite add up by volume.
                let off = (day.remaining_end_l - expected).abs();
                assert!(
                    off < 0.004 + 0.002 * day.filled_l,
                    "{} {}: {off} l",
                    day.feeder,
                    day.date
                );
            }
            left_l = Some((&day.feeder, day.remaining_end_l));
        }
    }
}

#[test]
fn a_world_is_the_same_in_a_folder() {
    let raw = graft::graft(1001);
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("elsewhere");
    folder::write(&raw, &folder).expect("it can be written");
    let read = World::read(&folder).expect("it can be read").score();
    let own = World::of(raw).expect("it is whole").score();
    let error = |score: &Score| mean(score.days.iter().map(|day| day.error_l.abs()));
    assert!(
        (error(&read) - error(&own)).abs() < 1e-4,
        "but for rounding"
    );
    assert_eq!(read.days.len(), own.days.len());
    assert_eq!(read.fills.len(), own.fills.len());
    let counts = |score: &Score| {
        let physical = truth::Condition::PHYSICAL.iter();
        let counts = physical.filter_map(|kind| score.kinds.get(kind));
        counts
            .map(|c| (c.events, c.found, c.right, c.wrong))
            .collect::<Vec<_>>()
    };
    assert_eq!(counts(&read), counts(&own));
}

fn until(raw: &Raw, now: Timestamp) -> World {
    let rows = raw.rows.iter().filter(|row| row.time < now);
    let notes = raw.notes.iter().filter(|note| note.time < now);
    World::of(Raw {
        name: raw.name.clone(),
        apiary: raw.apiary.clone(),
        rows: rows.cloned().collect(),
        notes: notes.cloned().collect(),
        truth: truth::Truth::default(),
        zones: raw.zones.clone(),
    })
    .expect("it is whole")
}

/// What a later run says was known by then, a live run must have said, and little else. Constants of the
/// instruments are learned from the record there is, so now and then one differs by some hours.
#[test]
fn a_live_run_said_what_a_later_run_says_was_known() {
    let (mut known, mut same, mut said, mut stood) = (0, 0, 0, 0);
    for seed in [1001, 1002] {
        let raw = graft::graft(seed);
        let rows = (raw.rows.first(), raw.rows.last());
        let (Some(first), Some(last)) = rows else {
            panic!("a world without readings")
        };
        let later = World::of(graft::graft(seed))
            .expect("it is whole")
            .process();
        for part in [0.5, 0.75] {
            let now = first
                .time
                .plus_hours(part * last.time.hours_since(first.time));
            let live = until(&raw, now).process();
            let by = |flag: &Flag| flag.opened_at < now.plus_hours(-3.0);
            let is_same = |a: &Flag, b: &Flag| {
                let subject =
                    |f: &Flag| (f.kind, f.device.clone(), f.feeder.clone(), f.hive.clone());
                subject(a) == subject(b) && a.opened_at.hours_since(b.opened_at).abs() <= 3.0
            };
            let early = |flags: Vec<Flag>| flags.into_iter().filter(by).collect::<Vec<Flag>>();
            let (live, later) = (early(live.flags), early(later.flags.clone()));
            let count = |of: &[Flag], among: &[Flag]| {
                let found = of.iter().filter(|a| among.iter().any(|b| is_same(a, b)));
                (of.len(), found.count())
            };
            let (n, found) = count(&later, &live);
            (known, same) = (known + n, same + found);
            let (n, found) = count(&live, &later);
            (said, stood) = (said + n, stood + found);
        }
    }
    println!("{same} of {known} known by then were said live; {stood} of {said} said live stood");
    assert!(known > 40 && 100 * same >= 95 * known, "{same} of {known}");
    assert!(100 * stood >= 95 * said, "{stood} of {said}");
}
