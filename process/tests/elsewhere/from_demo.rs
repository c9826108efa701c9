//! The demo's colonies and sky in yards of their own: hives, weekly trips, a stall and a leak here and
//! there, and instruments as good as the demo's.

use crate::raw::{Note, Raw, Row};
use crate::truth::{Condition, DayTruth, EventTruth, FillTruth, NightTruth, Truth};
use chrono_tz::Tz;
use larder_domain::time::local_day;
use larder_domain::{Span, Timestamp};
use larder_sim::colony::{Colony, Traits, Trouble};
use larder_sim::weather::{Climate, Exposure, LocalClock, Sky};
use larder_sim::{Dice, Syrup};
use larder_syrup::Strength;
use std::fmt::Write;

const STEP_MS: i64 = 300_000;
const STEP_H: f64 = 1.0 / 12.0;
const A_DAY: usize = 288;
const DAYS: usize = 32;
const ZONE: Tz = chrono_tz::America::New_York;

/// What one hive went through, step by step.
struct Hive {
    id: String,
    capacity_l: f64,
    mount_m: f64,
    area_m2: f64,
    level: Option<&'static str>,
    scale: bool,
    litres: Vec<f64>,
    taken_l: Vec<f64>,
    leaked_l: Vec<f64>,
    gross_kg: Vec<f64>,
    syrup_c: Vec<f64>,
    fills: Vec<(usize, f64, f64)>,
    notes: Vec<Note>,
    stall: Option<(usize, usize)>,
    leak: Option<(usize, usize)>,
}

/// One yard of three to seven hives.
pub fn yard(seed: u64) -> Raw {
    let mut dice = Dice::of(seed, "demo yard");
    let date = chrono::NaiveDate::from_ymd_opt(2026, 8, 24).expect("a date");
    let start = local_day(ZONE, date).start;
    let mut climate = Climate::new(seed, start, DAYS as f64);
    let exposure = Exposure {
        warmer_k: dice.between(-3.0, 3.0),
        frost_hollow_k: dice.between(0.0, 3.0),
        windy: dice.between(0.5, 1.2),
    };
    let skies: Vec<Sky> = (0..DAYS * A_DAY)
        .map(|step| {
            let clock = LocalClock {
                day: (step / A_DAY) as i64,
                hour: (step % A_DAY) as f64 * STEP_H,
            };
            climate.sky(exposure, start.plus_ms(step as i64 * STEP_MS), clock)
        })
        .collect();
    let id = format!("d{seed}");
    let trips: Vec<usize> = (0..DAYS / 6)
        .map(|trip| (1 + 6 * trip) * A_DAY + dice.whole(10 * 12, 16 * 12))
        .collect();
    let n = dice.whole(3, 7);
    let hives: Vec<Hive> = (0..n)
        .map(|i| {
            live(
                &format!("{id}-{}", i + 1),
                start,
                &skies,
                &trips,
                Dice::of(seed, &format!("hive {i}")),
            )
        })
        .collect();
    let mut truth = Truth {
        span_days: DAYS as f64,
        ..Truth::default()
    };
    for hive in &hives {
        tell(&id, hive, start, &skies, &mut truth);
    }
    let mut notes: Vec<Note> = hives.iter().flat_map(|hive| hive.notes.clone()).collect();
    notes.sort_by_key(|note| note.time);
    Raw {
        name: format!("demo-{seed}"),
        apiary: apiary(&id, &hives),
        rows: rows(&id, start, &hives, &skies, &mut dice),
        notes,
        truth,
        zones: vec![(id, ZONE.name().to_owned())],
    }
}

fn thick() -> Strength {
    Strength::by_mass(2.0, 1.0).expect("a strength of the trade")
}

