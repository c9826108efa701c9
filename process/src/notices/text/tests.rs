use super::*;
use larder_domain::{
    Care, DeviceId, Estimate, Evidence, FeederId, Flag, FlagId, FlagKind, HiveId, Measure,
    Severity, YardId,
};

/// 2026-09-01T05:00:00Z.
const NOW: Timestamp = Timestamp(1_788_238_800_000);

fn flag(kind: FlagKind, severity: Severity, evidence: Evidence) -> KeptFlag {
    let device = (kind == FlagKind::Silent).then(|| DeviceId::new("sc-04").unwrap());
    let flag = Flag {
        kind,
        yard: YardId::new("ridge").ok(),
        hive: HiveId::new("ridge-04").ok(),
        feeder: FeederId::new("ridge-04-f").ok(),
        device,
        opened_at: NOW,
        closed_at: None,
        severity,
        probability: 0.9,
        evidence,
    };
    KeptFlag {
        id: FlagId::first_of(&flag),
        flag,
        known_at: Some(NOW),
        changed_at: NOW,
        withdrawn_at: None,
        care: Care::default(),
    }
}

fn leaking() -> KeptFlag {
    let evidence = Evidence::new(
        "{left} left ridge-04-f in {hours}; before, the colony took {usual} in that time.",
    )
    .with_estimate("left", Estimate::normal(2.3, 0.1), Measure::Volume)
    .with("hours", 2.0, Measure::Hours)
    .with("usual", 0.07, Measure::Volume);
    flag(FlagKind::Leaking, Severity::Urgent, evidence)
}

fn silent() -> KeptFlag {
    let evidence = Evidence::new("sc-04 was last heard on {last} and then not for {hours}; it usually reports every {usual}.")
        .with("last", NOW.0 as f64, Measure::Moment)
        .with("hours", 3.2, Measure::Hours)
        .with("usual", 0.25, Measure::Hours);
    flag(FlagKind::Silent, Severity::Warning, evidence)
}

fn spoken(kept: &KeptFlag, event: Event) -> Spoken<'_> {
    Spoken {
        kept,
        event,
        yard: Some("Ridge"),
        hive: Some("Ridge 4"),
        zone: Tz::America__New_York,
    }
}

fn written(letter: &Letter) -> String {
    format!("Subject: {}\n\n{}", letter.subject, letter.body)
}

#[test]
fn one_flag_in_metric_units() {
    let leaking = leaking();
    let letter = letter(
        &[spoken(&leaking, Event::Opened)],
        None,
        UnitSystem::Metric,
        Some("https://larder.example.org/"),
    );
    insta::assert_snapshot!("one_flag_metric", written(&letter));
}

#[test]
fn a_digest_in_us_units_with_the_most_pressing_first() {
    let (leaking, silent) = (leaking(), silent());
    let mut wrong = flag(FlagKind::Stalled, Severity::Warning, Evidence::default());
    wrong.withdrawn_at = Some(NOW);
    let told = [
        spoken(&wrong, Event::Withdrawn),
        spoken(&silent, Event::Opened),
        spoken(&leaking, Event::Opened),
    ];
    let date = NaiveDate::from_ymd_opt(2026, 9, 1);
    let letter = letter(&told, date, UnitSystem::Us, None);
    insta::assert_snapshot!("digest_us", written(&letter));
}

#[test]
fn a_device_that_stands_nowhere_is_named() {
    let mut kept = silent();
    (kept.flag.yard, kept.flag.hive, kept.flag.feeder) = (None, None, None);
    let told = Spoken {
        yard: None,
        hive: None,
        ..spoken(&kept, Event::Opened)
    };
    let letter = letter(&[told], None, UnitSystem::Metric, None);
    assert_eq!(letter.subject, "sc-04 is not heard");
}

/// A name that was stored before names were checked adds neither headers nor lines to a mail.
#[test]
fn a_hive_named_over_two_lines_stays_in_its_line() {
    let kept = leaking();
    let named = Spoken {
        hive: Some("Ridge\r\nBcc: all@example.org"),
        yard: Some("Ridge\u{202e}\n"),
        ..spoken(&kept, Event::Opened)
    };
    let usual = letter(
        &[spoken(&kept, Event::Opened)],
        None,
        UnitSystem::Metric,
        None,
    );
    let odd = letter(&[named], None, UnitSystem::Metric, None);
    assert!(
        !odd.subject.contains(['\r', '\n', '\u{202e}']),
        "{}",
        odd.subject
    );
    assert_eq!(odd.body.lines().count(), usual.body.lines().count());
}
