//! What changed and has not been taken care of: one entry for each series, so it cannot grow
//! beyond their number.
//!
//! An entry has two parts: what was handed out, and what came since. Settling drops the first and
//! keeps the second, so a series that never rests is not estimated again from its first day on.
//!
//! On disk the log itself is the backlog: each of its rows is news. `settled` is the last row that
//! need not be looked at again. Rows leave the log when readings are sorted into blocks; what is
//! still waiting then is written into the table `change`. After a crash an entry may be handed out
//! again or reach further than needed; it is never forgotten.

use crate::Change;
use larder_domain::{ChannelRef, Sample, Span};
use std::collections::BTreeMap;

#[derive(Default)]
pub(super) struct Backlog {
    entries: BTreeMap<ChannelRef, Entry>,
    /// The order in which entries wait.
    queue: BTreeMap<u64, ChannelRef>,
    next_turn: u64,
    next_mark: i64,
}

struct Entry {
    turn: u64,
    /// Handed out, not settled, and under which mark the last time.
    taken: Option<(Part, i64)>,
    /// Came since.
    fresh: Option<Part>,
    /// The table `change` has a row for it.
    in_table: bool,
}

#[derive(Clone, Copy)]
struct Part {
    span: Span,
    /// The first row of the log that this rests on; `None`: all of it is in the table.
    since: Option<i64>,
}

impl Part {
    fn and(self, other: Self) -> Self {
        let since = match (self.since, other.since) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        Self {
            span: hull(self.span, other.span),
            since,
        }
    }
}

impl Entry {
    fn all(&self) -> Option<Part> {
        match (self.taken, self.fresh) {
            (Some((taken, _)), Some(fresh)) => Some(taken.and(fresh)),
            (taken, fresh) => taken.map(|(part, _)| part).or(fresh),
        }
    }

    fn since(&self) -> Option<i64> {
        self.all().and_then(|part| part.since)
    }
}

/// What settling changes on disk.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Settled {
    /// Rows of the table to take out.
    pub(super) gone: Vec<ChannelRef>,
    /// Rows of the table to write.
    pub(super) kept: Vec<Change>,
    /// The last row of the log that need not be looked at again.
    pub(super) settled: i64,
}

impl Settled {
    /// Whether the disk, where the log is settled up to `settled`, says the same already.
    pub(super) fn changes_nothing_since(&self, settled: i64) -> bool {
        self.gone.is_empty() && self.kept.is_empty() && self.settled == settled
    }
}

impl Backlog {
    /// Marks handed out before are lower than `mark`.
    pub(super) fn with_first_mark(mark: i64) -> Self {
        Self {
            next_mark: mark,
            ..Self::default()
        }
    }

    /// News in row `id` of the log.
    pub(super) fn add_logged(&mut self, series: ChannelRef, samples: &[Sample], id: i64) {
        let (Some(first), Some(last)) = (samples.first(), samples.last()) else {
            return;
        };
        let part = Part {
            span: span_of(*first, *last),
            since: Some(id),
        };
        self.add(series, part, false);
    }

    /// A row of the table.
    pub(super) fn add_tabled(&mut self, change: Change) {
        let part = Part {
            span: change.span,
            since: None,
        };
        self.add(change.series, part, true);
    }

    fn add(&mut self, series: ChannelRef, part: Part, in_table: bool) {
        if let Some(entry) = self.entries.get_mut(&series) {
            entry.fresh = Some(entry.fresh.map_or(part, |fresh| fresh.and(part)));
            entry.in_table |= in_table;
            return;
        }
        let entry = Entry {
            turn: self.next_turn,
            taken: None,
            fresh: Some(part),
            in_table,
        };
        self.queue.insert(self.next_turn, series.clone());
        self.next_turn += 1;
        self.entries.insert(series, entry);
    }

    /// What waits longest, at most `limit` entries, and the mark that settles them.
    pub(super) fn take(&mut self, limit: usize) -> (Vec<Change>, i64) {
        let mark = self.next_mark;
        self.next_mark += 1;
        let mut changes = Vec::new();
        for series in self.queue.values().take(limit) {
            let Some(entry) = self.entries.get_mut(series) else {
                continue;
            };
            let Some(all) = entry.all() else { continue };
            entry.taken = Some((all, mark));
            entry.fresh = None;
            changes.push(Change {
                series: series.clone(),
                span: all.span,
            });
        }
        (changes, mark)
    }

    /// What forgetting everything handed out last under `mark` changes on disk. `last_log_id` is the
    /// log's last row.
    pub(super) fn plan_settling(&self, mark: i64, last_log_id: i64) -> Settled {
        let mut plan = Settled {
            settled: last_log_id,
            ..Settled::default()
        };
        for (series, entry) in &self.entries {
            let left = if entry.is_settled_by(mark) {
                let left = entry.fresh;
                match left {
                    Some(part) if entry.in_table => plan.kept.push(Change {
                        series: series.clone(),
                        span: part.span,
                    }),
                    None if entry.in_table => plan.gone.push(series.clone()),
                    _ => {}
                }
                left
            } else {
                entry.all()
            };
            if let Some(since) = left.and_then(|part| part.since) {
                plan.settled = plan.settled.min(since - 1);
            }
        }
        plan
    }

    /// Forgets everything handed out last under `mark`. Entries with news go to the end of the queue.
    pub(super) fn acknowledge_changes(&mut self, mark: i64) {
        let settled: Vec<ChannelRef> = (self.entries.iter())
            .filter(|(_, entry)| entry.is_settled_by(mark))
            .map(|(series, _)| series.clone())
            .collect();
        for series in settled {
            let Some(entry) = self.entries.remove(&series) else {
                continue;
            };
            self.queue.remove(&entry.turn);
            if let Some(fresh) = entry.fresh {
                self.add(series, fresh, entry.in_table);
            }
        }
    }

    /// What the table must hold before the log may be cleared.
    pub(super) fn to_table(&self) -> Vec<Change> {
        (self.entries.iter())
            .filter(|(_, entry)| entry.since().is_some())
            .filter_map(|(series, entry)| {
                Some(Change {
                    series: series.clone(),
                    span: entry.all()?.span,
                })
            })
            .collect()
    }

    /// The table holds everything now.
    pub(super) fn is_in_table(&mut self) {
        for entry in self.entries.values_mut() {
            entry.in_table |= entry.since().is_some();
            if let Some((taken, _)) = &mut entry.taken {
                taken.since = None;
            }
            if let Some(fresh) = &mut entry.fresh {
                fresh.since = None;
            }
        }
    }
}

impl Entry {
    fn is_settled_by(&self, mark: i64) -> bool {
        self.taken.is_some_and(|(_, taken_at)| taken_at == mark)
    }
}

/// From the first sample to just after the last.
fn span_of(first: Sample, last: Sample) -> Span {
    Span {
        start: first.time,
        end: last.time.plus_ms(1),
    }
}

/// The least span that holds both.
pub(super) fn hull(a: Span, b: Span) -> Span {
    Span {
        start: a.start.min(b.start),
        end: a.end.max(b.end),
    }
}
