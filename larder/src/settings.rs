//! Settings: the file as written, and the checked values that the commands work with. A command's
//! option wins over the environment, the environment over the file, the file over the default.

use crate::failure::wrong_use;
use crate::notices::{MailServer, Mailer, Senders};
use crate::readings_store::{ReadingsChoice, ReadingsOptions};
use anyhow::Result;
use clap::Args;
use larder_ingest::decode::{DecodeConfig, MappingFile, TopicPrefix};
use serde::Deserialize;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

/// Where the store lives when nobody says.
const USUAL_DATA: &str = "larder-data";

/// Options that every command shares.
#[derive(Args, Clone, Debug, Default)]
pub struct Shared {
    /// The data directory: the store and nothing else lives here [default: larder-data]
    #[arg(long, global = true, env = "LARDER_DATA", value_name = "DIR")]
    pub data: Option<PathBuf>,

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

/// The settings file as written. Every key is also an option and an environment variable; a key
/// that is not known is refused.
#[derive(Deserialize, Clone, Debug, Default)]
#[serde(deny_unknown_fields)]
pub struct SettingsFile {
    /// The data directory.
    pub data: Option<PathBuf>,
    /// Address of the pages and the API.
    pub listen: Option<String>,
    /// A broker that is there.
    pub broker: Option<String>,
    /// Address of the built-in broker.
    pub mqtt_listen: Option<String>,
    /// `name:password` lines for the built-in broker.
    pub mqtt_users: Option<PathBuf>,
    /// First level of the topics.
    pub topic_prefix: Option<String>,
    /// The MQTT session's name.
    pub client_id: Option<String>,
    /// The broker's user, where the URL does not say.
    pub broker_user: Option<String>,
    /// File that holds the broker's password.
    pub broker_password_file: Option<PathBuf>,
    /// Certificate authority of the broker, PEM.
    pub broker_ca: Option<PathBuf>,
    /// Our certificate for the broker, PEM.
    pub broker_cert: Option<PathBuf>,
    /// Its key, PEM.
    pub broker_key: Option<PathBuf>,
    /// `metric` or `us`.
    pub units: Option<String>,
    /// Where readings are kept: `embedded` or `influxdb2`.
    pub readings: Option<String>,
    /// The InfluxDB's address.
    pub influx_url: Option<String>,
    /// Its organisation.
    pub influx_org: Option<String>,
    /// Its bucket.
    pub influx_bucket: Option<String>,
    /// File that holds its token.
    pub influx_token_file: Option<PathBuf>,
    /// Certificate authority of the InfluxDB, PEM.
    pub influx_ca: Option<PathBuf>,
    /// Days of readings kept here as well.
    pub influx_keep_days: Option<u32>,
    /// Megabytes of readings that may wait here for the server.
    pub influx_spool_mb: Option<u64>,
    /// Seconds that the server may take to answer.
    pub influx_timeout_s: Option<u64>,
    /// The mail server: `smtp://user@host:587`, `smtps://…` or `smtp+plain://…`.
    pub mail_server: Option<String>,
    /// Whom notices are from.
    pub mail_from: Option<String>,
    /// File that holds the mail server's password.
    pub mail_password_file: Option<PathBuf>,
    /// Certificate authority of the mail server, PEM.
    pub mail_ca: Option<PathBuf>,
    /// Where people reach the pages.
    pub page_url: Option<String>,
    /// Publish what is wrong with each hive, retained.
    pub state_topics: Option<bool>,
    /// Messages of other shapes.
    #[serde(default)]
    pub mapping: Vec<MappingFile>,
}

/// Options of the service.
#[derive(Args, Clone, Debug, Default)]
pub struct ServeOptions {
    /// Address of the pages and the API [default: 127.0.0.1:8080]
    #[arg(long, env = "LARDER_LISTEN", value_name = "ADDR")]
    pub listen: Option<String>,

    /// A broker that is there: mqtt://user@host:1883 or mqtts://…, ?version=3 or 5
    #[arg(
        long,
        env = "LARDER_BROKER",
        value_name = "URL",
        conflicts_with = "mqtt_listen"
    )]
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
    #[arg(
        long,
        env = "LARDER_BROKER_CERT",
        value_name = "FILE",
        requires = "broker_key"
    )]
    pub broker_cert: Option<PathBuf>,

    /// The key of our certificate, PEM
    #[arg(
        long,
        env = "LARDER_BROKER_KEY",
        value_name = "FILE",
        requires = "broker_cert"
    )]
    pub broker_key: Option<PathBuf>,

    #[command(flatten)]
    pub notices: NoticeOptions,
}

/// Options of the notices.
#[derive(Args, Clone, Debug, Default)]
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
    fn check(options: NoticeOptions, file: &SettingsFile, mistakes: &mut Vec<String>) -> Self {
        let server = options.mail_server.or_else(|| file.mail_server.clone());
        let from = options.mail_from.or_else(|| file.mail_from.clone());
        let password_file = options
            .mail_password_file
            .or_else(|| file.mail_password_file.clone());
        let password = secret("LARDER_MAIL_PASSWORD", password_file, mistakes);
        let mail = match (server, from) {
            (None, _) => None,
            (Some(_), None) => {
                mistakes.push("mail_server needs mail_from: whom notices are from".to_owned());
                None
            }
            (Some(url), Some(from)) => match MailServer::parse(&url, &from) {
                Ok(mut server) => {
                    server.password = password;
                    server.ca = options.mail_ca.or_else(|| file.mail_ca.clone());
                    Some(server)
                }
                Err(mistake) => {
                    mistakes.push(mistake);
                    None
                }
            },
        };
        let state_topics = options.state_topics.or(file.state_topics);
        Self {
            mail,
            page_url: options.page_url.or_else(|| file.page_url.clone()),
            state_topics: state_topics.unwrap_or(true),
        }
    }

    /// Sets mail and webhooks up; nothing is connected yet.
    pub fn senders(&self) -> Result<Senders> {
        let mailer = self.mail.as_ref().map(Mailer::new).transpose()?;
        Senders::new(mailer, self.page_url.clone())
    }
}

