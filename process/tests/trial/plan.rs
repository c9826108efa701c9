//! What stands in one yard, drawn: hives, feeders, instruments. No two yards are alike.

use super::colony::Traits;
use super::instruments::{LevelSensor, Offness, Scale, Shown};
use super::sky::{Place, Season, When};
use larder_domain::FeederKind;
use larder_sim::Dice;
use larder_syrup::Strength;
use larder_syrup::feeder::Shape;

/// One yard as it is planned.
pub struct YardPlan {
    pub name: String,
    pub seed: u64,
    pub when: When,
    pub hives: Vec<HivePlan>,
    pub station: Station,
    /// First and last step, and nectar in the best weather, kg a day.
    pub flows: Vec<(usize, usize, f64)>,
}

/// What the yard's weather station measures.
#[derive(Clone, Copy)]
pub struct Station {
    pub stands: bool,
    pub gauge: bool,
    pub sun_and_wind: bool,
    pub minutes: usize,
}

pub struct HivePlan {
    pub traits: Traits,
    pub kind: FeederKind,
    pub shape: Shape,
    pub scale: Option<Scale>,
    pub level: Option<LevelSensor>,
    /// Share of what flowers give that this colony finds.
    pub luck: f64,
}

/// How fine an apiary's instruments are.
#[derive(Clone, Copy)]
struct Make {
    scale_minutes: usize,
    level_minutes: usize,
    /// 0 fine to 1 coarse.
    coarse: f64,
    thermometers: f64,
    lost: f64,
}

/// The yards of one apiary: a large one, and at times one of a hive or two.
pub fn apiary(seed: u64, days: usize) -> Vec<YardPlan> {
    let mut dice = Dice::of(seed, "apiary");
    let place = Place::ALL[(seed % 10) as usize];
    let season = dice.pick(&[Season::Autumn, Season::Spring]);
    let when = When::draw(place, season, days, &mut dice);
    let make = Make {
        scale_minutes: dice.pick(&[5, 10, 15, 20, 30]),
        level_minutes: dice.pick(&[5, 10, 15, 20, 30]),
        coarse: dice.between(0.0, 1.0),
        thermometers: dice.pick(&[0.0, 0.7, 1.0, 1.0]),
        lost: dice.log_between(0.001, 0.03),
    };
    let small = dice.chance(0.35).then(|| dice.whole(1, 2));
    let sizes = std::iter::once(dice.whole(3, 8)).chain(small);
    sizes
        .enumerate()
        .map(|(i, hives)| yard(seed, i, hives, when, make))
        .collect()
}

fn yard(seed: u64, index: usize, hives: usize, when: When, make: Make) -> YardPlan {
    let seed = seed * 10 + index as u64;
    let mut dice = Dice::of(seed, "yard");
    YardPlan {
        name: format!("y{seed}"),
        seed,
        when,
        station: Station {
            stands: dice.chance(0.75),
            gauge: dice.chance(0.8),
            sun_and_wind: dice.chance(0.6),
            minutes: dice.pick(&[10, 15, 30, 60]),
        },
        hives: (0..hives).map(|i| hive(seed, i, when, make)).collect(),
        flows: flows(when, &mut dice),
    }
}

/// Some weeks of spring, now and then some days of autumn.
fn flows(when: When, dice: &mut Dice) -> Vec<(usize, usize, f64)> {
    let n = match when.season {
        Season::Spring => dice.whole(0, 2),
        Season::Autumn => usize::from(dice.chance(0.3)),
    };
    (0..n)
        .map(|_| {
            let from = dice.whole(4, when.days.saturating_sub(4).max(4));
            let days = dice.whole(3, 9);
            let per_day = super::sky::PER_DAY;
            (
                from * per_day,
                (from + days) * per_day,
                dice.log_between(1.2, 5.0),
            )
        })
        .collect()
}

fn hive(seed: u64, index: usize, when: When, make: Make) -> HivePlan {
    let mut dice = Dice::of(seed, &format!("hive {index}"));
    let kind = dice.pick(&[
        FeederKind::Tray,
        FeederKind::Tray,
        FeederKind::Frame,
        FeederKind::Pail,
        FeederKind::Jar,
        FeederKind::Entrance,
    ]);
    let (capacity_l, height_m): (f64, f64) = match kind {
        FeederKind::Tray => (dice.between(6.0, 12.0), dice.between(0.08, 0.14)),
        FeederKind::Frame => (dice.between(2.0, 5.0), dice.between(0.18, 0.22)),
        FeederKind::Pail => (dice.between(3.0, 6.0), dice.between(0.16, 0.24)),
        FeederKind::Jar => (dice.between(0.9, 2.2), dice.between(0.12, 0.18)),
        FeederKind::Entrance => (dice.between(0.9, 1.1), dice.between(0.12, 0.15)),
    };
    let shape = if kind == FeederKind::Frame {
        // Narrower below.
        let rows = [
            (0.0, 0.0),
            (0.3 * height_m, 0.24 * capacity_l),
            (height_m, capacity_l),
        ];
        Shape::table(&rows).expect("it grows")
    } else {
        Shape::straight(capacity_l / 1000.0 / height_m).expect("an area")
    };
    HivePlan {
        traits: traits(kind, capacity_l, when, &mut dice),
        scale: dice.chance(0.9).then(|| scale(make, &mut dice)),
        level: dice.chance(0.87).then(|| level(make, height_m, &mut dice)),
        luck: dice.between(0.5, 1.4),
        kind,
        shape,
    }
}

