//! A real broker, foreign clients, a store that can be made to fail, and waiting for conditions.

#![allow(dead_code, reason = "each test binary uses a part of it")]

use larder_domain::{ChannelName, ChannelRef, DeviceId, Reading, Sample, Span, Timestamp};
use larder_ingest::corpus::Case;
use larder_ingest::decode::DecodeConfig;
use larder_ingest::session::{self, BrokerUrl, Committed, IngestStatus, SessionConfig};
use larder_store::{
    Access, Appended, EmbeddedStore, LatestSample, Quarantined, Readings, Receipt, Records,
    Removal, Removed, SeriesInfo, StoreError,
};
use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::SeqCst};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio_util::sync::CancellationToken;

/// How long a condition may take on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);

/// Waits until `condition` holds; fails with `what` otherwise.
#[track_caller]
pub fn wait_for(what: &str, mut condition: impl FnMut() -> bool) {
    let start = Instant::now();
    while !condition() {
        assert!(start.elapsed() < PATIENCE, "waited in vain: {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

pub fn free_port() -> u16 {
    let listener = TcpListener::bind(("127.0.0.1", 0)).expect("a free port");
    listener.local_addr().expect("its address").port()
}

fn program(name: &str) -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .chain(["/usr/sbin", "/usr/local/sbin"].map(PathBuf::from))
        .map(|folder| folder.join(name))
        .find(|file| file.is_file())
        .unwrap_or_else(|| {
            panic!(
                "{name} is not installed: on Debian, apt-get install mosquitto mosquitto-clients"
            )
        })
}

/// A Mosquitto of our own on a free port, with persistence.
pub struct Mosquitto {
    pub port: u16,
    pub folder: tempfile::TempDir,
    config: PathBuf,
    child: Option<Child>,
}

impl Mosquitto {
    /// Anyone may connect.
    pub fn start() -> Self {
        Self::with("allow_anonymous true\n", |_| ())
    }

    /// With settings of its own; `prepare` may put files into the folder first. `{folder}` stands
    /// for that folder.
    pub fn with(settings: &str, prepare: impl FnOnce(&Path)) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        prepare(folder.path());
        let port = free_port();
        let config = folder.path().join("mosquitto.conf");
        let own = folder.path().display().to_string();
        let user = if Command::new("id")
            .arg("-u")
            .output()
            .is_ok_and(|o| o.stdout == b"0\n")
        {
            "user root\n"
        } else {
            ""
        };
        let text = format!(
            "{user}listener {port} 127.0.0.1\npersistence true\npersistence_location {own}/\n\
             max_queued_messages 0\n\
             max_inflight_messages 200\n{}",
            settings.replace("{folder}", &own)
        );
        std::fs::write(&config, text).expect("the broker's configuration is written");
        let mut broker = Self {
            port,
            folder,
            config,
            child: None,
        };
        broker.run();
        broker
    }

    pub fn run(&mut self) {
        let log = std::fs::File::create(self.folder.path().join("log")).expect("a log");
        let child = Command::new(program("mosquitto"))
            .arg("-c")
            .arg(&self.config)
            .stdout(log.try_clone().expect("the log twice"))
            .stderr(log)
            .spawn()
            .expect("mosquitto starts");
        self.child = Some(child);
        wait_for("mosquitto listens", || {
            TcpStream::connect(("127.0.0.1", self.port)).is_ok()
        });
    }

    /// SIGTERM: it writes its persistence and ends.
    pub fn stop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = Command::new("kill").arg(child.id().to_string()).status();
            let _ = child.wait();
        }
    }

    pub fn url(&self, query: &str) -> BrokerUrl {
        format!("mqtt://127.0.0.1:{}{query}", self.port)
            .parse()
            .expect("an address")
    }

    /// `mosquitto_pub` with QoS 1; `more` are further arguments.
    pub fn publish(&self, topic: &str, payload: &[u8], more: &[&str]) {
        let mut child = Command::new(program("mosquitto_pub"))
            .args([
                "-h",
                "127.0.0.1",
                "-p",
                &self.port.to_string(),
                "-q",
                "1",
                "-s",
                "-t",
                topic,
            ])
            .args(more)
            .stdin(Stdio::piped())
            .spawn()
            .expect("mosquitto_pub starts");
        let mut input = child.stdin.take().expect("its input");
        input.write_all(payload).expect("the payload is taken");
        drop(input);
        assert!(
            child.wait().expect("it ends").success(),
            "mosquitto_pub failed"
        );
    }

    /// Many messages on one topic over one connection, QoS 1, one for each line.
    pub fn publish_lines(&self, topic: &str, lines: &str) {
        let mut child = Command::new(program("mosquitto_pub"))
            .args([
                "-h",
                "127.0.0.1",
                "-p",
                &self.port.to_string(),
                "-q",
                "1",
                "-l",
                "-t",
                topic,
            ])
            .stdin(Stdio::piped())
            .spawn()
            .expect("mosquitto_pub starts");
        let mut input = child.stdin.take().expect("its input");
        input
            .write_all(lines.as_bytes())
            .expect("the lines are taken");
        drop(input);
        assert!(
            child.wait().expect("it ends").success(),
            "mosquitto_pub failed"
        );
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// The embedded store, with readings that can be refused or slowed down.
pub struct Store {
    pub inner: EmbeddedStore,
    _folder: tempfile::TempDir,
    pub fails: AtomicBool,
    pub panics: AtomicBool,
    pub delay_ms: AtomicU64,
    pub appends: AtomicU64,
}

impl Store {
    pub fn new() -> Arc<Self> {
        let folder = tempfile::tempdir().expect("a temporary folder");
        Arc::new(Self {
            inner: EmbeddedStore::open(folder.path(), Access::Create).expect("a new store"),
            _folder: folder,
            fails: AtomicBool::new(false),
            panics: AtomicBool::new(false),
            delay_ms: AtomicU64::new(0),
            appends: AtomicU64::new(0),
        })
    }

    pub fn all(&self, device: &str, channel: &str) -> Vec<Sample> {
        let series = ChannelRef {
            device: DeviceId::new(device).expect("a device"),
            channel: ChannelName::new(channel).expect("a channel"),
        };
        self.inner
            .range(&series, Span::ALWAYS)
            .expect("the store reads")
    }

    pub fn quarantine(&self) -> Vec<Quarantined> {
        let mut all: Vec<Quarantined> = Vec::new();
        loop {
            let after = all.last().map_or(0, |entry| entry.id);
            let page = self.inner.quarantined(after, 1_000);
            let page = page.expect("the store reads");
            if page.is_empty() {
                return all;
            }
            all.extend(page);
        }
    }
}

impl Readings for Store {
    fn append_received(
        &self,
        readings: &[Reading],
        receipts: &[Receipt],
    ) -> Result<Appended, StoreError> {
        std::thread::sleep(Duration::from_millis(self.delay_ms.load(SeqCst)));
        assert!(
            !self.panics.load(SeqCst),
            "a fault in the store, played by the test"
        );
        if self.fails.load(SeqCst) {
            return Err(StoreError::Unavailable("switched off by the test".into()));
        }
        self.appends.fetch_add(1, SeqCst);
        self.inner.append_received(readings, receipts)
    }

    fn remove(&self, removal: &Removal<'_>) -> Result<Removed, StoreError> {
        self.inner.remove(removal)
    }

    fn receipts(&self) -> Result<Vec<Receipt>, StoreError> {
        self.inner.receipts()
    }

    fn series(&self) -> Result<Vec<SeriesInfo>, StoreError> {
        self.inner.series()
    }

    fn range(&self, series: &ChannelRef, span: Span) -> Result<Vec<Sample>, StoreError> {
        self.inner.range(series, span)
    }

    fn reduced(
        &self,
        series: &ChannelRef,
        span: Span,
        points: usize,
    ) -> Result<Vec<Sample>, StoreError> {
        self.inner.reduced(series, span, points)
    }

    fn latest(&self) -> Result<Vec<LatestSample>, StoreError> {
        self.inner.latest()
    }
}

/// Ingest in the background.
pub struct Session {
    pub status: Arc<IngestStatus>,
    pub committed: Arc<Mutex<Vec<Committed>>>,
    stop: CancellationToken,
    runtime: Option<tokio::runtime::Runtime>,
    task: Option<tokio::task::JoinHandle<Result<(), session::StartError>>>,
}

impl Session {
    /// Starts and waits until it takes readings.
    pub fn start(config: SessionConfig, store: &Arc<Store>) -> Self {
        let session = Self::start_without_waiting(config, store);
        let start = Instant::now();
        while let Err(why) = session.status.ready() {
            if session.task.as_ref().is_some_and(|task| task.is_finished()) {
                panic!("ingest ended: {:?}", session.stop());
            }
            assert!(
                start.elapsed() < PATIENCE,
                "ingest does not get ready: {why}"
            );
            std::thread::sleep(Duration::from_millis(5));
        }
        session
    }

    pub fn start_without_waiting(config: SessionConfig, store: &Arc<Store>) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .expect("a runtime");
        let status = Arc::new(IngestStatus::default());
        let committed: Arc<Mutex<Vec<Committed>>> = Arc::default();
        let stop = CancellationToken::new();
        let heard = Arc::clone(&committed);
        let readings: Arc<dyn Readings> = Arc::clone(store) as _;
        let records = Arc::new(RecordsOf(Arc::clone(store)));
        let task = runtime.spawn(session::run(
            config,
            readings,
            records,
            Arc::clone(&status),
            move |news| heard.lock().expect("not poisoned").push(news),
            stop.clone(),
        ));
        Self {
            status,
            committed,
            stop,
            runtime: Some(runtime),
            task: Some(task),
        }
    }

    /// In good order.
    pub fn stop(mut self) -> Result<(), session::StartError> {
        self.stop.cancel();
        let task = self.task.take().expect("it runs");
        let runtime = self.runtime.take().expect("it runs");
        runtime.block_on(task).expect("it does not panic")
    }

    /// As if the machine lost its power: nothing is finished, nothing is said.
    pub fn crash(mut self) {
        if let Some(task) = self.task.take() {
            task.abort();
        }
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

/// The store's other trait; a newtype, because the store implements both.
pub struct RecordsOf(pub Arc<Store>);

macro_rules! delegate {
    ($($name:ident($($arg:ident: $type:ty),*) -> $result:ty;)*) => {
        impl Records for RecordsOf {
            fn edit_apiary_with(
                &self,
                edit: &mut dyn FnMut(&Apiary) -> Option<Apiary>,
            ) -> Result<bool, StoreError> {
                self.0.inner.edit_apiary_with(edit)
            }

            $(fn $name(&self, $($arg: $type),*) -> Result<$result, StoreError> {
                self.0.inner.$name($($arg),*)
            })*
        }
    };
}

use chrono::NaiveDate;
use larder_domain::{
    Apiary, CareEntry, FeederId, FillEvent, FlagId, HiveId, KeptFlag, Learned, RecordedFill,
    UptakeDay, WeightDay, YardId,
};
use larder_store::{Attribute, Change, DeviceHealth, QuarantinedId, Refused, ResultsPatch};

delegate! {
    apiary() -> Apiary;
    set_apiary(apiary: &Apiary) -> bool;
    record_fills(fills: &[RecordedFill]) -> Appended;
    recorded_fills(feeder: Option<&FeederId>, span: Span) -> Vec<RecordedFill>;
    remove_fill(feeder: &FeederId, time: Timestamp) -> bool;
    quarantine_durable(refused: &[Refused]) -> ();
    quarantined(after: QuarantinedId, limit: usize) -> Vec<Quarantined>;
    quarantined_ahead(until: Timestamp, after: QuarantinedId, limit: usize) -> Vec<QuarantinedId>;
    cap_heard(now: Timestamp) -> ();
    quarantine_size() -> (u64, u64);
    release_quarantined(ids: &[QuarantinedId]) -> ();
    note_devices(heard: &[(DeviceId, Timestamp)], attributes: &[Attribute]) -> ();
    devices() -> Vec<DeviceHealth>;
    changes(limit: usize) -> (Vec<Change>, i64);
    note_change(change: &[Change]) -> ();
    acknowledge_changes(mark: i64) -> ();
    replace_results(patch: &ResultsPatch) -> ();
    uptake(feeders: &[FeederId], from: Option<NaiveDate>, to: Option<NaiveDate>) -> Vec<UptakeDay>;
    weight(hives: &[HiveId], from: Option<NaiveDate>, to: Option<NaiveDate>) -> Vec<WeightDay>;
    fill_events(feeders: &[FeederId], span: Span) -> Vec<FillEvent>;
    learned() -> Vec<Learned>;
    learned_of(device: &DeviceId) -> Vec<Learned>;
    keep_flags(flags: &[KeptFlag]) -> ();
    flags(yard: Option<&YardId>, span: Span) -> Vec<KeptFlag>;
    flag(id: &FlagId) -> Option<KeptFlag>;
    care_for(id: &FlagId, entry: &CareEntry) -> bool;
    setting(name: &str) -> Option<String>;
    set_setting(name: &str, value: &str) -> ();
}

pub fn session_config(url: BrokerUrl) -> SessionConfig {
    SessionConfig::new(url, DecodeConfig::default())
}

/// Flat readings of `weight`, one a minute from the start of 2025, numbers `from..to`, one a line.
pub fn weights(from: u32, to: u32) -> String {
    (from..to)
        .map(|n| {
            let time = 1_735_689_600 + 60 * i64::from(n);
            format!(
                "{{\"time\":{time},\"weight_kg\":{}}}\n",
                f64::from(n % 1000) / 10.0
            )
        })
        .collect()
}

/// Publishes cases over one MQTT 5 connection, QoS 1, and waits until the broker has all of them.
pub fn publish_all(broker: &Mosquitto, cases: &[Case]) {
    use rumqttc::v5::mqttbytes::QoS;
    use rumqttc::v5::mqttbytes::v5::{Packet, PublishProperties};
    use rumqttc::v5::{AsyncClient, Event, MqttOptions};
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime");
    runtime.block_on(async {
        let options = MqttOptions::new("devices", "127.0.0.1", broker.port);
        let (client, mut events) = AsyncClient::new(options, 100);
        let mut sent = 0;
        let mut taken = 0;
        while taken < cases.len() {
            while let Some(case) = cases.get(sent) {
                let properties = PublishProperties {
                    content_type: case.content_type.map(str::to_owned),
                    ..PublishProperties::default()
                };
                let payload = case.payload.clone();
                let published = client.try_publish_with_properties(
                    case.topic.clone(),
                    QoS::AtLeastOnce,
                    false,
                    payload,
                    properties,
                );
                if published.is_err() {
                    break;
                }
                sent += 1;
            }
            let event = events.poll().await.expect("the broker stays");
            if matches!(event, Event::Incoming(Packet::PubAck(_))) {
                taken += 1;
            }
        }
    });
}
