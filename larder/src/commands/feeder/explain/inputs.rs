//! What is asked, from options and from a declared feeder.

use super::Explain;
use crate::failure::wrong_use;
use crate::settings::{SettingsFile, Shared, data_dir};
use anyhow::Result;
use larder_domain::feeder::Shape;
use larder_domain::level::{Doubts, Gauge, Inputs, Reckons, Wall, usual_doubts};
use larder_domain::strength::{
    LooseDensity, UNKNOWN_SUGAR, UNKNOWN_SUGAR_SD, typed as strength_typed,
};
use larder_domain::units::number::leading_number;
use larder_domain::units::{
    DegreesCelsius, Kilograms, Litres, MassFraction, Metres, UnitSystem, typed,
};
use larder_domain::{
    ChannelRef, Estimate, Feeder, FeederId, Geometry, Learned, LevelSensor, Trait,
};
use larder_process::series::SENSOR_REFERENCE_CEL;
use larder_store::{Access, EmbeddedStore, Readings, Records};

/// Everything the budget needs.
pub(super) struct Asked {
    pub feeder: Option<String>,
    pub gauge: Gauge,
    pub wall: Wall,
    pub inputs: Inputs,
    pub doubts: Doubts,
    pub reading_words: String,
    pub notes: Vec<String>,
}

/// What a declared feeder knows by itself.
#[derive(Default)]
struct Declared {
    feeder: Option<String>,
    geometry: Option<Geometry>,
    reading: Option<f64>,
    sugar: Option<f64>,
    learned: Vec<Learned>,
}

pub(super) fn gather(command: &Explain, shared: &Shared, units: UnitSystem) -> Result<Asked> {
    let declared = match &command.feeder {
        Some(id) => declared(id, shared)?,
        None => Declared::default(),
    };
    let gauge = gauge(command, &declared, reckons(&command.set_for)?)?;
    let wall = wall(command, &declared, gauge)?;
    let (reading, reading_words) = reading(command, &declared, gauge, units)?;

    let mut notes = Vec::new();
    let known = match &command.strength {
        Some(text) => Some(
            strength_typed(text, LooseDensity::USUAL)
                .map_err(|e| wrong_use(format!("--strength: {e}")))?
                .mass_fraction()
                .value(),
        ),
        None => declared.sugar,
    };
    let mut doubts = usual_doubts(gauge);
    let sugar = known.unwrap_or_else(|| {
        notes.push("The strength was not said: taken as anything from 1:1 to 2:1.".to_owned());
        doubts.sugar = UNKNOWN_SUGAR_SD;
        UNKNOWN_SUGAR
    });
    let sugar = MassFraction::new(sugar).map_err(|e| wrong_use(e.to_string()))?;
    let syrup_c = temperature("--syrup-at", &command.syrup_at)?.unwrap_or(20.0);
    let inputs = Inputs {
        syrup_c,
        air_c: temperature("--air-at", &command.air_at)?.unwrap_or(syrup_c),
        tilt_deg: degrees("--tilt", &command.tilt)?.unwrap_or(0.0),
        off_middle_m: length("--off-middle", &command.off_middle)?.unwrap_or(0.0),
        ..Inputs::of(reading, sugar)
    };
    let mut inputs = inputs;
    if uses_learned(command, &declared) {
        apply_learned(&declared.learned, gauge, &mut inputs, &mut doubts);
        notes.push(
            "What was learned of this sensor is taken out, as in the estimates: its zero, its drift \
             with warmth and its geometry (`larder devices` lists them)."
                .to_owned(),
        );
    }
    for text in &command.doubts {
        set_doubt(&mut doubts, gauge, text)?;
    }
    Ok(Asked {
        feeder: declared.feeder,
        gauge,
        wall,
        inputs,
        doubts,
        reading_words,
        notes,
    })
}

fn declared(id: &str, shared: &Shared) -> Result<Declared> {
    let id = FeederId::new(id).map_err(|e| wrong_use(e.to_string()))?;
    let file = SettingsFile::find(shared.config.as_deref())?;
    let store = EmbeddedStore::open(&data_dir(shared, &file), Access::Read)?;
    let apiary = store.apiary()?;
    let Some(feeder) = apiary.feeder(&id) else {
        return Err(wrong_use(format!(
            "there is no feeder \"{id}\"; `larder apply` declares one"
        )));
    };
    let Some(sensor) = newest_sensor(feeder) else {
        return Err(wrong_use(format!(
            "\"{id}\" has no sensor; give --sensor and --reading instead"
        )));
    };
    let source = &sensor.assignment.source;
    let newest = store.latest()?.into_iter().find(|l| l.series == *source);
    let own = sensor.geometry.channel_kind().unit();
    let reading = newest.and_then(|l| l.unit.convert(l.sample.value, &own));
    let fills = store.fill_events(std::slice::from_ref(&id), larder_domain::Span::ALWAYS)?;
    let sugar = fills
        .iter()
        .rev()
        .find_map(|fill| Some(fill.strength?.mass_fraction().value()));
    Ok(Declared {
        feeder: Some(id.to_string()),
        geometry: Some(sensor.geometry.clone()),
        reading,
        sugar,
        learned: learned_of(&store, source)?,
    })
}

