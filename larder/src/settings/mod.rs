//! Settings: each declared once here, and the checked values that the commands work with. A
//! command's option wins over the environment, the environment over the file, the file over the
//! default.

#![allow(
    rustdoc::invalid_html_tags,
    reason = "comments on settings are what --help says of them, where <prefix> is a word to fill in"
)]

mod declare;
mod file;
#[cfg(test)]
mod tests;

pub use declare::Declared;
pub(crate) use declare::settings;
#[cfg(test)]
pub use declare::text_of;
pub use file::SettingsFile;

use crate::failure::wrong_use;
use crate::notices::{MailServer, Mailer, Senders};
use crate::readings_store::{ReadingsChoice, ReadingsOptions};
use anyhow::Result;
use clap::{Args, Command, FromArgMatches};
use larder_ingest::decode::{DecodeConfig, MappingFile, TopicPrefix};
use std::net::SocketAddr;
use std::path::PathBuf;

/// Where the store lives when nobody says.
const USUAL_DATA: &str = "larder-data";

/// Options that every command shares.
#[derive(Args, Clone, Debug, Default)]
pub struct Shared {
    /// Where the store is.
    #[command(flatten)]
    pub data: DataOptions,

    /// Settings file [default: larder.toml where there is one]
    #[arg(long, global = true, env = "LARDER_CONFIG", value_name = "FILE")]
    pub config: Option<PathBuf>,

    /// Print JSON
    #[arg(long, global = true)]
    pub json: bool,

    /// Where readings are kept in the end.
    #[command(flatten)]
    pub readings: ReadingsOptions,
}

settings! {
    /// Where the store is.
    pub struct DataOptions {
        /// The data directory: the store and nothing else lives here [default: larder-data]
        #[arg(long, global = true, env = "LARDER_DATA", value_name = "DIR")]
        pub data: Option<PathBuf>,
    }
}

/// Options of `larder serve`.
#[derive(Args, Clone, Debug, Default)]
pub struct ServeOptions {
    /// The service.
    #[command(flatten)]
    pub service: ServiceOptions,

    /// How people are told.
    #[command(flatten)]
    pub notices: NoticeOptions,
}

impl ServeOptions {
    /// What the environment says: for commands that need the service's settings and have none of its
    /// options.
    pub fn of_the_environment() -> Result<Self> {
        let command = Self::augment_args(Command::new("larder").no_binary_name(true));
        let matches = command.try_get_matches_from(std::iter::empty::<&str>());
        let given = matches.and_then(|matches| Self::from_arg_matches(&matches));
        given.map_err(|error| {
            let text = error.to_string();
            // What follows the empty line speaks of options.
            let lines = text.lines().take_while(|line| !line.is_empty());
            let sentence: Vec<_> = lines.map(str::trim).collect();
            let sentence = sentence.join(" ").replace("error: ", "");
            wrong_use(format!("the environment: {sentence}"))
        })
    }
}

settings! {
    /// The service.
    pub struct ServiceOptions {
        /// Address of the pages and the API [default: 127.0.0.1:8080]
        #[arg(long, env = "LARDER_LISTEN", value_name = "ADDR")]
        pub listen: Option<String>,

        /// A broker that is there: mqtt://user@host:1883 or mqtts://…, ?version=3 or 5
        #[arg(long, env = "LARDER_BROKER", value_name = "URL", conflicts_with = "mqtt_listen")]
        pub broker: Option<String>,

        /// Address of the built-in broker, where no other is given [default: 127.0.0.1:1883]
        #[arg(long, env = "LARDER_MQTT_LISTEN", value_name = "ADDR")]
        pub mqtt_listen: Option<String>,

        /// Who may connect to the built-in broker: a file of name:password lines
        #[arg(long, env = "LARDER_MQTT_USERS", value_name = "FILE")]
        pub mqtt_users: Option<PathBuf>,

        /// First level of the topics <prefix>/<device>/readings [default: larder]
        #[arg(long, env = "LARDER_TOPIC_PREFIX", value_name = "WORD")]
        pub topic_prefix: Option<String>,

        /// The MQTT session's name; keep it, the broker holds messages for it [default: larder]
        #[arg(long, env = "LARDER_CLIENT_ID", value_name = "NAME")]
        pub client_id: Option<String>,

        /// The broker's user, where the URL does not say
        #[arg(long, env = "LARDER_BROKER_USER", value_name = "NAME")]
        pub broker_user: Option<String>,

        /// A file that holds the broker's password (or set LARDER_BROKER_PASSWORD)
        #[arg(long, env = "LARDER_BROKER_PASSWORD_FILE", value_name = "FILE")]
        pub broker_password_file: Option<PathBuf>,

        /// Certificate authority of the broker, PEM [default: the system's]
        #[arg(long, env = "LARDER_BROKER_CA", value_name = "FILE")]
        pub broker_ca: Option<PathBuf>,

        /// Our certificate for the broker, PEM
        #[arg(long, env = "LARDER_BROKER_CERT", value_name = "FILE", requires = "broker_key")]
        pub broker_cert: Option<PathBuf>,

        /// The key of our certificate, PEM
        #[arg(long, env = "LARDER_BROKER_KEY", value_name = "FILE", requires = "broker_cert")]
        pub broker_key: Option<PathBuf>,
    }
}

