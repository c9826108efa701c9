//! The backlog of the processing stage: news is never forgotten, and what is settled is not
//! handed out again.

use super::{DAY, MINUTE, NOW, Place, reading, series};
use crate::archive::ArchivedReadings;
use crate::{Change, Readings, Records, StoreError};
use larder_domain::{ChannelRef, Span, Timestamp};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use std::collections::{BTreeMap, BTreeSet};

/// The part of [`Records`] that knows what changed.
pub trait Backlog {
    /// As [`Records::changes`].
    fn changes(&self, limit: usize) -> Result<(Vec<Change>, i64), StoreError>;
    /// As [`Records::note_change`].
    fn note_change(&self, change: &[Change]) -> Result<(), StoreError>;
    /// As [`Records::acknowledge_changes`].
    fn acknowledge_changes(&self, mark: i64) -> Result<(), StoreError>;
}

impl<T: Records> Backlog for T {
    fn changes(&self, limit: usize) -> Result<(Vec<Change>, i64), StoreError> {
        Records::changes(self, limit)
    }

    fn note_change(&self, change: &[Change]) -> Result<(), StoreError> {
        Records::note_change(self, change)
    }

    fn acknowledge_changes(&self, mark: i64) -> Result<(), StoreError> {
        Records::acknowledge_changes(self, mark)
    }
}

/// An archive's records are the embedded store's.
impl Backlog for ArchivedReadings {
    fn changes(&self, limit: usize) -> Result<(Vec<Change>, i64), StoreError> {
        Records::changes(self.embedded().as_ref(), limit)
    }

    fn note_change(&self, change: &[Change]) -> Result<(), StoreError> {
        Records::note_change(self.embedded().as_ref(), change)
    }

    fn acknowledge_changes(&self, mark: i64) -> Result<(), StoreError> {
        Records::acknowledge_changes(self.embedded().as_ref(), mark)
    }
}

/// Puts a backend that keeps readings and records through the backlog's checks.
pub fn check_backlog<P: Place>(new_place: impl Fn() -> P)
where
    P::Store: Readings + Backlog,
{
    check_backlog_with(CASES, new_place);
}

/// Invented histories that a backend is put through.
const CASES: u32 = 48;

/// Checks a backend's backlog with another number of invented histories, for those that are slow to
/// ask.
pub fn check_backlog_with<P: Place>(cases: u32, new_place: impl Fn() -> P)
where
    P::Store: Readings + Backlog,
{
    news_is_handed_out_until_settled(&new_place());
    a_series_that_never_rests_moves_on(&new_place());
    nothing_is_forgotten(cases, &new_place);
}

fn moment(minute: i64) -> Timestamp {
    Timestamp(NOW + minute * MINUTE)
}

fn span(from: i64, to: i64) -> Span {
    Span {
        start: moment(from),
        end: Timestamp(moment(to).0 + 1),
    }
}

fn news_is_handed_out_until_settled<P: Place>(place: &P)
where
    P::Store: Readings + Backlog,
{
    let weight = series("sc-1", "weight");
    let store = place.open();
    assert_eq!(store.changes(10).unwrap().0, []);
    let at = |minute: i64, value: f64| reading(&weight, NOW + minute * MINUTE, value);
    store.append_durable(&[at(5, 1.0), at(9, 1.0)]).unwrap();
    let change = |from, to| Change {
        series: weight.clone(),
        span: span(from, to),
    };
    assert_eq!(store.changes(10).unwrap().0, [change(5, 9)]);
    let (changes, mark) = store.changes(10).unwrap();
    assert_eq!(changes, [change(5, 9)], "until it is settled");
    store.acknowledge_changes(mark).unwrap();
    assert_eq!(store.changes(10).unwrap().0, []);
    store.append_durable(&[at(5, 1.0), at(9, 1.0)]).unwrap();
    assert_eq!(store.changes(10).unwrap().0, [], "a repetition is no news");
    store.append_durable(&[at(5, 2.0), at(9, 1.0)]).unwrap();
    let (changes, mark) = store.changes(10).unwrap();
    assert_eq!(changes, [change(5, 5)], "a correction is");
    store.acknowledge_changes(mark).unwrap();

    let unknown = series("wx-1", "rain");
    let by_hand = Change {
        series: unknown,
        span: span(0, 60),
    };
    store.note_change(std::slice::from_ref(&by_hand)).unwrap();
    drop(store);
    let store = place.open();
    let (changes, mark) = store.changes(10).unwrap();
    assert_eq!(
        changes,
        [by_hand],
        "settled stays settled, noted stays noted"
    );
    store.acknowledge_changes(mark).unwrap();
    drop(store);
    assert_eq!(place.open().changes(10).unwrap().0, []);
}

fn a_series_that_never_rests_moves_on<P: Place>(place: &P)
where
    P::Store: Readings + Backlog,
{
    let weight = series("sc-1", "weight");
    let store = place.open();
    for minute in 0..50 {
        let next = reading(&weight, NOW + minute * MINUTE, 40.0);
        store.append_durable(&[next]).unwrap();
        let (changes, mark) = store.changes(10).unwrap();
        let meanwhile = reading(&weight, NOW + minute * MINUTE + 1, 40.0);
        store.append_durable(&[meanwhile]).unwrap();
        store.acknowledge_changes(mark).unwrap();
        let length = changes[0].span.end.0 - changes[0].span.start.0;
        assert!(length <= 2 * MINUTE, "the span does not grow for ever");
    }
    assert_eq!(store.changes(10).unwrap().0.len(), 1);
}

