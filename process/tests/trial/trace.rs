//! One hive's story beside what was said of it, for people who look for the reason.

use super::devices::Device;
use super::sky::{STEP_H, STEP_MS};
use super::story::Told;
use super::truth::{Subject, Truth};
use larder_domain::{Flag, Timestamp};
use std::ops::Range;

/// The hive and the steps that were asked for, if they are of this yard: `yard:hive:first-last`.
pub fn asked(told: &Told) -> Option<(usize, Range<usize>)> {
    let asked = std::env::var("TRIAL_TRACE").ok()?;
    let (hive, steps) = asked
        .strip_prefix(&format!("{}:", told.plan.name))?
        .split_once(':')?;
    let (first, last) = steps.split_once('-')?;
    let last: usize = last.parse().ok()?;
    Some((
        hive.parse().ok()?,
        first.parse().ok()?..last.min(told.plan.when.steps()),
    ))
}

/// Prints it.
pub fn print(told: &Told, truth: &Truth, flags: &[Flag], hive: usize, steps: Range<usize>) {
    let plan = &told.plan.hives[hive];
    println!("{:?}, {:?}", plan.kind, plan.traits);
    println!("{:?}, {:?}", plan.scale, plan.level);
    let name = format!("{}-{hive}", told.plan.name);
    for event in &truth.events {
        let mine = match &event.subject {
            Subject::Hive(i) => *i == hive,
            Subject::Device(device) => device.ends_with(&name),
        };
        if mine {
            println!(
                "true {} {:?} {:.3} {}",
                event.kind.name(),
                event.window,
                event.size,
                event.what
            );
        }
    }
    let step = |at: Timestamp| (at.0 - told.plan.when.start.0) / STEP_MS;
    for flag in flags
        .iter()
        .filter(|f| f.hive.as_ref().is_some_and(|h| h.as_str() == name))
    {
        let until = flag
            .closed_at
            .map_or("the end".to_owned(), |at| step(at).to_string());
        let (kind, says) = (flag.kind.name(), flag.evidence.plain());
        println!(
            "said {kind} {} to {until}, {:.2}: {says}",
            step(flag.opened_at),
            flag.probability
        );
    }
    let lived = &told.hives[hive];
    for k in steps {
        let at = told.plan.when.time(k).plus_ms(STEP_MS);
        let shown = |device: &Option<Device>| {
            let values = &device.as_ref()?.values;
            let next = values.partition_point(|sample| sample.time < at);
            values[..next].last().map(|sample| sample.value)
        };
        let (frame, sky) = (&lived.frames[k], &told.skies[k]);
        println!(
            "{k} {:.1} h: {:.3} l, {:.3} kg, syrup {:.1}, ease {:.2}, took {:.3} l/h, scale {:?}, level {:?}, air {:.1}, rain {:.2}, sun {:.2}",
            told.plan.when.local_hour(k),
            frame.litres,
            frame.gross_kg,
            frame.syrup_c,
            frame.ease,
            frame.taken_l / STEP_H,
            shown(&lived.scale),
            shown(&lived.level),
            sky.air_c,
            sky.rain_mm,
            sky.sun
        );
    }
}
