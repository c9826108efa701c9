//! Connecting, receiving, acknowledging, and stopping without losing anything.

use super::backoff::Backoff;
use super::broker_url::Version;
use super::committer::{BATCH_MESSAGES, Committer, Job, Pace};
use super::delivery::{Delivery, fingerprint};
use super::known::Known;
use super::link::{self, Guess, Incoming, LinkError, LinkOptions, Poller, Received, Sender};
use super::status::IngestStatus;
use super::unacked::{Sequence, Unacked};
use super::{Committed, SessionConfig, StartError, events};
use crate::decode::{MAX_PAYLOAD_BYTES, Message};
use larder_store::{Readings, Records};
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::sync::mpsc::{Sender as JobSender, SyncSender, channel, sync_channel};
use std::time::{Duration, Instant};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};
use tokio_util::sync::CancellationToken;

/// Messages that wait for the store. Beyond it QoS 0 is dropped and counted, and with QoS 1 the
/// connection is given up until half of it is done: the broker keeps what comes meanwhile.
const BACKLOG_MESSAGES: usize = 20_000;
/// Bytes of payload that wait for the store, with the same consequences beyond it.
const BACKLOG_BYTES: usize = 64 * 1024 * 1024;
/// How long nothing is read from the connection before it is given up for a full backlog: shorter
/// than the broker waits for a sign of life. Some brokers send far more than they were told they may,
/// and on a new connection all of it again.
const LONGEST_REST: Duration = Duration::from_secs(10);
/// Room for one more message: of a longer one no more is kept.
const RESERVED_BYTES: usize = MAX_PAYLOAD_BYTES;
/// What an MQTT 5 broker may send ahead of our acknowledgements: a batch that is being committed and
/// the next one that gathers.
const RECEIVE_MAXIMUM: u16 = 2 * BATCH_MESSAGES as u16;
/// The largest packet taken; payloads over 64 KiB are quarantined.
const MAX_PACKET_BYTES: usize = 16 * 1024 * 1024;
/// Waits between attempts to connect.
const FIRST_RETRY: Duration = Duration::from_millis(500);
const LONGEST_RETRY: Duration = Duration::from_secs(30);
/// A connection that held this long was a good one: the next wait is the first again.
const GOOD_CONNECTION: Duration = Duration::from_secs(5);
/// How long the last commits and acknowledgements may take when the service stops.
const LAST_COMMITS: Duration = Duration::from_secs(10);
/// How long the broker may take to read our last acknowledgements and the goodbye. Some write to disk
/// at each of them.
const GOODBYE: Duration = Duration::from_secs(5);

/// Takes readings in until `stop`, then finishes the commit that is under way, acknowledges it and
/// disconnects. `committed` is called after each commit, on the committing thread: it must be quick.
///
/// Problems with the broker and with the store are shown in `status` and tried again for ever; the
/// only errors are settings that can never work.
pub async fn run(
    config: SessionConfig,
    readings: Arc<dyn Readings>,
    records: Arc<dyn Records>,
    status: Arc<IngestStatus>,
    committed: impl Fn(Committed) + Send + 'static,
    stop: CancellationToken,
) -> Result<(), StartError> {
    if config.client_id.trim().is_empty() {
        return Err(StartError::ClientId);
    }
    status.starting(&config.broker.to_string());
    let tls = match config.broker.is_tls {
        true => Some(config.tls.client_config()?),
        false => None,
    };
    let options = LinkOptions {
        broker: config.broker.clone(),
        client_id: config.client_id.clone(),
        password: config.password.as_ref().map(|password| password.0.clone()),
        tls,
        receive_maximum: RECEIVE_MAXIMUM,
        session_expiry_s: u32::try_from(config.session_expiry.as_secs()).unwrap_or(u32::MAX),
        max_packet_bytes: MAX_PACKET_BYTES,
    };
    // Neither holds more than one entry for each message in the backlog.
    let (jobs, waiting) = channel();
    let (done_tx, done) = unbounded_channel();
    let (keep_trying, give_up) = sync_channel(0);
    let known = Known::load(readings.as_ref());
    let committer = Committer {
        readings,
        records,
        decode: config.decode.clone(),
        status: Arc::clone(&status),
        committed,
        clock: config.clock,
        pace: Pace::BY_WINDOW,
        give_up,
    };
    let thread = std::thread::Builder::new()
        .name("ingest-commit".into())
        .spawn(move || committer.run(&waiting, |batch| done_tx.send(Done::of(&batch)).is_ok()))
        .expect("the system can start one more thread");
    let mut session = Session {
        config,
        options,
        status,
        version: None,
        jobs: Some(jobs),
        _keep_trying: keep_trying,
        done,
        unacked: Unacked::default(),
        known,
        sequence: 0,
        backlog: Backlog::default(),
    };
    session.run(&stop).await;
    if stop.is_cancelled() {
        session.status.stopped();
    }
    // Its senders are gone: the thread ends, at the latest with the batch that it is at.
    drop(session);
    let _ = tokio::task::spawn_blocking(move || thread.join()).await;
    Ok(())
}

