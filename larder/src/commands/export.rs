//! `larder export`: readings and results, to be taken elsewhere.

use super::report::{self, Report, Selection};
use crate::failure::wrong_use;
use crate::output::Format;
use crate::readings_store::OpenStore;
use crate::settings::{SettingsFile, Shared, data_dir};
use anyhow::Result;
use chrono::NaiveDate;
use clap::{Args, Subcommand};
use larder_domain::{ChannelName, DeviceId, Span, Timestamp, time::local_day};
use larder_ingest::export::{ExportError, Which, export_readings};
use larder_store::archive::WhenFull;
use larder_store::{Access, EmbeddedStore, Readings, Records};
use larder_wire::apiary::ApiaryFile;
use std::io::{BufWriter, Write};

/// Write readings or results out as CSV
#[derive(Args, Debug)]
#[command(
    after_help = "Example: larder export readings --device sc-north-01 --from 2026-09-01 > september.csv"
)]
pub struct Export {
    #[command(subcommand)]
    pub kind: Kind,
}

/// What.
#[derive(Subcommand, Debug)]
pub enum Kind {
    /// Readings, ordered by device, channel, time; `larder import readings` reads them back
    #[command(after_help = "Example: larder export readings --channel weight > weights.csv")]
    Readings(ReadingsSelection),
    /// Fills
    #[command(after_help = "Example: larder export fills --yard north > fills.csv")]
    Fills(Selection),
    /// Daily uptake
    #[command(after_help = "Example: larder export uptake --from 2026-09-01 > uptake.csv")]
    Uptake(Selection),
    /// Night-time weights
    #[command(after_help = "Example: larder export weight > weight.csv")]
    Weight(Selection),
    /// Flags
    #[command(after_help = "Example: larder export flags > flags.csv")]
    Flags(Selection),
    /// The apiary file that declares what is declared now
    #[command(after_help = "Example: larder export apiary > apiary.toml")]
    Apiary,
}

/// Which readings.
#[derive(Args, Debug)]
pub struct ReadingsSelection {
    /// Only of this device
    #[arg(long, value_name = "NAME")]
    pub device: Option<DeviceId>,
    /// Only of channels of this name, prefix included
    #[arg(long, value_name = "NAME", value_parser = channel_name)]
    pub channel: Option<ChannelName>,
    /// First UTC date, or a time like 2026-09-01T05:00:00Z
    #[arg(long, value_name = "WHEN")]
    pub from: Option<String>,
    /// Last UTC date, included; or the first time that is left out
    #[arg(long, value_name = "WHEN")]
    pub to: Option<String>,
}

fn channel_name(text: &str) -> Result<ChannelName, String> {
    ChannelName::new(text).map_err(|error| error.to_string())
}

/// Runs `larder export`.
pub fn run(export: Export, shared: &Shared) -> Result<()> {
    let csv = |selection: Selection| Selection {
        format: selection.format.or((!shared.json).then_some(Format::Csv)),
        ..selection
    };
    match export.kind {
        Kind::Readings(selection) => readings(&selection, shared),
        Kind::Fills(s) => report::run(
            Report {
                kind: report::Kind::Fills(csv(s)),
            },
            shared,
        ),
        Kind::Uptake(s) => report::run(
            Report {
                kind: report::Kind::Uptake(csv(s)),
            },
            shared,
        ),
        Kind::Weight(s) => report::run(
            Report {
                kind: report::Kind::Weight(csv(s)),
            },
            shared,
        ),
        Kind::Flags(s) => report::run(
            Report {
                kind: report::Kind::Flags(report::FlagsSelection {
                    selection: csv(s),
                    review: false,
                    withdrawn: false,
                }),
            },
            shared,
        ),
        Kind::Apiary => apiary(shared),
    }
}

fn open(shared: &Shared) -> Result<EmbeddedStore> {
    let file = SettingsFile::find(shared.config.as_deref())?;
    Ok(EmbeddedStore::open(&data_dir(shared, &file), Access::Read)?)
}

fn readings(selection: &ReadingsSelection, shared: &Shared) -> Result<()> {
    let start = selection
        .from
        .as_deref()
        .map(|text| moment(text, false))
        .transpose()?;
    let end = selection
        .to
        .as_deref()
        .map(|text| moment(text, true))
        .transpose()?;
    let span = Span {
        start: start.unwrap_or(Span::ALWAYS.start),
        end: end.unwrap_or(Span::ALWAYS.end),
    };
    if span.start >= span.end {
        return Err(wrong_use("--from must come before --to"));
    }
    let which = Which {
        device: selection.device.clone(),
        channel: selection.channel.clone(),
        span,
    };
    let file = SettingsFile::find(shared.config.as_deref())?;
    let store = OpenStore::open(shared, &file, Access::Read, WhenFull::Refuse)?;
    let mut out = BufWriter::with_capacity(1 << 16, std::io::stdout().lock());
    let written = if shared.json {
        export_json(store.readings(), &which, &mut out)
    } else {
        export_readings(store.readings(), &which, &mut out).map(drop)
    };
    match written {
        // A reader that has seen enough (`| head`) is no failure.
        Err(ExportError::Write(error)) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        written => Ok(written?),
    }
}

/// Writes the readings as one JSON object a line.
fn export_json(
    store: &dyn Readings,
    which: &Which,
    out: &mut dyn Write,
) -> Result<(), ExportError> {
    let mut lines = JsonLines {
        out,
        rest: Vec::new(),
    };
    export_readings(store, which, &mut lines).map(drop)
}

/// Turns CSV lines of readings into JSON lines as they are written.
struct JsonLines<'a> {
    out: &'a mut dyn Write,
    rest: Vec<u8>,
}

impl Write for JsonLines<'_> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.rest.extend_from_slice(bytes);
        while let Some(end) = self.rest.iter().position(|&b| b == b'\n') {
            let line: Vec<u8> = self.rest.drain(..=end).collect();
            let text = String::from_utf8_lossy(&line);
            let fields: Vec<_> = text.trim_end().split(',').collect();
            if let [time, device, channel, unit, value] = fields[..]
                && let Ok(value) = value.parse::<f64>()
            {
                let object = serde_json::json!({ "time": time, "device": device,
                    "channel": channel, "unit": unit, "value": value });
                writeln!(self.out, "{object}")?;
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.out.flush()
    }
}

/// A moment, or a UTC date: its start, or for `--to` its end.
fn moment(text: &str, end: bool) -> Result<Timestamp> {
    if let Some(time) = Timestamp::parse_rfc3339(text) {
        return Ok(time);
    }
    let date: NaiveDate = text.parse().map_err(|_| {
        wrong_use(format!(
            "a time is 2026-09-01 or 2026-09-01T05:00:00Z, not \"{text}\""
        ))
    })?;
    let day = local_day(chrono_tz::UTC, date);
    Ok(if end { day.end } else { day.start })
}

fn apiary(shared: &Shared) -> Result<()> {
    let declared = ApiaryFile::from(&open(shared)?.apiary()?);
    if shared.json {
        println!("{}", serde_json::to_string_pretty(&declared)?);
    } else {
        print!("{}", declared.to_toml());
    }
    Ok(())
}
