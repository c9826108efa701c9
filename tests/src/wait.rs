//! Waiting for a condition.

use std::fmt::Display;
use std::time::{Duration, Instant};

/// How often a condition is looked at.
const PAUSE: Duration = Duration::from_millis(20);

/// Asks `probe` until it answers.
///
/// # Panics
/// When it has not answered within `limit`, naming `what` was waited for.
pub fn until<T>(what: impl Display, limit: Duration, mut probe: impl FnMut() -> Option<T>) -> T {
    let give_up = Instant::now() + limit;
    loop {
        if let Some(answer) = probe() {
            return answer;
        }
        assert!(
            Instant::now() < give_up,
            "waited {limit:?} in vain for: {what}"
        );
        std::thread::sleep(PAUSE);
    }
}
