//! How fast devices send. One at full speed must not harm the others: the built-in broker lets it
//! wait, and everywhere it is counted and shown.

use larder_domain::Timestamp;
use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard};
use std::time::Duration;

/// Messages a second that a device may send for as long as it likes: far more than a scale has to
/// say, enough for one that reports raw samples.
const STEADY_PER_S: f64 = 50.0;

/// Messages that it may send at once on top of it: what a logger has kept for two weeks at one a
/// minute.
const AT_ONCE: f64 = 20_000.0;

/// The longest that one message waits: a client that hears nothing for longer gives the connection
/// up.
const LONGEST_WAIT: Duration = Duration::from_secs(1);

/// Devices watched. Beyond it those that keep to the limit are forgotten, which costs nothing.
const MOST_WATCHED: usize = 20_000;

/// What a device sent beyond the limit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Excess {
    /// Messages beyond the limit since the start.
    pub messages: u64,
    /// When the last of them came.
    pub last_at: Timestamp,
}

#[derive(Debug, Default)]
pub(super) struct Rates(Mutex<HashMap<String, Budget>>);

#[derive(Debug)]
struct Budget {
    /// Messages that may come at once; below zero: so many came too early.
    left: f64,
    at: Timestamp,
    excess: Option<Excess>,
}

impl Rates {
    /// Counts a message. Says how long it should wait: nothing for a device that keeps to the limit.
    pub fn count(&self, sender: &str, now: Timestamp) -> Duration {
        let mut watched = self.watched();
        if watched.len() >= MOST_WATCHED && !watched.contains_key(sender) {
            watched.retain(|_, budget| budget.excess.is_some());
            if watched.len() >= MOST_WATCHED {
                watched.clear();
            }
        }
        if !watched.contains_key(sender) {
            let budget = Budget {
                left: AT_ONCE,
                at: now,
                excess: None,
            };
            watched.insert(sender.to_owned(), budget);
        }
        watched
            .get_mut(sender)
            .map_or(Duration::ZERO, |budget| budget.spend(now))
    }

    /// What a device sent beyond the limit; `None`: nothing.
    pub fn excess(&self, sender: &str) -> Option<Excess> {
        self.watched().get(sender)?.excess
    }

    fn watched(&self) -> MutexGuard<'_, HashMap<String, Budget>> {
        self.0.lock().unwrap_or_else(|broken| broken.into_inner())
    }
}

impl Budget {
    fn spend(&mut self, now: Timestamp) -> Duration {
        // A clock that was put back gives nothing and takes nothing.
        let passed_s = (now.0 - self.at.0).max(0) as f64 / 1000.0;
        self.at = now;
        self.left = (self.left + passed_s * STEADY_PER_S).min(AT_ONCE) - 1.0;
        if self.left >= 0.0 {
            return Duration::ZERO;
        }
        let messages = self.excess.map_or(0, |excess| excess.messages) + 1;
        self.excess = Some(Excess {
            messages,
            last_at: now,
        });
        let wait = Duration::from_secs_f64(-self.left / STEADY_PER_S);
        if wait > LONGEST_WAIT {
            // It does not wait: what it owes stays within what can be waited for.
            self.left = -LONGEST_WAIT.as_secs_f64() * STEADY_PER_S;
        }
        wait.min(LONGEST_WAIT)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOON: Timestamp = Timestamp(1_788_350_400_000);

    #[test]
    fn two_weeks_at_once_are_nothing_special() {
        let rates = Rates::default();
        for n in 0..20_000 {
            assert_eq!(rates.count("logger", NOON.plus_ms(n / 10)), Duration::ZERO);
        }
        assert_eq!(rates.excess("logger"), None);
    }

    #[test]
    fn a_device_at_full_speed_waits_and_is_counted_and_others_do_not() {
        let rates = Rates::default();
        let mut at = NOON;
        let mut came = 0;
        // It sends as soon as it may: within ten minutes no more than what it may send.
        while at.0 < NOON.0 + 600_000 {
            at = at.plus_ms(1 + rates.count("fast", at).as_millis() as i64);
            came += 1;
        }
        let may = (AT_ONCE + 600.0 * STEADY_PER_S) as u64;
        assert!((may - 100..may + 100).contains(&came), "{came} of {may}");
        let excess = rates.excess("fast").unwrap();
        assert!(excess.messages > 10_000 && excess.last_at > NOON);
        assert_eq!(rates.count("other", at), Duration::ZERO);
    }

    #[test]
    fn a_crowd_of_names_is_bounded() {
        let rates = Rates::default();
        for n in 0..3 * MOST_WATCHED {
            rates.count(&n.to_string(), NOON);
        }
        assert!(rates.watched().len() <= MOST_WATCHED);
    }
}
