//! The service put together: broker, ingest, processing as news arrives, HTTP. One room for how it
//! starts and, above all, how it stops without losing anything.

mod background;
mod clock_watch;
mod connect;
mod core;
mod host;
mod process_loop;

pub use host::ServiceHost;

use self::background::Background;
use self::clock_watch::ClockWatch;
use self::connect::{Connected, Sink, connect};
use self::core::Core;

use crate::broker::BuiltInBroker;
use crate::local::LocalSocket;
use crate::notices::Runner;
use crate::readings_store::OpenStore;
use crate::settings::{ServeSettings, decode_config};
use anyhow::{Context, Result};
use larder_api::{Live, News, Service};
use larder_domain::{Span, YardId};
use larder_ingest::session::{Committed, IngestStatus, LiveDecodeConfig};
use larder_store::archive::{ArchivedReadings, Sending, WhenFull};
use larder_store::{Access, EmbeddedStore, Records};
use metrics_exporter_prometheus::{PrometheusBuilder, PrometheusHandle};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::Path;
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
    background: Background,
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
    let opened = open_store(&settings).await?;
    let (readings, store, archive) = (opened.shared_readings(), opened.embedded, opened.archive);
    let sending = archive.as_ref().map(ArchivedReadings::send_always);
    let local = local_socket(&settings.data);
    host::take_gateways(&decode, store.as_ref())?;
    begin_with_units(&settings, store.as_ref())?;
    let metrics = record_metrics();
    let listener = TcpListener::bind(settings.listen)
        .await
        .with_context(|| format!("listening on {} for the pages", settings.listen))?;
    let http = listener.local_addr()?;

    let core = Core::default();
    let status = Arc::new(IngestStatus::default());
    let (news, _) = broadcast::channel(NEWS);
    let changed = Arc::new(Changed::default());
    // Before anything is taken in.
    let watch = ClockWatch::begin(readings.as_ref(), store.as_ref(), Arc::clone(&status))?;
    let stop_ingest = CancellationToken::new();
    let sink = Sink {
        readings: Arc::clone(&readings),
        records: store.clone(),
        status: Arc::clone(&status),
        decode: decode.clone(),
        stop: stop_ingest.clone(),
    };
    let committed = ring(news.clone(), Arc::clone(&changed));
    let Connected {
        door,
        ingest,
        broker,
    } = connect(&settings, &core, sink, committed).await?;
    let mqtt = door.broker.to_string();

    let live = Live::default();
    let notices = Runner {
        store: Arc::clone(&store),
        live: live.clone(),
        news: news.clone(),
        senders: Arc::new(settings.notices.senders()?),
        state: (settings.notices.state_topics).then(|| door.state_topics(&settings)),
    };
    let host = Arc::new(ServiceHost {
        store,
        readings,
        sending: archive.as_ref().map(|archive| Arc::clone(archive.status())),
        status,
        changed,
        decode,
        metrics,
        news,
        tried: Mutex::default(),
    });
    let stop_local = CancellationToken::new();
    let local = local.map(|socket| {
        let answering = socket.serve(Arc::clone(&host), stop_local.clone());
        core.spawn("the socket for commands", answering)
    });
    let background = Background::start(&core, &host, watch, notices);
    let stop_http = CancellationToken::new();
    Ok(Running {
        http,
        mqtt,
        built_in: broker.as_ref().map(|broker| broker.address),
        status: Arc::clone(&host.status),
        store: Arc::clone(&host.store),
        changed: Arc::clone(&host.changed),
        sending,
        broker,
        stop_ingest,
        ingest,
        background,
        stop_local,
        local,
        server: serve_pages(&core, listener, host, live, stop_http.clone()),
        stop_http,
        core,
    })
}

async fn open_store(settings: &ServeSettings) -> Result<OpenStore> {
    let (data, choice) = (settings.data.clone(), settings.readings.clone());
    let opened =
        tokio::task::spawn_blocking(move || choice.open(&data, Access::Create, WhenFull::Refuse));
    opened.await.context("opening the store")?
}

/// Not every file system has sockets; the service is worth more than commands beside it.
fn local_socket(data: &Path) -> Option<LocalSocket> {
    let opened = LocalSocket::open(data);
    if let Err(error) = &opened {
        let error = format!("{error:#}");
        tracing::warn!(
            error,
            "commands that change readings do not work beside this service"
        );
    }
    opened.ok()
}

/// The units of the settings hold until somebody chooses others on the pages.
fn begin_with_units(settings: &ServeSettings, records: &dyn Records) -> Result<()> {
    if let Some(units) = &settings.units
        && records.setting("units")?.is_none()
    {
        records.set_setting("units", units)?;
    }
    Ok(())
}

fn record_metrics() -> PrometheusHandle {
    let recorder = PrometheusBuilder::new().build_recorder();
    let handle = recorder.handle();
    // A second service in one process (tests) keeps the first one's recorder.
    let _ = metrics::set_global_recorder(recorder);
    handle
}

/// What a commit sets off: readings that changed anything are estimated, and pages hear of them.
fn ring(
    news: broadcast::Sender<News>,
    changed: Arc<Changed>,
) -> impl Fn(Committed) + Send + 'static {
    move |commit| {
        if commit.appended.new + commit.appended.replaced > 0 {
            changed.readings();
        }
        // Nobody listening is fine.
        let _ = news.send(News::Readings(commit.devices));
    }
}

fn serve_pages(
    core: &Core,
    listener: TcpListener,
    host: Arc<ServiceHost>,
    live: Live,
    stop: CancellationToken,
) -> JoinHandle<()> {
    let service = Arc::new(Service {
        readings: Arc::clone(&host.readings),
        records: host.store.clone(),
        notices: host.store.clone(),
        live,
        news: host.news.clone(),
        host,
        listeners: Service::usual_listeners(),
        stopping: stop.clone(),
    });
    let serve = larder_api::serve(listener, larder_api::router(service), stop);
    core.spawn("the HTTP server", serve)
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
        let background = self.background.stop().await;
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
        ingest.and(background)
    }
}
