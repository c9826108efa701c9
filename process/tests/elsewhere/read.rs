//! The truth of a scenario's folder.

use crate::truth::{Condition, DayTruth, EventTruth, FillTruth, NightTruth, Truth};
use flate2::read::GzDecoder;
use larder_domain::Timestamp;
use std::error::Error;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// A file, plain or packed.
fn open(path: &Path) -> Result<Box<dyn Read>, Box<dyn Error>> {
    if path.exists() {
        return Ok(Box::new(File::open(path)?));
    }
    let packed = PathBuf::from(format!("{}.gz", path.display()));
    let file = File::open(&packed).map_err(|e| format!("{}: {e}", packed.display()))?;
    Ok(Box::new(GzDecoder::new(file)))
}

/// Rows by the names of their columns.
struct Rows {
    header: csv::StringRecord,
    rows: Vec<csv::StringRecord>,
}

impl Rows {
    fn read(path: &Path) -> Result<Self, Box<dyn Error>> {
        let mut reader = csv::Reader::from_reader(open(path)?);
        let header = reader.headers()?.clone();
        let rows = reader.records().collect::<Result<_, _>>()?;
        Ok(Self { header, rows })
    }

    fn map<T>(
        &self,
        of: impl Fn(&Row<'_>) -> Result<T, Box<dyn Error>>,
    ) -> Result<Vec<T>, Box<dyn Error>> {
        let rows = self.rows.iter().map(|row| Row(&self.header, row));
        rows.map(|row| of(&row)).collect()
    }
}

struct Row<'a>(&'a csv::StringRecord, &'a csv::StringRecord);

impl Row<'_> {
    fn text(&self, name: &str) -> String {
        let column = self.0.iter().position(|column| column == name);
        let cell = column.and_then(|column| self.1.get(column));
        cell.unwrap_or_default().to_owned()
    }

    fn number(&self, name: &str) -> Option<f64> {
        self.text(name).parse().ok()
    }

    fn litres(&self, name: &str) -> f64 {
        self.number(name).unwrap_or(0.0)
    }

    fn time(&self, name: &str) -> Result<Timestamp, Box<dyn Error>> {
        let text = self.text(name);
        let wrong = || format!("{name} is \"{text}\" and not a time as in RFC 3339");
        Ok(Timestamp::parse_rfc3339(&text).ok_or_else(wrong)?)
    }
}

/// Reads `truth/`.
pub fn truth(folder: &Path) -> Result<Truth, Box<dyn Error>> {
    let table = |name: &str| Rows::read(&folder.join("truth").join(name));
    let days = table("uptake_daily.csv")?.map(|row| {
        Ok(DayTruth {
            date: row.text("date"),
            yard: row.text("yard"),
            hive: row.text("hive"),
            feeder: row.text("feeder"),
            uptake_l: row.litres("uptake_l"),
            remaining_end_l: row.litres("remaining_end_l"),
            leaked_l: row.litres("leaked_l"),
            robbed_l: row.litres("robbed_l"),
            spilled_l: row.litres("spilled_l"),
            evaporated_l: row.litres("evaporated_l"),
            filled_l: row.litres("filled_l"),
        })
    })?;
    let fills = table("fills_truth.csv")?.map(|row| {
        Ok(FillTruth {
            time: row.time("time")?,
            yard: row.text("yard"),
            hive: row.text("hive"),
            feeder: row.text("feeder"),
            volume_l: row.litres("volume_l"),
            strength: row.text("strength"),
            mass_kg: row.litres("mass_kg"),
            recorded: match row.text("recorded").as_str() {
                "volume" => "volume",
                "plain" => "plain",
                _ => "none",
            },
        })
    })?;
    let nights = table("weight_daily.csv")?.map(|row| {
        Ok(NightTruth {
            date: row.text("date"),
            yard: row.text("yard"),
            hive: row.text("hive"),
            weight_kg: row.number("weight_kg"),
            weight_next_kg: row.number("weight_next_kg"),
            net_change_kg: row.number("net_change_kg"),
            handling_kg: row.litres("handling_kg"),
            disturbed: row.litres("disturbed") > 0.5,
        })
    })?;
    let parameters = parameters(folder)?;
    let (mut events, mut doubtful) = (
        events(&table("events.csv")?)?,
        events(&table("ambiguous.csv")?)?,
    );
    for swarm in swarms(&parameters, &days)? {
        // A hive that is not weighed cannot tell of its swarm.
        let weighed = nights.iter().any(|night| night.hive == swarm.hive);
        if weighed {
            events.push(swarm);
        } else {
            doubtful.push(swarm);
        }
    }
    let span_days = parameters.get("days").and_then(serde_json::Value::as_f64);
    Ok(Truth {
        days,
        fills,
        nights,
        events,
        doubtful,
        span_days: span_days
            .ok_or("truth/parameters.json does not say how many days the world lasts")?,
        policy: true,
    })
}

/// The swarms that a simulator lists beside its events.
fn swarms(
    parameters: &serde_json::Value,
    days: &[DayTruth],
) -> Result<Vec<EventTruth>, Box<dyn Error>> {
    let other = parameters
        .get("other")
        .and_then(serde_json::Value::as_array);
    let swarms = other.into_iter().flatten().filter(|o| o["kind"] == "swarm");
    let read = |swarm: &serde_json::Value| {
        let hive = swarm["hive"].as_str().unwrap_or_default();
        let start = swarm["time"].as_str().and_then(Timestamp::parse_rfc3339);
        let start = start.ok_or("a swarm in truth/parameters.json has no time")?;
        let yard = days.iter().find(|day| day.hive == hive);
        Ok(EventTruth {
            kind: Condition::Swarmed,
            yard: yard.map_or_else(String::new, |day| day.yard.clone()),
            hive: hive.to_owned(),
            feeder: String::new(),
            device: String::new(),
            start,
            end: start.plus_hours(1.0),
        })
    };
    swarms.map(read).collect()
}

fn events(rows: &Rows) -> Result<Vec<EventTruth>, Box<dyn Error>> {
    // What no flag speaks of is left out.
    let known = rows.map(|row| {
        let Some(kind) = Condition::named(&row.text("kind")) else {
            return Ok(None);
        };
        Ok(Some(EventTruth {
            kind,
            yard: row.text("yard"),
            hive: row.text("hive"),
            feeder: row.text("feeder"),
            device: row.text("device"),
            start: row.time("start")?,
            end: row.time("end")?,
        }))
    })?;
    Ok(known.into_iter().flatten().collect())
}

/// What was drawn for the world.
fn parameters(folder: &Path) -> Result<serde_json::Value, Box<dyn Error>> {
    let mut text = String::new();
    open(&folder.join("truth/parameters.json"))?.read_to_string(&mut text)?;
    Ok(serde_json::from_str(&text)?)
}
