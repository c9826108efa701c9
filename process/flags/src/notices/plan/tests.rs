use super::*;
use larder_domain::{
    Care, Evidence, Flag, FlagKind, HiveId, MailAddress, QuietHours, Said, Severity, WebhookUrl,
};

/// 2026-09-01T05:00:00Z, one at night in New York.
const NOW: Timestamp = Timestamp(1_788_238_800_000);
const HOUR: i64 = 3_600_000;

fn yard(id: &str) -> YardId {
    YardId::new(id).unwrap()
}

fn mail() -> Way {
    Way::Mail(MailAddress::new("ada@example.org").unwrap())
}

fn hook() -> Way {
    Way::Webhook(WebhookUrl::new("https://example.org/in").unwrap())
}

fn ada() -> Person {
    Person {
        id: PersonId::new("ada").unwrap(),
        name: "Ada".to_owned(),
        ways: vec![mail()],
        yards: Vec::new(),
        kinds: Vec::new(),
        from_severity: Severity::Info,
        quiet: None,
        digest_at: None,
        units: None,
        since: NOW.plus_ms(-100 * HOUR),
    }
}

fn flag(kind: FlagKind) -> KeptFlag {
    let flag = Flag {
        kind,
        yard: Some(yard("north")),
        hive: HiveId::new("north-01").ok(),
        feeder: None,
        device: None,
        opened_at: NOW.plus_ms(-2 * HOUR),
        closed_at: None,
        severity: Severity::Warning,
        probability: 0.9,
        evidence: Evidence::default(),
    };
    KeptFlag {
        id: FlagId::first_of(&flag),
        flag,
        known_at: Some(NOW.plus_ms(-HOUR)),
        changed_at: NOW,
        withdrawn_at: None,
        care: Care::default(),
    }
}

#[derive(Default)]
struct World {
    told: BTreeSet<Told>,
    digests: BTreeMap<PersonId, NaiveDate>,
}

impl World {
    fn plan_at(&self, people: &[Person], flags: &[KeptFlag], now: Timestamp) -> Vec<Planned> {
        plan(&Situation {
            people,
            flags,
            told: &self.told,
            digests: &self.digests,
            zones: &[
                (yard("north"), Tz::America__New_York),
                (yard("far"), Tz::Europe__Paris),
            ],
            now,
        })
    }

    /// Plans, and takes all of it as made. How many things each notice tells.
    fn round(&mut self, people: &[Person], flags: &[KeptFlag], now: Timestamp) -> Vec<usize> {
        let planned = self.plan_at(people, flags, now);
        for one in &planned {
            if let Some(date) = one.digest {
                self.digests.insert(one.person.clone(), date);
            }
            for (flag, event) in &one.things {
                self.told.insert(Told {
                    person: one.person.clone(),
                    way: one.way.clone().unwrap(),
                    flag: flag.clone(),
                    event: *event,
                });
            }
        }
        planned
            .iter()
            .filter(|one| one.way.is_some())
            .map(|one| one.things.len())
            .collect()
    }
}

#[test]
fn what_is_news_is_told_once_and_together() {
    let flags = [flag(FlagKind::Leaking), flag(FlagKind::Empty)];
    let mut world = World::default();
    assert_eq!(world.round(&[ada()], &flags, NOW), [2]);
    assert_eq!(world.round(&[ada()], &flags, NOW.plus_ms(HOUR)), [0; 0]);
}

#[test]
fn what_does_not_concern_someone_is_not_told() {
    let of = |change: &dyn Fn(&mut Person)| {
        let mut person = ada();
        change(&mut person);
        World::default()
            .round(&[person], &[flag(FlagKind::Leaking)], NOW)
            .len()
    };
    assert_eq!(of(&|_| ()), 1);
    assert_eq!(of(&|p| p.yards = vec![yard("north"), yard("far")]), 1);
    assert_eq!(of(&|p| p.yards = vec![yard("far")]), 0);
    assert_eq!(of(&|p| p.kinds = vec![FlagKind::Empty]), 0);
    assert_eq!(of(&|p| p.from_severity = Severity::Warning), 1);
    assert_eq!(of(&|p| p.from_severity = Severity::Urgent), 0);
    assert_eq!(of(&|p| p.since = NOW), 0, "it was known before");
}

#[test]
fn what_is_quiet_over_old_or_out_of_a_record_is_not_told() {
    let of = |change: &dyn Fn(&mut KeptFlag)| {
        let mut kept = flag(FlagKind::Leaking);
        change(&mut kept);
        World::default().round(&[ada()], &[kept], NOW).len()
    };
    let said = Said {
        who: String::new(),
        at: NOW,
    };
    assert_eq!(of(&|_| ()), 1);
    assert_eq!(of(&|k| k.care.acknowledged = Some(said.clone())), 0);
    assert_eq!(
        of(&|k| k.care.snoozed = Some((NOW.plus_ms(1), said.clone()))),
        0
    );
    assert_eq!(
        of(&|k| k.care.snoozed = Some((NOW, said.clone()))),
        1,
        "over"
    );
    assert_eq!(of(&|k| k.flag.closed_at = Some(NOW)), 0);
    assert_eq!(of(&|k| k.withdrawn_at = Some(NOW)), 0);
    assert_eq!(of(&|k| k.known_at = None), 0);
    assert_eq!(of(&|k| k.known_at = Some(NOW.plus_ms(-NEWS_FOR_MS - 1))), 0);
}

