//! What instruments and people hand over of a graft.

use super::gauges::Shown;
use super::platform::outages;
use super::told::{self, wrong_levels, wrong_weights};
use super::yard::{Hive, Place, Yard};
use super::{HOUR_MS, STEP_MS};
use crate::raw::{Note, Raw, Row};
use larder_domain::Timestamp;
use larder_sim::Dice;
use larder_syrup::physics::kg_per_litre;
use std::fmt::Write;

/// A device and when it was heard.
pub struct Heard {
    pub name: String,
    pub yard: String,
    pub hive: String,
    pub at: Vec<Timestamp>,
    /// When it was wrong, in steps, and whether that could be seen.
    pub wrong: Vec<(usize, usize, bool)>,
    volts: f64,
    volts_a_day: f64,
}

impl Heard {
    fn new(name: String, yard: &Yard, hive: &str, dice: &mut Dice) -> Self {
        let dies = dice.chance(0.12);
        Self {
            name,
            yard: yard.id.clone(),
            hive: hive.to_owned(),
            at: Vec::new(),
            wrong: Vec::new(),
            volts: dice.between(3.75, 4.15),
            volts_a_day: if dies {
                -dice.between(0.01, 0.03)
            } else {
                -0.002
            },
        }
    }

    pub fn volts(&self, day: f64) -> f64 {
        self.volts + self.volts_a_day * day
    }
}

pub fn write(seed: u64, place: &Place, yards: &[Yard]) -> Raw {
    let mut rows = Vec::new();
    let mut heard = Vec::new();
    for yard in yards {
        let mut dice = Dice::of(seed, &format!("devices {}", yard.id));
        station(place, yard, &mut rows, &mut heard, &mut dice);
        for hive in &yard.hives {
            scale(place, yard, hive, &mut rows, &mut heard, &mut dice);
            level(place, yard, hive, &mut rows, &mut heard, &mut dice);
        }
    }
    rows.sort_by_key(|row| row.time);
    let mut notes: Vec<Note> = Vec::new();
    for yard in yards {
        for hive in &yard.hives {
            let written = hive.fills.iter().filter_map(|fill| fill.note);
            notes.extend(written.map(|(ms, volume_l)| Note {
                time: place.start.plus_ms(ms),
                feeder: hive.feeder(),
                volume_l,
                strength: yard.strength.to_string(),
            }));
        }
    }
    notes.sort_by_key(|note| note.time);
    Raw {
        name: format!("grafts-{seed}"),
        apiary: apiary(place, yards),
        truth: told::truth(place, yards, &heard),
        zones: yards
            .iter()
            .map(|yard| (yard.id.clone(), place.zone.to_owned()))
            .collect(),
        rows,
        notes,
    }
}

/// A row of one device, and its battery every six hours or so.
fn say(
    rows: &mut Vec<Row>,
    heard: &mut Heard,
    place: &Place,
    time: Timestamp,
    values: &[(&'static str, &'static str, f64)],
    dice: &mut Dice,
) {
    let last = heard.at.last().map_or(i64::MIN, |at| at.0 / (6 * HOUR_MS));
    let mut row = |channel, unit, value: f64| {
        rows.push(Row {
            time,
            device: heard.name.clone(),
            channel,
            unit,
            value: (value * 1e4).round() / 1e4,
        });
    };
    for &(channel, unit, value) in values {
        row(channel, unit, value);
    }
    if time.0 / (6 * HOUR_MS) != last {
        let volts = heard.volts + heard.volts_a_day * time.hours_since(place.start) / 24.0;
        let volts = volts + dice.normal(0.006);
        row("battery", "V", (volts * 100.0).round() / 100.0);
    }
    heard.at.push(time);
}

fn station(
    place: &Place,
    yard: &Yard,
    rows: &mut Vec<Row>,
    heard: &mut Vec<Heard>,
    dice: &mut Dice,
) {
    let Some(minutes) = yard.station else {
        return;
    };
    let mut device = Heard::new(format!("wx-{}", yard.id), yard, "", dice);
    let quiet = outages(place.days, dice);
    let mut fallen = 0.0;
    for (step, air) in yard.air.iter().enumerate() {
        fallen += air.rain_mm;
        let is_quiet = quiet.iter().any(|q| (q.0..q.1).contains(&step));
        if step % (minutes / 5) != 0 || is_quiet || dice.chance(0.01) {
            continue;
        }
        let tips = (fallen / 0.2f64).floor() * 0.2;
        fallen -= tips;
        let values = [
            ("temperature", "Cel", air.celsius + dice.normal(0.15)),
            ("humidity", "%RH", air.humidity_pct.round()),
            ("rain", "mm", tips),
            ("wind", "m/s", air.wind_m_s),
        ];
        let time = place.time(step).plus_ms(STEP_MS / 2);
        say(rows, &mut device, place, time, &values, dice);
    }
    heard.push(device);
}

