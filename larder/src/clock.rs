//! The one place that asks what time it is.

use larder_domain::Timestamp;
use std::time::{SystemTime, UNIX_EPOCH};

/// Now, by this machine's clock.
pub fn now() -> Timestamp {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    Timestamp(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}
