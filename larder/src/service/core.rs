//! The tasks without which the service is not one: when any of them ends by itself, the process must
//! end, so that whoever watches over it starts it anew.

use std::future::Future;
use std::sync::{Arc, OnceLock};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Watches the core tasks.
#[derive(Clone, Default)]
pub struct Core {
    ended: CancellationToken,
    first: Arc<OnceLock<&'static str>>,
}

/// Says that a task ended, also if it panicked.
struct Guard {
    core: Core,
    name: &'static str,
}

impl Drop for Guard {
    fn drop(&mut self) {
        let _ = self.core.first.set(self.name);
        self.core.ended.cancel();
    }
}

impl Core {
    /// Spawns a task that must not end before the service stops. `name` is for the log.
    pub fn spawn(
        &self,
        name: &'static str,
        task: impl Future<Output = ()> + Send + 'static,
    ) -> JoinHandle<()> {
        let guard = Guard {
            core: self.clone(),
            name,
        };
        tokio::spawn(async move {
            let _guard = guard;
            task.await;
        })
    }

    /// Waits until a core task has ended; says which.
    pub async fn ended(&self) -> &'static str {
        self.ended.cancelled().await;
        self.first.get().copied().unwrap_or("a task")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_task_that_panics_is_noticed() {
        let core = Core::default();
        let stays = core.spawn("stays", std::future::pending());
        let dies = core.spawn("dies", async { panic!("played by the test") });
        assert_eq!(core.ended().await, "dies");
        assert!(dies.await.is_err());
        stays.abort();
    }
}
