//! A flag's life. Estimates come and go as late data arrives; a flag that people have heard of keeps
//! its name, and when it turns out to have been wrong it is withdrawn where they can see it.

use crate::care::Care;
use crate::results::Flag;
use crate::time::Timestamp;
use std::fmt;

/// A flag's name: it stays the same when its days are estimated again.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct FlagId(String);

/// Something that is no flag's name.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("there is no flag \"{0}\"")]
pub struct BadFlagId(String);

impl FlagId {
    /// Longest name taken.
    const LONGEST: usize = 200;

    /// The name of a flag that is seen for the first time.
    pub fn first_of(flag: &Flag) -> Self {
        let device = flag.device.as_ref().map(|id| id.as_str());
        let feeder = flag.feeder.as_ref().map(|id| id.as_str());
        let hive = flag.hive.as_ref().map(|id| id.as_str());
        let yard = flag.yard.as_ref().map(|id| id.as_str());
        let subject = device.or(feeder).or(hive).or(yard).unwrap_or("-");
        Self(format!(
            "{}:{subject}:{}",
            flag.kind.name(),
            flag.opened_at.0
        ))
    }

    /// Another name, for a flag whose first one is taken.
    pub fn next(&self) -> Self {
        let (stem, number) = match self.0.rsplit_once('~') {
            Some((stem, number)) => (stem, number.parse().unwrap_or(1)),
            None => (self.0.as_str(), 1u32),
        };
        Self(format!("{stem}~{}", number + 1))
    }

    /// The name as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl std::str::FromStr for FlagId {
    type Err = BadFlagId;

    fn from_str(text: &str) -> Result<Self, BadFlagId> {
        let fits = (1..=Self::LONGEST).contains(&text.len())
            && text.bytes().all(|b| b.is_ascii_graphic() && b != b'/');
        match fits {
            true => Ok(Self(text.to_owned())),
            false => Err(BadFlagId(text.chars().take(40).collect())),
        }
    }
}

impl fmt::Display for FlagId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Where a flag is in its life:
///
/// `Open` → `Closed` (it is over) → `Open` (late data shows that it was not);
/// `Open`, `Closed` → `Withdrawn` (late data shows that it was wrong) → `Open`, `Closed` (it was not).
#[derive(Clone, Copy, PartialEq, Eq, Debug, strum::IntoStaticStr)]
#[strum(serialize_all = "snake_case")]
pub enum FlagState {
    /// The flag holds.
    Open,
    /// The flag held, and is over.
    Closed,
    /// The flag was wrong.
    Withdrawn,
}

impl FlagState {
    /// The word in reports and on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Closed => "closed",
            Self::Withdrawn => "withdrawn",
        }
    }
}

/// A flag as it is kept.
#[derive(Clone, PartialEq, Debug)]
pub struct KeptFlag {
    /// The flag's name.
    pub id: FlagId,
    /// What was estimated last. Of one that was withdrawn: what was believed before.
    pub flag: Flag,
    /// When it was known first, by our clock; `None`: it was found in a record of the past (an
    /// import), and nobody could have been told in time.
    pub known_at: Option<Timestamp>,
    /// When anything about it changed last, by our clock.
    pub changed_at: Timestamp,
    /// When it was found to be wrong; `None`: it stands.
    pub withdrawn_at: Option<Timestamp>,
    /// What people say about it.
    pub care: Care,
}

impl KeptFlag {
    /// Where it is in its life.
    pub fn state(&self) -> FlagState {
        match (self.withdrawn_at, self.flag.closed_at) {
            (Some(_), _) => FlagState::Withdrawn,
            (None, Some(_)) => FlagState::Closed,
            (None, None) => FlagState::Open,
        }
    }

    /// Whether it holds.
    pub fn is_open(&self) -> bool {
        self.state() == FlagState::Open
    }

    /// Whether it was not withdrawn.
    pub fn stands(&self) -> bool {
        self.withdrawn_at.is_none()
    }

    /// Whether it holds and nobody has quietened it.
    pub fn is_loud(&self, now: Timestamp) -> bool {
        self.is_open() && !self.care.is_quiet(now)
    }
}
