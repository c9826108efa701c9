//! What the handlers work with. The binary fills it in.

use crate::guests::Guests;
use larder_domain::{
    DeviceId, FeederId, FlagId, FlagKind, FlagState, HiveId, KeptFlag, Timestamp, YardId,
};
use larder_estimate::FeederNow;
use larder_store::notices::Notices;
use larder_store::{QuarantinedId, Readings, Records, Removal, Removed, StoreError};
use std::collections::HashMap;
use std::sync::{Arc, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard};
use tokio::sync::broadcast;
use tokio_util::sync::CancellationToken;

/// Shared by every handler.
pub type ServiceState = Arc<Service>;

/// What the handlers work with.
pub struct Service {
    /// The readings, in whichever store keeps them.
    pub readings: Arc<dyn Readings>,
    /// The apiary, fills, results and everything else that is no reading.
    pub records: Arc<dyn Records>,
    /// Who is told of flags, and what is on its way.
    pub notices: Arc<dyn Notices>,
    /// How feeders stand now; written by the processing loop.
    pub live: Live,
    /// News for pages that listen. Slow listeners lose the oldest and are told to load anew.
    pub news: broadcast::Sender<News>,
    /// What only the running program can say or do.
    pub host: Arc<dyn Host>,
    /// Pages that listen to live events; see [`Service::usual_listeners`].
    pub listeners: Guests,
    /// Ends the live streams when the service stops; they would keep it up for ever.
    pub stopping: CancellationToken,
}

/// What only the running program can say or do.
pub trait Host: Send + Sync {
    /// The clock.
    fn now(&self) -> Timestamp;
    /// `Err` with the reason while no readings are taken in.
    fn ready(&self) -> Result<(), String>;
    /// Something that an operator should know although readings are taken in; `None`: nothing.
    fn note(&self) -> Option<String> {
        None
    }
    /// Messages that a device sent beyond what any device may send, and when the last of them came;
    /// `None`: none.
    fn excess(&self, _device: &DeviceId) -> Option<(u64, Timestamp)> {
        None
    }
    /// Reads quarantined messages again; empty: all of them.
    fn replay(&self, ids: &[QuarantinedId]) -> Result<ReplayOutcome, StoreError>;
    /// Takes readings out, and lets results follow.
    fn take_out(&self, removal: &Removal<'_>) -> Result<Removed, StoreError>;
    /// Called after the apiary changed, so that all results follow.
    fn changed(&self);
    /// Called after a fill at one of these yards was written down or taken out: their results around
    /// `at` follow, and nobody else's.
    fn fill_changed(&self, yards: &[YardId], at: Timestamp);
    /// The metrics as Prometheus' text.
    fn metrics(&self) -> String;
}

/// What a replay did.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct ReplayOutcome {
    /// Entries that could be read now and left the quarantine.
    pub released: u64,
    /// Entries that still can't be read.
    pub kept: u64,
    /// Readings that came of it.
    pub readings: u64,
}

/// Something changed.
#[derive(Clone, PartialEq, Debug)]
pub enum News {
    /// Readings of these devices came in.
    Readings(Vec<DeviceId>),
    /// Results were computed again.
    Results {
        /// The yards concerned.
        yards: Vec<YardId>,
        /// The hives in those yards concerned.
        hives: Vec<HiveId>,
    },
    /// These flags were opened, changed, closed or withdrawn, or someone said something of them.
    Flags(Vec<FlagNews>),
    /// Someone was added, changed or taken out, or wants a test.
    People,
    /// The apiary was declared anew.
    Apiary,
}

/// A flag of which there is news.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct FlagNews {
    /// The flag's name.
    pub id: FlagId,
    /// What is wrong.
    pub kind: FlagKind,
    /// Where it is in its life.
    pub state: FlagState,
    /// Where.
    pub yard: Option<YardId>,
    /// Which hive, if it is about one.
    pub hive: Option<HiveId>,
}

