//! What people say about a flag: seen, not now, a note, it was right. It is kept apart from what the
//! processing stage finds out, act by act, so that nothing that a person did is ever computed away.

use crate::time::Timestamp;

/// Who did it and when.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Said {
    /// The person's name, as they give it; empty: not said.
    pub who: String,
    /// When, by the person's own device.
    pub at: Timestamp,
}

/// Longest name of a person, in characters.
const LONGEST_WHO: usize = 80;
/// Longest note, in characters: a few paragraphs.
const LONGEST_NOTE: usize = 2000;

/// Words that are not kept, and why.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum BadWords {
    /// A note without words, or with too many.
    #[error("a note has 1 to {LONGEST_NOTE} characters")]
    Note,
    /// A name that is no name.
    #[error("the name of who says it has at most {LONGEST_WHO} characters")]
    Who,
}

impl Said {
    /// By someone; an empty name is not said.
    pub fn by(who: &str, at: Timestamp) -> Result<Self, BadWords> {
        let who = who.trim();
        match who.chars().count() <= LONGEST_WHO {
            true => Ok(Self {
                who: who.to_owned(),
                at,
            }),
            false => Err(BadWords::Who),
        }
    }
}

/// Whether a flag was right.
#[derive(
    Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, strum::IntoStaticStr, strum::EnumString,
)]
#[strum(serialize_all = "snake_case")]
pub enum Verdict {
    /// The flag was right.
    Right,
    /// The flag was wrong.
    Wrong,
}

impl Verdict {
    /// The word in stored records and on the wire.
    pub fn name(self) -> &'static str {
        self.into()
    }

    /// Reads the word back.
    pub fn from_name(name: &str) -> Option<Self> {
        name.parse().ok()
    }
}

/// Something that a person did to a flag. `None` and `false` take it back.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Act {
    /// Someone knows of it and sees to it.
    Acknowledge(bool),
    /// Quiet until then.
    Snooze(Option<Timestamp>),
    /// Words of their own.
    Note(String),
    /// Whether it was right.
    Judge(Option<Verdict>),
}

impl Act {
    /// A note of someone's own words.
    pub fn note(text: &str) -> Result<Self, BadWords> {
        let text = text.trim();
        match (1..=LONGEST_NOTE).contains(&text.chars().count()) {
            true => Ok(Self::Note(text.to_owned())),
            false => Err(BadWords::Note),
        }
    }
}

/// An act with who and when. The same act sent twice is one act.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct CareEntry {
    /// What.
    pub act: Act,
    /// Who and when.
    pub said: Said,
}

/// A note on a flag.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Note {
    /// The words.
    pub text: String,
    /// Who and when.
    pub said: Said,
}

/// How a flag stands with the people.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Care {
    /// Who sees to it; `None`: nobody said so.
    pub acknowledged: Option<Said>,
    /// Until when it is quiet, and who wanted that.
    pub snoozed: Option<(Timestamp, Said)>,
    /// Whether it was right, and who says so; `None`: not known.
    pub verdict: Option<(Verdict, Said)>,
    /// Notes, oldest first.
    pub notes: Vec<Note>,
}

impl Care {
    /// Of all acts in whatever order they came: the latest of each kind, by its own time, stands.
    pub fn of(mut acts: Vec<CareEntry>) -> Self {
        acts.sort_by_key(|entry| entry.said.at);
        let mut care = Self::default();
        for CareEntry { act, said } in acts {
            match act {
                Act::Acknowledge(true) => care.acknowledged = Some(said),
                Act::Acknowledge(false) => care.acknowledged = None,
                Act::Snooze(until) => care.snoozed = until.map(|until| (until, said)),
                Act::Note(text) => care.notes.push(Note { text, said }),
                Act::Judge(verdict) => care.verdict = verdict.map(|verdict| (verdict, said)),
            }
        }
        care
    }

    /// Whether the flag keeps out of the way at `now`.
    pub fn is_quiet(&self, now: Timestamp) -> bool {
        let snoozed = self.snoozed.as_ref().is_some_and(|(until, _)| *until > now);
        self.acknowledged.is_some() || snoozed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(act: Act, at: i64) -> CareEntry {
        let who = "Ada".to_owned();
        CareEntry {
            act,
            said: Said {
                who,
                at: Timestamp(at),
            },
        }
    }

    #[test]
    fn the_latest_act_of_a_kind_stands_whatever_order_they_came_in() {
        let care = Care::of(vec![
            entry(Act::Acknowledge(false), 30),
            entry(Act::Acknowledge(true), 10),
            entry(Act::Note("second".into()), 40),
            entry(Act::Note("first".into()), 5),
            entry(Act::Judge(Some(Verdict::Wrong)), 20),
            entry(Act::Judge(Some(Verdict::Right)), 25),
            entry(Act::Snooze(Some(Timestamp(100))), 50),
        ]);
        assert_eq!(care.acknowledged, None);
        let notes: Vec<_> = care.notes.iter().map(|note| note.text.as_str()).collect();
        assert_eq!(notes, ["first", "second"]);
        assert_eq!(care.verdict.as_ref().map(|v| v.0), Some(Verdict::Right));
        assert!(care.is_quiet(Timestamp(99)) && !care.is_quiet(Timestamp(100)));
    }

    #[test]
    fn words_are_counted_as_people_count_them() {
        assert_eq!(Act::note(" lid open\n"), Ok(Act::Note("lid open".into())));
        assert!(Act::note(&"é".repeat(2000)).is_ok());
        assert_eq!(Act::note(&"e".repeat(2001)), Err(BadWords::Note));
        assert_eq!(Act::note("  "), Err(BadWords::Note));
        assert_eq!(Said::by(" Ada ", Timestamp(1)).unwrap().who, "Ada");
        assert_eq!(Said::by(&"a".repeat(81), Timestamp(1)), Err(BadWords::Who));
    }

    #[test]
    fn an_acknowledged_flag_is_quiet_until_that_is_taken_back() {
        let mut acts = vec![entry(Act::Acknowledge(true), 10)];
        assert!(Care::of(acts.clone()).is_quiet(Timestamp(1_000_000)));
        acts.push(entry(Act::Acknowledge(false), 11));
        assert!(!Care::of(acts).is_quiet(Timestamp(12)));
    }
}
