//! The estimators against apiaries whose truth is known and on which hardly a constant was chosen (see
//! docs/estimator.md): the demo's own, with other numbers drawn. Its model of colonies, weather and instruments shares
//! nothing with the estimators but the physics of syrup.

use super::instruments::Instrument;
use super::*;
use crate::pipeline::Pipeline;
use larder_domain::{
    DeviceId, FillEvent, Geometry, Span, Trait, UptakeDay, WeightDay, time::local_day,
};
use larder_ingest::decode::{DecodeConfig, Message, decode};
use larder_store::{Access, EmbeddedStore, Readings, Records};
use larder_syrup::Estimate;
use std::collections::BTreeMap;

const NOW: Timestamp = Timestamp(1_790_000_123_456);
const DAYS: u32 = 30;
const SEEDS: std::ops::Range<u64> = 101..103;

/// The truth at a local midnight, and in the night behind it.
#[derive(Clone, Copy, Default)]
struct Known {
    taken_l: f64,
    left_l: f64,
    filled_kg: f64,
    /// Mean of 01:00 to 04:00, without rain and with all bees at home.
    night_kg: f64,
    n_night: u32,
}

/// What was asked of each estimate: how far off it was, whether its interval held the truth.
#[derive(Default)]
struct Score {
    errors: Vec<f64>,
    held: usize,
    widths: f64,
}

impl Score {
    fn add(&mut self, estimate: Estimate, truth: f64) {
        self.errors.push(estimate.value - truth);
        self.widths += estimate.hi - estimate.lo;
        // Truth and bounds that meet at zero differ by rounding.
        let slack = 1e-3;
        if estimate.lo - slack <= truth && truth <= estimate.hi + slack {
            self.held += 1;
        }
    }

    fn n(&self) -> f64 {
        self.errors.len() as f64
    }

    fn rms(&self) -> f64 {
        (self.errors.iter().map(|e| e * e).sum::<f64>() / self.n()).sqrt()
    }

    fn coverage(&self) -> f64 {
        self.held as f64 / self.n()
    }

    fn say(&self, what: &str) {
        let (n, rms, coverage) = (self.n(), self.rms(), self.coverage());
        let width = self.widths / n;
        println!("{what:22} n {n:5}  rmse {rms:7.4}  coverage {coverage:.3}  width {width:.3}");
    }
}

#[derive(Default)]
struct Scores {
    uptake: Score,
    left: Score,
    left_unsensed: Score,
    fills: Score,
    net_change: Score,
    per_kelvin: Score,
    geometry: Score,
    poured: usize,
    found: usize,
    invented: usize,
}

type Nights = BTreeMap<(usize, chrono::NaiveDate), Known>;

/// Runs the story, and notes the truth as it goes.
fn tell(demo: &mut DemoApiary, store: &EmbeddedStore) -> (Nights, Vec<(usize, Timestamp, f64)>) {
    let mut known = Nights::new();
    let mut poured = Vec::new();
    let config = DecodeConfig::default();
    while demo.clock < demo.history_ends {
        let date = demo.clock.local_date(ZONE);
        let clock = local_clock(demo.clock);
        let before: Vec<f64> = demo.colonies.iter().map(|c| c.ledger.filled_kg).collect();
        for (i, hive) in demo.layout.hives.iter().enumerate() {
            let colony = &demo.colonies[i];
            let litre_kg = Syrup::of_litres(1.0, hive.strength).mass_kg();
            let entry = known.entry((i, date)).or_insert_with(|| Known {
                taken_l: colony.ledger.taken_kg / litre_kg,
                left_l: colony.syrup.mass_kg() / litre_kg,
                filled_kg: colony.ledger.filled_kg,
                ..Known::default()
            });
            if (1.0..4.0).contains(&clock.hour) {
                entry.n_night += 1;
                entry.night_kg += (colony.dry_kg() - entry.night_kg) / f64::from(entry.n_night);
            }
        }
        let at = demo.clock;
        demo.step(RECORDS_A_MESSAGE);
        for (i, hive) in demo.layout.hives.iter().enumerate() {
            let kg = demo.colonies[i].ledger.filled_kg - before[i];
            if kg > 0.0 {
                poured.push((i, at, kg / Syrup::of_litres(1.0, hive.strength).mass_kg()));
            }
        }
    }
    demo.send_all(1);
    let mut readings = Vec::new();
    for message in demo.outbox.drain(..) {
        let message = Message {
            topic: message.topic,
            cut_from: None,
            payload: message.payload,
            content_type: Some(message.content_type.to_owned()),
            retained: false,
            received_at: message.at,
        };
        readings.extend(decode(&message, &config, NOW).readings);
    }
    store.append_durable(&readings).unwrap();
    store.set_apiary(&demo.apiary()).unwrap();
    store.record_fills(&demo.take_fills()).unwrap();
    (known, poured)
}

fn score(seed: u64, scores: &mut Scores) {
    let folder = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
    let mut demo = DemoApiary::new(DemoOptions::new(DAYS, 3, 6, seed).unwrap(), NOW);
    let (known, poured) = tell(&mut demo, &store);
    let pipeline = Pipeline {
        readings: &store,
        records: &store,
        clock: NOW,
    };
    pipeline.process_everything(NOW).unwrap();
    for (i, hive) in demo.layout.hives.iter().enumerate() {
        let feeder = [hive.feeder.clone()];
        let days = store.uptake(&feeder, None, None).unwrap();
        days.iter()
            .for_each(|day| score_day(day, i, hive, &known, scores));
        let nights = store
            .weight(std::slice::from_ref(&hive.id), None, None)
            .unwrap();
        nights
            .iter()
            .for_each(|night| score_night(night, i, &known, scores));
        let found = store.fill_events(&feeder, Span::ALWAYS).unwrap();
        let mine: Vec<_> = poured.iter().filter(|(hive, ..)| *hive == i).collect();
        score_fills(&found, &mine, scores);
    }
    score_instruments(&demo, &store, scores);
}

