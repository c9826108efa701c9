//! The service put together: broker, ingest, processing as news arrives, HTTP. One room for how it
//! starts and, above all, how it stops without losing anything.

mod clock_watch;
mod core;
mod host;
mod process_loop;

pub use host::ServiceHost;

use self::clock_watch::ClockWatch;
use self::core::Core;

use crate::broker::{self, BuiltInBroker, Users};
use crate::failure::wrong_use;
use crate::local::LocalSocket;
use crate::notices::{Runner, StateTopics};
use crate::settings::{BrokerChoice, ServeSettings, decode_config};
use anyhow::{Context, Result};
use larder_api::{Live, News, Service};
use larder_domain::{Span, YardId};
use larder_ingest::session::{
    self, BrokerUrl, Committed, IngestStatus, Intake, IntakeConfig, LiveDecodeConfig, Password,
    SessionConfig, TlsFiles,
};
use larder_store::archive::{ArchivedReadings, Sending, WhenFull};
use larder_store::{Access, EmbeddedStore, Readings, Records};
use metrics_exporter_prometheus::PrometheusBuilder;
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{Notify, broadcast};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// News that a slow page may fall behind before it is told to load everything anew.
const NEWS: usize = 256;

/// How long open requests may take to end when the service stops.
const LAST_ANSWERS: Duration = Duration::from_secs(5);

/// How long readings that wait may be sent on when the service stops.
const LAST_SENDING: Duration = Duration::from_secs(5);

/// A service that runs. It must be stopped by [`Running::stop`].
pub struct Running {
    /// Where the pages and the API are.
    pub http: SocketAddr,
    /// Where devices send to.
    pub mqtt: String,
    /// The built-in broker's address, where it is the one in use.
    pub built_in: Option<SocketAddr>,
    /// What ingest is doing.
    pub status: Arc<IngestStatus>,
    /// The store in use.
    pub store: Arc<EmbeddedStore>,
    /// Says that fills or the apiary changed.
    pub changed: Arc<Changed>,
    /// Sends readings on, where they are kept elsewhere in the end.
    sending: Option<Sending>,
    core: Core,
    broker: Option<BuiltInBroker>,
    stop_ingest: CancellationToken,
    ingest: JoinHandle<()>,
    stop_processing: CancellationToken,
    processing: JoinHandle<()>,
    telling: JoinHandle<()>,
    watching: JoinHandle<()>,
    stop_local: CancellationToken,
    local: Option<JoinHandle<()>>,
    stop_http: CancellationToken,
    server: JoinHandle<()>,
}

/// Wakes the processing loop, and knows whether all of what was asked for is done.
#[derive(Default)]
pub struct Changed {
    /// How often everything was asked for.
    asked: AtomicU64,
    /// The newest asking that was answered.
    answered: AtomicU64,
    /// Yards of which something was written down since the last run, and when it was.
    noted: Mutex<BTreeMap<YardId, Span>>,
    wake: Notify,
}

impl Changed {
    /// Everything is to be estimated again: fills or the apiary changed. Gives a number for
    /// [`Self::is_answered`].
    pub fn everything(&self) -> u64 {
        let asking = self.asked.fetch_add(1, Ordering::AcqRel) + 1;
        self.wake.notify_one();
        asking
    }

    /// Something was written down for this yard that concerns this span.
    pub fn yard(&self, yard: &YardId, span: Span) {
        let mut noted = self.noted();
        let known = noted.entry(yard.clone()).or_insert(span);
        *known = Span {
            start: known.start.min(span.start),
            end: known.end.max(span.end),
        };
        drop(noted);
        self.wake.notify_one();
    }

    /// What was written down since this was asked for last.
    fn take_noted(&self) -> BTreeMap<YardId, Span> {
        std::mem::take(&mut self.noted())
    }

    fn noted(&self) -> MutexGuard<'_, BTreeMap<YardId, Span>> {
        self.noted
            .lock()
            .unwrap_or_else(|broken| broken.into_inner())
    }

    /// There are new readings.
    pub fn readings(&self) {
        self.wake.notify_one();
    }

    /// Whether everything was estimated since that asking.
    pub fn is_answered(&self, asking: u64) -> bool {
        self.answered.load(Ordering::Acquire) >= asking
    }

    /// The newest asking, if it is not answered yet.
    fn asking(&self) -> Option<u64> {
        let asking = self.asked.load(Ordering::Acquire);
        (!self.is_answered(asking)).then_some(asking)
    }

    fn answer(&self, asking: u64) {
        self.answered.store(asking, Ordering::Release);
    }
}

