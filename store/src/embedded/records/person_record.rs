//! What a person looks like in the store: JSON with a version.

use crate::embedded::fault::Fault;
use chrono::NaiveTime;
use larder_domain::{FlagKind, Person, PersonId, QuietHours, Severity, Timestamp, Way, YardId};
use larder_syrup::units::UnitSystem;
use serde::{Deserialize, Serialize};

#[derive(Serialize, Deserialize)]
#[serde(tag = "v")]
enum PersonRecord {
    #[serde(rename = "1")]
    V1(PersonV1),
}

/// Times of day are `HH:MM`.
#[derive(Serialize, Deserialize)]
struct PersonV1 {
    name: String,
    /// Kind and address.
    ways: Vec<(String, String)>,
    yards: Vec<String>,
    kinds: Vec<String>,
    from_severity: String,
    quiet: Option<(String, String)>,
    digest_at: Option<String>,
    units: Option<String>,
    since: i64,
}

const CLOCK: &str = "%H:%M";

pub(super) fn write(person: &Person) -> String {
    let time = |time: NaiveTime| time.format(CLOCK).to_string();
    let way = |way: &Way| (way.name().to_owned(), way.address().to_owned());
    let record = PersonRecord::V1(PersonV1 {
        name: person.name.clone(),
        ways: person.ways.iter().map(way).collect(),
        yards: person.yards.iter().map(ToString::to_string).collect(),
        kinds: person
            .kinds
            .iter()
            .map(|kind| kind.name().to_owned())
            .collect(),
        from_severity: person.from_severity.name().to_owned(),
        quiet: person.quiet.map(|quiet| (time(quiet.from), time(quiet.to))),
        digest_at: person.digest_at.map(time),
        units: person.units.map(|units| units.name().to_owned()),
        since: person.since.0,
    });
    serde_json::to_string(&record).expect("text can be written as JSON")
}

pub(super) fn read(id: PersonId, text: &str) -> Result<Person, Fault> {
    let damaged = |what: &str| Fault::Damaged(format!("\"{what}\" of person {id} does not read"));
    let record = serde_json::from_str(text).map_err(|_| damaged("record"))?;
    let PersonRecord::V1(record) = record;
    let time = |text: &str| NaiveTime::parse_from_str(text, CLOCK).map_err(|_| damaged(text));
    let way =
        |(name, address): &(String, String)| Way::new(name, address).map_err(|_| damaged(address));
    let yard = |yard: &String| YardId::new(yard).map_err(|_| damaged(yard));
    let kind = |kind: &String| FlagKind::from_name(kind).ok_or_else(|| damaged(kind));
    let quiet = record.quiet.map(|(from, to)| {
        Ok::<_, Fault>(QuietHours {
            from: time(&from)?,
            to: time(&to)?,
        })
    });
    let units = record
        .units
        .map(|word| UnitSystem::parse(&word).map_err(|_| damaged(&word)));
    Ok(Person {
        name: record.name,
        ways: record.ways.iter().map(way).collect::<Result<_, _>>()?,
        yards: record.yards.iter().map(yard).collect::<Result<_, _>>()?,
        kinds: record.kinds.iter().map(kind).collect::<Result<_, _>>()?,
        from_severity: Severity::from_name(&record.from_severity)
            .ok_or_else(|| damaged(&record.from_severity))?,
        quiet: quiet.transpose()?,
        digest_at: record.digest_at.as_deref().map(time).transpose()?,
        units: units.transpose()?,
        since: Timestamp(record.since),
        id: id.clone(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_ever_written_reads() {
        let first = include_str!("../../../tests/records/person-1.json").trim_end();
        let person = read(PersonId::new("ada").unwrap(), first).unwrap();
        assert_eq!(person.ways[0].address(), "ada@example.org");
        assert_eq!(write(&person), first);
    }
}
