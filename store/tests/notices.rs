//! People and the outbox, over the embedded store opened again and again.

#![allow(clippy::unwrap_used, reason = "a test may panic, that is how it fails")]

use larder_domain::{
    FlagId, FlagKind, HiveId, MailAddress, Person, PersonId, Severity, Timestamp, Way, WebhookUrl,
};
use larder_store::notices::{MOST_WAITING, NewNotice, NoticeKind, NoticeState, Notices};
use larder_store::{Access, EmbeddedStore};

const NOW: Timestamp = Timestamp(1_788_238_800_000);

fn ada() -> Person {
    Person {
        id: PersonId::new("ada").unwrap(),
        name: "Ada".to_owned(),
        ways: vec![
            Way::Mail(MailAddress::new("ada@example.org").unwrap()),
            Way::Webhook(WebhookUrl::new("http://127.0.0.1:1/in").unwrap()),
        ],
        yards: vec![],
        kinds: vec![FlagKind::Leaking],
        from_severity: Severity::Warning,
        quiet: None,
        digest_at: None,
        units: None,
        since: NOW,
    }
}

fn news(flags: &[&str]) -> NewNotice {
    NewNotice {
        person: ada().id,
        way: ada().ways.first().cloned(),
        kind: NoticeKind::News,
        things: flags
            .iter()
            .map(|flag| (flag.parse().unwrap(), "opened".to_owned()))
            .collect(),
    }
}

#[test]
fn people_are_kept_and_taken_out() {
    let folder = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
    assert!(store.put_person(&ada()).unwrap());
    assert!(!store.put_person(&ada()).unwrap(), "nothing changed");
    drop(store);
    let store = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
    assert_eq!(store.people().unwrap(), [ada()]);
    assert!(store.remove_person(&ada().id).unwrap());
    assert!(!store.remove_person(&ada().id).unwrap());
}

#[test]
fn a_notice_waits_until_it_is_done_with_and_tells_nothing_twice() {
    let folder = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
    assert_eq!(
        store.make_notices(&[news(&["a:1", "b:1"])], NOW).unwrap(),
        (1, false)
    );
    assert_eq!(
        store.make_notices(&[news(&["a:1"])], NOW).unwrap(),
        (0, false),
        "told"
    );
    drop(store);
    let store = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
    let due = store.due_notices(NOW, 10).unwrap();
    assert_eq!((due.len(), due[0].things.len()), (1, 2));
    let later = NOW.plus_ms(30_000);
    let again = NoticeState::Waiting { next_at: later };
    store
        .note_notice(due[0].id, &again, Some("refused"), NOW)
        .unwrap();
    assert_eq!(store.due_notices(later.plus_ms(-1), 10).unwrap(), []);
    let due = store.due_notices(later, 10).unwrap();
    assert_eq!(
        (due[0].tries, due[0].error.as_deref()),
        (1, Some("refused"))
    );
    store
        .note_notice(due[0].id, &NoticeState::Sent, None, later)
        .unwrap();
    assert_eq!(store.waiting_notices().unwrap(), 0);
    assert_eq!(store.recent_notices(5).unwrap()[0].state, NoticeState::Sent);
    let flags: Vec<FlagId> = ["a:1", "c:1"].iter().map(|f| f.parse().unwrap()).collect();
    assert_eq!(store.told(&flags).unwrap().len(), 1);
    let digest = NewNotice {
        way: None,
        kind: NoticeKind::Digest("2026-09-01".parse().unwrap()),
        ..news(&[])
    };
    assert_eq!(store.make_notices(&[digest], NOW).unwrap(), (0, false));
    assert_eq!(
        store.last_digests().unwrap()[&ada().id].to_string(),
        "2026-09-01"
    );
}

#[test]
fn the_outbox_is_bounded_and_what_does_not_fit_is_not_taken_as_told() {
    let folder = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
    let many: Vec<_> = (0..=MOST_WAITING)
        .map(|i| news(&[&format!("a:{i}")]))
        .collect();
    assert_eq!(
        store.make_notices(&many, NOW).unwrap(),
        (MOST_WAITING, true)
    );
    let last: FlagId = format!("a:{MOST_WAITING}").parse().unwrap();
    assert_eq!(store.told(&[last]).unwrap(), []);
}

#[test]
fn states_of_hives_are_kept() {
    let folder = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
    let hive = HiveId::new("h").unwrap();
    store.set_hive_state(&hive, Some("{}")).unwrap();
    assert_eq!(store.hive_states().unwrap()[&hive], "{}");
    store.set_hive_state(&hive, None).unwrap();
    assert!(store.hive_states().unwrap().is_empty());
}