#[test]
fn quiet_hours_are_those_of_the_flags_yard_and_nothing_is_lost() {
    let mut person = ada();
    let time = |h| NaiveTime::from_hms_opt(h, 0, 0).unwrap();
    person.quiet = Some(QuietHours {
        from: time(21),
        to: time(6),
    });
    let mut elsewhere = flag(FlagKind::Empty);
    elsewhere.flag.yard = Some(yard("far"));
    let flags = [flag(FlagKind::Leaking), elsewhere];
    let mut world = World::default();
    // One at night in New York, seven in Paris.
    assert_eq!(world.round(std::slice::from_ref(&person), &flags, NOW), [1]);
    assert!(world.told.iter().all(|told| told.flag == flags[1].id));
    let morning = NOW.plus_ms(5 * HOUR);
    assert_eq!(world.round(&[person], &flags, morning), [1]);
}

#[test]
fn a_digest_is_made_once_a_day_and_says_nothing_when_there_is_nothing() {
    let mut person = ada();
    person.digest_at = NaiveTime::from_hms_opt(7, 0, 0);
    let people = [person];
    let flags = [flag(FlagKind::Leaking)];
    let mut world = World::default();
    // 01:00: the digest of the last day at 07:00 is 18 hours old; today's is due in six.
    assert_eq!(world.round(&people, &flags, NOW), [0; 0]);
    let at_seven = NOW.plus_ms(6 * HOUR);
    assert_eq!(world.round(&people, &flags, at_seven), [1]);
    let late = flag(FlagKind::Empty);
    let both = [flags[0].clone(), late];
    assert_eq!(
        world.round(&people, &both, at_seven.plus_ms(HOUR)),
        [0; 0],
        "waits"
    );
    let tomorrow = at_seven.plus_ms(24 * HOUR);
    assert_eq!(
        world.round(&people, &both, tomorrow),
        [1],
        "only what is new"
    );
    assert_eq!(
        world.round(&people, &both, tomorrow.plus_ms(24 * HOUR)),
        [0; 0]
    );
    let date = tomorrow
        .plus_ms(24 * HOUR)
        .local_date(Tz::America__New_York);
    assert_eq!(
        world.digests.values().next(),
        Some(&date),
        "made, with nothing to say"
    );
}

#[test]
fn whoever_comes_after_the_hour_waits_for_the_next_digest() {
    let mut person = ada();
    person.digest_at = NaiveTime::from_hms_opt(0, 30, 0);
    person.since = NOW.plus_ms(-HOUR / 4);
    let mut kept = flag(FlagKind::Leaking);
    kept.known_at = Some(NOW);
    assert_eq!(World::default().plan_at(&[person], &[kept], NOW), []);
}

#[test]
fn programs_are_told_one_thing_at_a_time_and_when_it_is_over() {
    let mut person = ada();
    person.ways = vec![hook()];
    let people = [person];
    let mut flags = [flag(FlagKind::Leaking), flag(FlagKind::Empty)];
    let mut world = World::default();
    assert_eq!(world.round(&people, &flags, NOW), [1, 1]);
    flags[0].flag.closed_at = Some(NOW.plus_ms(HOUR));
    flags[1].withdrawn_at = Some(NOW.plus_ms(HOUR));
    let planned = world.plan_at(&people, &flags, NOW.plus_ms(HOUR));
    let events: Vec<_> = planned.iter().map(|one| one.things[0].1).collect();
    assert_eq!(events, [Event::Closed, Event::Withdrawn]);
}

#[test]
fn whoever_was_told_hears_that_it_was_wrong() {
    let mut flags = [flag(FlagKind::Leaking)];
    let mut other = ada();
    other.id = PersonId::new("bo").unwrap();
    other.kinds = vec![FlagKind::Empty];
    let people = [ada(), other];
    let mut world = World::default();
    assert_eq!(world.round(&people, &flags, NOW), [1]);
    flags[0].withdrawn_at = Some(NOW.plus_ms(HOUR));
    let planned = world.plan_at(&people, &flags, NOW.plus_ms(HOUR));
    assert_eq!(planned.len(), 1);
    assert_eq!(planned[0].person, people[0].id);
    assert_eq!(planned[0].things, [(flags[0].id.clone(), Event::Withdrawn)]);
}

/// What rests on stores is told only to those who ask for it by name.
#[test]
fn two_kinds_are_told_only_to_those_who_name_them() {
    for kind in [FlagKind::NeedsFeed, FlagKind::BehindTarget] {
        let usual = ada();
        let naming = Person {
            kinds: vec![kind],
            ..ada()
        };
        assert!(!usual.wants(kind) && naming.wants(kind));
        assert!(usual.wants(FlagKind::Empty) && !naming.wants(FlagKind::Empty));
        let things = |person: Person| {
            let flags = [flag(kind)];
            plan(&Situation {
                people: &[person],
                flags: &flags,
                told: &BTreeSet::new(),
                digests: &BTreeMap::new(),
                zones: &[],
                now: NOW,
            })
            .len()
        };
        assert_eq!((things(usual), things(naming)), (0, 1));
    }
}
