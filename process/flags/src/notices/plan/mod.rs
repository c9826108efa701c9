//! Who is to be told what now. Nobody is told the same thing twice; a flag that someone sees to, that
//! is over, or that came out of a record of the past is not told at all.

use chrono::{NaiveDate, NaiveTime};
use chrono_tz::Tz;
use larder_domain::time::local_moment;
use larder_domain::{FlagId, FlagState, KeptFlag, Person, PersonId, Timestamp, Way, YardId};
use std::collections::{BTreeMap, BTreeSet};

/// A flag that has been known for so long is told to nobody any more, ms: a week. It bounds how long
/// must be remembered what was told.
pub const NEWS_FOR_MS: i64 = 7 * 86_400_000;

/// What of a flag's life is told.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Event {
    /// The flag was opened.
    Opened,
    /// The flag is over. Only programs are told; people see that it is gone.
    Closed,
    /// The flag was wrong. Told to whom it was told when it opened.
    Withdrawn,
}

impl Event {
    /// The word in stored records and on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Opened => "opened",
            Self::Closed => "closed",
            Self::Withdrawn => "withdrawn",
        }
    }

    /// Reads the word back.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Opened, Self::Closed, Self::Withdrawn]
            .into_iter()
            .find(|event| event.name() == name)
    }
}

/// One thing told, or on its way.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Told {
    /// To whom.
    pub person: PersonId,
    /// On which way.
    pub way: Way,
    /// The flag that the notice is about.
    pub flag: FlagId,
    /// What.
    pub event: Event,
}

/// All that decides.
pub struct Situation<'a> {
    /// Everyone.
    pub people: &'a [Person],
    /// The flags that were known first in the last [`NEWS_FOR_MS`], in whatever state.
    pub flags: &'a [KeptFlag],
    /// What was told of them.
    pub told: &'a BTreeSet<Told>,
    /// The local date of each person's last digest.
    pub digests: &'a BTreeMap<PersonId, NaiveDate>,
    /// The yards' zones, in the apiary's order.
    pub zones: &'a [(YardId, Tz)],
    /// Now.
    pub now: Timestamp,
}

/// One notice to be made.
#[derive(Clone, PartialEq, Debug)]
pub struct Planned {
    /// To whom.
    pub person: PersonId,
    /// On which way; `None`: a digest with nothing to say. Only its date is kept.
    pub way: Option<Way>,
    /// What it tells, by opening time. A program is told one thing at a time.
    pub things: Vec<(FlagId, Event)>,
    /// The date of the digest, where it is one.
    pub digest: Option<NaiveDate>,
}

/// The notices that are due now.
pub fn plan(case: &Situation<'_>) -> Vec<Planned> {
    let mut planned = Vec::new();
    for person in case.people {
        let digest = person.digest_at.map(|at| digest_due(case, person, at));
        for way in &person.ways {
            let things = || {
                let news = case.flags.iter();
                news.filter_map(|kept| Some((kept.id.clone(), thing(case, person, way, kept)?)))
            };
            let mut one = |things: Vec<_>, digest| {
                if !things.is_empty() {
                    planned.push(Planned {
                        person: person.id.clone(),
                        way: Some(way.clone()),
                        things,
                        digest,
                    });
                }
            };
            match (way, digest) {
                (Way::Webhook(_), _) => things().for_each(|thing| one(vec![thing], None)),
                (Way::Mail(_), None) => one(things().collect(), None),
                (Way::Mail(_), Some(Some(date))) => one(things().collect(), Some(date)),
                (Way::Mail(_), Some(None)) => {}
            }
        }
        if let Some(Some(date)) = digest {
            planned.push(Planned {
                person: person.id.clone(),
                way: None,
                things: Vec::new(),
                digest: Some(date),
            });
        }
    }
    planned
}

/// What of a flag is to be told now.
fn thing(case: &Situation<'_>, person: &Person, way: &Way, kept: &KeptFlag) -> Option<Event> {
    let was_told = |event| {
        case.told.contains(&Told {
            person: person.id.clone(),
            way: way.clone(),
            flag: kept.id.clone(),
            event,
        })
    };
    let event = match kept.state() {
        FlagState::Open if was_told(Event::Opened) => return None,
        FlagState::Open if concerns(case, person, kept) => Event::Opened,
        FlagState::Open => return None,
        _ if !was_told(Event::Opened) => return None,
        FlagState::Closed if matches!(way, Way::Mail(_)) => return None,
        FlagState::Closed => Event::Closed,
        FlagState::Withdrawn => Event::Withdrawn,
    };
    let zone = zone_of(case, kept.flag.yard.as_ref());
    let local = case.now.to_utc().with_timezone(&zone).time();
    let quiet = person.quiet.is_some_and(|quiet| quiet.holds_at(local));
    (!quiet && !was_told(event)).then_some(event)
}

fn concerns(case: &Situation<'_>, person: &Person, kept: &KeptFlag) -> bool {
    let flag = &kept.flag;
    let here = match &flag.yard {
        Some(yard) => person.yards.contains(yard),
        None => false,
    };
    let news = kept
        .known_at
        .is_some_and(|known| known >= person.since && case.now.0 - known.0 <= NEWS_FOR_MS);
    news && kept.is_loud(case.now)
        && (person.yards.is_empty() || here)
        && person.wants(flag.kind)
        && flag.severity >= person.from_severity
}

/// The local date of the digest that is due and not made yet.
fn digest_due(case: &Situation<'_>, person: &Person, at: NaiveTime) -> Option<NaiveDate> {
    let zone = zone_of(case, person.yards.first());
    let today = case.now.local_date(zone);
    let moment = local_moment(zone, today, at);
    let made = case
        .digests
        .get(&person.id)
        .is_some_and(|last| *last >= today);
    (case.now >= moment && person.since <= moment && !made).then_some(today)
}

/// The zone of a yard; of the first one where none is named, or a yard is gone.
fn zone_of(case: &Situation<'_>, yard: Option<&YardId>) -> Tz {
    let named = case.zones.iter().find(|(id, _)| Some(id) == yard);
    named
        .or(case.zones.first())
        .map_or(Tz::UTC, |(_, zone)| *zone)
}

#[cfg(test)]
mod tests;
