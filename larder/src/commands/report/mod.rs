//! `larder report`: what is known, as CSV, JSON or a table.

mod flag_report;

use crate::failure::wrong_use;
use crate::output::{Cell, Format, Table};
use crate::settings::{SettingsFile, Shared, data_dir};
use crate::units::UnitsOption;
use anyhow::Result;
use chrono::NaiveDate;
use clap::{Args, Subcommand};
use larder_domain::time::local_day;
use larder_domain::{Apiary, FeederId, Hive, HiveId, Span, Timestamp, YardId};
use larder_store::{Access, EmbeddedStore, Records};
use larder_syrup::Estimate;

/// Print what is known: uptake, fills, weight, flags
#[derive(Args, Debug)]
#[command(
    after_help = "Example: larder report uptake --yard north --from 2026-09-01 --to 2026-09-07 --format table"
)]
pub struct Report {
    #[command(subcommand)]
    pub kind: Kind,
}

/// Which report.
#[derive(Subcommand, Debug)]
pub enum Kind {
    /// What each colony took from each feeder, local day by local day
    #[command(after_help = "Example: larder report uptake --hive north-01 --format csv")]
    Uptake(Selection),
    /// When and how much was filled
    #[command(after_help = "Example: larder report fills --yard north --json")]
    Fills(Selection),
    /// Night-time weight and its daily change, handling taken out
    #[command(after_help = "Example: larder report weight --hive north-01 --from 2026-09-01")]
    Weight(Selection),
    /// What is or was wrong
    #[command(after_help = "Example: larder report flags --yard north --format table
         larder report flags --review")]
    Flags(FlagsSelection),
}

/// Which flags, and whether to list them or sum them up.
#[derive(Args, Debug, Clone)]
pub struct FlagsSelection {
    #[command(flatten)]
    pub selection: Selection,
    /// Sum up by kind: how many, right, wrong, unknown, and how soon they were known
    #[arg(long)]
    pub review: bool,
    /// List those that late data showed to be wrong as well
    #[arg(long, conflicts_with = "review")]
    pub withdrawn: bool,
}

impl Kind {
    fn selection(&self) -> &Selection {
        match self {
            Self::Uptake(selection) | Self::Fills(selection) | Self::Weight(selection) => selection,
            Self::Flags(flags) => &flags.selection,
        }
    }
}

/// Which part of it.
#[derive(Args, Debug, Clone)]
pub struct Selection {
    /// First local date, like 2026-09-01
    #[arg(long, value_name = "DATE")]
    pub from: Option<NaiveDate>,
    /// Last local date, included
    #[arg(long, value_name = "DATE")]
    pub to: Option<NaiveDate>,
    /// Only this yard
    #[arg(long, value_name = "ID")]
    pub yard: Option<YardId>,
    /// Only this hive
    #[arg(long, value_name = "ID")]
    pub hive: Option<HiveId>,
    /// csv, json or table [default: table on a terminal, csv elsewhere]
    #[arg(long, value_enum, value_name = "FORMAT")]
    pub format: Option<Format>,
    /// Of tables; CSV and JSON stay metric
    #[command(flatten)]
    pub units: UnitsOption,
}

/// Runs `larder report`.
pub fn run(report: Report, shared: &Shared) -> Result<()> {
    let selection = report.kind.selection();
    let file = SettingsFile::find(shared.config.as_deref())?;
    let store = EmbeddedStore::open(&data_dir(shared, &file), Access::Read)?;
    let table = table(&report.kind, &store)?;
    let format = Format::choose(selection.format, shared.json);
    let table = match format {
        Format::Table => table.in_units(selection.units.choose(shared)?),
        Format::Csv | Format::Json => table,
    };
    table.print(format, &mut std::io::stdout().lock())
}