impl From<&KeptFlag> for FlagNews {
    fn from(kept: &KeptFlag) -> Self {
        Self {
            id: kept.id.clone(),
            kind: kept.flag.kind,
            state: kept.state(),
            yard: kept.flag.yard.clone(),
            hive: kept.flag.hive.clone(),
        }
    }
}

/// How every feeder stands, as of the last computation. Held by the processing loop, which writes,
/// and by the handlers, which read; a poisoned lock still holds whole values.
#[derive(Clone, Default)]
pub struct Live(Arc<RwLock<Held>>);

#[derive(Default)]
struct Held {
    feeders: HashMap<FeederId, FeederNow>,
    record_ends: Option<Timestamp>,
    notice_trouble: Option<String>,
    processing: Processing,
}

/// How estimating goes.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Processing {
    /// When the last run ended that estimated what was due; `None`: none has yet.
    pub estimated_at: Option<Timestamp>,
    /// Why the last run estimated nothing; `None`: it did.
    pub problem: Option<String>,
    /// Yards that are not estimated in full. Their results of before stand.
    pub failures: Vec<YardFailure>,
}

/// A yard that is not estimated in full.
#[derive(Clone, PartialEq, Debug)]
pub struct YardFailure {
    /// Which.
    pub yard: YardId,
    /// Since when.
    pub since: Timestamp,
    /// Why, in a sentence or a few.
    pub reason: String,
}

impl Live {
    /// How one feeder stands; `None`: not computed yet.
    pub fn feeder(&self, id: &FeederId) -> Option<FeederNow> {
        self.read().feeders.get(id).cloned()
    }

    /// Takes in what was computed for one yard.
    pub fn update(&self, feeders: Vec<FeederNow>) {
        let feeders = feeders.into_iter().map(|now| (now.feeder.clone(), now));
        self.write().feeders.extend(feeders);
    }

    /// Where the record ends, if the readings are one; `None`: devices are at work.
    pub fn set_record_end(&self, end: Option<Timestamp>) {
        self.write().record_ends = end;
    }

    /// What of the notices does not get through, in a sentence.
    pub fn set_notice_trouble(&self, trouble: Option<String>) {
        self.write().notice_trouble = trouble;
    }

    /// See [`Self::set_notice_trouble`].
    pub fn notice_trouble(&self) -> Option<String> {
        self.read().notice_trouble.clone()
    }

    /// How estimating goes.
    pub fn set_processing(&self, processing: Processing) {
        self.write().processing = processing;
    }

    /// Why the last run estimated nothing.
    pub fn set_processing_problem(&self, problem: Option<String>) {
        self.write().processing.problem = problem;
    }

    /// See [`Self::set_processing`].
    pub fn processing(&self) -> Processing {
        self.read().processing.clone()
    }

    fn read(&self) -> RwLockReadGuard<'_, Held> {
        self.0.read().unwrap_or_else(PoisonError::into_inner)
    }

    fn write(&self) -> RwLockWriteGuard<'_, Held> {
        self.0.write().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Service {
    /// As many listeners as a service of ours has.
    pub fn usual_listeners() -> Guests {
        Guests::new(
            crate::events::MOST_LISTENERS,
            crate::events::MOST_LISTENERS_FROM_ONE_ADDRESS,
        )
    }

    /// The moment that answers speak of: now, or the end of a record that was imported.
    pub(crate) fn as_of(&self) -> Timestamp {
        let ends = self.live.read().record_ends;
        ends.unwrap_or_else(|| self.host.now())
    }

    /// Runs a store call on a thread that may block.
    pub(crate) async fn blocking<T: Send + 'static>(
        self: &Arc<Self>,
        call: impl FnOnce(&Self) -> Result<T, crate::Problem> + Send + 'static,
    ) -> Result<T, crate::Problem> {
        let service = Arc::clone(self);
        tokio::task::spawn_blocking(move || call(&service))
            .await
            .unwrap_or_else(|_| Err(crate::Problem::internal("a store call ended unexpectedly")))
    }
}