fn score_day(day: &UptakeDay, hive: usize, plan: &HivePlan, known: &Nights, scores: &mut Scores) {
    let next = day.date.succ_opt().unwrap();
    let whole = local_day(ZONE, day.date).start.0 >= NOW.0 - i64::from(DAYS) * 86_400_000;
    let (Some(from), Some(to), true) = (
        known.get(&(hive, day.date)),
        known.get(&(hive, next)),
        whole,
    ) else {
        return;
    };
    if let Some(uptake) = day.uptake_l {
        scores.uptake.add(uptake, to.taken_l - from.taken_l);
    }
    if let Some(left) = day.remaining_l {
        let sensed = plan.level().is_some();
        let score = if sensed {
            &mut scores.left
        } else {
            &mut scores.left_unsensed
        };
        score.add(left, to.left_l);
    }
}

fn score_night(night: &WeightDay, hive: usize, known: &Nights, scores: &mut Scores) {
    let next = night.date.succ_opt().unwrap();
    let (Some(from), Some(to)) = (known.get(&(hive, night.date)), known.get(&(hive, next))) else {
        return;
    };
    if let (Some(net), true) = (night.net_change_kg, from.n_night.min(to.n_night) == 180) {
        // Fills are poured by day, between the two nights.
        let handled = to.filled_kg - from.filled_kg;
        scores
            .net_change
            .add(net, to.night_kg - from.night_kg - handled);
    }
}

fn score_fills(found: &[FillEvent], poured: &[&(usize, Timestamp, f64)], scores: &mut Scores) {
    let near = |fill: &FillEvent, at: Timestamp| fill.time.hours_since(at).abs() <= 2.0;
    scores.poured += poured.len();
    for (_, at, litres) in poured {
        let Some(fill) = found.iter().find(|fill| near(fill, *at)) else {
            continue;
        };
        scores.found += 1;
        if let Some(volume) = fill.volume_l {
            scores.fills.add(volume, *litres);
        }
    }
    let unmatched = found
        .iter()
        .filter(|fill| !poured.iter().any(|(_, at, _)| near(fill, *at)));
    scores.invented += unmatched.count();
}

/// What was learned of each instrument against what was drawn for it.
fn score_instruments(demo: &DemoApiary, store: &EmbeddedStore, scores: &mut Scores) {
    let drawn: BTreeMap<&DeviceId, &Instrument> = demo
        .devices
        .iter()
        .map(|device| (&device.id, &device.instrument))
        .collect();
    for learned in store.learned().unwrap() {
        match (learned.what, drawn[&learned.source.device]) {
            (Trait::PerKelvin, Instrument::Scale { per_kelvin_kg, .. }) => {
                scores.per_kelvin.add(learned.value, *per_kelvin_kg);
            }
            (
                Trait::GeometryShare,
                Instrument::Level {
                    geometry: Geometry::Distance { .. } | Geometry::Depth { .. },
                    true_litres_per_declared,
                    ..
                },
            ) => scores
                .geometry
                .add(learned.value, 1.0 / true_litres_per_declared - 1.0),
            _ => {}
        }
    }
}

/// Two bounds are wider than what is asked elsewhere, for reasons of this apiary: what is left hangs on a
/// ruler's 3 mm, which are 0.36 l in its trays, and they hardly ever run empty; and it rains on a third of
/// the days on lids that dry by a law of their own.
#[test]
fn estimates_hold_on_apiaries_that_were_never_looked_at() {
    let mut all = Scores::default();
    SEEDS.for_each(|seed| score(seed, &mut all));
    all.uptake.say("uptake, l/day");
    all.left.say("left, l");
    all.left_unsensed.say("left, no sensor, l");
    all.fills.say("fills, l");
    all.net_change.say("net change, kg/day");
    all.per_kelvin.say("load cells, kg/K");
    all.geometry.say("geometry, share");
    println!(
        "fills: {} poured, {} found, {} invented",
        all.poured, all.found, all.invented
    );
    assert!(all.uptake.n() > 900.0 && all.net_change.n() > 700.0);
    assert!(all.uptake.rms() <= 0.15, "uptake {}", all.uptake.rms());
    assert!(all.uptake.coverage() >= 0.87);
    assert!(all.left.rms() <= 0.36, "left {}", all.left.rms());
    assert!(all.left.coverage() >= 0.85);
    assert!(all.found as f64 >= 0.98 * all.poured as f64);
    assert!(all.invented as f64 <= 0.02 * all.poured as f64);
    assert!(all.fills.rms() <= 0.25, "fills {}", all.fills.rms());
    assert!(all.fills.coverage() >= 0.85);
    assert!(all.net_change.rms() <= 0.06, "{}", all.net_change.rms());
    assert!(all.net_change.coverage() >= 0.85);
    assert!(all.per_kelvin.coverage() >= 0.8);
    assert!(all.geometry.coverage() >= 0.7);
}