/// What was learned of a sensor, newest of each trait.
fn learned_of(store: &EmbeddedStore, source: &ChannelRef) -> Result<Vec<Learned>> {
    let mut learned = store.learned()?;
    learned.retain(|one| one.source == *source);
    Ok(learned)
}

/// Takes out of the inputs what was learned of the sensor, as the estimates do, and puts how well it
/// is known in place of what such sensors are usually like.
fn apply_learned(learned: &[Learned], gauge: Gauge, inputs: &mut Inputs, doubts: &mut Doubts) {
    let of = |what: Trait| {
        learned
            .iter()
            .find(|one| one.what == what)
            .map(|one| one.value)
    };
    let sd = |value: Estimate| (value.hi - value.lo) / 2.0 / Estimate::Z90;
    let warmth = inputs.syrup_c - SENSOR_REFERENCE_CEL;
    let offset = of(Trait::Offset);
    let drift = of(Trait::PerKelvin);
    let value = |estimate: Option<Estimate>| estimate.map_or(0.0, |e| e.value);
    let too_high = value(offset) + warmth * value(drift);
    let too_high_sd = offset.map_or(0.0, sd).hypot(warmth * drift.map_or(0.0, sd));
    match gauge {
        Gauge::Sound { .. } | Gauge::Optical => {
            inputs.mount_off_m -= too_high;
            doubts.mount_off_m = too_high_sd;
        }
        Gauge::Weight => {
            inputs.tare_off_kg += too_high;
            doubts.tare_off_kg = too_high_sd;
        }
        Gauge::Pressure { .. } | Gauge::Depth | Gauge::Volume => {
            inputs.reading -= too_high;
            doubts.reading = doubts.reading.hypot(too_high_sd);
        }
    }
    if let Some(share) = of(Trait::GeometryShare) {
        inputs.shape_off = 1.0 / (1.0 + share.value) - 1.0;
        doubts.shape_off = sd(share);
    }
}

fn newest_sensor(feeder: &Feeder) -> Option<&LevelSensor> {
    feeder
        .sensors
        .iter()
        .max_by_key(|s| s.assignment.during.start)
}

fn reckons(set_for: &Option<String>) -> Result<Reckons> {
    if set_for.as_deref().is_some_and(|text| text.trim() == "air") {
        return Ok(Reckons::ByStraightLine);
    }
    let set_for = temperature("--set-for", set_for)?.unwrap_or(20.0);
    Ok(Reckons::At(DegreesCelsius(set_for)))
}

/// Whether the sensor's own newest reading is explained and something was learned of it.
fn uses_learned(command: &Explain, declared: &Declared) -> bool {
    !declared.learned.is_empty() && command.reading.is_none() && command.sensor.is_none()
}

fn gauge(command: &Explain, declared: &Declared, reckons: Reckons) -> Result<Gauge> {
    let word = match (&command.sensor, &declared.geometry) {
        (Some(word), _) => word.as_str(),
        // What was learned of it holds what warm and moist air do to its sound.
        (None, Some(Geometry::Distance { .. })) if uses_learned(command, declared) => "optical",
        (None, Some(Geometry::Distance { .. })) => "ultrasonic",
        (None, Some(Geometry::Depth { .. })) => "depth",
        (None, Some(Geometry::Volume)) => "volume",
        (None, Some(Geometry::FeederWeight)) => "weight",
        (None, None) => {
            return Err(wrong_use(
                "say --sensor: ultrasonic, optical, pressure, depth, volume or weight",
            ));
        }
    };
    Ok(match word {
        "ultrasonic" => Gauge::Sound { reckons },
        "optical" => Gauge::Optical,
        "pressure" => Gauge::Pressure {
            set_with_water: command.set_with_water,
        },
        "depth" => Gauge::Depth,
        "volume" => Gauge::Volume,
        "weight" => Gauge::Weight,
        other => {
            return Err(wrong_use(format!(
                "--sensor: ultrasonic, optical, pressure, depth, volume or weight, not \"{other}\""
            )));
        }
    })
}