fn scale(
    place: &Place,
    yard: &Yard,
    hive: &Hive,
    rows: &mut Vec<Row>,
    heard: &mut Vec<Heard>,
    dice: &mut Dice,
) {
    let Some(platform) = &hive.platform else {
        return;
    };
    let mut device = Heard::new(hive.scale(), yard, &hive.id, dice);
    for (ms, kg) in platform.read(hive, dice) {
        let time = place.start.plus_ms(ms);
        say(
            rows,
            &mut device,
            place,
            time,
            &[("weight", "kg", kg)],
            dice,
        );
    }
    device.wrong = wrong_weights(place, hive);
    heard.push(device);
}

fn level(
    place: &Place,
    yard: &Yard,
    hive: &Hive,
    rows: &mut Vec<Row>,
    heard: &mut Vec<Heard>,
    dice: &mut Dice,
) {
    let Some(gauge) = &hive.gauge else {
        return;
    };
    let mut device = Heard::new(hive.level(), yard, &hive.id, dice);
    let quiet = outages(place.days, dice);
    let offset_ms = dice.whole(0, 299) as i64 * 1000;
    let density = kg_per_litre(Some(yard.strength));
    let mut last = 0.0;
    let (channel, unit) = match gauge.shown {
        Shown::Distance { .. } => ("distance", "m"),
        Shown::Depth => ("depth", "m"),
        Shown::Weight => ("feeder_weight", "kg"),
        Shown::Strip => ("volume", "l"),
    };
    for (step, now) in hive.moments.iter().enumerate() {
        let is_quiet = quiet.iter().any(|q| (q.0..q.1).contains(&step));
        if step % (gauge.minutes / 5) != 0 || is_quiet || dice.chance(gauge.lost) {
            continue;
        }
        let since = gauge.spell_at(step).map_or(step, |spell| spell.from);
        let before = &hive.moments[since.min(step)];
        last = gauge.read(step, now, before, (density, last), dice);
        let time = place.time(step).plus_ms(offset_ms);
        let syrup_c = now.syrup_c + dice.normal(0.1);
        let values = [
            (channel, unit, last),
            ("syrup_temperature", "Cel", (syrup_c * 10.0).round() / 10.0),
        ];
        let told = if gauge.thermometer { 2 } else { 1 };
        say(rows, &mut device, place, time, &values[..told], dice);
    }
    device.wrong = wrong_levels(gauge, hive);
    heard.push(device);
}

fn apiary(place: &Place, yards: &[Yard]) -> String {
    let mut text =
        String::from("# Real hive weights with invented feeders. See the README of the weights.\n");
    let goal = if place.autumn {
        "winter_stores"
    } else {
        "build_up"
    };
    for yard in yards {
        // A station that is declared and never heard is no station.
        let _ = write!(
            text,
            "\n[[yard]]\nid = \"{0}\"\nname = \"{0}\"\ntimezone = \"{1}\"\nweather = \"wx-{0}\"\n",
            yard.id, place.zone
        );
        for hive in &yard.hives {
            let _ = write!(
                text,
                "\n[[hive]]\nid = \"{}\"\nyard = \"{}\"\ngoal = \"{goal}\"\n",
                hive.id, yard.id
            );
            if hive.platform.is_some() {
                let _ = writeln!(text, "scale = \"{}\"", hive.scale());
            }
            feeder(hive, &mut text);
        }
    }
    text
}

fn feeder(hive: &Hive, text: &mut String) {
    let h = &hive.habits;
    let _ = write!(
        text,
        "\n[[feeder]]\nid = \"{}\"\nhive = \"{}\"\nkind = \"{}\"\ncapacity_l = {}\n",
        hive.feeder(),
        hive.id,
        h.kind.name(),
        h.capacity_l
    );
    if hive.platform.is_some() && !h.on_scale {
        text.push_str("on_scale = false\n");
    }
    let Some(gauge) = &hive.gauge else {
        return;
    };
    let channel = match gauge.shown {
        Shown::Distance { .. } => "distance",
        Shown::Depth => "depth",
        Shown::Weight => "feeder_weight",
        Shown::Strip => "volume",
    };
    let _ = write!(
        text,
        "[feeder.sensor]\ndevice = \"{}\"\nchannel = \"{channel}\"\n",
        hive.level()
    );
    if let Shown::Distance { mount_m, .. } = gauge.shown {
        let _ = writeln!(text, "mount_m = {:.3}", mount_m);
    }
    if matches!(gauge.shown, Shown::Distance { .. } | Shown::Depth) {
        let rows: Vec<String> = gauge
            .shape
            .iter()
            .map(|r| format!("[{:.4}, {:.3}]", r.0, r.1))
            .collect();
        let _ = writeln!(text, "table = [{}]", rows.join(", "));
    }
}