/// Starts everything, in the order in which each needs the one before.
pub async fn start(settings: ServeSettings) -> Result<Running> {
    let decode = LiveDecodeConfig::from(decode_config(&settings)?);
    let (data, choice) = (settings.data.clone(), settings.readings.clone());
    let opened =
        tokio::task::spawn_blocking(move || choice.open(&data, Access::Create, WhenFull::Refuse));
    let opened = opened.await.context("opening the store")??;
    let (store, archive) = (opened.embedded, opened.archive);
    let sending = archive.as_ref().map(ArchivedReadings::send_always);
    let readings: Arc<dyn Readings> = match &archive {
        Some(archive) => archive.clone(),
        None => store.clone(),
    };
    // Not every file system has sockets; the service is worth more than commands beside it.
    let local = LocalSocket::open(&settings.data)
        .inspect_err(|error| {
            let error = format!("{error:#}");
            tracing::warn!(
                error,
                "commands that change readings do not work beside this service"
            );
        })
        .ok();
    host::take_gateways(&decode, store.as_ref())?;
    if let Some(units) = &settings.units
        && store.setting("units")?.is_none()
    {
        store.set_setting("units", units)?;
    }
    let metrics = PrometheusBuilder::new().build_recorder();
    let metrics_handle = metrics.handle();
    // A second service in one process (tests) keeps the first one's recorder.
    let _ = metrics::set_global_recorder(metrics);
    let listener = TcpListener::bind(settings.listen)
        .await
        .with_context(|| format!("listening on {} for the pages", settings.listen))?;
    let http = listener.local_addr()?;
    let status = Arc::new(IngestStatus::default());
    let (news, _) = broadcast::channel(NEWS);
    let changed = Arc::new(Changed::default());
    let live = Live::default();

    let core = Core::default();
    // Before anything is taken in.
    let watch = ClockWatch::begin(readings.as_ref(), store.as_ref(), Arc::clone(&status))?;
    let stop_ingest = CancellationToken::new();
    let committed = {
        let (news, changed) = (news.clone(), Arc::clone(&changed));
        move |commit: Committed| {
            if commit.appended.new + commit.appended.replaced > 0 {
                changed.readings();
            }
            // Nobody listening is fine.
            let _ = news.send(News::Readings(commit.devices));
        }
    };
    let sink = Sink {
        readings: Arc::clone(&readings),
        records: store.clone(),
        status: Arc::clone(&status),
        decode: decode.clone(),
        stop: stop_ingest.clone(),
    };
    let Connected {
        door,
        ingest,
        broker,
    } = connect(&settings, &core, sink, committed).await?;
    let mqtt = door.broker.to_string();
    let senders = Arc::new(settings.notices.senders()?);
    let state = settings.notices.state_topics.then(|| StateTopics {
        broker: door.broker,
        password: door.password,
        tls: door.tls,
        client_id: format!("{}-state", settings.client_id),
        prefix: settings.topic_prefix.clone(),
    });

    let stop_http = CancellationToken::new();
    let host = Arc::new(ServiceHost {
        store: Arc::clone(&store),
        readings: Arc::clone(&readings),
        sending: archive.as_ref().map(|archive| Arc::clone(archive.status())),
        status: Arc::clone(&status),
        changed: Arc::clone(&changed),
        decode,
        metrics: metrics_handle,
        news: news.clone(),
        tried: Mutex::default(),
    });

    let stop_local = CancellationToken::new();
    let local = local.map(|socket| {
        let answering = socket.serve(Arc::clone(&host), stop_local.clone());
        core.spawn("the socket for commands", answering)
    });

    let stop_processing = CancellationToken::new();
    let processing = core.spawn(
        "processing",
        process_loop::run(
            Arc::clone(&store),
            Arc::clone(&readings),
            live.clone(),
            news.clone(),
            Arc::clone(&changed),
            Arc::clone(&host),
            stop_processing.clone(),
        ),
    );

    let watching = {
        let host = Arc::clone(&host);
        let settled = move |now| host.settle_by_clock(now);
        core.spawn(
            "the clock's watch",
            watch.run(settled, stop_processing.clone()),
        )
    };

    let telling = core.spawn(
        "the notices",
        Runner {
            store: Arc::clone(&store),
            live: live.clone(),
            news: news.clone(),
            senders,
            state,
        }
        .run(stop_processing.clone()),
    );

    let service = Arc::new(Service {
        readings,
        records: store.clone(),
        notices: store.clone(),
        live,
        news,
        host,
        listeners: Service::usual_listeners(),
        stopping: stop_http.clone(),
    });
    let serve = larder_api::serve(listener, larder_api::router(service), stop_http.clone());
    let server = core.spawn("the HTTP server", serve);
    Ok(Running {
        http,
        mqtt,
        built_in: broker.as_ref().map(|broker| broker.address),
        status,
        store,
        changed,
        sending,
        core,
        broker,
        stop_ingest,
        ingest,
        stop_processing,
        processing,
        telling,
        watching,
        stop_local,
        local,
        stop_http,
        server,
    })
}

