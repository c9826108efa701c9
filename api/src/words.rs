//! Closed sets of words in JSON. Each list is made from the enum that the word comes from, so the
//! description names exactly the words that answers can hold.

use larder_domain::person::{MailAddress, WebhookUrl};
use larder_domain::{
    FeederKind, FillSource, FlagKind, FlagState, Goal, Measure, Severity, Timestamp, Trait,
    Verdict, Way, WeightQuality,
};
use larder_store::notices::{NoticeKind, NoticeState};
use larder_syrup::feed::ReadyFeed;
use larder_syrup::mix::CautionKind;
use larder_syrup::units::UnitSystem;
use serde::de::{Deserialize, Deserializer, Error};
use serde::{Serialize, Serializer};
use std::borrow::Cow;
use std::fmt;
use std::marker::PhantomData;
use utoipa::openapi::{ObjectBuilder, RefOr, Schema, Type};
use utoipa::{PartialSchema, ToSchema};

/// An enum that is a word in JSON.
pub trait Words: 'static {
    /// What its schema is called.
    const SCHEMA: &'static str;
    /// What the words tell.
    const MEANING: &'static str;

    /// All words, in the enum's order.
    fn all() -> Vec<&'static str>;

    /// The word for this one.
    fn word(&self) -> &'static str;
}

/// One word of a closed set.
pub struct Word<T> {
    word: &'static str,
    set: PhantomData<fn() -> T>,
}

impl<T> Word<T> {
    /// The word as text.
    pub fn as_str(&self) -> &'static str {
        self.word
    }
}

impl<T: Words> From<&T> for Word<T> {
    fn from(value: &T) -> Self {
        Self {
            word: value.word(),
            set: PhantomData,
        }
    }
}

impl<T: Words> From<T> for Word<T> {
    fn from(value: T) -> Self {
        Self::from(&value)
    }
}

impl<T> Clone for Word<T> {
    fn clone(&self) -> Self {
        *self
    }
}

impl<T> Copy for Word<T> {}

impl<T> PartialEq for Word<T> {
    fn eq(&self, other: &Self) -> bool {
        self.word == other.word
    }
}

impl<T> Eq for Word<T> {}

impl<T> PartialEq<&str> for Word<T> {
    fn eq(&self, other: &&str) -> bool {
        self.word == *other
    }
}

impl<T> fmt::Debug for Word<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.word.fmt(f)
    }
}

impl<T> Serialize for Word<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word)
    }
}

impl<'de, T: Words> Deserialize<'de> for Word<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = Cow::<str>::deserialize(deserializer)?;
        let word = T::all().into_iter().find(|word| *word == text);
        let word = word.ok_or_else(|| {
            let known = T::all().join(", ");
            let shown: String = text.chars().take(40).collect();
            D::Error::custom(format!("there is no \"{shown}\" here; there are {known}"))
        })?;
        Ok(Self {
            word,
            set: PhantomData,
        })
    }
}

impl<T: Words> PartialSchema for Word<T> {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new()
            .schema_type(Type::String)
            .description(Some(T::MEANING.trim()))
            .enum_values(Some(T::all()))
            .into()
    }
}

impl<T: Words> ToSchema for Word<T> {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed(T::SCHEMA)
    }
}

/// Every variant of an enum that keeps no list of its own. One that is left out does not compile.
macro_rules! every {
    ($set:ident { $($variant:ident $(($($value:tt)*))? $({ $($field:tt)* })?),+ $(,)? }) => {{
        let _ = |one: &$set| match one {
            $($set::$variant { .. } => (),)+
        };
        [$($set::$variant $(($($value)*))? $({ $($field)* })?),+]
    }};
}

macro_rules! words {
    ($(#[doc = $meaning:literal] $alias:ident = $set:ident as $schema:literal: $all:expr;)+) => {$(
        #[doc = $meaning]
        pub(crate) type $alias = Word<$set>;

        impl Words for $set {
            const SCHEMA: &'static str = $schema;
            const MEANING: &'static str = $meaning;

            fn all() -> Vec<&'static str> {
                $all.iter().map(Words::word).collect()
            }

            fn word(&self) -> &'static str {
                self.name()
            }
        }
    )+};
}