settings! {
    /// How people are told.
    pub struct NoticeOptions {
        /// The mail server: smtp://user@host:587 (STARTTLS), smtps:// (TLS) or smtp+plain:// (none)
        #[arg(long, env = "LARDER_MAIL_SERVER", value_name = "URL")]
        pub mail_server: Option<String>,

        /// Whom notices are from, as in "Larder <larder@example.org>"
        #[arg(long, env = "LARDER_MAIL_FROM", value_name = "ADDRESS")]
        pub mail_from: Option<String>,

        /// A file that holds the mail server's password (or set LARDER_MAIL_PASSWORD)
        #[arg(long, env = "LARDER_MAIL_PASSWORD_FILE", value_name = "FILE")]
        pub mail_password_file: Option<PathBuf>,

        /// Certificate authority of the mail server, PEM [default: the system's]
        #[arg(long, env = "LARDER_MAIL_CA", value_name = "FILE")]
        pub mail_ca: Option<PathBuf>,

        /// Where people reach the pages, for the links in notices
        #[arg(long, env = "LARDER_PAGE_URL", value_name = "URL")]
        pub page_url: Option<String>,

        /// Publish what is wrong with each hive, retained, on <prefix>/hives/<hive>/state [default: true]
        #[arg(long, env = "LARDER_STATE_TOPICS", value_name = "BOOL")]
        pub state_topics: Option<bool>,
    }
}

impl ServiceOptions {
    /// An option or variable that names one kind of broker wins over a file that names the other.
    fn over(self, mut file: Self) -> Self {
        if self.broker.is_some() || self.mqtt_listen.is_some() {
            file.broker = None;
            file.mqtt_listen = None;
        }
        self.or(file)
    }
}

/// How people are told, checked.
#[derive(Clone, Debug)]
pub struct NoticeSettings {
    /// `None`: no mail leaves.
    pub mail: Option<MailServer>,
    /// Where people reach the pages.
    pub page_url: Option<String>,
    /// Whether states of hives are published.
    pub state_topics: bool,
}

impl NoticeSettings {
    fn check(given: NoticeOptions, mistakes: &mut Vec<String>) -> Self {
        let password = secret("LARDER_MAIL_PASSWORD", given.mail_password_file, mistakes);
        let mail = match (given.mail_server, given.mail_from) {
            (None, _) => None,
            (Some(_), None) => {
                mistakes.push("mail_server needs mail_from: whom notices are from".to_owned());
                None
            }
            (Some(url), Some(from)) => match MailServer::parse(&url, &from) {
                Ok(mut server) => {
                    server.password = password;
                    server.ca = given.mail_ca;
                    Some(server)
                }
                Err(mistake) => {
                    mistakes.push(mistake);
                    None
                }
            },
        };
        Self {
            mail,
            page_url: given.page_url,
            state_topics: given.state_topics.unwrap_or(true),
        }
    }

    /// Sets mail and webhooks up; nothing is connected yet.
    pub fn senders(&self) -> Result<Senders> {
        let mailer = self.mail.as_ref().map(Mailer::new).transpose()?;
        Senders::new(mailer, self.page_url.clone())
    }
}

/// A secret out of the environment, or out of a file; `None`: neither was given, or a mistake was
/// noted.
pub fn secret(variable: &str, file: Option<PathBuf>, mistakes: &mut Vec<String>) -> Option<String> {
    if let Ok(secret) = std::env::var(variable) {
        return Some(secret);
    }
    let path = file?;
    match std::fs::read_to_string(&path) {
        Ok(text) => Some(text.trim_end_matches(['\r', '\n']).to_owned()),
        Err(error) => {
            mistakes.push(format!("cannot read {}: {error}", path.display()));
            None
        }
    }
}

/// The data directory.
pub fn data_dir(shared: &Shared, file: &SettingsFile) -> PathBuf {
    let given = shared.data.clone().or(file.data.clone());
    given.data.unwrap_or_else(|| PathBuf::from(USUAL_DATA))
}

