//! The tables of `docs/elsewhere.md`.

use crate::score::{Claim, Counts, Score, Witness, mean, rmse, share};
use crate::truth::Condition;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Scores by simulator, and in it by kind of apiary.
pub type Scores = BTreeMap<String, BTreeMap<String, Score>>;

/// All tables, as markdown.
pub fn markdown(scores: &Scores) -> String {
    let mut text = String::new();
    apiaries(scores, &mut text);
    flags(scores, &mut text);
    reliability(scores, &mut text);
    witnesses(scores, &mut text);
    text
}

/// Kinds of apiary pooled.
pub fn pooled(kinds: &BTreeMap<String, Score>) -> Score {
    let mut all = Score::default();
    kinds.values().for_each(|score| all.add(score.clone()));
    all
}

/// A number, or a dash where there is none.
fn number(x: f64, digits: usize) -> String {
    if x.is_finite() {
        format!("{x:.digits$}")
    } else {
        "–".to_owned()
    }
}

/// One row for each kind of apiary, and one for all kinds of a simulator.
fn rows(scores: &Scores, text: &mut String, row: impl Fn(&Score) -> String) {
    for (simulator, kinds) in scores {
        for (kind, score) in kinds {
            let _ = writeln!(text, "| {simulator} | {kind} | {} |", row(score));
        }
        if kinds.len() > 1 {
            let _ = writeln!(text, "| {simulator} | all | {} |", row(&pooled(kinds)));
        }
    }
}

fn apiaries(scores: &Scores, text: &mut String) {
    text.push_str("| simulator | apiaries | n | hive-months | macro F1 | false alarms a hive-month | Brier | base rate's |\n| --- | --- | --- | --- | --- | --- | --- | --- |\n");
    rows(scores, text, |score| {
        let (brier, base) = score.brier();
        format!(
            "{} | {:.0} | {} | {} | {} | {}",
            score.worlds,
            score.hive_months,
            number(score.macro_f1(), 2),
            number(score.false_per_hive_month(), 2),
            number(brier, 3),
            number(base, 3),
        )
    });
    text.push_str("\nDays and nights.\n\n| simulator | apiaries | feeder-days | above what was there | nights on sound scales | net change, RMSE kg | 90 % interval |\n| --- | --- | --- | --- | --- | --- | --- |\n");
    rows(scores, text, |score| {
        format!(
            "{} | {} | {} | {} | {}",
            score.days.len(),
            score.days.iter().filter(|day| day.above).count(),
            score.nights.len(),
            number(rmse(score.nights.iter().map(|night| night.error_kg)), 3),
            number(share(score.nights.iter().map(|night| night.covered)), 2),
        )
    });
}

fn flags(scores: &Scores, text: &mut String) {
    text.push_str("\nEach flag: F1 (found of events; right of right and wrong).\n\n| flag |");
    for simulator in scores.keys() {
        let _ = write!(text, " {simulator} |");
    }
    text.push_str("\n| --- |");
    text.push_str(&" --- |".repeat(scores.len()));
    text.push('\n');
    let all: Vec<Score> = scores.values().map(pooled).collect();
    for kind in Condition::PHYSICAL.iter().chain(&Condition::APART) {
        let _ = write!(text, "| `{}` |", kind.name());
        for score in &all {
            let counts = score.kinds.get(kind).copied().unwrap_or_default();
            let _ = write!(text, " {} |", cell(counts));
        }
        text.push('\n');
    }
}

fn cell(counts: Counts) -> String {
    if counts.events + counts.right + counts.wrong == 0 {
        return "–".to_owned();
    }
    format!(
        "{} ({}/{}; {}/{})",
        counts
            .f1()
            .map_or_else(|| "–".to_owned(), |f1| number(f1, 2)),
        counts.found,
        counts.events,
        counts.right,
        counts.right + counts.wrong
    )
}

/// Bounds of what a flag says of itself.
const SAID: [(f64, f64); 5] = [(0.0, 0.2), (0.2, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 1.01)];

fn reliability(scores: &Scores, text: &mut String) {
    text.push_str("\nHow sure a flag says it is, and how often it is right (n), all simulators together.\n\n| flag | Brier | base rate's |");
    for (low, high) in SAID {
        let _ = write!(text, " {low:.1} to {:.1} |", high.min(1.0));
    }
    text.push_str("\n| --- | --- | --- |");
    text.push_str(&" --- |".repeat(SAID.len()));
    text.push('\n');
    let all: Vec<Claim> = scores
        .values()
        .flat_map(|kinds| pooled(kinds).claims)
        .collect();
    for kind in Condition::all() {
        let of: Vec<&Claim> = all.iter().filter(|claim| claim.kind == kind).collect();
        if of.is_empty() {
            continue;
        }
        let right = |claim: &&Claim| f64::from(u8::from(claim.right));
        let base = mean(of.iter().map(right));
        let brier = mean(of.iter().map(|c| (c.probability - right(c)).powi(2)));
        let _ = write!(
            text,
            "| `{}` | {} | {} |",
            kind.name(),
            number(brier, 3),
            number(base * (1.0 - base), 3)
        );
        for (low, high) in SAID {
            let said = || of.iter().filter(|c| (low..high).contains(&c.probability));
            let n = said().count();
            if n == 0 {
                text.push_str(" – |");
            } else {
                let says = mean(said().map(|c| c.probability));
                let _ = write!(text, " {says:.2} → {:.2} ({n}) |", mean(said().map(right)));
            }
        }
        text.push('\n');
    }
}

fn witnesses(scores: &Scores, text: &mut String) {
    text.push_str("\nEstimates, by what watches the feeder.\n\n| simulator | witness | feeder-days | uptake RMSE, l | 90 % interval, taking | other days | left RMSE, l | 90 % interval | fills of 0.7 l and more | found | within 15 % | 90 % interval |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n");
    for (simulator, kinds) in scores {
        let score = pooled(kinds);
        for witness in Witness::ALL {
            row_of_witness(simulator, witness, &score, text);
        }
    }
}

fn row_of_witness(simulator: &str, witness: Witness, score: &Score, text: &mut String) {
    let days = || score.days.iter().filter(|day| day.witness == witness);
    let left = || days().filter_map(|day| day.left);
    let fills = || score.fills.iter().filter(|fill| fill.witness == witness);
    if days().count() == 0 {
        return;
    }
    let good = |ratio: Option<f64>| ratio.is_some_and(|ratio| (ratio - 1.0).abs() <= 0.15);
    let _ = writeln!(
        text,
        "| {simulator} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
        witness.name(),
        days().count(),
        number(rmse(days().map(|day| day.error_l)), 3),
        number(share(days().filter(|d| d.taking).map(|d| d.covered)), 2),
        number(share(days().filter(|d| !d.taking).map(|d| d.covered)), 2),
        number(rmse(left().map(|left| left.error_l)), 3),
        number(share(left().map(|left| left.covered)), 2),
        fills().count(),
        number(share(fills().map(|fill| fill.found)), 2),
        number(share(fills().map(|fill| good(fill.ratio))), 2),
        number(share(fills().filter_map(|fill| fill.covered)), 2),
    );
}
