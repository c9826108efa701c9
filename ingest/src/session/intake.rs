//! Messages from a broker in this process: it confirms a message to its sender only when
//! [`Intake::commit`] has returned, so what was confirmed is on disk, without a session in between
//! that somebody else could take over.

use super::committer::{Committer, Job, Pace};
use super::delivery::{Delivery, fingerprint};
use super::status::IngestStatus;
use super::{Committed, LiveDecodeConfig, events, wall_clock};
use crate::decode::Message;
use larder_domain::Timestamp;
use larder_store::{Readings, Receipt, Records};
use std::collections::{HashMap, VecDeque};
use std::sync::mpsc::{Sender as JobSender, SyncSender, channel, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::{Duration, Instant};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, oneshot};
use tokio_util::sync::CancellationToken;

/// KiB of payload that wait for the store at once. Beyond it senders wait for room: the broker reads
/// nothing more from them meanwhile.
const BACKLOG_KIB: u32 = 64 * 1024;

/// How long the last commits may take when the service stops.
const LAST_COMMITS: Duration = Duration::from_secs(10);

/// Deliveries of one sender that are looked at when it sends something again: more than a client has
/// under way.
const RECENT: u16 = 256;

/// Senders whose deliveries are remembered. Beyond it those that were quiet for longest are
/// forgotten: what they send again without a time counts twice.
const MOST_SENDERS: usize = 20_000;

/// A message that equals one from the sender's last connection, with the same packet number, is
/// taken for that one for so long. The broker does not tell whether a message is marked as sent
/// again; a device that wakes up, always uses the same number and has measured the same comes later.
const SENT_AGAIN_WITHIN_MS: i64 = 60_000;

/// How long a message is taken for one sent again after this program was started anew, when the
/// machine may have had to start, too.
const SENT_AGAIN_AFTER_RESTART_MS: i64 = 240_000;

/// How to take messages in.
#[derive(Clone, Debug)]
pub struct IntakeConfig {
    /// How messages are read.
    pub decode: LiveDecodeConfig,
    /// The clock, in tests.
    pub clock: fn() -> Timestamp,
}

impl IntakeConfig {
    /// By the wall clock.
    pub fn new(decode: LiveDecodeConfig) -> Self {
        Self {
            decode,
            clock: wall_clock,
        }
    }
}

/// A message as the broker has it from its sender.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Arrival {
    /// The sender's MQTT client id.
    pub client_id: String,
    /// The packet's number; `None`: QoS 0.
    pub packet: Option<u16>,
    /// The topic.
    pub topic: String,
    /// The payload.
    pub payload: Vec<u8>,
}

/// Takes messages from a broker in this process.
pub struct Intake {
    config: IntakeConfig,
    status: Arc<IngestStatus>,
    /// To the committing thread; taken when no more is taken in.
    jobs: Mutex<Option<JobSender<Job<Ticket>>>>,
    room: Arc<Semaphore>,
    senders: Mutex<Senders>,
}

/// Given back when the message is on disk.
struct Ticket {
    on_disk: oneshot::Sender<()>,
    _room: OwnedSemaphorePermit,
}

/// The committing thread of an [`Intake`]. It works as long as [`Self::run`] is not told to stop.
#[must_use]
pub struct IntakeTask {
    intake: Arc<Intake>,
    thread: std::thread::JoinHandle<()>,
    /// Dropped, it tells the thread not to wait for a failing store any longer.
    keep_trying: SyncSender<()>,
}

impl Intake {
    /// Starts the committing thread. `committed` is called on it after each commit: it must be quick.
    pub fn start(
        config: IntakeConfig,
        readings: Arc<dyn Readings>,
        records: Arc<dyn Records>,
        status: Arc<IngestStatus>,
        committed: impl Fn(Committed) + Send + 'static,
    ) -> (Arc<Self>, IntakeTask) {
        let (jobs, waiting) = channel();
        let (keep_trying, give_up) = sync_channel(0);
        // Without an answer a repeated message without a time counts twice, no more.
        let senders = Senders::known(readings.receipts().unwrap_or_default());
        let committer = Committer {
            readings,
            records,
            decode: config.decode.clone(),
            status: Arc::clone(&status),
            committed,
            clock: config.clock,
            pace: Pace::AT_ONCE,
            give_up,
        };
        let thread = std::thread::Builder::new()
            .name("ingest-commit".into())
            .spawn(move || {
                committer.run(&waiting, |batch: Vec<Job<Ticket>>| {
                    for job in batch {
                        // Its connection may be gone; the message is on disk all the same.
                        let _ = job.ticket.on_disk.send(());
                    }
                    true
                });
            })
            .expect("the system can start one more thread");
        let intake = Arc::new(Self {
            config,
            status,
            jobs: Mutex::new(Some(jobs)),
            room: Arc::new(Semaphore::new(BACKLOG_KIB as usize)),
            senders: Mutex::new(senders),
        });
        let task = IntakeTask {
            intake: Arc::clone(&intake),
            thread,
            keep_trying,
        };
        (intake, task)
    }

