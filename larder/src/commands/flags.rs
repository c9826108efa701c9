//! `larder flags`: what a person does with a flag.

use crate::clock;
use crate::failure::wrong_use;
use crate::output::{Cell, Format, Table};
use crate::settings::{SettingsFile, Shared, data_dir};
use anyhow::Result;
use clap::{Args, Subcommand};
use larder_domain::{
    Act, Apiary, CareEntry, FlagId, HiveId, Said, ThresholdPlace, Timestamp, Verdict, YardId,
};
use larder_flags::YardParameters;
use larder_flags::catalogue::CATALOGUE;
use larder_store::{Access, Desk, EmbeddedStore, Records, StoreError};
use serde_json::json;

/// Say something of a flag: seen, not now, a note, right or wrong
#[derive(Args, Debug)]
#[command(
    after_help = "Example: larder flags acknowledge stalled:north-01-f:1788238800000 --who Ada
         larder report flags --json shows the ids"
)]
pub struct Flags {
    #[command(subcommand)]
    pub action: Action,
}

/// What to do.
#[derive(Subcommand, Debug)]
pub enum Action {
    #[command(flatten)]
    Care(Care),
    /// List every threshold: its value, unit, where the default comes from, where it was set
    #[command(after_help = "Example: larder flags parameters --hive north-01
         In the apiary file:
           [[threshold]]
           name = \"silent.least_hours\"
           value = 4
           yard = \"north\"   # or hive = …, or neither")]
    Parameters {
        /// As they hold in this yard
        #[arg(long, value_name = "ID", conflicts_with = "hive")]
        yard: Option<YardId>,
        /// As they hold at this hive
        #[arg(long, value_name = "ID")]
        hive: Option<HiveId>,
    },
}

/// What a person says of a flag.
#[derive(Subcommand, Debug)]
pub enum Care {
    /// Someone knows of it and sees to it; it is quiet from now on
    #[command(
        after_help = "Example: larder flags acknowledge empty:north-01-f:1788238800000 --who Ada"
    )]
    Acknowledge {
        #[command(flatten)]
        which: Which,
        /// Take it back
        #[arg(long)]
        undo: bool,
    },
    /// Keep it quiet for a while
    #[command(
        after_help = "Example: larder flags snooze empty:north-01-f:1788238800000 --hours 48"
    )]
    Snooze {
        #[command(flatten)]
        which: Which,
        /// For so many hours from now; 0 ends it
        #[arg(long, default_value_t = 24.0, value_name = "HOURS")]
        hours: f64,
    },
    /// Write a note to it
    #[command(
        after_help = "Example: larder flags note empty:north-01-f:1788238800000 'the lid was open'"
    )]
    Note {
        #[command(flatten)]
        which: Which,
        /// The words
        text: String,
    },
    /// Say whether it was right
    #[command(after_help = "Example: larder flags judge empty:north-01-f:1788238800000 right")]
    Judge {
        #[command(flatten)]
        which: Which,
        /// right, wrong or unknown
        verdict: String,
    },
}

/// Which flag, and who speaks.
#[derive(Args, Debug, Clone)]
pub struct Which {
    /// The flag's id, from `larder report flags`
    #[arg(value_name = "ID")]
    pub id: FlagId,
    /// Who says so
    #[arg(long, default_value = "", value_name = "NAME")]
    pub who: String,
}

/// Runs `larder flags`.
pub fn run(flags: Flags, shared: &Shared) -> Result<()> {
    match flags.action {
        Action::Parameters { yard, hive } => parameters(yard.as_ref(), hive.as_ref(), shared),
        Action::Care(care) => write_down(care, shared),
    }
}