/// A batch is on disk.
struct Done {
    /// Everything up to here.
    up_to: Sequence,
    messages: usize,
    bytes: usize,
}

impl Done {
    fn of(batch: &[Job<Sequence>]) -> Self {
        Self {
            up_to: batch.last().map_or(0, |job| job.ticket),
            messages: batch.len(),
            bytes: batch.iter().map(|job| job.message.payload.len()).sum(),
        }
    }
}

#[derive(Default)]
struct Backlog {
    messages: usize,
    bytes: usize,
}

impl Backlog {
    /// One message is always let in, however long it is.
    fn has_room(&self, bytes: usize) -> bool {
        self.messages == 0
            || (self.messages < BACKLOG_MESSAGES && self.bytes + bytes <= BACKLOG_BYTES)
    }

    fn has_caught_up(&self) -> bool {
        self.messages <= BACKLOG_MESSAGES / 2 && self.bytes <= BACKLOG_BYTES / 2
    }
}

struct Session {
    config: SessionConfig,
    options: LinkOptions,
    status: Arc<IngestStatus>,
    /// The version that worked; `None`: none yet.
    version: Option<Version>,
    /// To the committing thread; taken when no more is taken in.
    jobs: Option<JobSender<Job<Sequence>>>,
    /// Dropped, it tells the committing thread not to wait for a failing store any longer.
    _keep_trying: SyncSender<()>,
    done: UnboundedReceiver<Done>,
    unacked: Unacked,
    /// What the broker may send again.
    known: Known,
    /// The number of the last message received.
    sequence: Sequence,
    backlog: Backlog,
}

/// Why a connection was left.
enum Left {
    Stopped,
    BacklogFull,
    /// The committing thread is gone: a fault of ours.
    Broken,
    Lost(LinkError),
}

impl Session {
    async fn run(&mut self, stop: &CancellationToken) {
        let mut backoff = Backoff::new(FIRST_RETRY, LONGEST_RETRY);
        let mut try_v3 = false;
        let mut failures = 0_u32;
        while !stop.is_cancelled() {
            let version = self
                .options
                .broker
                .version
                .or(self.version)
                .unwrap_or(if try_v3 { Version::V3 } else { Version::V5 });
            let started = Instant::now();
            let left = self.connection(version, stop).await;
            self.unacked.forget();
            self.show_unacked();
            let error = match left {
                Left::Stopped => break,
                Left::Broken => {
                    events::broken();
                    self.status.not_subscribed(
                        "ingest has failed by a fault of its own; restart the service",
                    );
                    return;
                }
                Left::BacklogFull => {
                    self.wait_for_the_store(stop).await;
                    continue;
                }
                Left::Lost(error) => error,
            };
            if started.elapsed() >= GOOD_CONNECTION {
                backoff.reset();
                failures = 0;
            }
            self.lost(&error, failures == 0);
            failures += 1;
            if self.version.is_none() && self.options.broker.version.is_none() {
                let guess = error.is_wrong_version;
                try_v3 = !try_v3 && guess != Guess::No;
                if try_v3 && guess == Guess::Yes {
                    continue;
                }
            }
            if let Some(bytes) = error.needs_packet_bytes {
                // The broker will send it again for ever; better to take it and to quarantine it.
                self.options.max_packet_bytes = self.options.max_packet_bytes.max(bytes + 16);
                continue;
            }
            self.pause(backoff.next(rand::random()), stop).await;
            self.status.reconnecting();
        }
        self.finish().await;
    }

    fn lost(&self, error: &LinkError, is_first: bool) {
        let broker = self.options.broker.to_string();
        events::disconnected(&broker, &error.reason, is_first);
        self.status.not_subscribed(&format!(
            "no connection to the broker {broker}: {}",
            error.reason
        ));
    }

