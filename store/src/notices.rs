//! What is kept for telling people of flags: who they are, what they were told, what is on its way.

use crate::StoreError;
use chrono::NaiveDate;
use larder_domain::{FlagId, HiveId, Person, PersonId, Timestamp, Way};
use std::collections::BTreeMap;

/// Notices that may wait to be sent. When full, no more are made: what they would tell stays news and
/// is planned again once there is room, as long as it holds.
pub const MOST_WAITING: usize = 2_000;

/// Notices that are done with and still kept, to be shown.
pub const KEPT_DONE: usize = 5_000;

/// Why a notice is made.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoticeKind {
    /// Something happened.
    News,
    /// What happened in a day.
    Digest(NaiveDate),
    /// Someone wants to see whether it works.
    Test,
}

impl NoticeKind {
    /// The word on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::News => "news",
            Self::Digest(_) => "digest",
            Self::Test => "test",
        }
    }
}

/// A notice to be made.
#[derive(Clone, PartialEq, Debug)]
pub struct NewNotice {
    /// To whom.
    pub person: PersonId,
    /// On which way; `None`: only the digest's date is kept.
    pub way: Option<Way>,
    /// Why.
    pub kind: NoticeKind,
    /// Flags, and what of them.
    pub things: Vec<(FlagId, String)>,
}

/// What became of a notice.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum NoticeState {
    /// To be sent, not before `next_at`.
    Waiting {
        /// When to try.
        next_at: Timestamp,
    },
    /// Taken by the other side.
    Sent,
    /// Tried too often, or refused for good.
    GivenUp,
    /// What it told was over before it could be sent.
    Moot,
}

impl NoticeState {
    /// The word on the wire.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Waiting { .. } => "waiting",
            Self::Sent => "sent",
            Self::GivenUp => "given_up",
            Self::Moot => "moot",
        }
    }
}

/// A notice.
#[derive(Clone, PartialEq, Debug)]
pub struct Notice {
    /// The notice's number, never used twice.
    pub id: i64,
    /// To whom.
    pub person: PersonId,
    /// On which way.
    pub way: Way,
    /// Why.
    pub kind: NoticeKind,
    /// Flags, and what of them.
    pub things: Vec<(FlagId, String)>,
    /// When it was made.
    pub made_at: Timestamp,
    /// What became of it.
    pub state: NoticeState,
    /// How often the notice was tried.
    pub tries: u32,
    /// When it was last tried or done with; `None`: not tried yet.
    pub done_at: Option<Timestamp>,
    /// What the other side said last.
    pub error: Option<String>,
}

/// One thing that was told, or is on its way.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ToldThing {
    /// To whom.
    pub person: PersonId,
    /// On which way.
    pub way: Way,
    /// The flag that was told of.
    pub flag: FlagId,
    /// What.
    pub event: String,
}

/// People and the outbox. Always in the embedded store.
pub trait Notices: Send + Sync {
    /// Everyone, by id.
    fn people(&self) -> Result<Vec<Person>, StoreError>;
    /// Adds someone, or changes them. Says whether anything changed.
    fn put_person(&self, person: &Person) -> Result<bool, StoreError>;
    /// Takes someone out, and what waits for them. Says whether they were there.
    fn remove_person(&self, id: &PersonId) -> Result<bool, StoreError>;

    /// Makes notices, each with what it tells in one transaction; one that tells only what was told
    /// before is left out. Stops when [`MOST_WAITING`] wait. Gives how many were made, and whether it
    /// was full.
    fn make_notices(&self, new: &[NewNotice], at: Timestamp) -> Result<(usize, bool), StoreError>;
    /// What was told of these flags.
    fn told(&self, flags: &[FlagId]) -> Result<Vec<ToldThing>, StoreError>;
    /// The local date of each person's last digest.
    fn last_digests(&self) -> Result<BTreeMap<PersonId, NaiveDate>, StoreError>;
    /// Notices that are due at `now`, oldest first.
    fn due_notices(&self, now: Timestamp, limit: usize) -> Result<Vec<Notice>, StoreError>;
    /// Notices, newest first.
    fn recent_notices(&self, limit: usize) -> Result<Vec<Notice>, StoreError>;
    /// How many wait.
    fn waiting_notices(&self) -> Result<u64, StoreError>;
    /// Writes down what became of a notice after a try at `at`. Done ones beyond [`KEPT_DONE`] go.
    fn note_notice(
        &self,
        id: i64,
        state: &NoticeState,
        error: Option<&str>,
        at: Timestamp,
    ) -> Result<(), StoreError>;

    /// The retained state messages as the broker has them.
    fn hive_states(&self) -> Result<BTreeMap<HiveId, String>, StoreError>;
    /// Writes down what the broker has taken; `None`: it was cleared.
    fn set_hive_state(&self, hive: &HiveId, payload: Option<&str>) -> Result<(), StoreError>;
}