fn live(id: &str, start: Timestamp, skies: &[Sky], trips: &[usize], mut dice: Dice) -> Hive {
    let capacity_l = dice.pick(&[4.0, 6.0, 9.0, 11.0]);
    let traits = Traits {
        appetite_l_per_day: dice.log_between(0.3, 1.8),
        bees_kg: dice.between(1.2, 2.6),
        tare_kg: dice.between(18.0, 26.0),
        stores_kg: dice.between(6.0, 14.0),
        warmth_k: dice.between(3.0, 6.0),
        capacity_l,
    };
    let mut colony = Colony::new(traits, Syrup::default(), dice.clone());
    let spell = |dice: &mut Dice, days: f64| {
        let from = dice.whole(6 * A_DAY, (DAYS - 6) * A_DAY);
        (from, from + (days * A_DAY as f64) as usize)
    };
    let stall = dice.chance(0.25).then(|| spell(&mut dice, 3.5));
    let leak = dice.chance(0.2).then(|| spell(&mut dice, 2.0));
    let depth_m = dice.between(0.1, 0.16);
    let mut hive = Hive {
        id: id.to_owned(),
        capacity_l,
        mount_m: depth_m + 0.03,
        area_m2: capacity_l / 1000.0 / depth_m,
        level: dice.chance(0.8).then(|| dice.pick(&["distance", "depth"])),
        scale: dice.chance(0.85),
        litres: Vec::new(),
        taken_l: Vec::new(),
        leaked_l: Vec::new(),
        gross_kg: Vec::new(),
        syrup_c: Vec::new(),
        fills: Vec::new(),
        notes: Vec::new(),
        stall,
        leak,
    };
    let within =
        |spell: Option<(usize, usize)>, step| spell.is_some_and(|s| (s.0..s.1).contains(&step));
    for (step, sky) in skies.iter().enumerate() {
        if trips.contains(&step) {
            let room = 0.95 * capacity_l - colony.litres();
            let litres = (room * 2.0).floor() / 2.0;
            if litres >= 0.5 {
                let poured = Syrup::of_litres(litres, thick());
                colony.fill(poured);
                hive.fills.push((step, litres, poured.mass_kg()));
                if dice.chance(0.85) {
                    hive.notes.push(Note {
                        time: start.plus_ms(step as i64 * STEP_MS),
                        feeder: format!("{id}-f"),
                        volume_l: dice.chance(0.9).then_some(litres),
                        strength: thick().to_string(),
                    });
                }
            }
        }
        let density = colony.syrup.mass_kg() / colony.syrup.litres_at(20.0).max(1e-9);
        let before = colony.ledger;
        let trouble = Trouble {
            stalled: within(stall, step),
            leaking: within(leak, step),
        };
        colony.step(STEP_H, sky, trouble);
        let litres = |kg: f64| if kg > 0.0 { kg / density } else { 0.0 };
        hive.taken_l
            .push(litres(colony.ledger.taken_kg - before.taken_kg));
        hive.leaked_l
            .push(litres(colony.ledger.leaked_kg - before.leaked_kg));
        hive.litres.push(colony.syrup.litres_at(20.0));
        hive.gross_kg.push(colony.gross_kg());
        hive.syrup_c.push(colony.syrup_c);
    }
    hive
}

