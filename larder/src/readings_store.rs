//! Where readings are kept in the end: in the data directory, or in an InfluxDB 2 to which it
//! sends them on. Everything else is in the data directory either way.

use crate::clock;
use crate::settings::{Declared, SettingsFile, Shared, data_dir, secret, settings};
use anyhow::Result;
use larder_store::archive::{ArchiveOptions, ArchivedReadings, WhenFull};
use larder_store::influxdb2::{InfluxConfig, InfluxDb2, Token};
use larder_store::{Access, EmbeddedStore, Readings, Records, StoreError};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Days of readings kept here although they are sent: what estimating the last days anew rests on
/// (seven weeks, see `larder_process::window`) and a little more.
const USUAL_KEEP_DAYS: u32 = 60;
/// Megabytes that may wait: about 140 million readings.
const USUAL_SPOOL_MB: u64 = 2_048;
/// Seconds for an answer to begin.
const USUAL_TIMEOUT_S: u64 = 15;
/// Readings sent together, about.
const PARCEL: usize = 10_000;

settings! {
    /// Options that say where readings are kept.
    #[command(next_help_heading = "Where readings are kept")]
    pub struct ReadingsOptions {
        /// embedded: in the data directory; influxdb2: sent on to an InfluxDB 2 [default: embedded]
        #[arg(long, global = true, env = "LARDER_READINGS", value_name = "WHERE", hide_short_help = true)]
        pub readings: Option<String>,

        /// The InfluxDB's address, like http://localhost:8086
        #[arg(long, global = true, env = "LARDER_INFLUX_URL", value_name = "URL", hide_short_help = true)]
        pub influx_url: Option<String>,

        /// The InfluxDB's organisation
        #[arg(long, global = true, env = "LARDER_INFLUX_ORG", value_name = "NAME", hide_short_help = true)]
        pub influx_org: Option<String>,

        /// The InfluxDB's bucket [default: larder]
        #[arg(long, global = true, env = "LARDER_INFLUX_BUCKET", value_name = "NAME", hide_short_help = true)]
        pub influx_bucket: Option<String>,

        /// A file that holds the InfluxDB's token (or set LARDER_INFLUX_TOKEN)
        #[arg(long, global = true, env = "LARDER_INFLUX_TOKEN_FILE", value_name = "FILE", hide_short_help = true)]
        pub influx_token_file: Option<PathBuf>,

        /// Certificate authority of the InfluxDB, PEM [default: the system's]
        #[arg(long, global = true, env = "LARDER_INFLUX_CA", value_name = "FILE", hide_short_help = true)]
        pub influx_ca: Option<PathBuf>,

        /// Days of readings kept here as well [default: 60]
        #[arg(long, global = true, env = "LARDER_INFLUX_KEEP_DAYS", value_name = "DAYS", hide_short_help = true)]
        pub influx_keep_days: Option<u32>,

        /// Megabytes of readings that may wait here while the server takes none [default: 2048]
        #[arg(long, global = true, env = "LARDER_INFLUX_SPOOL_MB", value_name = "MB", hide_short_help = true)]
        pub influx_spool_mb: Option<u64>,

        /// Seconds that the server may take to answer [default: 15]
        #[arg(long, global = true, env = "LARDER_INFLUX_TIMEOUT_S", value_name = "SECONDS", hide_short_help = true)]
        pub influx_timeout_s: Option<u64>,
    }
}

/// Where readings are kept, checked.
#[derive(Clone, Debug)]
pub enum ReadingsChoice {
    /// In the data directory.
    Embedded,
    /// Sent on.
    InfluxDb2(InfluxChoice),
}

/// An InfluxDB 2 and how it is used.
#[derive(Clone, Debug)]
pub struct InfluxChoice {
    /// How to reach it.
    pub config: InfluxConfig,
    keep_days: u32,
    spool_bytes: u64,
}

/// Whether a server answers.
pub struct Server {
    /// Which one.
    pub place: String,
    /// What is wrong with it; `None`: nothing.
    pub problem: Option<String>,
}

impl ReadingsChoice {
    /// Puts options, environment and file together; mistakes are added to the others.
    pub fn check(
        options: &ReadingsOptions,
        file: &SettingsFile,
        mistakes: &mut Vec<String>,
    ) -> Self {
        let given = options.clone().or(file.readings.clone());
        match given.readings.as_deref() {
            None | Some("embedded") => Self::Embedded,
            Some("influxdb2") => Self::InfluxDb2(InfluxChoice::check(given, mistakes)),
            Some(other) => {
                mistakes.push(format!(
                    "readings are kept in embedded or influxdb2, not \"{other}\""
                ));
                Self::Embedded
            }
        }
    }

    /// Opens the data directory and what its readings are sent on to.
    pub fn open(&self, data: &Path, access: Access, when_full: WhenFull) -> Result<OpenStore> {
        let is_reader = matches!(access, Access::Read);
        let embedded = Arc::new(EmbeddedStore::open(data, access)?);
        let archive = match self {
            Self::Embedded => {
                self.fits(&embedded)?;
                None
            }
            Self::InfluxDb2(influx) => {
                let server = Arc::new(InfluxDb2::new(influx.config.clone(), clock::now)?);
                let options = influx.options(when_full);
                let kept = Arc::clone(&embedded);
                Some(Arc::new(match is_reader {
                    true => ArchivedReadings::open_to_read(kept, server.clone(), server, options)?,
                    false => ArchivedReadings::open(kept, server.clone(), server, options)?,
                }))
            }
        };
        Ok(OpenStore { embedded, archive })
    }