    /// Whether messages on this topic are for us.
    pub fn reads(&self, topic: &str) -> bool {
        self.config.decode.current().reads(topic)
    }

    /// Stores a message, or puts it into the quarantine; `true`: it is on disk. While the store fails
    /// this waits. `false`: the service is stopping, and the message must not be confirmed.
    pub async fn commit(&self, arrival: Arrival) -> bool {
        let now = (self.config.clock)();
        let sender = self.config.decode.current().sender(&arrival.topic);
        let wait = self.status.received(&sender, now);
        if !wait.is_zero() {
            // Its own connection waits; nothing is lost, and the others have the store's time.
            events::too_fast();
            tokio::time::sleep(wait).await;
        }
        let print = arrival
            .packet
            .map(|packet| fingerprint(packet, &arrival.topic, &arrival.payload));
        let first_came =
            print.and_then(|print| self.senders().sent_before(&arrival.client_id, print, now));
        let received_at = first_came.unwrap_or(now);
        let message = Message {
            topic: arrival.topic,
            payload: arrival.payload,
            cut_from: None,
            content_type: None,
            // It was published just now, whatever the broker keeps of it.
            retained: false,
            received_at,
        }
        .without_excess();
        let kib = message.payload.len().div_ceil(1024).max(1);
        let kib = u32::try_from(kib).map_or(BACKLOG_KIB, |kib| kib.min(BACKLOG_KIB));
        let Ok(room) = Arc::clone(&self.room).acquire_many_owned(kib).await else {
            return false;
        };
        let (on_disk, is_on_disk) = oneshot::channel();
        let delivery = arrival.packet.zip(print).map(|(packet, print)| Delivery {
            sender: arrival.client_id.clone(),
            slot: packet % RECENT,
            fingerprint: print,
        });
        let job = Job {
            message,
            delivery,
            ticket: Ticket {
                on_disk,
                _room: room,
            },
            arrived: first_came.is_none().then(Instant::now),
        };
        let handed_over = self
            .jobs()
            .as_ref()
            .is_some_and(|jobs| jobs.send(job).is_ok());
        if !handed_over || is_on_disk.await.is_err() {
            return false;
        }
        if let Some(print) = print {
            self.senders().took(&arrival.client_id, print, received_at);
        }
        true
    }

    /// A sender has connected.
    pub fn connected(&self, client_id: &str) {
        self.senders().connected(client_id);
    }

    /// A sender has gone. In good order: it knows what arrived, and sends nothing again.
    pub fn disconnected(&self, client_id: &str, in_good_order: bool) {
        if in_good_order {
            self.senders().by_client.remove(client_id);
        }
    }

    fn jobs(&self) -> MutexGuard<'_, Option<JobSender<Job<Ticket>>>> {
        self.jobs
            .lock()
            .unwrap_or_else(|broken| broken.into_inner())
    }

    fn senders(&self) -> MutexGuard<'_, Senders> {
        self.senders
            .lock()
            .unwrap_or_else(|broken| broken.into_inner())
    }
}

impl IntakeTask {
    /// Takes messages in until `stop`, then finishes the commits that are under way. Returns earlier
    /// only if the committing thread dies, which is a fault of ours. `broker` is its address, for
    /// people. The broker must have stopped before: nothing is confirmed after this.
    pub async fn run(self, broker: String, stop: CancellationToken) {
        let Self {
            intake,
            thread,
            keep_trying,
        } = self;
        intake.status.starting(&broker);
        intake.status.subscribed();
        let mut joined = tokio::task::spawn_blocking(move || thread.join().is_ok());
        tokio::select! {
            () = stop.cancelled() => {
                intake.status.stopped();
                intake.jobs().take();
                if tokio::time::timeout(LAST_COMMITS, &mut joined).await.is_err() {
                    events::gave_up(BACKLOG_KIB as usize - intake.room.available_permits());
                    drop(keep_trying);
                    let _ = joined.await;
                }
            }
            _ = &mut joined => {
                events::broken();
                intake.status.not_subscribed(
                    "ingest has failed by a fault of its own; restart the service",
                );
            }
        }
    }
}

/// What senders have delivered lately.
#[derive(Default)]
struct Senders {
    by_client: HashMap<String, Deliveries>,
}

#[derive(Default)]
struct Deliveries {
    /// Which of the sender's connections it is; 0: of an earlier process.
    connection: u64,
    recent: VecDeque<Taken>,
}

