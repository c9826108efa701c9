//! A notice as it goes out, built from what is known at that moment.

use anyhow::Result;
use chrono_tz::Tz;
use larder_domain::names::one_line;
use larder_domain::units::UnitSystem;
use larder_domain::{KeptFlag, Person, Timestamp, Way};
use larder_process::flags::FlagTexts;
use larder_process::notices::{Event, Letter, Spoken, letter};
use larder_store::notices::{Notice, NoticeKind, Notices};
use larder_store::{EmbeddedStore, Records};
use serde_json::{Value, json};

/// What to send.
pub(super) enum Outgoing {
    /// A mail.
    Mail(Letter),
    /// A CloudEvent, as JSON.
    Event(Value),
    /// Nothing any more: it is over, or the person is gone.
    Moot,
    /// Nothing now: it is the person's quiet time.
    Later,
}

/// Builds what `notice` says now.
pub(super) fn compose(
    store: &EmbeddedStore,
    notice: &Notice,
    page: Option<&str>,
    now: Timestamp,
) -> Result<Outgoing> {
    let people = store.people()?;
    let Some(person) = people.iter().find(|person| person.id == notice.person) else {
        return Ok(Outgoing::Moot);
    };
    if notice.kind == NoticeKind::Test {
        return Ok(test(notice, person, page));
    }
    let apiary = store.apiary()?;
    let mut flags: Vec<(KeptFlag, Event)> = Vec::new();
    for (id, event) in &notice.things {
        if let (Some(kept), Some(event)) = (store.flag(id)?, Event::from_name(event))
            && still(&kept, event, now)
        {
            flags.push((kept, event));
        }
    }
    let spoken: Vec<Spoken<'_>> = flags
        .iter()
        .map(|(kept, event)| {
            let yard = kept.flag.yard.as_ref().and_then(|id| apiary.yard(id));
            let hive = kept.flag.hive.as_ref().and_then(|id| apiary.hive(id));
            let first = apiary.yards().next().map_or(Tz::UTC, |yard| yard.timezone);
            Spoken {
                kept,
                event: *event,
                yard: yard.map(|yard| yard.name.as_str()),
                hive: hive.map(|hive| hive.name.as_str()),
                zone: yard.map_or(first, |yard| yard.timezone),
            }
        })
        .collect();
    if spoken.is_empty() {
        return Ok(Outgoing::Moot);
    }
    if person.quiet.is_some_and(|quiet| {
        let local = |one: &Spoken<'_>| now.to_utc().with_timezone(&one.zone).time();
        spoken.iter().any(|one| quiet.holds_at(local(one)))
    }) {
        return Ok(Outgoing::Later);
    }
    let units = match person.units {
        Some(units) => units,
        None => operation_units(store)?,
    };
    Ok(match &notice.way {
        Way::Mail(_) => {
            let date = match notice.kind {
                NoticeKind::Digest(date) => Some(date),
                _ => None,
            };
            Outgoing::Mail(letter(&spoken, date, units, page))
        }
        Way::Webhook(_) => Outgoing::Event(cloud_event(notice, &spoken[0], units, page)),
    })
}

/// Whether it is still worth saying.
fn still(kept: &KeptFlag, event: Event, now: Timestamp) -> bool {
    match event {
        Event::Opened => kept.is_loud(now),
        Event::Closed => kept.stands() && !kept.is_open(),
        Event::Withdrawn => !kept.stands(),
    }
}

pub(super) fn operation_units(store: &EmbeddedStore) -> Result<UnitSystem> {
    let word = store.setting("units")?;
    Ok(word
        .and_then(|word| UnitSystem::parse(&word).ok())
        .unwrap_or_default())
}

fn test(notice: &Notice, person: &Person, page: Option<&str>) -> Outgoing {
    match &notice.way {
        Way::Mail(_) => Outgoing::Mail(Letter {
            subject: "A test from Larder".to_owned(),
            body: format!(
                "This is what notices to {} look like when they get through. Nothing needs doing.\n",
                one_line(&person.name)
            ),
        }),
        Way::Webhook(_) => Outgoing::Event(envelope(
            notice,
            "larder.test",
            None,
            page,
            json!({ "person": person.id.as_str() }),
        )),
    }
}

/// CloudEvents 1.0, structured mode. The id stays the same however often it is sent.
fn envelope(
    notice: &Notice,
    kind: &str,
    subject: Option<&str>,
    page: Option<&str>,
    data: Value,
) -> Value {
    let mut event = json!({
        "specversion": "1.0",
        "id": notice_key(notice),
        "source": page.unwrap_or("/larder"),
        "type": kind,
        "time": notice.made_at.to_rfc3339(),
        "datacontenttype": "application/json",
        "data": data,
    });
    if let Some(subject) = subject {
        event["subject"] = json!(subject);
    }
    event
}

/// What tells one notice from all others, also on the other side.
pub(super) fn notice_key(notice: &Notice) -> String {
    format!("{}-{}", notice.made_at.0, notice.id)
}

fn cloud_event(notice: &Notice, one: &Spoken<'_>, units: UnitSystem, page: Option<&str>) -> Value {
    let kind = format!("larder.flag.{}", one.event.name());
    let id = one.kept.id.as_str();
    let mut data = flag_json(one.kept, units, one.zone);
    data["person"] = json!(notice.person.as_str());
    data["yard_name"] = json!(one.yard);
    data["hive_name"] = json!(one.hive);
    let texts = FlagTexts::of(one.kept.flag.kind);
    data["what_to_do"] = json!(texts.act_with_caution());
    envelope(notice, &kind, Some(id), page, data)
}

/// A flag for programs.
pub(super) fn flag_json(kept: &KeptFlag, units: UnitSystem, zone: Tz) -> Value {
    let flag = &kept.flag;
    let numbers = flag.evidence.quantities.iter().map(|q| {
        json!({ "name": q.name, "value": q.value.is_finite().then_some(q.value),
            "unit": q.measure.unit() })
    });
    json!({
        "id": kept.id.as_str(),
        "kind": flag.kind.name(),
        "state": kept.state().name(),
        "yard": flag.yard.as_ref().map(ToString::to_string),
        "hive": flag.hive.as_ref().map(ToString::to_string),
        "feeder": flag.feeder.as_ref().map(ToString::to_string),
        "device": flag.device.as_ref().map(ToString::to_string),
        "opened_at": flag.opened_at.to_rfc3339(),
        "closed_at": flag.closed_at.map(Timestamp::to_rfc3339),
        "severity": flag.severity.name(),
        "probability": (flag.probability * 1000.0).round() / 1000.0,
        "evidence": flag.evidence.sentence(units, zone),
        "numbers": numbers.collect::<Vec<_>>(),
    })
}
