//! Nothing is committed for a while although messages come: what would be written down now, above all
//! the time of receipt, would be wrong.

use std::sync::{Mutex, MutexGuard};
use std::time::Instant;

/// Whether commits wait, and why.
#[derive(Debug, Default)]
pub(super) struct Hold(Mutex<State>);

#[derive(Debug, Default)]
struct State {
    reason: Option<String>,
    released_at: Option<Instant>,
}

impl Hold {
    /// `Some`: commits wait for this reason; `None`: they go on.
    pub fn set(&self, reason: Option<String>) {
        let mut state = self.state();
        if state.reason.is_some() && reason.is_none() {
            state.released_at = Some(Instant::now());
        }
        state.reason = reason;
    }

    /// Why commits wait; `None`: they do not.
    pub fn reason(&self) -> Option<String> {
        self.state().reason.clone()
    }

    /// Whether a message that came at this moment was held: the time of receipt that it has then is
    /// not to be believed.
    pub fn held(&self, arrived: Instant) -> bool {
        self.state().released_at.is_some_and(|at| arrived < at)
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(|broken| broken.into_inner())
    }
}
