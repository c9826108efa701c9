//! Why something could not be read.

use larder_domain::{ChannelRef, Refusal, Timestamp};

/// The kinds of fault, for counting; the sentence is in the quarantine.
#[derive(
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Debug,
    strum::IntoStaticStr,
    strum::VariantArray,
)]
#[strum(serialize_all = "snake_case")]
pub enum DecodeErrorClass {
    /// The bytes are not what the format allows.
    Unreadable,
    /// Over 64 KiB.
    Oversized,
    /// A topic, device or channel that is not well formed or not allowed.
    Name,
    /// A value that is no finite number.
    Number,
    /// A unit of another quantity.
    Unit,
    /// Physically impossible.
    Impossible,
    /// A time that cannot be.
    Time,
    /// Retained, without a time.
    Retained,
}

impl DecodeErrorClass {
    /// All classes of decode error.
    pub const ALL: &'static [Self] = <Self as strum::VariantArray>::VARIANTS;

    /// The kind of a refusal of the domain's checks.
    pub fn of(refusal: &Refusal) -> Self {
        match refusal {
            Refusal::NotFinite { .. } => Self::Number,
            Refusal::Impossible { .. } => Self::Impossible,
            Refusal::WrongUnit { .. } | Refusal::NoUnit { .. } => Self::Unit,
            Refusal::FromTheFuture { .. } | Refusal::ClockNeverSet { .. } => Self::Time,
        }
    }

    /// The word in metrics.
    pub fn name(self) -> &'static str {
        match self {
            Self::Unreadable => "unreadable",
            Self::Oversized => "oversized",
            Self::Name => "name",
            Self::Number => "number",
            Self::Unit => "unit",
            Self::Impossible => "impossible",
            Self::Time => "time",
            Self::Retained => "retained",
        }
    }
}

/// One thing that is wrong with a message or a record.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct DecodeError {
    pub class: DecodeErrorClass,
    pub reason: String,
    /// The series whose value was impossible, and that value's time.
    pub impossible: Option<(ChannelRef, Timestamp)>,
    /// The record's own time, where nothing is wrong but that it is ahead of the clock.
    pub ahead: Option<Timestamp>,
}

impl DecodeError {
    pub fn new(class: DecodeErrorClass, reason: String) -> Self {
        Self {
            class,
            reason,
            impossible: None,
            ahead: None,
        }
    }

    /// With one more sentence for an impossible value.
    pub fn with(mut self, hint: &str) -> Self {
        if self.class == DecodeErrorClass::Impossible {
            self.reason = format!("{}; {hint}", self.reason);
        }
        self
    }

    pub fn unreadable(reason: String) -> Self {
        Self::new(DecodeErrorClass::Unreadable, reason)
    }

    pub fn name(reason: String) -> Self {
        Self::new(DecodeErrorClass::Name, reason)
    }

    pub fn number(reason: String) -> Self {
        Self::new(DecodeErrorClass::Number, reason)
    }

    pub fn time(reason: String) -> Self {
        Self::new(DecodeErrorClass::Time, reason)
    }

    pub fn retained() -> Self {
        Self::new(
            DecodeErrorClass::Retained,
            "a retained message without a time: nobody knows when it was measured".into(),
        )
    }

    /// A refusal of the domain's checks for the series and time `of`.
    pub fn refusal(refusal: &Refusal, of: impl FnOnce() -> (ChannelRef, Timestamp)) -> Self {
        let class = DecodeErrorClass::of(refusal);
        let is_ahead = matches!(refusal, Refusal::FromTheFuture { .. });
        let of = (class == DecodeErrorClass::Impossible || is_ahead).then(of);
        Self {
            class,
            reason: refusal.to_string(),
            ahead: of.as_ref().filter(|_| is_ahead).map(|(_, time)| *time),
            impossible: of.filter(|_| !is_ahead),
        }
    }
}

/// What a sender wrote, short enough for a sentence and without anything that breaks a line.
pub(super) fn quoted(text: &str) -> String {
    const LONGEST: usize = 60;
    let mut short: String = text
        .chars()
        .take(LONGEST)
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect();
    if text.chars().nth(LONGEST).is_some() {
        short.push('…');
    }
    format!("\"{short}\"")
}