fn wall(command: &Explain, declared: &Declared, gauge: Gauge) -> Result<Wall> {
    let looks_down = matches!(gauge, Gauge::Sound { .. } | Gauge::Optical);
    let needs_shape = !matches!(gauge, Gauge::Volume | Gauge::Weight);
    let (known_mount, known_shape) = match &declared.geometry {
        Some(Geometry::Distance { mount_m, shape }) => (Some(*mount_m), Some(shape.clone())),
        Some(Geometry::Depth { shape }) => (None, Some(shape.clone())),
        Some(Geometry::Volume | Geometry::FeederWeight) | None => (None, None),
    };
    let bad = |e: larder_domain::feeder::BadShape| wrong_use(e.to_string());
    let shape = match (&command.area, &command.table, known_shape) {
        (Some(_), Some(_), _) => {
            return Err(wrong_use("give --area or --table, not both"));
        }
        (Some(area), None, _) => {
            let area = area.trim().trim_end_matches("m2").trim();
            let area: f64 = area
                .parse()
                .map_err(|_| wrong_use(format!("--area: \"{area}\" is no number of m2")))?;
            Shape::straight(area).map_err(bad)?
        }
        (None, Some(table), _) => {
            let rows: Vec<(f64, f64)> = serde_json::from_str(table).map_err(|_| {
                wrong_use(
                    "--table: write pairs of depth in m and litres, like [[0, 0], [0.05, 3.1]]",
                )
            })?;
            Shape::table(&rows).map_err(bad)?
        }
        (None, None, Some(shape)) => shape,
        (None, None, None) if needs_shape => {
            return Err(wrong_use(
                "say --area or --table; `larder feeder calibrate` measures them out",
            ));
        }
        (None, None, None) => Shape::straight(1.0).map_err(bad)?, // not looked at by this gauge
    };
    let mount_m = match length("--mount", &command.mount)?.or(known_mount) {
        Some(mount) => mount,
        None if looks_down => {
            return Err(wrong_use(
                "say --mount, from the sensor's face to the feeder's floor, like \"145 mm\"",
            ));
        }
        None => 0.0,
    };
    Ok(Wall { shape, mount_m })
}

fn reading(
    command: &Explain,
    declared: &Declared,
    gauge: Gauge,
    units: UnitSystem,
) -> Result<(f64, String)> {
    let bad = |e: larder_domain::units::NotUnderstood| wrong_use(format!("--reading: {e}"));
    let value = match (&command.reading, declared.reading) {
        (Some(text), _) => match gauge {
            Gauge::Volume => typed::volume(text).map_err(bad)?.0,
            Gauge::Weight => typed::mass(text).map_err(bad)?.0,
            Gauge::Sound { .. } | Gauge::Optical | Gauge::Pressure { .. } | Gauge::Depth => {
                typed::length(text).map_err(bad)?.0
            }
        },
        (None, Some(value)) => value,
        (None, None) => {
            return Err(wrong_use(
                "say --reading, what the sensor says, like \"85 mm\"",
            ));
        }
    };
    let words = match gauge {
        Gauge::Volume => units.volume(Litres(value)).to_string(),
        Gauge::Weight => units.mass(Kilograms(value)).to_string(),
        Gauge::Sound { .. } | Gauge::Optical => {
            format!("{} below the sensor", units.length(Metres(value)))
        }
        Gauge::Pressure { .. } | Gauge::Depth => format!("{} deep", units.length(Metres(value))),
    };
    Ok((value, words))
}

fn temperature(option: &str, text: &Option<String>) -> Result<Option<f64>> {
    text.as_deref()
        .map(|text| {
            typed::temperature(text)
                .map(|t| t.0)
                .map_err(|e| wrong_use(format!("{option}: {e}")))
        })
        .transpose()
}

fn length(option: &str, text: &Option<String>) -> Result<Option<f64>> {
    text.as_deref()
        .map(|text| {
            typed::length(text)
                .map(|l| l.0)
                .map_err(|e| wrong_use(format!("{option}: {e}")))
        })
        .transpose()
}

fn degrees(option: &str, text: &Option<String>) -> Result<Option<f64>> {
    text.as_deref()
        .map(|text| {
            let number = text
                .trim()
                .trim_end_matches("deg")
                .trim_end_matches('°')
                .trim();
            match number.parse::<f64>() {
                Ok(value) if value.abs() <= 45.0 => Ok(value),
                _ => Err(wrong_use(format!(
                    "{option}: \"{text}\" is no angle from 0 to 45 degrees"
                ))),
            }
        })
        .transpose()
}