/// Where messages go that come in.
struct Sink {
    readings: Arc<dyn Readings>,
    records: Arc<dyn Records>,
    status: Arc<IngestStatus>,
    decode: LiveDecodeConfig,
    stop: CancellationToken,
}

/// How to reach the broker as a client.
struct Door {
    broker: BrokerUrl,
    password: Option<Password>,
    tls: TlsFiles,
}

/// Messages come in.
struct Connected {
    door: Door,
    ingest: JoinHandle<()>,
    /// The built-in broker, where it is the one in use.
    broker: Option<BuiltInBroker>,
}

/// Listens to a broker that is there, or starts the built-in one, which hands its messages over
/// before it confirms them.
async fn connect(
    settings: &ServeSettings,
    core: &Core,
    sink: Sink,
    committed: impl Fn(Committed) + Send + 'static,
) -> Result<Connected> {
    match &settings.broker {
        BrokerChoice::There(url) => {
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
                if let Err(error) =
                    session::run(session, readings, records, status, committed, stop).await
                {
                    tracing::error!(%error, "ingest cannot start");
                }
            });
            Ok(Connected {
                door,
                ingest,
                broker: None,
            })
        }
        BrokerChoice::BuiltIn { listen, users } => {
            let mut users = users
                .as_deref()
                .map(Users::read)
                .transpose()?
                .unwrap_or_default();
            let own_password = (!users.is_empty()).then(own_password);
            if let Some(password) = &own_password {
                users = users.with(OWN_USER, password);
            }
            let config = IntakeConfig::new(sink.decode);
            let (intake, task) =
                Intake::start(config, sink.readings, sink.records, sink.status, committed);
            let broker = broker::start(*listen, users, intake).await?;
            // A listener on every address is reached on this machine by its own.
            let ip = match broker.address.ip() {
                ip if ip.is_unspecified() && ip.is_ipv4() => std::net::Ipv4Addr::LOCALHOST.into(),
                ip if ip.is_unspecified() => std::net::Ipv6Addr::LOCALHOST.into(),
                ip => ip,
            };
            let url = BrokerUrl {
                host: ip.to_string(),
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

impl Running {
    /// Waits until a task ends without which the service is not one, which it never does by itself;
    /// says which.
    pub async fn failed(&self) -> &'static str {
        self.core.ended().await
    }

    /// Stops in the order that loses nothing: the built-in broker first, whose messages are on disk
    /// when they are confirmed; ingest ends (appends finished, acknowledgements sent), then the
    /// processing, open answers, and last the store.
    pub async fn stop(self) -> Result<()> {
        if let Some(broker) = self.broker {
            broker.stop().await;
        }
        self.stop_ingest.cancel();
        self.stop_local.cancel();
        // A command in the middle of a batch is told that the service has gone.
        if let Some(local) = self.local {
            let _ = tokio::time::timeout(LAST_ANSWERS, local).await;
        }
        let ingest = self.ingest.await.context("ingest did not end cleanly");
        self.stop_processing.cancel();
        let telling = self.telling.await;
        let telling = telling.context("the notices did not end cleanly");
        let processing = self.processing.await;
        let watching = self.watching.await.context("the clock's watch failed");
        let processing = processing.context("the processing did not end cleanly");
        self.stop_http.cancel();
        if tokio::time::timeout(LAST_ANSWERS, self.server)
            .await
            .is_err()
        {
            tracing::warn!("some requests were cut off");
        }
        if let Some(sending) = self.sending {
            // What is left waits on the disk.
            tokio::task::spawn_blocking(move || sending.finish(LAST_SENDING)).await?;
        }
        drop(self.store);
        // A part that failed keeps none of the others from ending in order.
        ingest.and(telling).and(processing).and(watching)
    }
}
