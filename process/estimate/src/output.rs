//! What the processing stage returns.

use larder_domain::{FeederId, FillEvent, Flag, Learned, Timestamp, UptakeDay, WeightDay};
use larder_syrup::Estimate;

/// All results for one yard.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct YardOutput {
    /// One for every feeder and local day of the span, by feeder, then date; the last one may be a
    /// day that is not over.
    pub uptake: Vec<UptakeDay>,
    /// One for every hive with a scale and local day, by hive, then date.
    pub weight: Vec<WeightDay>,
    /// Fills, by feeder, then time.
    pub fills: Vec<FillEvent>,
    /// Flags that were open at some time in the span, by opening time.
    pub flags: Vec<Flag>,
    /// How every feeder stands at the end of the span.
    pub now: Vec<FeederNow>,
    /// What was learned of the instruments, as of some days of the span, by channel, then date.
    pub learned: Vec<Learned>,
    /// From where on and up to where the span is part of a record; what lies outside is not judged.
    pub covered_from: Option<Timestamp>,
    /// See [`Self::covered_from`].
    pub covered_until: Option<Timestamp>,
}

impl YardOutput {
    /// Takes in the results of later days. A flag that was open where the earlier days end and is
    /// open where the later ones start, at `from`, is one flag, and over there if these know nothing of
    /// it; how feeders stand is what the later days say.
    pub fn append(&mut self, later: Self, flags: Vec<Flag>, from: Timestamp) {
        self.uptake.extend(later.uptake);
        self.weight.extend(later.weight);
        self.fills.extend(later.fills);
        self.learned.extend(later.learned);
        self.now = later.now;
        let known = self.flags.len();
        let mut goes_on = vec![false; known];
        for flag in flags {
            match self.flags.iter().rposition(|old| old.goes_on_as(&flag)) {
                Some(earlier) => {
                    self.flags[earlier].closed_at = flag.closed_at;
                    if let Some(found) = goes_on.get_mut(earlier) {
                        *found = true;
                    }
                }
                None => self.flags.push(flag),
            }
        }
        for (flag, goes_on) in self.flags.iter_mut().take(known).zip(goes_on) {
            if !goes_on && flag.closed_at.is_none_or(|at| at > from) {
                flag.closed_at = Some(from.max(flag.opened_at));
            }
        }
    }

    /// A record ended at `end`, and another one begins later: nothing is wrong any more of which
    /// nothing is known.
    pub fn end_record(&mut self, end: Timestamp) {
        for flag in &mut self.flags {
            if flag.closed_at.is_none() {
                flag.closed_at = Some(end.max(flag.opened_at));
            }
        }
    }

    /// Nothing was measured for weeks: how feeders stand now is not known.
    pub fn forget_now(&mut self) {
        for feeder in &mut self.now {
            feeder.remaining_l = None;
            feeder.rate_l_per_day = None;
        }
    }

    /// Brings everything into the order that the fields promise.
    pub fn sort(&mut self) {
        self.uptake
            .sort_by(|a, b| (&a.feeder, a.date).cmp(&(&b.feeder, b.date)));
        self.weight
            .sort_by(|a, b| (&a.hive, a.date).cmp(&(&b.hive, b.date)));
        self.fills
            .sort_by(|a, b| (&a.feeder, a.time).cmp(&(&b.feeder, b.time)));
        self.flags.sort_by(|a, b| {
            let key = |f: &Flag| (f.opened_at, f.kind, f.device.clone(), f.feeder.clone());
            key(a).cmp(&key(b))
        });
        self.now.sort_by(|a, b| a.feeder.cmp(&b.feeder));
        self.learned.sort_by(|a, b| {
            let key = |l: &Learned| (l.source.clone(), l.date, l.since, l.what);
            key(a).cmp(&key(b))
        });
    }
}

/// A feeder as it stands.
#[derive(Clone, PartialEq, Debug)]
pub struct FeederNow {
    /// The feeder.
    pub feeder: FeederId,
    /// The newest moment that readings speak of; `None`: no sensor ever did.
    pub seen_at: Option<Timestamp>,
    /// What is left at `now`, l; the interval grows with the age of the last reading.
    pub remaining_l: Option<Estimate>,
    /// How fast the colony takes it, l a day, over the last day or so.
    pub rate_l_per_day: Option<Estimate>,
}