struct Taken {
    connection: u64,
    fingerprint: u64,
    at: Timestamp,
}

impl Senders {
    fn known(receipts: Vec<Receipt>) -> Self {
        let mut senders = Self::default();
        for receipt in receipts {
            if !receipt.sender.is_empty() {
                let recent = &mut senders.by_client.entry(receipt.sender).or_default().recent;
                recent.push_back(Taken {
                    connection: 0,
                    fingerprint: receipt.fingerprint,
                    at: receipt.received_at,
                });
            }
        }
        senders
    }

    fn connected(&mut self, client: &str) {
        if self.by_client.len() >= MOST_SENDERS {
            self.forget_quiet();
        }
        self.by_client
            .entry(client.to_owned())
            .or_default()
            .connection += 1;
    }

    /// Forgets half of the senders: those whose newest delivery is oldest.
    fn forget_quiet(&mut self) {
        let newest = |known: &Deliveries| known.recent.back().map(|taken| taken.at);
        let mut all: Vec<_> = self.by_client.values().map(newest).collect();
        let middle = all.len() / 2;
        let (_, limit, _) = all.select_nth_unstable(middle);
        let limit = *limit;
        self.by_client.retain(|_, known| newest(known) > limit);
    }

    /// When the same message came on an earlier connection, if it may be that one once more.
    fn sent_before(&mut self, client: &str, fingerprint: u64, now: Timestamp) -> Option<Timestamp> {
        let known = self.by_client.get_mut(client)?;
        let connection = known.connection;
        let place = known.recent.iter().position(|taken| {
            let within = match taken.connection {
                0 => SENT_AGAIN_AFTER_RESTART_MS,
                _ => SENT_AGAIN_WITHIN_MS,
            };
            taken.connection != connection
                && taken.fingerprint == fingerprint
                && now.0 - taken.at.0 <= within
        })?;
        known.recent.remove(place).map(|taken| taken.at)
    }

    fn took(&mut self, client: &str, fingerprint: u64, at: Timestamp) {
        let Some(known) = self.by_client.get_mut(client) else {
            return;
        };
        let is_over = |taken: &Taken| at.0 - taken.at.0 > SENT_AGAIN_AFTER_RESTART_MS;
        while known.recent.len() >= usize::from(RECENT) || known.recent.front().is_some_and(is_over)
        {
            known.recent.pop_front();
        }
        known.recent.push_back(Taken {
            connection: known.connection,
            fingerprint,
            at,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOON: Timestamp = Timestamp(1_788_350_400_000);

    #[test]
    fn only_what_comes_again_on_a_new_connection_is_the_same_message() {
        let mut senders = Senders::default();
        senders.connected("a");
        senders.took("a", 7, NOON);
        assert_eq!(
            senders.sent_before("a", 7, NOON.plus_ms(5)),
            None,
            "confirmed"
        );
        senders.connected("a");
        let soon = NOON.plus_ms(5_000);
        assert_eq!(senders.sent_before("b", 7, soon), None);
        assert_eq!(senders.sent_before("a", 8, soon), None);
        assert_eq!(senders.sent_before("a", 7, NOON.plus_ms(60_001)), None);
        assert_eq!(senders.sent_before("a", 7, soon), Some(NOON));
        assert_eq!(senders.sent_before("a", 7, soon), None, "once");
    }

    #[test]
    fn after_a_restart_there_is_more_time() {
        let receipt = Receipt {
            sender: "a".into(),
            slot: 1,
            fingerprint: 7,
            received_at: NOON,
        };
        let mut senders = Senders::known(vec![receipt]);
        senders.connected("a");
        let later = NOON.plus_ms(200_000);
        assert_eq!(senders.sent_before("a", 7, later), Some(NOON));
    }

    #[test]
    fn only_what_may_still_come_again_is_remembered() {
        let mut senders = Senders::default();
        senders.connected("a");
        for n in 0..1_000 {
            senders.took("a", n, NOON.plus_ms(n as i64 * 100_000));
        }
        assert!(senders.by_client["a"].recent.len() <= 4);
        for n in 0..1_000 {
            senders.took("a", n, NOON.plus_ms(100_000_000 + n as i64));
        }
        assert_eq!(senders.by_client["a"].recent.len(), usize::from(RECENT));
    }

    #[test]
    fn a_crowd_of_names_is_forgotten() {
        let mut senders = Senders::default();
        for n in 0..3 * MOST_SENDERS {
            let client = format!("client-{n}");
            senders.connected(&client);
            senders.took(&client, 1, NOON.plus_ms(n as i64));
        }
        assert!(senders.by_client.len() <= MOST_SENDERS);
        let last = format!("client-{}", 3 * MOST_SENDERS - 1);
        assert!(senders.by_client.contains_key(&last));
    }
}