fn tell(yard: &str, hive: &Hive, start: Timestamp, skies: &[Sky], truth: &mut Truth) {
    let step_of = |at: Timestamp| ((at.0 - start.0) / STEP_MS) as usize;
    let feeder = format!("{}-f", hive.id);
    let first = start.local_date(ZONE);
    let spans: Vec<(String, Span)> = first
        .iter_days()
        .take(DAYS)
        .map(|date| (date.to_string(), local_day(ZONE, date)))
        .collect();
    for (date, span) in &spans {
        let steps = step_of(span.start)..step_of(span.end);
        let filled = hive.fills.iter().filter(|fill| steps.contains(&fill.0));
        truth.days.push(DayTruth {
            date: date.clone(),
            yard: yard.to_owned(),
            hive: hive.id.clone(),
            feeder: feeder.clone(),
            uptake_l: hive.taken_l[steps.clone()].iter().sum(),
            remaining_end_l: hive.litres[steps.end - 1],
            leaked_l: hive.leaked_l[steps.clone()].iter().sum(),
            robbed_l: 0.0,
            spilled_l: 0.0,
            evaporated_l: 0.0,
            filled_l: filled.map(|fill| fill.1).sum(),
        });
    }
    for &(step, volume_l, mass_kg) in &hive.fills {
        truth.fills.push(FillTruth {
            time: start.plus_ms(step as i64 * STEP_MS),
            yard: yard.to_owned(),
            hive: hive.id.clone(),
            feeder: feeder.clone(),
            volume_l,
            strength: thick().to_string(),
            mass_kg,
            recorded: "none",
        });
    }
    for pair in spans.windows(2).filter(|_| hive.scale) {
        let night = |span: &Span| step_of(span.start) + 12..step_of(span.start) + 48;
        let (tonight, next) = (night(&pair[0].1), night(&pair[1].1));
        let mean = |steps: std::ops::Range<usize>| hive.gross_kg[steps].iter().sum::<f64>() / 36.0;
        let (kg, next_kg) = (mean(tonight.clone()), mean(next.clone()));
        let between = tonight.start..next.end;
        let poured = hive.fills.iter().filter(|fill| between.contains(&fill.0));
        let handling_kg: f64 = poured.map(|fill| fill.2).sum();
        let wet = between.start.saturating_sub(A_DAY)..between.end;
        truth.nights.push(NightTruth {
            date: pair[0].0.clone(),
            yard: yard.to_owned(),
            hive: hive.id.clone(),
            weight_kg: Some(kg),
            weight_next_kg: Some(next_kg),
            net_change_kg: Some(next_kg - kg - handling_kg),
            handling_kg,
            disturbed: skies[wet].iter().any(|sky| sky.rain_mm_per_h > 0.0),
        });
    }
    conditions(yard, hive, start, truth);
}

fn conditions(yard: &str, hive: &Hive, start: Timestamp, truth: &mut Truth) {
    let n = hive.litres.len();
    let least_l = f64::max(0.02 * hive.capacity_l, 0.05);
    let first = hive.fills.first().map_or(n, |fill| fill.0);
    // The share of the appetite that the demo's colonies have at that temperature, over a day.
    let ease: Vec<f64> = hive
        .syrup_c
        .iter()
        .map(|c| 1.0 / (1.0 + (-(c - 11.5) / 1.1).exp()))
        .collect();
    let ease = |k: usize| {
        let day = &ease[k.saturating_sub(A_DAY - 1)..=k];
        day.iter().sum::<f64>() / day.len() as f64
    };
    let ease: Vec<f64> = (0..n).map(ease).collect();
    let inside =
        |spell: Option<(usize, usize)>, k: usize| spell.is_some_and(|s| (s.0..s.1).contains(&k));
    let mut add = |kind, holds: &dyn Fn(usize) -> bool, least_h: f64, sure: bool| {
        let mut from = None;
        for k in 0..=n {
            match (from, k < n && holds(k)) {
                (None, true) => from = Some(k),
                (Some(since), false) => {
                    let event = EventTruth {
                        kind,
                        yard: yard.to_owned(),
                        hive: hive.id.clone(),
                        feeder: format!("{}-f", hive.id),
                        device: String::new(),
                        start: start.plus_ms(since as i64 * STEP_MS),
                        end: start.plus_ms(k as i64 * STEP_MS),
                    };
                    if sure && (k - since) as f64 * STEP_H >= least_h {
                        truth.events.push(event);
                    } else {
                        truth.doubtful.push(event);
                    }
                    from = None;
                }
                _ => {}
            }
        }
    };
    add(
        Condition::Empty,
        &|k| k > first && hive.litres[k] < least_l,
        3.0,
        true,
    );
    add(
        Condition::Empty,
        &|k| k <= first || hive.litres[k] < 2.2 * least_l,
        0.0,
        false,
    );
    let there = |k: usize| hive.litres[k] > 0.06 * hive.capacity_l;
    add(
        Condition::TooCold,
        &|k| there(k) && ease[k] < 0.2,
        6.0,
        true,
    );
    add(Condition::TooCold, &|k| ease[k] < 0.4, 0.0, false);
    let could = |k: usize| hive.litres[k] > 0.1 * hive.capacity_l && ease[k] > 0.4;
    add(
        Condition::Stalled,
        &|k| inside(hive.stall, k) && could(k),
        36.0,
        true,
    );
    add(Condition::Stalled, &|k| inside(hive.stall, k), 0.0, false);
    add(
        Condition::Leaking,
        &|k| inside(hive.leak, k) && hive.leaked_l[k] > 1e-6,
        0.0,
        true,
    );
    // Nothing sours in the demo; old syrup is a risk all the same.
    add(Condition::Souring, &|_| true, 0.0, false);
}