/// How readings arrive.
#[derive(Clone, Debug)]
pub enum BrokerChoice {
    /// A broker that is there, by URL.
    There(String),
    /// The built-in one.
    BuiltIn {
        /// Where it listens.
        listen: SocketAddr,
        /// Who may connect.
        users: Option<PathBuf>,
    },
}

/// Checked settings of the service.
#[derive(Clone, Debug)]
pub struct ServeSettings {
    /// The store's folder.
    pub data: PathBuf,
    /// Address of the pages and the API.
    pub listen: SocketAddr,
    /// How readings arrive.
    pub broker: BrokerChoice,
    /// First level of the topics.
    pub topic_prefix: String,
    /// The MQTT session's name.
    pub client_id: String,
    /// The broker's user.
    pub broker_user: Option<String>,
    /// The broker's password.
    pub broker_password: Option<String>,
    /// PEM files.
    pub broker_ca: Option<PathBuf>,
    /// PEM files.
    pub broker_cert: Option<(PathBuf, PathBuf)>,
    /// Messages of other shapes.
    pub mapping: Vec<MappingFile>,
    /// `metric` or `us`, where it was said.
    pub units: Option<String>,
    /// Where readings are kept.
    pub readings: ReadingsChoice,
    /// How people are told.
    pub notices: NoticeSettings,
}

impl ServeSettings {
    /// What holds where nobody says anything.
    pub fn usual() -> Self {
        Self::check(
            &Shared::default(),
            ServeOptions::default(),
            SettingsFile::default(),
        )
        .expect("what nobody gave is no mistake")
    }

    /// Puts options, environment and file together, and says every mistake at once.
    pub fn check(shared: &Shared, options: ServeOptions, file: SettingsFile) -> Result<Self> {
        let mut mistakes = Vec::new();
        let data = data_dir(shared, &file);
        let notices =
            NoticeSettings::check(options.notices.or(file.notices.clone()), &mut mistakes);
        let readings = ReadingsChoice::check(&shared.readings, &file, &mut mistakes);
        let given = options.service.over(file.service);
        let mut address = |name: &str, given: Option<String>, usual: &str| {
            let text = given.unwrap_or_else(|| usual.to_owned());
            text.parse().unwrap_or_else(|_| {
                mistakes.push(format!(
                    "{name} is an address and port like {usual}, not \"{text}\""
                ));
                SocketAddr::from(([127, 0, 0, 1], 0))
            })
        };
        let listen = address("listen", given.listen, "127.0.0.1:8080");
        let broker = match (given.broker, given.mqtt_listen) {
            (Some(_), Some(_)) => {
                return Err(wrong_use("give either a broker or mqtt_listen, not both"));
            }
            (Some(url), None) => BrokerChoice::There(url),
            (None, listen) => BrokerChoice::BuiltIn {
                listen: address("mqtt_listen", listen, "127.0.0.1:1883"),
                users: given.mqtt_users,
            },
        };
        let units = file.units.units;
        if let Some(units) = &units
            && !["metric", "us"].contains(&units.as_str())
        {
            mistakes.push(format!("units is metric or us, not \"{units}\""));
        }
        let password_file = given.broker_password_file;
        let broker_password = secret("LARDER_BROKER_PASSWORD", password_file, &mut mistakes);
        if !mistakes.is_empty() {
            return Err(wrong_use(mistakes.join("; ")));
        }
        Ok(Self {
            data,
            listen,
            broker,
            topic_prefix: given.topic_prefix.unwrap_or_else(|| "larder".to_owned()),
            client_id: given.client_id.unwrap_or_else(|| "larder".to_owned()),
            broker_user: given.broker_user,
            broker_password,
            broker_ca: given.broker_ca,
            broker_cert: given.broker_cert.zip(given.broker_key),
            mapping: file.mapping,
            units,
            readings,
            notices,
        })
    }
}

/// What the decoders need of the settings. Gateways come from the apiary.
pub fn decode_config(settings: &ServeSettings) -> Result<DecodeConfig> {
    let prefix =
        TopicPrefix::new(&settings.topic_prefix).map_err(|error| wrong_use(error.to_string()))?;
    let mappings = MappingFile::check_all(&settings.mapping).map_err(|problems| {
        let sentences: Vec<_> = problems.iter().map(ToString::to_string).collect();
        wrong_use(format!("settings: {}", sentences.join("; ")))
    })?;
    Ok(DecodeConfig {
        prefix,
        gateways: Default::default(),
        mappings,
    })
}