/// The report as a table.
pub fn table(kind: &Kind, records: &dyn Records) -> Result<Table> {
    let apiary = records.apiary()?;
    let chosen = Chosen::new(&apiary, kind.selection())?;
    match kind {
        Kind::Uptake(_) => uptake(&chosen, records),
        Kind::Fills(_) => fills(&chosen, records),
        Kind::Weight(_) => weight(&chosen, records),
        Kind::Flags(which) if which.review => flag_report::review(&chosen, records),
        Kind::Flags(which) => flag_report::list(&chosen, records, which.withdrawn),
    }
}

/// The hives that a selection means, checked against the apiary.
struct Chosen<'a> {
    apiary: &'a Apiary,
    selection: &'a Selection,
    hives: Vec<&'a Hive>,
}

impl<'a> Chosen<'a> {
    fn new(apiary: &'a Apiary, selection: &'a Selection) -> Result<Self> {
        if let Some(yard) = &selection.yard
            && apiary.yard(yard).is_none()
        {
            return Err(wrong_use(format!(
                "there is no yard \"{yard}\"{}",
                known(apiary.yards().map(|y| &y.id))
            )));
        }
        if let Some(hive) = &selection.hive
            && apiary.hive(hive).is_none()
        {
            return Err(wrong_use(format!(
                "there is no hive \"{hive}\"{}",
                known(apiary.hives().map(|h| &h.id))
            )));
        }
        if selection
            .from
            .zip(selection.to)
            .is_some_and(|(from, to)| from > to)
        {
            return Err(wrong_use("--from must not come after --to"));
        }
        let hives = apiary
            .hives()
            .filter(|hive| selection.hive.as_ref().is_none_or(|id| *id == hive.id))
            .filter(|hive| {
                selection
                    .yard
                    .as_ref()
                    .is_none_or(|yard| stood_in(hive, yard))
            })
            .collect();
        Ok(Self {
            apiary,
            selection,
            hives,
        })
    }

    fn feeders(&self) -> Vec<FeederId> {
        let feeders = self
            .hives
            .iter()
            .flat_map(|hive| self.apiary.feeders_of(&hive.id));
        feeders.map(|feeder| feeder.id.clone()).collect()
    }

    /// The hive of a feeder, if it was chosen.
    fn hive_of(&self, feeder: &FeederId) -> Option<&'a Hive> {
        let hive = &self.apiary.feeder(feeder)?.hive;
        self.hives.iter().copied().find(|chosen| chosen.id == *hive)
    }

    /// The yard that a hive stood in on a local day, where that day is chosen for that yard.
    fn yard_on(&self, hive: &'a Hive, date: NaiveDate) -> Option<&'a YardId> {
        let zone = self.apiary.yard(hive.yard_now())?.timezone;
        self.in_yard(hive.yard_at(local_day(zone, date).start.plus_ms(12 * 3_600_000)))
    }

    fn in_yard<'y>(&self, yard: &'y YardId) -> Option<&'y YardId> {
        self.selection
            .yard
            .as_ref()
            .is_none_or(|wanted| wanted == yard)
            .then_some(yard)
    }

    /// Whether a moment falls on the chosen dates, in the zone of `yard`.
    fn on_dates(&self, yard: Option<&YardId>, at: Timestamp) -> bool {
        let zone = yard
            .and_then(|yard| self.apiary.yard(yard))
            .map_or(chrono_tz::UTC, |y| y.timezone);
        let date = at.local_date(zone);
        self.selection.from.is_none_or(|from| from <= date)
            && self.selection.to.is_none_or(|to| date <= to)
    }
}

fn stood_in(hive: &Hive, yard: &YardId) -> bool {
    hive.yard == *yard || hive.moves.iter().any(|carried| carried.yard == *yard)
}

fn known<'a, T: std::fmt::Display + 'a>(ids: impl Iterator<Item = &'a T>) -> String {
    let ids: Vec<_> = ids.take(8).map(ToString::to_string).collect();
    if ids.is_empty() {
        String::new()
    } else {
        format!("; known are {}", ids.join(", "))
    }
}

