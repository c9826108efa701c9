//! A flag as it looks in JSON: in the operation's units, moments in its yard's zone.

use crate::wire::rounded;
use crate::words::{
    FlagKindWord, FlagStateWord, MeasureWord, NumberUnit, NumberUnitWord, SeverityWord, VerdictWord,
};
use crate::{Problem, Service};
use chrono_tz::Tz;
use larder_domain::{Apiary, Care, ChannelRef, Flag, KeptFlag, Quantity, Said, Span, Timestamp};
use larder_flags::texts::{FlagTexts, how_sure, place, when_to_act};
use larder_syrup::units::UnitSystem;
use serde::Serialize;
use utoipa::ToSchema;

/// Something wrong, from when to when, with the evidence.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct FlagBody {
    /// Stays the same while the flag lives.
    pub id: String,
    pub kind: FlagKindWord,
    pub state: FlagStateWord,
    pub yard: Option<String>,
    pub hive: Option<String>,
    pub feeder: Option<String>,
    pub device: Option<String>,
    #[schema(format = DateTime)]
    pub opened_at: String,
    #[schema(format = DateTime)]
    pub closed_at: Option<String>,
    /// When it was known first; null: it was found in a record of the past.
    #[schema(format = DateTime)]
    pub known_at: Option<String>,
    #[schema(format = DateTime)]
    pub withdrawn_at: Option<String>,
    pub severity: SeverityWord,
    #[schema(minimum = 0, maximum = 1)]
    pub probability: f64,
    /// The reasons in a sentence, in the operation's units.
    pub evidence: String,
    /// The evidence with `{name}` where the number of that name stands.
    pub template: String,
    /// The numbers of the sentence, and others that a chart can show.
    pub numbers: Vec<EvidenceNumberBody>,
    /// What was measured by.
    pub channels: Vec<ChannelBody>,
    /// The time that the numbers speak of.
    pub over: Option<SpanBody>,
    /// Acknowledged or snoozed: it keeps out of the way.
    pub quiet: bool,
    pub care: CareBody,
    /// What to call it and what to do about it.
    pub texts: TextsBody,
}

/// A flag in words, ready to be shown.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct TextsBody {
    /// The state in a word or two: "refill due".
    pub word: &'static str,
    /// What it is about, as keepers name it: "Ridge 4", "Ridge 4's scale".
    pub place: String,
    /// The state in a sentence about its place: "Ridge 4 needs syrup soon."
    pub sentence: String,
    /// What is said of several places in one sentence: "need syrup soon".
    pub many: &'static str,
    /// What to do about it.
    pub act: &'static str,
    /// What could hurt someone while doing it; null: nothing of its own.
    pub caution: Option<&'static str>,
    /// When to act: "today", "on the next trip", "good to know".
    pub when: &'static str,
    /// How sure the flag is: "very likely".
    pub sure: &'static str,
}

/// One number of the evidence.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct EvidenceNumberBody {
    pub name: String,
    /// null: not known.
    pub value: Option<f64>,
    /// Lower end of the interval that holds the truth nine times in ten; null: the value is known.
    pub lo: Option<f64>,
    /// Upper end of the interval that holds the truth nine times in ten; null: the value is known.
    pub hi: Option<f64>,
    pub unit: NumberUnitWord,
    pub measure: MeasureWord,
}

/// A channel of a device.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct ChannelBody {
    pub device: String,
    pub channel: String,
}

/// A stretch of time.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct SpanBody {
    #[schema(format = DateTime)]
    pub from: String,
    #[schema(format = DateTime)]
    pub to: String,
}

/// What people say about a flag.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct CareBody {
    pub acknowledged: Option<SaidBody>,
    pub snoozed: Option<SnoozeBody>,
    pub verdict: Option<JudgedBody>,
    /// Oldest first.
    pub notes: Vec<NoteBody>,
}

/// Who and when.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct SaidBody {
    pub who: String,
    #[schema(format = DateTime)]
    pub at: String,
}

/// Quiet until then.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct SnoozeBody {
    #[schema(format = DateTime)]
    pub until: String,
    pub who: String,
    #[schema(format = DateTime)]
    pub at: String,
}

/// Whether it was right.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct JudgedBody {
    pub verdict: VerdictWord,
    pub who: String,
    #[schema(format = DateTime)]
    pub at: String,
}

/// Words of a person's own.
#[derive(Clone, PartialEq, Debug, Serialize, ToSchema)]
pub(crate) struct NoteBody {
    pub text: String,
    pub who: String,
    #[schema(format = DateTime)]
    pub at: String,
}

/// Puts flags into JSON: knows the operation's units, the yards' zones and what time it is.
pub(crate) struct FlagWriter<'a> {
    apiary: &'a Apiary,
    units: UnitSystem,
    now: Timestamp,
}