#[derive(Clone, Debug)]
enum Step {
    Append(Vec<(usize, i64)>),
    Note(usize, i64),
    Take(usize),
    Settle,
    Tidy,
    Reopen,
}

fn any_step() -> impl Strategy<Value = Step> {
    let one = (0..5usize, -600i64..600);
    prop_oneof![
        4 => prop::collection::vec(one.clone(), 1..8).prop_map(Step::Append),
        1 => one.prop_map(|(of, minute)| Step::Note(of, minute)),
        3 => (1usize..7).prop_map(Step::Take),
        2 => Just(Step::Settle),
        1 => Just(Step::Tidy),
        1 => Just(Step::Reopen),
    ]
}

/// What must be handed out: for each series the moments that are news.
type Waiting = BTreeMap<ChannelRef, BTreeSet<i64>>;

fn nothing_is_forgotten<P: Place>(cases: u32, new_place: &impl Fn() -> P)
where
    P::Store: Readings + Backlog,
{
    let steps = prop::collection::vec(any_step(), 1..40);
    let mut runner = TestRunner::new(Config {
        cases,
        failure_persistence: None,
        ..Config::default()
    });
    let outcome = runner.run(&steps, |steps| {
        let place = new_place();
        let mut store = place.open();
        let mut run = Run::default();
        for step in steps {
            match step {
                Step::Tidy => place.tidy(&store),
                Step::Reopen => {
                    drop(store);
                    store = place.open();
                    run.handed_out = None;
                }
                other => run.step(&store, other),
            }
        }
        drop(store);
        run.check_nothing_forgotten(&place.open());
        Ok(())
    });
    outcome.unwrap();
}

#[derive(Default)]
struct Run {
    waiting: Waiting,
    /// What was handed out last, and its mark.
    handed_out: Option<(Waiting, i64)>,
    /// Makes every value another one, so that every reading is news.
    n: i64,
}

impl Run {
    fn step(&mut self, store: &(impl Readings + Backlog), step: Step) {
        let of = |i: usize| series(&format!("sc-{i}"), "weight");
        match step {
            Step::Append(batch) => {
                let mut readings = Vec::new();
                for (i, minute) in batch {
                    self.n += 1;
                    let ms = NOW + minute * MINUTE;
                    readings.push(reading(&of(i), ms, self.n as f64));
                    self.comes(of(i), ms);
                }
                store.append_durable(&readings).unwrap();
            }
            Step::Note(i, minute) => {
                let by_hand = Change {
                    series: of(i),
                    span: span(minute, minute),
                };
                self.waiting
                    .entry(of(i))
                    .or_default()
                    .insert(by_hand.span.start.0);
                store.note_change(&[by_hand]).unwrap();
            }
            Step::Take(limit) => {
                let (changes, mark) = store.changes(limit).unwrap();
                assert!(changes.len() <= limit);
                let covered = covered_by(&changes, &self.waiting);
                self.handed_out = Some((covered, mark));
            }
            Step::Settle => self.acknowledge_changes(store),
            Step::Tidy | Step::Reopen => {}
        }
    }

    fn comes(&mut self, series: ChannelRef, ms: i64) {
        if let Some((handed_out, _)) = &mut self.handed_out
            && let Some(moments) = handed_out.get_mut(&series)
        {
            moments.remove(&ms);
        }
        self.waiting.entry(series).or_default().insert(ms);
    }

    /// What was handed out waits no longer, unless it came again since.
    fn acknowledge_changes(&mut self, store: &(impl Readings + Backlog)) {
        let Some((handed_out, mark)) = self.handed_out.take() else {
            return;
        };
        store.acknowledge_changes(mark).unwrap();
        for (series, moments) in handed_out {
            let left = self.waiting.entry(series).or_default();
            left.retain(|ms| !moments.contains(ms));
        }
        self.waiting.retain(|_, moments| !moments.is_empty());
    }

    fn check_nothing_forgotten(&self, store: &(impl Readings + Backlog)) {
        let (changes, mark) = store.changes(100).unwrap();
        assert_eq!(covered_by(&changes, &self.waiting), self.waiting);
        store.acknowledge_changes(mark).unwrap();
        assert_eq!(store.changes(100).unwrap().0, []);
        let far = NOW + 1000 * DAY;
        store
            .append_durable(&[reading(&series("sc-0", "weight"), far, 1.0)])
            .unwrap();
        assert_eq!(store.changes(100).unwrap().0.len(), 1);
    }
}

fn covered_by(changes: &[Change], waiting: &Waiting) -> Waiting {
    let mut covered = Waiting::new();
    for change in changes {
        let moments = waiting.get(&change.series).into_iter().flatten();
        let inside = moments.filter(|&&ms| change.span.contains(Timestamp(ms)));
        let inside: BTreeSet<i64> = inside.copied().collect();
        if !inside.is_empty() {
            covered.insert(change.series.clone(), inside);
        }
    }
    covered
}