fn estimate(estimate: Option<Estimate>, decimals: usize) -> [Cell; 3] {
    [
        Cell::number(estimate.map(|e| e.value), decimals),
        Cell::number(estimate.map(|e| e.lo), decimals),
        Cell::number(estimate.map(|e| e.hi), decimals),
    ]
}

fn uptake(chosen: &Chosen<'_>, records: &dyn Records) -> Result<Table> {
    let mut table = Table::new(&[
        "date",
        "yard",
        "hive",
        "feeder",
        "uptake_l",
        "uptake_lo_l",
        "uptake_hi_l",
        "remaining_l",
        "remaining_lo_l",
        "remaining_hi_l",
        "sugar_kg",
        "sensed_share",
    ]);
    let feeders = chosen.feeders();
    if feeders.is_empty() {
        return Ok(table);
    }
    for day in records.uptake(&feeders, chosen.selection.from, chosen.selection.to)? {
        let Some(hive) = chosen.hive_of(&day.feeder) else {
            continue;
        };
        let Some(yard) = chosen.yard_on(hive, day.date) else {
            continue;
        };
        let mut row = vec![
            Cell::Text(day.date.to_string()),
            Cell::Text(yard.to_string()),
            Cell::Text(hive.id.to_string()),
            Cell::Text(day.feeder.to_string()),
        ];
        row.extend(estimate(day.uptake_l, 3));
        row.extend(estimate(day.remaining_l, 3));
        row.push(Cell::number(day.sugar_kg, 3));
        row.push(Cell::Number(day.sensed_share, 3));
        table.push(row);
    }
    Ok(table)
}

fn fills(chosen: &Chosen<'_>, records: &dyn Records) -> Result<Table> {
    let mut table = Table::new(&[
        "time",
        "yard",
        "hive",
        "feeder",
        "volume_l",
        "volume_lo_l",
        "volume_hi_l",
        "strength",
        "source",
    ]);
    let feeders = chosen.feeders();
    if feeders.is_empty() {
        return Ok(table);
    }
    for fill in records.fill_events(&feeders, Span::ALWAYS)? {
        let Some(hive) = chosen.hive_of(&fill.feeder) else {
            continue;
        };
        let Some(yard) = chosen.in_yard(hive.yard_at(fill.time)) else {
            continue;
        };
        if !chosen.on_dates(Some(yard), fill.time) {
            continue;
        }
        let mut row = vec![
            Cell::Text(fill.time.to_rfc3339()),
            Cell::Text(yard.to_string()),
            Cell::Text(hive.id.to_string()),
            Cell::Text(fill.feeder.to_string()),
        ];
        row.extend(estimate(fill.volume_l, 3));
        row.push(Cell::text(fill.strength));
        row.push(Cell::Text(fill.source.name().to_owned()));
        table.push(row);
    }
    Ok(table)
}

fn weight(chosen: &Chosen<'_>, records: &dyn Records) -> Result<Table> {
    let mut table = Table::new(&[
        "date",
        "yard",
        "hive",
        "weight_kg",
        "net_change_kg",
        "handling_kg",
        "quality",
    ]);
    let hives: Vec<_> = chosen.hives.iter().map(|hive| hive.id.clone()).collect();
    if hives.is_empty() {
        return Ok(table);
    }
    for day in records.weight(&hives, chosen.selection.from, chosen.selection.to)? {
        let Some(hive) = chosen
            .hives
            .iter()
            .copied()
            .find(|hive| hive.id == day.hive)
        else {
            continue;
        };
        let Some(yard) = chosen.yard_on(hive, day.date) else {
            continue;
        };
        table.push(vec![
            Cell::Text(day.date.to_string()),
            Cell::Text(yard.to_string()),
            Cell::Text(day.hive.to_string()),
            Cell::number(day.weight_kg.map(|e| e.value), 3),
            Cell::number(day.net_change_kg.map(|e| e.value), 3),
            Cell::Number(day.handling_kg, 3),
            Cell::Text(day.quality.name().to_owned()),
        ]);
    }
    Ok(table)
}