fn rows(yard: &str, start: Timestamp, hives: &[Hive], skies: &[Sky], dice: &mut Dice) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut say = |device: &str, time, channel, unit, value: f64, step: f64| {
        rows.push(Row {
            time,
            device: device.to_owned(),
            channel,
            unit,
            value: ((value / step).round() * step * 1e4).round() / 1e4,
        });
    };
    let mut rain = 0.0;
    for (step, sky) in skies.iter().enumerate() {
        let time = start.plus_ms(step as i64 * STEP_MS + 60_000);
        rain += sky.rain_mm_per_h * STEP_H;
        if step % 3 == 0 {
            let device = format!("wx-{yard}");
            say(
                &device,
                time,
                "temperature",
                "Cel",
                sky.air_c + dice.normal(0.15),
                0.1,
            );
            say(&device, time, "humidity", "%RH", sky.humidity_pct, 1.0);
            say(&device, time, "rain", "mm", std::mem::take(&mut rain), 0.1);
            say(&device, time, "wind", "m/s", sky.wind_m_s, 0.1);
            say(
                &device,
                time,
                "irradiance",
                "W/m2",
                sky.irradiance_w_m2,
                1.0,
            );
        }
        for hive in hives {
            if let Some(channel) = hive.level.filter(|_| step % 2 == 0) {
                let device = format!("lv-{}", hive.id);
                let depth_m = hive.litres[step] / 1000.0 / hive.area_m2;
                let echo = channel == "distance" && dice.chance(0.006);
                let seen_m = if echo {
                    hive.mount_m * dice.between(0.25, 0.6)
                } else if channel == "distance" {
                    hive.mount_m - depth_m
                } else {
                    depth_m
                };
                say(
                    &device,
                    time,
                    channel,
                    "m",
                    seen_m + dice.normal(0.0014),
                    0.001,
                );
                if channel == "depth" {
                    let celsius = hive.syrup_c[step] + dice.normal(0.15);
                    say(&device, time, "syrup_temperature", "Cel", celsius, 0.1);
                }
            }
            if hive.scale && step % 3 == 1 {
                let device = format!("sc-{}", hive.id);
                let noise = 0.015 * (1.0 + sky.wind_m_s / 5.0);
                let kg = hive.gross_kg[step] + dice.normal(noise) + 0.004 * (sky.air_c - 15.0);
                say(&device, time, "weight", "kg", kg, 0.01);
                say(
                    &device,
                    time,
                    "temperature",
                    "Cel",
                    sky.air_c + dice.normal(0.1),
                    0.1,
                );
            }
        }
    }
    rows
}

fn apiary(yard: &str, hives: &[Hive]) -> String {
    let mut text = format!(
        "[[yard]]\nid = \"{yard}\"\nname = \"{yard}\"\ntimezone = \"{}\"\nweather = \"wx-{yard}\"\n",
        ZONE.name()
    );
    for hive in hives {
        let _ = write!(
            text,
            "\n[[hive]]\nid = \"{0}\"\nyard = \"{yard}\"\ngoal = \"winter_stores\"\n",
            hive.id
        );
        if hive.scale {
            let _ = writeln!(text, "scale = \"sc-{}\"", hive.id);
        }
        let _ = write!(
            text,
            "\n[[feeder]]\nid = \"{0}-f\"\nhive = \"{0}\"\nkind = \"tray\"\ncapacity_l = {1}\n",
            hive.id, hive.capacity_l
        );
        if let Some(channel) = hive.level {
            let _ = write!(
                text,
                "[feeder.sensor]\ndevice = \"lv-{}\"\nchannel = \"{channel}\"\narea_m2 = {:.5}\n",
                hive.id, hive.area_m2
            );
            if channel == "distance" {
                let _ = writeln!(text, "mount_m = {:.3}", hive.mount_m);
            }
        }
    }
    text
}