    /// Waits, and goes on counting what the committing thread finishes.
    async fn pause(&mut self, wait: Duration, stop: &CancellationToken) {
        let mut wait = pin!(tokio::time::sleep(wait));
        loop {
            tokio::select! {
                () = stop.cancelled() => return,
                () = &mut wait => return,
                Some(done) = self.done.recv() => self.finished(&done),
            }
        }
    }

    async fn wait_for_the_store(&mut self, stop: &CancellationToken) {
        events::backlog_full(self.backlog.messages, self.backlog.bytes);
        self.status
            .not_subscribed("too many messages wait for the store; the broker keeps the rest");
        while !self.backlog.has_caught_up() && !stop.is_cancelled() {
            tokio::select! {
                () = stop.cancelled() => return,
                done = self.done.recv() => match done {
                    Some(done) => self.finished(&done),
                    None => return,
                },
            }
        }
    }

    fn finished(&mut self, done: &Done) {
        self.backlog.messages = self.backlog.messages.saturating_sub(done.messages);
        self.backlog.bytes = self.backlog.bytes.saturating_sub(done.bytes);
        self.unacked.committed(done.up_to);
    }

    fn show_unacked(&self) {
        self.status.unacknowledged(self.unacked.len());
        events::unacknowledged(self.unacked.len());
    }

    fn acknowledge(&mut self, sender: &Sender) {
        self.unacked
            .acknowledge(|packet| sender.acknowledge(packet));
        self.show_unacked();
    }

    /// One connection from its first poll to its end.
    async fn connection(&mut self, version: Version, stop: &CancellationToken) -> Left {
        let (sender, mut poller) = link::open(&self.options, version);
        let mut is_connected = false;
        let mut ending = None;
        loop {
            let incoming = {
                // Polled to its end each time: dropped half-way it might lose a request.
                let mut next = pin!(poller.next());
                loop {
                    tokio::select! {
                        biased;
                        () = stop.cancelled(), if ending.is_none() => {
                            // Nothing more is taken in: what still comes will come again.
                            self.jobs = None;
                            if !is_connected {
                                return Left::Stopped;
                            }
                            ending = Some(Ending::new());
                        }
                        () = Ending::deadline(&mut ending) => return Left::Stopped,
                        Some(done) = self.done.recv() => {
                            self.finished(&done);
                            self.acknowledge(&sender);
                        }
                        incoming = &mut next => break incoming,
                    }
                    if let Some(ending) = &mut ending
                        && self.backlog.messages == 0
                        && self.unacked.len() == 0
                    {
                        ending.say_goodbye(&sender);
                    }
                }
            };
            match incoming {
                Ok(incoming) => {
                    is_connected = true;
                    if let Err(left) = self.take(incoming, version, &sender) {
                        sender.say_goodbye();
                        let _ = tokio::time::timeout(GOODBYE, goodbye(&mut poller)).await;
                        return left;
                    }
                }
                // The broker closes after our goodbye: then it has read all before it.
                Err(_) if ending.as_ref().is_some_and(|e| e.said_goodbye) => return Left::Stopped,
                Err(error) => return Left::Lost(error),
            }
            self.acknowledge(&sender);
            if ending.is_none() && !self.backlog.has_room(RESERVED_BYTES) {
                self.rest(&sender, stop).await;
            }
        }
    }

    /// Reads nothing for a while, so that the broker's own buffers hold it up and the store catches
    /// up. Acknowledgements go out with the next poll.
    async fn rest(&mut self, sender: &Sender, stop: &CancellationToken) {
        let mut limit = pin!(tokio::time::sleep(LONGEST_REST));
        while !self.backlog.has_caught_up() {
            tokio::select! {
                () = stop.cancelled() => return,
                () = &mut limit => return,
                done = self.done.recv() => match done {
                    Some(done) => self.finished(&done),
                    None => return,
                },
            }
            self.acknowledge(sender);
        }
    }

    fn take(&mut self, incoming: Incoming, version: Version, sender: &Sender) -> Result<(), Left> {
        match incoming {
            Incoming::Connected { session_present } => {
                self.version = Some(version);
                events::connected(&self.options.broker.to_string(), session_present);
                if !session_present {
                    self.known.forget();
                }
                // On every connection: a session that the broker lost has no subscription.
                sender.subscribe(&self.filters());
                Ok(())
            }
            Incoming::Subscribed { refused } => {
                self.subscribed(&refused);
                Ok(())
            }
            Incoming::Message(received) => self.receive(received),
            Incoming::Other => Ok(()),
        }
    }