impl<'a> FlagWriter<'a> {
    pub fn new(service: &Service, apiary: &'a Apiary) -> Result<Self, Problem> {
        let word = service.records.setting("units")?;
        let units = word.and_then(|word| UnitSystem::parse(&word).ok());
        Ok(Self {
            apiary,
            units: units.unwrap_or_default(),
            now: service.as_of(),
        })
    }

    pub fn body(&self, kept: &KeptFlag) -> FlagBody {
        let flag = &kept.flag;
        let yard = flag.yard.as_ref();
        let zone = yard
            .and_then(|yard| self.apiary.yard(yard))
            .map_or(Tz::UTC, |yard| yard.timezone);
        FlagBody {
            id: kept.id.to_string(),
            kind: flag.kind.into(),
            state: kept.state().into(),
            yard: yard.map(ToString::to_string),
            hive: flag.hive.as_ref().map(ToString::to_string),
            feeder: flag.feeder.as_ref().map(ToString::to_string),
            device: flag.device.as_ref().map(ToString::to_string),
            opened_at: flag.opened_at.to_rfc3339(),
            closed_at: flag.closed_at.map(Timestamp::to_rfc3339),
            known_at: kept.known_at.map(Timestamp::to_rfc3339),
            withdrawn_at: kept.withdrawn_at.map(Timestamp::to_rfc3339),
            severity: flag.severity.into(),
            probability: (flag.probability * 1000.0).round() / 1000.0,
            evidence: flag.evidence.sentence(self.units, zone),
            template: flag.evidence.template.clone(),
            numbers: flag.evidence.quantities.iter().map(Into::into).collect(),
            channels: flag.evidence.channels.iter().map(Into::into).collect(),
            over: flag.evidence.over.map(Into::into),
            quiet: kept.care.is_quiet(self.now),
            care: (&kept.care).into(),
            texts: self.texts(flag),
        }
    }

    fn texts(&self, flag: &Flag) -> TextsBody {
        let feeder = flag.feeder.as_ref().and_then(|id| self.apiary.feeder(id));
        let hive = flag.hive.as_ref().or(feeder.map(|feeder| &feeder.hive));
        let hive = hive.and_then(|id| self.apiary.hive(id));
        let yard = flag.yard.as_ref().and_then(|id| self.apiary.yard(id));
        let hive = hive.map(|hive| hive.name.as_str());
        let place = place(flag, yard.map(|yard| yard.name.as_str()), hive);
        let texts = FlagTexts::of(flag.kind);
        TextsBody {
            word: texts.word,
            sentence: texts.sentence(&place),
            place,
            many: texts.many,
            act: texts.act,
            caution: texts.caution,
            when: when_to_act(flag.severity),
            sure: how_sure(flag.probability),
        }
    }
}

impl From<&Quantity> for EvidenceNumberBody {
    fn from(quantity: &Quantity) -> Self {
        let finite = |value: f64| value.is_finite().then(|| rounded(value));
        Self {
            name: quantity.name.clone(),
            value: finite(quantity.value),
            lo: quantity.interval.and_then(|(lo, _)| finite(lo)),
            hi: quantity.interval.and_then(|(_, hi)| finite(hi)),
            unit: NumberUnit(quantity.measure).into(),
            measure: quantity.measure.into(),
        }
    }
}

impl From<&ChannelRef> for ChannelBody {
    fn from(source: &ChannelRef) -> Self {
        Self {
            device: source.device.to_string(),
            channel: source.channel.to_string(),
        }
    }
}

impl From<Span> for SpanBody {
    fn from(span: Span) -> Self {
        Self {
            from: span.start.to_rfc3339(),
            to: span.end.to_rfc3339(),
        }
    }
}

impl From<&Said> for SaidBody {
    fn from(said: &Said) -> Self {
        Self {
            who: said.who.clone(),
            at: said.at.to_rfc3339(),
        }
    }
}

impl From<&Care> for CareBody {
    fn from(care: &Care) -> Self {
        let who_at = |said: &Said| (said.who.clone(), said.at.to_rfc3339());
        Self {
            acknowledged: care.acknowledged.as_ref().map(Into::into),
            snoozed: care.snoozed.as_ref().map(|(until, said)| {
                let (who, at) = who_at(said);
                SnoozeBody {
                    until: until.to_rfc3339(),
                    who,
                    at,
                }
            }),
            verdict: care.verdict.as_ref().map(|(verdict, said)| {
                let (who, at) = who_at(said);
                JudgedBody {
                    verdict: verdict.into(),
                    who,
                    at,
                }
            }),
            notes: care
                .notes
                .iter()
                .map(|note| {
                    let (who, at) = who_at(&note.said);
                    NoteBody {
                        text: note.text.clone(),
                        who,
                        at,
                    }
                })
                .collect(),
        }
    }
}
