//! One yard of a graft: its hives drawn and their weeks lived.

use super::air::{self, Air, Climate, hour_of};
use super::base::{self, BaseHive, DAY_MS, Stretch};
use super::crew::{Book, Crew, Fill, Hands, inspect};
use super::gauges::Gauge;
use super::life::{Habits, Life, Moment, Upset};
use super::mishaps::{self, Going, Mishap};
use super::platform::Platform;
use super::{HOUR_MS, STEP_MS};
use larder_domain::{FeederKind, Timestamp};
use larder_sim::Dice;
use larder_syrup::Strength;

/// Where and when.
#[derive(Clone, Copy)]
pub struct Place {
    pub zone: &'static str,
    /// The first midnight of the sun's own clock, which knows no summer time.
    pub start: Timestamp,
    pub days: usize,
    pub autumn: bool,
}

impl Place {
    pub fn draw(
        dice: &mut Dice,
        stretch: &Stretch,
        from: usize,
        autumn: bool,
        days: usize,
    ) -> Self {
        let (zone, hours) = dice.pick(&[
            ("America/Phoenix", -7),
            ("America/Los_Angeles", -8),
            ("Europe/Madrid", 1),
            ("Africa/Johannesburg", 2),
            ("Australia/Brisbane", 10),
        ]);
        let midnight = stretch.midnights().0 + from as i64 * DAY_MS;
        Self {
            zone,
            start: Timestamp(midnight - hours * HOUR_MS),
            days,
            autumn,
        }
    }

    pub fn time(&self, step: usize) -> Timestamp {
        self.start.plus_ms(step as i64 * STEP_MS)
    }

    pub fn end(&self) -> Timestamp {
        self.start.plus_ms(self.days as i64 * DAY_MS)
    }

    pub fn steps(&self) -> usize {
        self.days * super::STEPS_A_DAY
    }
}

pub struct Yard {
    pub id: String,
    pub air: Vec<Air>,
    pub rain: Vec<(i64, f64)>,
    /// Minutes between what its weather station says, if one stands there.
    pub station: Option<usize>,
    pub strength: Strength,
    pub hives: Vec<Hive>,
}

pub struct Hive {
    pub id: String,
    pub habits: Habits,
    pub moments: Vec<Moment>,
    pub fills: Vec<Fill>,
    pub hands: Vec<Hands>,
    pub goings: Vec<Going>,
    pub gauge: Option<Gauge>,
    pub platform: Option<Platform>,
}

impl Yard {
    pub fn live(seed: u64, index: usize, place: &Place, weighed: Vec<BaseHive>) -> Self {
        let rain = base::rain(&weighed, place.days);
        let mut dice = Dice::of(seed, &format!("yard {index}"));
        let more = dice.whole(0, 3);
        let bases = weighed.into_iter().map(Some);
        let bases = bases.chain((0..more).map(|_| None)).collect();
        Self::of(seed, index, place, bases, rain)
    }

    pub fn without_scales(seed: u64, index: usize, place: &Place) -> Self {
        let mut dice = Dice::of(seed, &format!("size {index}"));
        let storms = dice.whole(0, 4);
        let any_time = |_| {
            let at = dice.between(0.0, place.days as f64) * DAY_MS as f64;
            (at as i64, dice.between(0.2, 0.9))
        };
        let rain = (0..storms).map(any_time).collect();
        let hives = dice.whole(2, 5);
        Self::of(seed, index, place, (0..hives).map(|_| None).collect(), rain)
    }

    fn of(
        seed: u64,
        index: usize,
        place: &Place,
        bases: Vec<Option<BaseHive>>,
        rain: Vec<(i64, f64)>,
    ) -> Self {
        let mut dice = Dice::of(seed, &format!("sky {index}"));
        let down_k = dice.between(0.0, 9.0);
        let climate = Climate {
            first_c: if place.autumn { 23.0 } else { 17.0 } - down_k,
            last_c: if place.autumn { 14.0 } else { 25.0 } - down_k,
            swing_k: dice.between(5.0, 10.0),
            cold_spells: dice.chance(0.5),
        };
        let air = air::of(&climate, place.days, &rain, &mut dice);
        let crew = Crew::draw(place.autumn, &mut dice);
        let visits = crew.visits(place.days, &air, &mut dice);
        let books: Vec<Book> = visits.iter().map(|_| crew.book(&mut dice)).collect();
        let station = dice.chance(0.6).then(|| dice.pick(&[15, 30, 60]));
        let id = format!("g{seed}{}", ["a", "b"][index]);
        let minutes = dice.whole(1, 4);
        let hives = bases.into_iter().enumerate().map(|(i, base)| {
            let dice = Dice::of(seed, &format!("hive {index} {i}"));
            let mine = visits.iter().zip(&books);
            let mine = mine.map(|(visit, book)| (visit + i * minutes / 2, *book));
            let mine: Vec<_> = mine.filter(|v| v.0 + 1 < place.steps()).collect();
            Hive::live(
                format!("{id}-{}", i + 1),
                place,
                &air,
                &crew,
                &mine,
                base,
                dice,
            )
        });
        Self {
            hives: hives.collect(),
            strength: crew.strength,
            id,
            air,
            rain,
            station,
        }
    }
}

