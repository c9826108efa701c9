//! Yards of the trial, with their truth as the other worlds have it.

use crate::score::Score;
use crate::trial::colony::Frame;
use crate::trial::given::Declared;
use crate::trial::plan::apiary;
use crate::trial::sky::{STEP_H, STEP_MS};
use crate::trial::story::Told;
use crate::trial::truth::{Subject, Truth as TrialTruth};
use crate::trial::windows::Window;
use crate::truth::{Condition, DayTruth, EventTruth, FillTruth, NightTruth, Truth};
use larder_domain::time::local_day;
use larder_domain::{FlagKind, Span, Timestamp};
use larder_process::process_yard;

/// How long the trial's apiaries are watched, days.
const DAYS: usize = 42;

/// The yards of one apiary, each with whether its hives have neighbours on scales to be compared with.
pub fn score(seed: u64) -> Vec<(&'static str, Score)> {
    let yards = apiary(seed, DAYS).into_iter();
    yards
        .map(|plan| {
            let told = Told::of(plan);
            let declared = Declared::of(&told);
            let output = process_yard(&declared.input(&told));
            let weighed = told.hives.iter().filter(|hive| hive.scale.is_some());
            let kind = if weighed.count() < 3 {
                "under three scales"
            } else {
                "three scales and more"
            };
            let score = Score::of(&truth(&told), &declared.apiary(), &output);
            (kind, score)
        })
        .collect()
}

fn truth(told: &Told) -> Truth {
    let trial = TrialTruth::of(told);
    let events = trial.events.iter();
    let doubtful = trial.doubtful.iter();
    let mut truth = Truth {
        events: events
            .filter_map(|e| event(told, e.kind, &e.subject, e.window))
            .collect(),
        doubtful: doubtful
            .filter_map(|(kind, subject, window)| event(told, *kind, subject, *window))
            .collect(),
        span_days: told.plan.when.days as f64,
        policy: false,
        ..Truth::default()
    };
    for hive in 0..told.hives.len() {
        days(told, hive, &mut truth);
    }
    truth
}

fn hive_name(told: &Told, hive: usize) -> String {
    format!("{}-{hive}", told.plan.name)
}

fn event(told: &Told, kind: FlagKind, subject: &Subject, window: Window) -> Option<EventTruth> {
    let (hive, feeder, device) = match subject {
        Subject::Hive(hive) => (
            hive_name(told, *hive),
            Told::feeder(*hive, &told.plan),
            String::new(),
        ),
        Subject::Device(name) => (String::new(), String::new(), name.clone()),
    };
    Some(EventTruth {
        kind: Condition::named(kind.name())?,
        yard: told.plan.name.clone(),
        hive,
        feeder,
        device,
        start: told.plan.when.time(window.0),
        end: told.plan.when.time(window.1),
    })
}

fn days(told: &Told, hive: usize, truth: &mut Truth) {
    let when = told.plan.when;
    let zone = when.place.zone;
    let frames = &told.hives[hive].frames;
    let step_of = |at: Timestamp| ((at.0 - when.start.0).max(0) / STEP_MS) as usize;
    let (yard, name) = (told.plan.name.clone(), hive_name(told, hive));
    let feeder = Told::feeder(hive, &told.plan);
    for (step, frame) in frames.iter().enumerate().filter(|(_, f)| f.poured_l > 0.0) {
        truth.fills.push(FillTruth {
            time: when.time(step),
            yard: yard.clone(),
            hive: name.clone(),
            feeder: feeder.clone(),
            volume_l: frame.poured_l,
            strength: told.plan.hives[hive].traits.strength.to_string(),
            mass_kg: frame.handled_kg,
            recorded: "none",
        });
    }
    let mut date = when.start.local_date(zone);
    let mut whole: Vec<(String, Span)> = Vec::new();
    while let Some(next) = date.succ_opt() {
        let span = local_day(zone, date);
        if span.end > when.end() {
            break;
        }
        if span.start >= when.start {
            whole.push((date.to_string(), span));
        }
        date = next;
    }
    for (date, span) in &whole {
        let part = &frames[step_of(span.start)..step_of(span.end).min(frames.len())];
        let sum = |of: fn(&Frame) -> f64| part.iter().map(of).sum::<f64>();
        truth.days.push(DayTruth {
            date: date.clone(),
            yard: yard.clone(),
            hive: name.clone(),
            feeder: feeder.clone(),
            uptake_l: sum(|f| f.taken_l),
            remaining_end_l: part.last().map_or(0.0, |f| f.litres),
            leaked_l: sum(|f| f.leaked_l),
            robbed_l: sum(|f| f.robbed_l),
            spilled_l: sum(|f| f.dumped_l),
            evaporated_l: 0.0,
            filled_l: sum(|f| f.poured_l),
        });
    }
    if told.hives[hive].scale.is_none() {
        return;
    }
    for pair in whole.windows(2) {
        let night = |span: &Span| {
            let from = step_of(span.start.plus_hours(1.0));
            from..from + (3.0 / STEP_H) as usize
        };
        let (tonight, next) = (night(&pair[0].1), night(&pair[1].1));
        if next.end > frames.len() {
            continue;
        }
        let mean = |steps: std::ops::Range<usize>| {
            let n = steps.len() as f64;
            frames[steps].iter().map(|f| f.gross_kg).sum::<f64>() / n
        };
        let between = tonight.start..next.end;
        let handling_kg = frames[between.clone()].iter().map(|f| f.handled_kg).sum();
        let (kg, next_kg) = (mean(tonight.clone()), mean(next));
        // Wet lids weigh, and nobody measures by how much.
        let since_rain = between.start.saturating_sub(288)..between.end;
        let rained = told.skies[since_rain].iter().any(|sky| sky.rain_mm > 0.0);
        truth.nights.push(NightTruth {
            date: pair[0].0.clone(),
            yard: yard.clone(),
            hive: name.clone(),
            weight_kg: Some(kg),
            weight_next_kg: Some(next_kg),
            net_change_kg: Some(next_kg - kg - handling_kg),
            handling_kg,
            disturbed: rained || frames[between].iter().any(|f| f.off),
        });
    }
}
