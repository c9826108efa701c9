//! A world written down as a scenario's folder.

use crate::raw::Raw;
use crate::truth::EventTruth;
use flate2::Compression;
use flate2::write::GzEncoder;
use larder_domain::Timestamp;
use std::error::Error;
use std::fs::File;
use std::path::Path;

type Table = csv::Writer<GzEncoder<File>>;

fn table(path: &Path, header: &[&str]) -> Result<Table, Box<dyn Error>> {
    let packed = GzEncoder::new(File::create(path)?, Compression::default());
    let mut table = csv::Writer::from_writer(packed);
    table.write_record(header)?;
    Ok(table)
}

fn finish(table: Table) -> Result<(), Box<dyn Error>> {
    table.into_inner().map_err(|e| e.to_string())?.finish()?;
    Ok(())
}

/// `apiary.toml`, `readings.csv.gz`, `fills.csv` and `truth/`.
pub fn write(raw: &Raw, folder: &Path) -> Result<(), Box<dyn Error>> {
    let truth = folder.join("truth");
    std::fs::create_dir_all(&truth)?;
    std::fs::write(folder.join("apiary.toml"), &raw.apiary)?;
    let header = ["time", "device", "channel", "unit", "value"];
    let mut readings = table(&folder.join("readings.csv.gz"), &header)?;
    for row in &raw.rows {
        let (time, value) = (row.time.to_rfc3339(), row.value.to_string());
        readings.write_record([&time, &row.device, row.channel, row.unit, &value])?;
    }
    finish(readings)?;
    let mut fills = csv::Writer::from_path(folder.join("fills.csv"))?;
    fills.write_record(["time", "feeder", "volume_l", "strength"])?;
    for note in &raw.notes {
        let volume = note.volume_l.map_or_else(String::new, |l| l.to_string());
        fills.write_record([
            &note.time.to_rfc3339(),
            &note.feeder,
            &volume,
            &note.strength,
        ])?;
    }
    fills.flush()?;
    days(raw, &truth)?;
    poured(raw, &truth)?;
    nights(raw, &truth)?;
    events(&raw.truth.events, &truth.join("events.csv.gz"))?;
    let mut doubtful = raw.truth.doubtful.clone();
    if !raw.truth.policy {
        doubtful.extend(policy(raw));
    }
    events(&doubtful, &truth.join("ambiguous.csv.gz"))?;
    parameters(raw, &truth)
}

fn days(raw: &Raw, folder: &Path) -> Result<(), Box<dyn Error>> {
    let header = [
        "date",
        "yard",
        "hive",
        "feeder",
        "uptake_l",
        "remaining_end_l",
        "leaked_l",
        "robbed_l",
        "spilled_l",
        "evaporated_l",
        "filled_l",
    ];
    let mut file = table(&folder.join("uptake_daily.csv.gz"), &header)?;
    for day in &raw.truth.days {
        let numbers = [
            day.uptake_l,
            day.remaining_end_l,
            day.leaked_l,
            day.robbed_l,
            day.spilled_l,
            day.evaporated_l,
            day.filled_l,
        ];
        let names = [&day.date, &day.yard, &day.hive, &day.feeder];
        let row = names.into_iter().cloned();
        file.write_record(row.chain(numbers.iter().map(|x| format!("{x:.4}"))))?;
    }
    finish(file)
}

fn poured(raw: &Raw, folder: &Path) -> Result<(), Box<dyn Error>> {
    let header = [
        "time",
        "yard",
        "hive",
        "feeder",
        "volume_l",
        "strength",
        "mass_kg",
        "recorded",
        "recorded_volume_l",
    ];
    let mut file = table(&folder.join("fills_truth.csv.gz"), &header)?;
    for fill in &raw.truth.fills {
        file.write_record([
            &fill.time.to_rfc3339(),
            &fill.yard,
            &fill.hive,
            &fill.feeder,
            &format!("{:.3}", fill.volume_l),
            &fill.strength,
            &format!("{:.3}", fill.mass_kg),
            fill.recorded,
            "",
        ])?;
    }
    finish(file)
}

fn nights(raw: &Raw, folder: &Path) -> Result<(), Box<dyn Error>> {
    let header = [
        "date",
        "yard",
        "hive",
        "weight_kg",
        "weight_next_kg",
        "net_change_kg",
        "handling_kg",
        "disturbed",
        "water_kg",
    ];
    let mut file = table(&folder.join("weight_daily.csv.gz"), &header)?;
    let number = |x: Option<f64>| x.map_or_else(String::new, |x| format!("{x:.4}"));
    for night in &raw.truth.nights {
        file.write_record([
            &night.date,
            &night.yard,
            &night.hive,
            &number(night.weight_kg),
            &number(night.weight_next_kg),
            &number(night.net_change_kg),
            &format!("{:.4}", night.handling_kg),
            &u8::from(night.disturbed).to_string(),
            "0",
        ])?;
    }
    finish(file)
}

fn events(events: &[EventTruth], path: &Path) -> Result<(), Box<dyn Error>> {
    let header = [
        "kind", "yard", "hive", "feeder", "device", "start", "end", "detail",
    ];
    let mut file = table(path, &header)?;
    for event in events {
        file.write_record([
            event.kind.name(),
            &event.yard,
            &event.hive,
            &event.feeder,
            &event.device,
            &event.start.to_rfc3339(),
            &event.end.to_rfc3339(),
            "",
        ])?;
    }
    finish(file)
}

/// Where no policy is part of the truth, flags of one are neither right nor wrong at any time.
fn policy(raw: &Raw) -> Vec<EventTruth> {
    let mut subjects: Vec<_> = raw.truth.days.iter().collect();
    subjects.sort_by_key(|day| &day.feeder);
    subjects.dedup_by_key(|day| &day.feeder);
    let always = (Timestamp(0), Timestamp(4_000_000_000_000));
    let kinds = crate::truth::Condition::POLICY;
    let of = |day: &&crate::truth::DayTruth| {
        kinds.map(|kind| EventTruth {
            kind,
            yard: day.yard.clone(),
            hive: day.hive.clone(),
            feeder: day.feeder.clone(),
            device: String::new(),
            start: always.0,
            end: always.1,
        })
    };
    subjects.iter().flat_map(of).collect()
}

fn parameters(raw: &Raw, folder: &Path) -> Result<(), Box<dyn Error>> {
    let zones = raw
        .zones
        .iter()
        .map(|(yard, zone)| format!("\"{yard}\": \"{zone}\""));
    let zones: Vec<String> = zones.collect();
    let text = format!(
        "{{\"scenario\": {{\"name\": \"{}\"}}, \"days\": {}, \"timezones\": {{{}}}}}\n",
        raw.name,
        raw.truth.span_days,
        zones.join(", ")
    );
    std::fs::write(folder.join("parameters.json"), text)?;
    Ok(())
}