fn vessel(dice: &mut Dice) -> (FeederKind, f64, Vec<(f64, f64)>) {
    let kind = dice.pick(&[
        FeederKind::Tray,
        FeederKind::Tray,
        FeederKind::Tray,
        FeederKind::Frame,
        FeederKind::Pail,
        FeederKind::Pail,
        FeederKind::Jar,
        FeederKind::Entrance,
    ]);
    let (litres, m) = match kind {
        FeederKind::Tray => (dice.between(5.0, 12.0), dice.between(0.07, 0.12)),
        FeederKind::Frame => (dice.between(1.8, 4.5), dice.between(0.17, 0.22)),
        FeederKind::Pail => (dice.between(3.0, 10.0), dice.between(0.15, 0.25)),
        FeederKind::Jar => (dice.between(0.8, 2.0), dice.between(0.12, 0.17)),
        FeederKind::Entrance => (dice.between(0.9, 1.1), dice.between(0.12, 0.15)),
    };
    let litres: f64 = (litres * 10.0).round() / 10.0;
    let shape = if kind == FeederKind::Frame && dice.chance(0.5) {
        vec![(0.0, 0.0), (0.4 * m, 0.33 * litres), (m, litres)]
    } else {
        vec![(0.0, 0.0), (m, litres)]
    };
    (kind, litres, shape)
}

fn habits(kind: FeederKind, capacity_l: f64, autumn: bool, dice: &mut Dice) -> Habits {
    let (least, most) = if autumn { (0.3, 3.0) } else { (0.15, 1.6) };
    let small = matches!(kind, FeederKind::Jar | FeederKind::Entrance);
    let none = dice.between(7.0, 11.0);
    Habits {
        kind,
        capacity_l,
        feeder_kg: 0.2 + dice.between(0.08, 0.25) * capacity_l,
        on_scale: kind != FeederKind::Entrance || dice.chance(0.5),
        appetite_l_per_day: dice.log_between(least, most),
        holes_l_per_h: if small {
            dice.between(0.008, 0.04)
        } else if kind == FeederKind::Pail {
            dice.between(0.03, 0.15)
        } else {
            1.0
        },
        cold_c: (none, none + dice.between(5.0, 10.0)),
        by_day: if kind == FeederKind::Entrance {
            0.95
        } else {
            dice.between(0.0, 0.8)
        },
        tell_h: dice.log_between(0.3, 2.5),
        room_kg: dice.log_between(0.5, 3.0),
        dry_h: dice.between(14.0, 50.0),
        burnt: dice.between(0.02, 0.15),
        warmth_k: if kind == FeederKind::Entrance {
            0.0
        } else {
            dice.between(0.5, 9.0)
        },
        lag_h: dice.between(0.8, 1.8) * capacity_l.sqrt(),
        dregs_l: dice.between(0.0, 0.012) * capacity_l,
        evaporates_l_per_day: dice.between(0.0, 0.008),
        keeps_day_k: if autumn {
            dice.between(120.0, 320.0)
        } else {
            dice.between(60.0, 220.0)
        },
    }
}

impl Hive {
    fn live(
        id: String,
        place: &Place,
        air: &[Air],
        crew: &Crew,
        visits: &[(usize, Book)],
        base: Option<BaseHive>,
        mut dice: Dice,
    ) -> Self {
        let (kind, capacity_l, shape) = vessel(&mut dice);
        let mut habits = habits(kind, capacity_l, place.autumn, &mut dice);
        let sensed = dice.chance(if base.is_some() { 0.65 } else { 0.75 });
        let height_m = shape.last().map_or(0.1, |row| row.0);
        let gauge = sensed.then(|| {
            let mut gauge = Gauge::draw(capacity_l, height_m, shape, &mut dice);
            gauge.fall_ill(place.days, &mut dice);
            gauge
        });
        habits.on_scale &= base.is_some();
        let kg = base.as_ref().and_then(|b| b.samples.first()).map(|x| x.1);
        let mut goings = mishaps::draw(place.days, air, base.is_some(), &mut dice);
        let mut life = Life::new(habits, dice.clone());
        let (mut moments, mut fills) = (Vec::with_capacity(air.len()), Vec::new());
        let mut hands: Vec<Hands> = Vec::new();
        let mut coming = visits.iter().peekable();
        for (step, now) in air.iter().enumerate() {
            if let Some((_, book)) = coming.next_if(|visit| visit.0 == step) {
                for going in goings.iter_mut().filter(|g| g.mended && g.at(step)) {
                    let seen = matches!(going.mishap, Mishap::Off | Mishap::Gone { .. });
                    if seen || dice.chance(0.7) {
                        going.until = step;
                    }
                }
                let when = (step, hour_of(step));
                fills.extend(crew.fill(&habits, &mut life, when, *book, &mut dice));
                if let Some(kg) = kg.filter(|_| dice.chance(0.3)) {
                    hands.push(inspect(step, kg, &mut dice));
                }
            } else if step % super::STEPS_A_DAY == 11 * 12 && dice.chance(0.03) {
                hands.extend(kg.map(|kg| inspect(step + dice.whole(0, 40), kg, &mut dice)));
            }
            let mut upset = Upset::NONE;
            for going in goings.iter().filter(|going| going.at(step)) {
                going.upset(step, now, &mut upset);
            }
            moments.push(life.step(step, now, &upset));
        }
        for going in &mut goings {
            going.until = going.until.min(air.len());
        }
        goings.retain(|going| going.from < going.until);
        Self {
            platform: base.map(|base| Platform::draw(base, place.days, &mut dice)),
            id,
            habits,
            moments,
            fills,
            hands,
            goings,
            gauge,
        }
    }

    pub fn feeder(&self) -> String {
        format!("{}-f", self.id)
    }

    pub fn scale(&self) -> String {
        format!("sc-{}", self.id)
    }

    pub fn level(&self) -> String {
        format!("lv-{}", self.id)
    }
}
