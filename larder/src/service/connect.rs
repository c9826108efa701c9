//! Where messages come from: a broker that is there, or the built-in one.

use super::core::Core;
use crate::broker::{self, BuiltInBroker, Users};
use crate::failure::wrong_use;
use crate::notices::StateTopics;
use crate::settings::{BrokerChoice, ServeSettings};
use anyhow::Result;
use larder_ingest::session::{
    self, BrokerUrl, Committed, IngestStatus, Intake, IntakeConfig, LiveDecodeConfig, Password,
    SessionConfig, TlsFiles,
};
use larder_store::{Readings, Records};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::Path;
use std::sync::Arc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Where messages go that come in.
pub struct Sink {
    /// Where readings are kept.
    pub readings: Arc<dyn Readings>,
    /// Where all else is kept, above all what could not be read.
    pub records: Arc<dyn Records>,
    /// Told what ingest is doing.
    pub status: Arc<IngestStatus>,
    /// How messages are read.
    pub decode: LiveDecodeConfig,
    /// Ends taking in.
    pub stop: CancellationToken,
}

/// How to reach the broker as a client.
pub struct Door {
    /// The broker's address.
    pub broker: BrokerUrl,
    password: Option<Password>,
    tls: TlsFiles,
}

impl Door {
    /// Where the states of the hives are published.
    pub fn state_topics(self, settings: &ServeSettings) -> StateTopics {
        StateTopics {
            broker: self.broker,
            password: self.password,
            tls: self.tls,
            client_id: format!("{}-state", settings.client_id),
            prefix: settings.topic_prefix.clone(),
        }
    }
}

/// Messages come in.
pub struct Connected {
    /// The way to the broker.
    pub door: Door,
    /// The task that takes them in.
    pub ingest: JoinHandle<()>,
    /// The built-in broker, where it is the one in use.
    pub broker: Option<BuiltInBroker>,
}

/// Listens to a broker that is there, or starts the built-in one, which hands its messages over
/// before it confirms them.
pub async fn connect(
    settings: &ServeSettings,
    core: &Core,
    sink: Sink,
    committed: impl Fn(Committed) + Send + 'static,
) -> Result<Connected> {
    match &settings.broker {
        BrokerChoice::There(url) => {
            let session = session(settings, url, &sink)?;
            Ok(listen_to(session, core, sink, committed))
        }
        BrokerChoice::BuiltIn { listen, users } => {
            start_built_in(*listen, users.as_deref(), core, sink, committed).await
        }
    }
}

/// The session with a broker that is there.
fn session(settings: &ServeSettings, url: &str, sink: &Sink) -> Result<SessionConfig> {
    let mut url: BrokerUrl = url.parse().map_err(|error| wrong_use(format!("{error}")))?;
    url.user = url.user.or_else(|| settings.broker_user.clone());
    let session = SessionConfig {
        password: settings.broker_password.as_deref().map(Password::new),
        tls: TlsFiles {
            ca: settings.broker_ca.clone(),
            client: settings.broker_cert.clone(),
        },
        client_id: settings.client_id.clone(),
        ..SessionConfig::new(url, sink.decode.clone())
    };
    if session.broker.is_tls {
        session
            .tls
            .client_config()
            .map_err(|error| wrong_use(error.to_string()))?;
    }
    Ok(session)
}

fn listen_to(
    session: SessionConfig,
    core: &Core,
    sink: Sink,
    committed: impl Fn(Committed) + Send + 'static,
) -> Connected {
    let door = Door {
        broker: session.broker.clone(),
        password: session.password.clone(),
        tls: session.tls.clone(),
    };
    let ingest = core.spawn("ingest", async move {
        let Sink {
            readings,
            records,
            status,
            stop,
            ..
        } = sink;
        if let Err(error) = session::run(session, readings, records, status, committed, stop).await
        {
            tracing::error!(%error, "ingest cannot start");
        }
    });
    Connected {
        door,
        ingest,
        broker: None,
    }
}

async fn start_built_in(
    listen: SocketAddr,
    users: Option<&Path>,
    core: &Core,
    sink: Sink,
    committed: impl Fn(Committed) + Send + 'static,
) -> Result<Connected> {
    let mut users = users.map(Users::read).transpose()?.unwrap_or_default();
    let own_password = (!users.is_empty()).then(own_password);
    if let Some(password) = &own_password {
        users = users.with(OWN_USER, password);
    }
    let config = IntakeConfig::new(sink.decode);
    let (intake, task) = Intake::start(config, sink.readings, sink.records, sink.status, committed);
    let broker = broker::start(listen, users, intake).await?;
    let url = BrokerUrl {
        host: reached_here(broker.address.ip()).to_string(),
        port: broker.address.port(),
        is_tls: false,
        user: own_password.as_ref().map(|_| OWN_USER.to_owned()),
        version: None,
    };
    let ingest = core.spawn("ingest", task.run(url.to_string(), sink.stop));
    Ok(Connected {
        door: Door {
            broker: url,
            password: own_password.as_deref().map(Password::new),
            tls: TlsFiles::default(),
        },
        ingest,
        broker: Some(broker),
    })
}

/// A listener on every address is reached on this machine by its own.
fn reached_here(ip: IpAddr) -> IpAddr {
    match ip {
        ip if ip.is_unspecified() && ip.is_ipv4() => Ipv4Addr::LOCALHOST.into(),
        ip if ip.is_unspecified() => Ipv6Addr::LOCALHOST.into(),
        ip => ip,
    }
}

/// Larder's own name at the built-in broker where names are asked for.
const OWN_USER: &str = "larder-ingest";

/// A password for one run that nobody else knows.
fn own_password() -> String {
    use rand::Rng;
    rand::rng()
        .sample_iter(rand::distr::Alphanumeric)
        .take(32)
        .map(char::from)
        .collect()
}