/// A secret out of the environment, or out of a file.
fn secret(variable: &str, file: Option<PathBuf>, mistakes: &mut Vec<String>) -> Option<String> {
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

impl SettingsFile {
    /// Reads the file that was named, or `larder.toml` where there is one.
    pub fn find(named: Option<&Path>) -> Result<Self> {
        match named {
            Some(path) => Self::read(path),
            None if Path::new("larder.toml").exists() => Self::read(Path::new("larder.toml")),
            None => Ok(Self::default()),
        }
    }

    fn read(path: &Path) -> Result<Self> {
        let text = std::fs::read_to_string(path)
            .map_err(|error| wrong_use(format!("cannot read {}: {error}", path.display())))?;
        toml::from_str(&text).map_err(|error| {
            let place = error.span().map_or(String::new(), |span| {
                format!(" line {}", text[..span.start].lines().count().max(1))
            });
            wrong_use(format!(
                "{}{place}: {}",
                path.display(),
                error.message().trim()
            ))
        })
    }
}

/// The data directory.
pub fn data_dir(shared: &Shared, file: &SettingsFile) -> PathBuf {
    let named = shared.data.clone().or_else(|| file.data.clone());
    named.unwrap_or_else(|| PathBuf::from(USUAL_DATA))
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
        let local = |port| SocketAddr::from(([127, 0, 0, 1], port));
        Self {
            data: PathBuf::from(USUAL_DATA),
            listen: local(8080),
            broker: BrokerChoice::BuiltIn {
                listen: local(1883),
                users: None,
            },
            topic_prefix: "larder".to_owned(),
            client_id: "larder".to_owned(),
            broker_user: None,
            broker_password: None,
            broker_ca: None,
            broker_cert: None,
            mapping: Vec::new(),
            units: None,
            readings: ReadingsChoice::Embedded,
            notices: NoticeSettings {
                mail: None,
                page_url: None,
                state_topics: true,
            },
        }
    }

    /// Puts options, environment and file together, and says every mistake at once.
    pub fn check(shared: &Shared, options: ServeOptions, file: SettingsFile) -> Result<Self> {
        let mut mistakes = Vec::new();
        let notices = NoticeSettings::check(options.notices, &file, &mut mistakes);
        let data = data_dir(shared, &file);
        let readings = ReadingsChoice::check(&shared.readings, &file, &mut mistakes);
        let mut address = |name: &str, given: Option<String>, usual: &str| {
            let text = given.unwrap_or_else(|| usual.to_owned());
            text.parse().unwrap_or_else(|_| {
                mistakes.push(format!(
                    "{name} is an address and port like {usual}, not \"{text}\""
                ));
                SocketAddr::from(([127, 0, 0, 1], 0))
            })
        };
        let listen = address("listen", options.listen.or(file.listen), "127.0.0.1:8080");
        // An option or variable that names one kind of broker wins over a file that names the other.
        let chosen = match (options.broker, options.mqtt_listen) {
            (Some(url), _) => (Some(url), None),
            (None, Some(listen)) => (None, Some(listen)),
            (None, None) => (file.broker, file.mqtt_listen),
        };
        let broker = match chosen {
            (Some(_), Some(_)) => {
                return Err(wrong_use("give either a broker or mqtt_listen, not both"));
            }
            (Some(url), None) => BrokerChoice::There(url),
            (None, listen) => BrokerChoice::BuiltIn {
                listen: address("mqtt_listen", listen, "127.0.0.1:1883"),
                users: options.mqtt_users.or(file.mqtt_users),
            },
        };
        if let Some(units) = &file.units
            && !["metric", "us"].contains(&units.as_str())
        {
            mistakes.push(format!("units is metric or us, not \"{units}\""));
        }
        let password_file = options.broker_password_file.or(file.broker_password_file);
        let broker_password = secret("LARDER_BROKER_PASSWORD", password_file, &mut mistakes);
        if !mistakes.is_empty() {
            return Err(wrong_use(mistakes.join("; ")));
        }
        let usual = Self::usual();
        let broker_cert = options.broker_cert.or(file.broker_cert);
        let broker_key = options.broker_key.or(file.broker_key);
        Ok(Self {
            data,
            listen,
            broker,
            topic_prefix: options
                .topic_prefix
                .or(file.topic_prefix)
                .unwrap_or(usual.topic_prefix),
            client_id: options
                .client_id
                .or(file.client_id)
                .unwrap_or(usual.client_id),
            broker_user: options.broker_user.or(file.broker_user),
            broker_password,
            broker_ca: options.broker_ca.or(file.broker_ca),
            broker_cert: broker_cert.zip(broker_key),
            mapping: file.mapping,
            units: file.units,
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