    /// Whether the readings of a data directory are where this says.
    pub fn fits(&self, embedded: &EmbeddedStore) -> Result<()> {
        let found = ArchivedReadings::place_of(embedded)?;
        let said = match self {
            Self::Embedded => None,
            Self::InfluxDb2(influx) => Some(influx.config.identity()),
        };
        match (found, said) {
            (Some(place), None) => Err(StoreError::Elsewhere(format!(
                "the readings of this data directory are in {place}: say --readings influxdb2 and \
                 where it is, or move them back with `larder move readings`"
            ))
            .into()),
            (Some(place), Some(said)) if place != said => Err(StoreError::Elsewhere(format!(
                "the readings of this data directory are in {place}, not in {said}"
            ))
            .into()),
            _ => Ok(()),
        }
    }

    /// Asks the server, where there is one, whether it would take readings.
    pub fn reach(&self) -> Result<Option<Server>> {
        let Self::InfluxDb2(influx) = self else {
            return Ok(None);
        };
        let server = InfluxDb2::new(influx.config.clone(), clock::now)?;
        Ok(Some(Server {
            place: influx.config.place(),
            problem: server.reach().err().map(|fault| fault.to_string()),
        }))
    }
}

impl InfluxChoice {
    fn check(given: ReadingsOptions, mistakes: &mut Vec<String>) -> Self {
        let token_file = given.influx_token_file.as_ref();
        let token = token("LARDER_INFLUX_TOKEN", token_file, mistakes);
        let keep_days = given.influx_keep_days.unwrap_or(USUAL_KEEP_DAYS);
        let spool_mb = given.influx_spool_mb.unwrap_or(USUAL_SPOOL_MB);
        let mut config = server_of(given, mistakes);
        match token {
            Some(token) => config.token = token,
            None => mistakes.push(
                "readings in InfluxDB 2 need a token: set LARDER_INFLUX_TOKEN, or influx_token_file".into(),
            ),
        }
        Self {
            config,
            keep_days,
            spool_bytes: spool_mb.max(1) << 20,
        }
    }

    fn options(&self, when_full: WhenFull) -> ArchiveOptions {
        ArchiveOptions {
            place: self.config.place(),
            identity: self.config.identity(),
            most_waiting_bytes: self.spool_bytes,
            keep_days: self.keep_days,
            when_full,
            parcel: PARCEL,
            clock: clock::now,
        }
    }
}

/// The server's address without a token.
pub fn address(
    options: &ReadingsOptions,
    file: &SettingsFile,
    mistakes: &mut Vec<String>,
) -> InfluxConfig {
    server_of(options.clone().or(file.readings.clone()), mistakes)
}

fn server_of(given: ReadingsOptions, mistakes: &mut Vec<String>) -> InfluxConfig {
    let mut needed = |given: Option<String>, name: &str| {
        given.unwrap_or_else(|| {
            mistakes.push(format!("readings in InfluxDB 2 need {name}"));
            String::new()
        })
    };
    let url = needed(given.influx_url, "influx_url, like http://localhost:8086");
    let org = needed(given.influx_org, "influx_org, the organisation's name");
    let timeout_s = given.influx_timeout_s.unwrap_or(USUAL_TIMEOUT_S);
    if timeout_s == 0 {
        mistakes.push("influx_timeout_s is a number of seconds from 1 on".into());
    }
    InfluxConfig {
        url,
        org,
        bucket: given.influx_bucket.unwrap_or_else(|| "larder".to_owned()),
        token: Token::new(""),
        patience: Duration::from_secs(timeout_s),
        ca: given.influx_ca,
    }
}

/// A token from the environment or a file; `None`: neither was given, or a mistake was noted.
pub fn token(variable: &str, file: Option<&PathBuf>, mistakes: &mut Vec<String>) -> Option<Token> {
    secret(variable, file.cloned(), mistakes).map(|secret| Token::new(&secret))
}

/// A data directory that is open, and what its readings are sent on to.
pub struct OpenStore {
    /// Everything but readings, and readings that are not elsewhere.
    pub embedded: Arc<EmbeddedStore>,
    /// Where readings are sent on.
    pub archive: Option<Arc<ArchivedReadings>>,
}

impl OpenStore {
    /// Opens what settings and options say.
    pub fn open(
        shared: &Shared,
        file: &SettingsFile,
        access: Access,
        when_full: WhenFull,
    ) -> Result<Self> {
        let mut mistakes = Vec::new();
        let choice = ReadingsChoice::check(&shared.readings, file, &mut mistakes);
        if !mistakes.is_empty() {
            return Err(crate::failure::wrong_use(mistakes.join("; ")));
        }
        choice.open(&data_dir(shared, file), access, when_full)
    }

    /// The readings, wherever they are.
    pub fn readings(&self) -> &dyn Readings {
        match &self.archive {
            Some(archive) => archive.as_ref(),
            None => self.embedded.as_ref(),
        }
    }

    /// The readings, wherever they are, for those who share them.
    pub fn shared_readings(&self) -> Arc<dyn Readings> {
        match &self.archive {
            Some(archive) => archive.clone(),
            None => self.embedded.clone(),
        }
    }

    /// The records: everything that is no reading.
    pub fn records(&self) -> &dyn Records {
        self.embedded.as_ref()
    }

    /// Sends on what a command has taken in. What the server does not take now waits for the service.
    pub fn send_on(&self) {
        let Some(archive) = &self.archive else { return };
        if let Err(error) = archive.send_all() {
            eprintln!(
                "larder: the readings are kept here and are sent on when the service runs: {error}"
            );
        }
    }
}