    fn filters(&self) -> Vec<String> {
        let filters = self.config.decode.current().filters();
        match &self.config.shared_group {
            None => filters,
            Some(group) => filters
                .into_iter()
                .map(|filter| format!("$share/{group}/{filter}"))
                .collect(),
        }
    }

    fn subscribed(&self, refused: &[usize]) {
        if refused.is_empty() {
            self.status.subscribed();
            return;
        }
        let filters = self.filters();
        let refused: Vec<&str> = refused
            .iter()
            .filter_map(|index| filters.get(*index).map(String::as_str))
            .collect();
        let refused = refused.join(", ");
        events::subscription_refused(&refused);
        self.status.not_subscribed(&format!(
            "the broker does not let us read {refused}; allow it to the user in its access list"
        ));
    }

    fn receive(&mut self, received: Received) -> Result<(), Left> {
        let received_at = (self.config.clock)();
        let sender = self.config.decode.current().sender(&received.topic);
        if !self.status.received(&sender, received_at).is_zero() {
            // The broker's session is one for all: only counting is left.
            events::too_fast();
        }
        let fingerprint = received
            .packet
            .map(|packet| fingerprint(packet, &received.topic, &received.payload));
        let again = received
            .packet
            .zip(fingerprint)
            .filter(|_| received.is_again);
        if let Some((packet, fingerprint)) = again
            && self.known.is_taken(packet, fingerprint)
        {
            // It is on disk when all is that was taken in up to now.
            self.unacked.received(self.sequence, packet);
            return Ok(());
        }
        let first_came = again.and_then(|(packet, print)| self.known.first_came(packet, print));
        let message = Message {
            topic: received.topic,
            payload: received.payload,
            cut_from: None,
            content_type: received.content_type,
            retained: received.retained,
            received_at: first_came.unwrap_or(received_at),
        }
        .without_excess();
        let bytes = message.payload.len();
        if !self.backlog.has_room(bytes) {
            if received.packet.is_some() {
                return Err(Left::BacklogFull);
            }
            events::dropped();
            return Ok(());
        }
        let delivery = received.packet.zip(fingerprint).map(|(packet, print)| {
            self.known.take(packet, print);
            Delivery {
                sender: String::new(),
                slot: packet,
                fingerprint: print,
            }
        });
        let job = Job {
            message,
            delivery,
            ticket: self.sequence + 1,
            arrived: first_came.is_none().then(Instant::now),
        };
        let Some(jobs) = &self.jobs else {
            return Ok(());
        };
        if jobs.send(job).is_err() {
            return Err(Left::Broken);
        }
        self.sequence += 1;
        self.backlog.messages += 1;
        self.backlog.bytes += bytes;
        if let Some(packet) = received.packet {
            self.unacked.received(self.sequence, packet);
        }
        Ok(())
    }

    /// Without a connection: what was taken in is stored all the same, if the store allows.
    async fn finish(&mut self) {
        self.jobs = None;
        let last = async {
            while self.backlog.messages > 0 {
                match self.done.recv().await {
                    Some(done) => self.finished(&done),
                    None => return,
                }
            }
        };
        if tokio::time::timeout(LAST_COMMITS, last).await.is_err() {
            events::gave_up(self.backlog.messages);
        }
    }
}

/// A connection that is being ended.
struct Ending {
    deadline: Pin<Box<tokio::time::Sleep>>,
    said_goodbye: bool,
}

impl Ending {
    fn new() -> Self {
        Self {
            deadline: Box::pin(tokio::time::sleep(LAST_COMMITS)),
            said_goodbye: false,
        }
    }

    /// Everything is committed and its acknowledgements are handed over.
    fn say_goodbye(&mut self, sender: &Sender) {
        if !self.said_goodbye && sender.say_goodbye() {
            self.said_goodbye = true;
            self.deadline = Box::pin(tokio::time::sleep(GOODBYE));
        }
    }

    /// Never comes while nothing ends.
    async fn deadline(ending: &mut Option<Self>) {
        match ending {
            Some(ending) => ending.deadline.as_mut().await,
            None => std::future::pending().await,
        }
    }
}

/// Polls until the broker has read the goodbye and closed the connection.
async fn goodbye(poller: &mut Poller) {
    while poller.next().await.is_ok() {}
}