fn traits(kind: FeederKind, capacity_l: f64, when: When, dice: &mut Dice) -> Traits {
    let autumn = when.season == Season::Autumn;
    let strength = if autumn { (2.0, 1.0) } else { (1.0, 1.0) };
    let (least, most) = if autumn { (0.15, 2.2) } else { (0.08, 0.9) };
    // Few holes: a jar lasts some days.
    let most = match kind {
        FeederKind::Jar | FeederKind::Entrance => f64::min(most, 0.35 * capacity_l),
        _ => most,
    };
    Traits {
        appetite_l_per_day: dice.log_between(f64::min(least, 0.5 * most), most),
        bees_kg: dice.between(0.8, 3.2),
        tare_kg: dice.between(16.0, 30.0),
        honey_kg: dice.between(4.0, 18.0),
        feeder_kg: 0.2 + dice.between(0.1, 0.3) * capacity_l,
        capacity_l,
        on_scale: kind != FeederKind::Entrance || dice.chance(0.5),
        warmth_k: if kind == FeederKind::Entrance {
            0.5
        } else {
            dice.between(1.0, 8.0)
        },
        lag_h: dice.between(1.0, 2.0) * capacity_l.sqrt(),
        half_at_c: dice.between(11.5, 13.5),
        by_day: if kind == FeederKind::Entrance {
            0.9
        } else {
            dice.between(0.0, 0.6)
        },
        dries_h: dice.between(18.0, 70.0),
        dries_by_night: dice.between(0.3, 1.3),
        breath_kg_per_day: dice.between(0.02, 0.07),
        in_field: dice.between(0.05, 0.2),
        dregs: dice.between(0.003, 0.013),
        lid_holds_kg: dice.between(0.05, 0.35),
        dew_kg: dice.between(0.0, 0.06),
        sour_days: if autumn { 15.0 } else { 8.0 },
        strength: Strength::by_mass(strength.0, strength.1).expect("common strengths"),
    }
}

fn scale(make: Make, dice: &mut Dice) -> Scale {
    let coarse = make.coarse;
    Scale {
        minutes: make.scale_minutes,
        per_kelvin_kg: dice.normal(0.003 + 0.008 * coarse),
        noise_kg: (0.006 + 0.04 * coarse) * dice.between(0.7, 1.3),
        step_kg: if coarse < 0.3 {
            0.005
        } else if coarse < 0.7 {
            0.02
        } else {
            0.05
        },
        thermometer: dice.chance(make.thermometers),
        lost: make.lost,
        offset_s: dice.whole(0, 299) as i64,
    }
}

fn level(make: Make, height_m: f64, dice: &mut Dice) -> LevelSensor {
    let coarse = make.coarse;
    let shown = match dice.whole(0, 5) {
        0..=2 => Shown::Distance {
            mount_m: height_m + dice.between(0.02, 0.06),
        },
        3 | 4 => Shown::Depth,
        _ => Shown::Weight,
    };
    let weighs = shown == Shown::Weight;
    let (noise, step, offset, per_kelvin) = if weighs {
        (0.005 + 0.02 * coarse, 0.005 + 0.015 * coarse, 0.035, 0.0015)
    } else {
        (
            0.0006 + 0.003 * coarse,
            if coarse < 0.5 { 0.0005 } else { 0.001 },
            0.002,
            0.0001,
        )
    };
    LevelSensor {
        shown,
        minutes: make.level_minutes,
        noise: noise * dice.between(0.7, 1.3),
        step,
        offset: dice.normal(offset),
        per_kelvin: dice.normal(per_kelvin),
        share: dice.normal(if weighs { 0.003 } else { 0.02 }),
        echoes: if matches!(shown, Shown::Distance { .. }) {
            0.012 * coarse
        } else {
            0.0
        },
        thermometer: dice.chance(make.thermometers),
        lost: make.lost,
        offset_s: dice.whole(0, 299) as i64,
        when_off: dice.pick(&[Offness::Floor, Offness::Far, Offness::Nonsense]),
    }
}