fn write_down(care: Care, shared: &Shared) -> Result<()> {
    let now = clock::now();
    let (which, act) = read(care, now)?;
    let file = SettingsFile::find(shared.config.as_deref())?;
    let desk = Desk::open(&data_dir(shared, &file))?;
    if desk.records().flag(&which.id)?.is_none() {
        return Err(wrong_use(format!(
            "there is no flag \"{}\"; `larder report flags --json` shows their ids",
            which.id
        )));
    }
    let said = Said::by(&which.who, now).map_err(|error| wrong_use(error.to_string()))?;
    desk.records()
        .care_for(&which.id, &CareEntry { act, said })?;
    if shared.json {
        println!("{}", json!({ "id": which.id.as_str(), "written": true }));
    } else {
        println!("Written down.");
    }
    Ok(())
}

fn parameters(yard: Option<&YardId>, hive: Option<&HiveId>, shared: &Shared) -> Result<()> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    let apiary = match EmbeddedStore::open(&data_dir(shared, &file), Access::Read) {
        Ok(store) => store.apiary()?,
        Err(StoreError::Missing(_)) => Apiary::default(),
        Err(error) => return Err(error.into()),
    };
    let standing = match hive {
        Some(id) => match apiary.hive(id) {
            Some(hive) => Some(hive.yard_now().clone()),
            None => return Err(wrong_use(format!("there is no hive \"{id}\""))),
        },
        None => yard.cloned(),
    };
    if let Some(id) = yard
        && apiary.yard(id).is_none()
    {
        return Err(wrong_use(format!("there is no yard \"{id}\"")));
    }
    // The operation's alone hold in a yard that has none of its own.
    let nowhere = YardId::new("-").map_err(|error| wrong_use(error.to_string()))?;
    let all = YardParameters::of(&apiary, standing.as_ref().unwrap_or(&nowhere))
        .map_err(|error| wrong_use(error.to_string()))?;
    let own = hive
        .and_then(|hive| all.hives.get(hive))
        .unwrap_or(&all.yard);
    let set = apiary.thresholds();
    let mut table = Table::new(&["name", "value", "default", "unit", "source", "set_for"]);
    for parameter in CATALOGUE {
        let places = set.iter().filter(|t| t.name == parameter.name);
        let places: Vec<_> = places.map(|t| place(&t.place)).collect();
        table.push(vec![
            Cell::Text(parameter.name.to_owned()),
            Cell::Number(parameter.of(own), 3),
            Cell::Number(parameter.default_value(), 3),
            Cell::Text(parameter.unit.to_owned()),
            Cell::Text(parameter.source.to_owned()),
            Cell::text((!places.is_empty()).then(|| places.join(" "))),
        ]);
    }
    let format = Format::choose(None, shared.json);
    table.print(format, &mut std::io::stdout().lock())
}

fn place(place: &ThresholdPlace) -> String {
    match place {
        ThresholdPlace::Operation => "operation".to_owned(),
        ThresholdPlace::Yard(yard) => format!("yard:{yard}"),
        ThresholdPlace::Hive(hive) => format!("hive:{hive}"),
    }
}

fn read(care: Care, now: Timestamp) -> Result<(Which, Act)> {
    Ok(match care {
        Care::Acknowledge { which, undo } => (which, Act::Acknowledge(!undo)),
        Care::Snooze { which, hours } if hours > 0.0 && hours <= MOST_HOURS => {
            let until = now.plus_ms((hours * 3.6e6) as i64);
            (which, Act::Snooze(Some(until)))
        }
        Care::Snooze { which, hours: 0.0 } => (which, Act::Snooze(None)),
        Care::Snooze { .. } => return Err(wrong_use("--hours lies between 0 and 8760")),
        Care::Note { which, text } => {
            let act = Act::note(&text).map_err(|error| wrong_use(error.to_string()))?;
            (which, act)
        }
        Care::Judge { which, verdict } => match verdict.as_str() {
            "unknown" => (which, Act::Judge(None)),
            word => match Verdict::from_name(word) {
                Some(verdict) => (which, Act::Judge(Some(verdict))),
                None => return Err(wrong_use("say right, wrong or unknown")),
            },
        },
    })
}

/// A year: longer than any season.
const MOST_HOURS: f64 = 8760.0;