/// `reading=2 mm`, `air=1 C`: one standard deviation.
fn set_doubt(doubts: &mut Doubts, gauge: Gauge, text: &str) -> Result<()> {
    let shape = || wrong_use(format!("--doubt: \"{text}\" is not like \"reading=2 mm\""));
    let (name, amount) = text.split_once('=').ok_or_else(shape)?;
    let (name, amount) = (name.trim(), amount.trim());
    let quantity =
        |e: larder_domain::units::NotUnderstood| wrong_use(format!("--doubt {name}: {e}"));
    let metres = || typed::length(amount).map(|l| l.0).map_err(quantity);
    let kilograms = || typed::mass(amount).map(|m| m.0).map_err(quantity);
    let in_unit = |words: &[(&str, f64)]| {
        let (value, unit) = leading_number(amount).map_err(|_| shape())?;
        let unit = unit.trim();
        let factor = words.iter().find(|(word, _)| *word == unit).map(|(_, f)| f);
        match factor {
            Some(factor) if value >= 0.0 => Ok(value * factor),
            _ => {
                let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
                Err(wrong_use(format!(
                    "--doubt {name}: write a number and {}",
                    known.join(" or ")
                )))
            }
        }
    };
    let kelvin = [
        ("C", 1.0),
        ("°C", 1.0),
        ("K", 1.0),
        ("F", 5.0 / 9.0),
        ("°F", 5.0 / 9.0),
    ];
    match name {
        "reading" => {
            doubts.reading = match gauge {
                Gauge::Volume => typed::volume(amount).map(|v| v.0).map_err(quantity)?,
                Gauge::Weight => kilograms()?,
                Gauge::Sound { .. } | Gauge::Optical | Gauge::Pressure { .. } | Gauge::Depth => {
                    metres()?
                }
            };
        }
        "air" => doubts.air_c = in_unit(&kelvin)?,
        "syrup" => doubts.syrup_c = in_unit(&kelvin)?,
        "mount" => doubts.mount_off_m = metres()?,
        "tare" => doubts.tare_off_kg = kilograms()?,
        "shape" => doubts.shape_off = in_unit(&[("%", 0.01)])?,
        "strength" => doubts.sugar = in_unit(&[("%", 0.01)])?,
        "moist-air" => doubts.moist_air = in_unit(&[("%", 0.01)])?,
        "tilt" => doubts.tilt_deg = in_unit(&[("deg", 1.0), ("°", 1.0)])?,
        "hive-tilt" => doubts.hive_tilt_deg = in_unit(&[("deg", 1.0), ("°", 1.0)])?,
        other => {
            return Err(wrong_use(format!(
                "--doubt: reading, air, syrup, mount, tare, shape, strength, moist-air, tilt or \
                 hive-tilt, not \"{other}\""
            )));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::{HiveId, Timestamp};

    /// By hand: a sensor that reads 2 mm too deep at 15 Cel and 0.1 mm more per kelvin says 53 mm of
    /// syrup at 25 Cel where there are 50, and a shape given 4 % too large holds 50 mm times 75.9 l/m
    /// over 1.04.
    #[test]
    fn what_was_learned_is_taken_out() {
        let learned = |what, value, sd| Learned {
            hive: HiveId::new("h").unwrap(),
            source: ChannelRef {
                device: larder_domain::DeviceId::new("s").unwrap(),
                channel: larder_domain::ChannelName::new("distance").unwrap(),
            },
            what,
            date: chrono::NaiveDate::default(),
            since: Timestamp(0),
            value: Estimate::normal(value, sd),
        };
        let all = [
            learned(Trait::Offset, 0.002, 0.0005),
            learned(Trait::PerKelvin, 0.0001, 0.0),
            learned(Trait::GeometryShare, 0.04, 0.01),
        ];
        let wall = Wall {
            shape: Shape::straight(0.0759).unwrap(),
            mount_m: 0.145,
        };
        let sugar = MassFraction::new(0.6).unwrap();
        let mut inputs = Inputs {
            syrup_c: 25.0,
            ..Inputs::of(0.145 - 0.053, sugar)
        };
        let mut doubts = usual_doubts(Gauge::Optical);
        apply_learned(&all, Gauge::Optical, &mut inputs, &mut doubts);
        let at_25 = larder_domain::level::litres_at_20(Gauge::Optical, &wall, &inputs);
        inputs.syrup_c = 20.0;
        let litres = larder_domain::level::litres_at_20(Gauge::Optical, &wall, &inputs);
        assert!((litres - 0.050 * 75.9 / 1.04).abs() < 1e-9, "{litres}");
        assert!(at_25 < litres);
        assert!((doubts.mount_off_m - 0.0005).abs() < 1e-9);
        assert!((doubts.shape_off - 0.01).abs() < 1e-9);
    }
}