words! {
    /// What is wrong.
    FlagKindWord = FlagKind as "FlagKind": FlagKind::ALL;
    /// Where a flag is in its life; `withdrawn`: late data showed that it was wrong.
    FlagStateWord = FlagState as "FlagState": every!(FlagState { Open, Closed, Withdrawn });
    /// How soon someone should act.
    SeverityWord = Severity as "Severity": every!(Severity { Info, Warning, Urgent });
    /// Whether a flag was right.
    VerdictWord = Verdict as "Verdict": every!(Verdict { Right, Wrong });
    /// What a number of the evidence measures; `warmth` is a difference of temperatures.
    MeasureWord = Measure as "Measure": Measure::ALL;
    /// What a colony is fed for.
    GoalWord = Goal as "Goal": Goal::ALL;
    /// What a feeder is like.
    FeederKindWord = FeederKind as "FeederKind": FeederKind::ALL;
    /// How a fill is known: written down, seen by sensors, or both.
    FillSourceWord = FillSource as "FillSource": every!(FillSource { Recorded, Detected, Both });
    /// How far a night-time weight can be trusted.
    WeightQualityWord = WeightQuality as "WeightQuality": every!(WeightQuality { Good, Poor, Missing });
    /// `offset`: what a device reads at an empty feeder beyond what it should; `per_kelvin`: how its reading moves with warmth; `geometry_share`: by what share the geometry given makes volumes too large; `noise`: how far a single reading strays.
    TraitWord = Trait as "Trait": Trait::ALL;
    /// In which units pages and notices speak: kg, l and °C, or lb, US gal and °F.
    UnitSystemWord = UnitSystem as "UnitSystem": UnitSystem::ALL;
    /// Where a notice goes: to a mailbox, or to a URL that takes CloudEvents.
    WayWord = Way as "WayKind": every!(Way {
        Mail(MailAddress::new("ada@example.org").expect("a mailbox")),
        Webhook(WebhookUrl::new("https://example.org/").expect("a URL")),
    });
    /// Why a notice was made: something happened, a day's news together, or somebody wanted to see whether it works.
    NoticeKindWord = NoticeKind as "NoticeKind": every!(NoticeKind {
        News,
        Digest(chrono::NaiveDate::default()),
        Test,
    });
    /// What became of a notice; `moot`: it was over before it could be sent.
    NoticeStateWord = NoticeState as "NoticeState": every!(NoticeState {
        Waiting { next_at: Timestamp(0) },
        Sent,
        GivenUp,
        Moot,
    });
    /// Which part of the work a caution belongs to.
    CautionKindWord = CautionKind as "CautionKind": every!(CautionKind { Mixing, Lifting, Keeping, Feeding });
}

/// What a syrup is made of.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Syrup {
    /// Sugar and water.
    Sucrose,
    /// A feed bought as syrup.
    Ready(ReadyFeed),
}

impl Words for Syrup {
    const SCHEMA: &'static str = "SyrupKind";
    const MEANING: &'static str =
        "What a syrup is made of: sugar and water, or a feed bought as syrup.";

    fn all() -> Vec<&'static str> {
        let mut all = vec![Self::Sucrose.word()];
        all.extend(FeedKind::all());
        all
    }

    fn word(&self) -> &'static str {
        match self {
            Self::Sucrose => "sucrose",
            Self::Ready(feed) => feed.name(),
        }
    }
}

/// Which feed is bought as syrup.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FeedKind(&'static str);

impl Words for FeedKind {
    const SCHEMA: &'static str = "FeedKind";
    const MEANING: &'static str =
        "A feed bought as syrup; `labelled` is reckoned from what its label says.";

    fn all() -> Vec<&'static str> {
        vec![
            ReadyFeed::Hfcs42.name(),
            ReadyFeed::Hfcs55.name(),
            ReadyFeed::LABELLED,
        ]
    }

    fn word(&self) -> &'static str {
        self.0
    }
}

/// The unit of a number of the evidence.
#[derive(Clone, Copy, Debug)]
pub(crate) struct NumberUnit(pub Measure);

impl Words for NumberUnit {
    const SCHEMA: &'static str = "NumberUnit";
    const MEANING: &'static str = "The unit of a number as in SenML where it has one; `ms`: a moment \
        in milliseconds since 1970; empty: a bare number.";

    fn all() -> Vec<&'static str> {
        let mut all: Vec<_> = Measure::ALL.iter().copied().map(Measure::unit).collect();
        all.dedup();
        all
    }

    fn word(&self) -> &'static str {
        self.0.unit()
    }
}

pub(crate) type SyrupWord = Word<Syrup>;
pub(crate) type FeedKindWord = Word<FeedKind>;
pub(crate) type NumberUnitWord = Word<NumberUnit>;
