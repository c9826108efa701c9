//! What is news, out of the store and into the outbox.

use super::lately;
use anyhow::Result;
use larder_domain::{FlagId, Timestamp};
use larder_flags::notices::{Event, Planned, Situation, Told, plan};
use larder_store::notices::{NewNotice, NoticeKind, Notices};
use larder_store::{EmbeddedStore, Records};
use std::collections::BTreeSet;

/// Makes the notices that are due. Says whether the outbox was full.
pub(super) fn plan_news(store: &EmbeddedStore, now: Timestamp) -> Result<bool> {
    let people = store.people()?;
    if people.is_empty() {
        return Ok(false);
    }
    let mut flags = store.flags(None, lately(now))?;
    flags.retain(|kept| kept.known_at.is_some());
    let ids: Vec<FlagId> = flags.iter().map(|kept| kept.id.clone()).collect();
    let told: BTreeSet<Told> = store
        .told(&ids)?
        .into_iter()
        .filter_map(|thing| {
            Some(Told {
                event: Event::from_name(&thing.event)?,
                person: thing.person,
                way: thing.way,
                flag: thing.flag,
            })
        })
        .collect();
    let apiary = store.apiary()?;
    let zones: Vec<_> = apiary
        .yards()
        .map(|yard| (yard.id.clone(), yard.timezone))
        .collect();
    let planned = plan(&Situation {
        people: &people,
        flags: &flags,
        told: &told,
        digests: &store.last_digests()?,
        zones: &zones,
        now,
    });
    if planned.is_empty() {
        return Ok(false);
    }
    let new: Vec<_> = planned.into_iter().map(new_notice).collect();
    let (made, full) = store.make_notices(&new, now)?;
    metrics::counter!("larder_notices_made_total").increment(made as u64);
    Ok(full)
}

fn new_notice(planned: Planned) -> NewNotice {
    NewNotice {
        person: planned.person,
        way: planned.way,
        kind: planned.digest.map_or(NoticeKind::News, NoticeKind::Digest),
        things: planned
            .things
            .into_iter()
            .map(|(flag, event)| (flag, event.name().to_owned()))
            .collect(),
    }
}
