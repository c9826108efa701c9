//! Readings that are kept elsewhere in the end: on a server, beside the embedded store.
//!
//! The embedded store takes every reading first, as it does on its own: that is what is
//! acknowledged, so an outage of the server costs nothing but room on the disk, within a bound.
//! A thread sends the log on in order of arrival; the last weeks stay at hand, so that charts and
//! the processing stage seldom ask the server, and work without it. Reads put together what is here
//! and what is there.
//!
//! Reading and writing are traits of their own, so that a server which is written to in one way
//! and read in another needs only the part that differs.

mod forward;
mod move_readings;
mod readings;
mod status;

pub use move_readings::{MoveError, Moved, Progress, move_back, move_out};
pub use readings::{ArchiveOptions, ArchivedReadings, SendError, Sending, WhenFull};
pub use status::{ArchiveSnapshot, ArchiveStatus};

use crate::StoreError;
use larder_domain::{ChannelRef, Sample, Span, Timestamp, Unit};
use std::time::Duration;

/// One series and some of its readings, in order of time.
pub type Portion = (ChannelRef, Unit, Vec<Sample>);

/// Takes readings for good.
pub trait ArchiveWriter: Send + Sync {
    /// Writes; when it returns `Ok` the server has everything on its disk but what it hands back.
    /// Repeating is safe: the same identity is the same reading, and the later value stands.
    fn write_durable(&self, portions: &[Portion]) -> Result<Written, WriteFault>;
}

/// What became of readings that could be sent.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Written {
    /// Readings that the server has now.
    pub taken: u64,
    /// Readings older than what the server is set up to keep: it forgets them at once.
    pub expired: u64,
    /// Readings that the server will never take, each with its reason.
    pub refused: Vec<Unwritten>,
}

/// A reading that an archive will never take.
#[derive(Clone, PartialEq, Debug)]
pub struct Unwritten {
    /// The reading's series.
    pub series: ChannelRef,
    /// The unit of its value.
    pub unit: Unit,
    /// The reading.
    pub sample: Sample,
    /// Why, in the server's words.
    pub reason: String,
}

/// Why nothing could be sent for now.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{what}")]
pub struct WriteFault {
    /// What happened and, where a person is needed, what to do.
    pub what: String,
    /// Which kind of trouble; a metric's label.
    pub kind: FaultKind,
    /// The server asks for this much patience.
    pub retry_after: Option<Duration>,
}

/// Kinds of trouble with a server.
#[derive(Clone, Copy, PartialEq, Eq, Debug, strum::IntoStaticStr)]
#[strum(serialize_all = "snake_case")]
pub enum FaultKind {
    /// No answer, or a connection that broke.
    Unreachable,
    /// The server answers that it cannot at the moment.
    Busy,
    /// The server does not let us: token, organisation, bucket.
    Forbidden,
    /// The server refuses what was sent, and a person must look.
    Refused,
}

impl FaultKind {
    /// The kind's name in metrics.
    pub fn name(self) -> &'static str {
        match self {
            Self::Unreachable => "unreachable",
            Self::Busy => "busy",
            Self::Forbidden => "forbidden",
            Self::Refused => "refused",
        }
    }
}

/// One series as an archive knows it.
#[derive(Clone, PartialEq, Debug)]
pub struct ArchivedSeries {
    /// Device and channel.
    pub series: ChannelRef,
    /// The unit of its values.
    pub unit: Unit,
    /// Time of the first reading.
    pub first: Timestamp,
    /// The last reading.
    pub last: Sample,
}

/// Gives back what an archive keeps.
pub trait ArchiveReader: Send + Sync {
    /// Every series. Asked once in a store's life.
    fn series(&self) -> Result<Vec<ArchivedSeries>, StoreError>;

    /// One series over a span in order of time, each time once; `unit` is the one in which its
    /// values are kept now. Unknown series: empty.
    fn range(
        &self,
        series: &ChannelRef,
        unit: &Unit,
        span: Span,
    ) -> Result<Vec<Sample>, StoreError>;

    /// How many readings one series has in a span.
    fn count(&self, series: &ChannelRef, span: Span) -> Result<u64, StoreError>;
}
