//! A trial of the flags: random incidents with known truth in apiaries on which nothing was ever chosen.
//! The model of colonies, weather and instruments is the trial's own and shares nothing with the
//! estimators but the density of syrup. `docs/flags.md` has the figures and what they say.
//!
//! The long one prints them:
//! `cargo test --release -p larder-process --test trial -- --ignored --nocapture`. `TRIAL_SEEDS=1-24` asks
//! for other apiaries: those from 101 on stay unseen, the ones below may be looked at one by one, with
//! `TRIAL_FAULTS=leaking,robbed` (or `all`) for every miss and false alarm, and with
//! `TRIAL_TRACE=y20:3:1200-1300` for what happened at a hive of a yard between two steps.

#![allow(clippy::print_stdout, reason = "the trial is there to print its table")]

#[path = "../common/mod.rs"]
mod common;

mod ailments;
mod batch;
#[allow(dead_code, reason = "other tests use the rest of it")]
mod colony;
mod devices;
#[allow(dead_code, reason = "other tests use the rest of it")]
mod given;
mod instruments;
mod plan;
mod score;
mod sky;
mod story;
mod table;
mod trace;
mod troubles;
mod truth;
mod windows;

use given::Declared;
use larder_process::process_yard;
use score::Score;
use story::Told;
use truth::Truth;

/// All yards of some apiaries: those with three scales and more, and those with fewer, where a hive has no
/// neighbours to be compared with.
fn trial(seeds: impl Iterator<Item = u64>, days: usize) -> [Score; 2] {
    let mut scores = [Score::default(), Score::default()];
    for plan in seeds.flat_map(|seed| plan::apiary(seed, days)) {
        let alone = plan.hives.iter().filter(|h| h.scale.is_some()).count() < 3;
        let told = Told::of(plan);
        let truth = Truth::of(&told);
        let declared = Declared::of(&told);
        let output = process_yard(&declared.input(&told));
        if let Some((hive, steps)) = trace::asked(&told) {
            trace::print(&told, &truth, &output.flags, hive, steps);
        }
        scores[usize::from(alone)].add(&told, &truth, &output.flags);
    }
    scores
}

/// What was asked before the first run: what the two simulated apiaries reach, less what a yard never seen
/// and instruments of all qualities may cost.
const ASKED_MACRO_F1: f64 = 0.75;
const ASKED_FALSE_PER_HIVE_MONTH: f64 = 0.3;
const ASKED_BRIER: f64 = 0.1;

/// Of what was asked the false alarms are not reached: 0.79, 0.37 and 0.09 are what is, and `docs/flags.md` says why.
/// The bounds here keep it from getting worse, with room for the few flags by which three apiaries differ.
#[test]
fn flags_hold_in_apiaries_that_were_never_looked_at() {
    let score = Score::of(trial(1001..1004, 32));
    score.print();
    assert!(score.events.len() > 80, "{}", score.events.len());
    assert!(
        score.macro_f1() >= ASKED_MACRO_F1 - 0.1,
        "{}",
        score.macro_f1()
    );
    let wrong = score.false_per_hive_month(|_| true);
    assert!(wrong <= ASKED_FALSE_PER_HIVE_MONTH + 0.4, "{wrong}");
    assert!(score.brier() <= ASKED_BRIER + 0.03, "{}", score.brier());
}

#[test]
#[ignore = "prints the figures of docs/flags.md, and fails as long as what was asked is not reached"]
fn figures_over_many_apiaries() {
    let seeds = std::env::var("TRIAL_SEEDS").unwrap_or_else(|_| "101-148".into());
    let (first, last) = seeds.split_once('-').expect("TRIAL_SEEDS is FIRST-LAST");
    let (first, last): (u64, u64) = (first.parse().unwrap(), last.parse().unwrap());
    let parts = trial(first..=last, 42);
    println!("yards with three scales and more");
    parts[0].print_kinds();
    println!("\nyards with fewer");
    parts[1].print_kinds();
    println!("\nall yards");
    let score = Score::of(parts);
    if let Ok(kinds) = std::env::var("TRIAL_FAULTS") {
        score.print_faults(&kinds);
    }
    score.print();
    let wrong = score.false_per_hive_month(|_| true);
    assert!(score.macro_f1() >= ASKED_MACRO_F1, "{}", score.macro_f1());
    assert!(wrong <= ASKED_FALSE_PER_HIVE_MONTH, "{wrong}");
    assert!(score.brier() <= ASKED_BRIER, "{}", score.brier());
}
