//! Out of the outbox: each address on its own, oldest first, again and again with growing pauses.

use super::compose::{Outgoing, compose, notice_key};
use super::mail::{Mailer, NotTaken};
use super::webhook::Hooks;
use crate::clock;
use anyhow::Result;
use futures_util::{StreamExt, stream};
use larder_api::Live;
use larder_domain::{Timestamp, Way};
use larder_store::EmbeddedStore;
use larder_store::notices::{Notice, NoticeState, Notices};
use rand::Rng;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Notices taken out of the outbox in one round; the rest follows in the next.
const ROUND: usize = 200;
/// Addresses that are spoken to at a time; a slow one does not hold up the others.
const AT_A_TIME: usize = 8;
/// The pause after the first failure, ms. It doubles each time.
const FIRST_PAUSE_MS: i64 = 5_000;
/// The longest pause between two tries, ms: an hour.
const LONGEST_PAUSE_MS: i64 = 3_600_000;
/// Tries until a notice is given up: about two days.
const MOST_TRIES: u32 = 58;
/// Tries until a notice is given up where the other side says that it never will: three hours, time
/// to put a wrong password or a full mailbox right.
const MOST_TRIES_REFUSED: u32 = 12;

/// How mail and webhooks leave.
pub struct Senders {
    /// `None`: no mail server is set.
    pub mailer: Option<Mailer>,
    hooks: Hooks,
    /// Where the pages are, for people to follow.
    page: Option<String>,
}

impl Senders {
    /// Sets both up; nothing is connected yet.
    pub fn new(mailer: Option<Mailer>, page: Option<String>) -> Result<Self> {
        Ok(Self {
            mailer,
            hooks: Hooks::new()?,
            page,
        })
    }

    /// Sends one notice now. `Ok(None)`: nothing to send now.
    pub async fn send(
        &self,
        store: &Arc<EmbeddedStore>,
        notice: &Notice,
    ) -> Result<Option<NoticeState>, NotTaken> {
        let (at, to_send, page) = (Arc::clone(store), notice.clone(), self.page.clone());
        let built = tokio::task::spawn_blocking(move || {
            compose(&at, &to_send, page.as_deref(), clock::now())
        });
        let ours = |reason: String| NotTaken {
            reason,
            for_good: false,
        };
        let built = built.await.map_err(|error| ours(error.to_string()))?;
        match built.map_err(|error| ours(format!("{error:#}")))? {
            Outgoing::Moot => Ok(Some(NoticeState::Moot)),
            Outgoing::Later => Ok(None),
            Outgoing::Mail(letter) => {
                let none = "no mail server is set; set mail_server and mail_from";
                let mailer = self.mailer.as_ref().ok_or_else(|| ours(none.to_owned()))?;
                mailer
                    .send(notice.way.address(), &letter, &notice_key(notice))
                    .await?;
                Ok(Some(NoticeState::Sent))
            }
            Outgoing::Event(event) => {
                self.hooks.send(notice.way.address(), &event).await?;
                Ok(Some(NoticeState::Sent))
            }
        }
    }
}

/// Sends what is due, once.
pub(super) async fn send_due(store: &Arc<EmbeddedStore>, senders: &Senders, live: &Live) {
    let at = Arc::clone(store);
    let due = tokio::task::spawn_blocking(move || at.due_notices(clock::now(), ROUND)).await;
    let due = match due {
        Ok(Ok(due)) => due,
        Ok(Err(error)) => return tracing::warn!(%error, "the outbox cannot be read"),
        Err(error) => return tracing::error!(%error, "reading the outbox ended unexpectedly"),
    };
    if due.is_empty() {
        return;
    }
    let mut by_address: BTreeMap<Way, Vec<Notice>> = BTreeMap::new();
    for notice in due {
        by_address
            .entry(notice.way.clone())
            .or_default()
            .push(notice);
    }
    stream::iter(by_address.into_values())
        .for_each_concurrent(AT_A_TIME, |notices| async move {
            for notice in notices {
                if !send_one(store, senders, &notice).await {
                    // What comes behind it would fail too.
                    break;
                }
            }
        })
        .await;
    let at = Arc::clone(store);
    if let Ok(Ok(trouble)) = tokio::task::spawn_blocking(move || trouble(&at)).await {
        live.set_notice_trouble(trouble);
    }
}

/// Says whether the address can be spoken to.
async fn send_one(store: &Arc<EmbeddedStore>, senders: &Senders, notice: &Notice) -> bool {
    let way = notice.way.name();
    let outcome = senders.send(store, notice).await;
    let (state, error) = match outcome {
        Ok(None) => return true,
        Ok(Some(state)) => {
            if state == NoticeState::Sent {
                metrics::counter!("larder_notices_sent_total", "way" => way).increment(1);
            }
            (state, None)
        }
        Err(error) => {
            metrics::counter!("larder_notices_failed_total", "way" => way).increment(1);
            let tries = notice.tries + 1;
            let most = if error.for_good {
                MOST_TRIES_REFUSED
            } else {
                MOST_TRIES
            };
            let state = if tries >= most {
                metrics::counter!("larder_notices_given_up_total", "way" => way).increment(1);
                tracing::error!(way, address = notice.way.address(), error = %error, "a notice is given up");
                NoticeState::GivenUp
            } else {
                let next_at = clock::now().plus_ms(pause_ms(notice.tries, rand::rng().random()));
                NoticeState::Waiting { next_at }
            };
            if notice.tries == 0 {
                tracing::warn!(way, address = notice.way.address(), error = %error, "a notice does not get through; it is tried again");
            }
            (state, Some(error.reason))
        }
    };
    let failed = error.is_some();
    let (at, id) = (Arc::clone(store), notice.id);
    let noted = tokio::task::spawn_blocking(move || {
        at.note_notice(id, &state, error.as_deref(), clock::now())
    });
    if !matches!(noted.await, Ok(Ok(()))) {
        tracing::warn!(
            notice = id,
            "what became of a notice is not written down; it may be sent again"
        );
        return false;
    }
    !failed
}

/// How long to wait after so many failures before this one, with up to a fifth more by chance
/// (`dice`, 0 to 1).
fn pause_ms(failures: u32, dice: f64) -> i64 {
    let doubled = FIRST_PAUSE_MS.saturating_mul(1 << failures.min(20));
    let pause = doubled.min(LONGEST_PAUSE_MS);
    pause + (pause as f64 * 0.2 * dice) as i64
}

/// What does not get through, in a sentence.
fn trouble(store: &EmbeddedStore) -> Result<Option<String>> {
    let waiting = store.waiting_notices()?;
    metrics::gauge!("larder_notices_waiting").set(waiting as f64);
    let recent = store.recent_notices(500)?;
    let is_waiting = |notice: &&Notice| matches!(notice.state, NoticeState::Waiting { .. });
    let mut failing = recent.iter().filter(|n| n.tries > 0 && is_waiting(n));
    let Some(newest) = failing.next() else {
        let a_day_ago = Timestamp(clock::now().0 - 86_400_000);
        let given_up = recent.iter().find(|notice| {
            notice.state == NoticeState::GivenUp && notice.done_at.is_some_and(|at| at > a_day_ago)
        });
        return Ok(given_up.map(|notice| sentence(notice, "was given up")));
    };
    Ok(Some(sentence(newest, "does not get through")))
}

fn sentence(notice: &Notice, what: &str) -> String {
    format!(
        "{} to {} {what}: {}",
        notice.way.name(),
        notice.way.address(),
        notice.error.as_deref().unwrap_or("no answer")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_to_an_hour_and_the_tries_last_two_days() {
        assert_eq!(pause_ms(0, 0.0), 5_000);
        assert_eq!(pause_ms(3, 0.0), 40_000);
        assert_eq!(pause_ms(40, 0.0), LONGEST_PAUSE_MS);
        assert_eq!(pause_ms(0, 1.0), 6_000);
        let hours =
            |tries: u32| (0..tries - 1).map(|n| pause_ms(n, 0.0)).sum::<i64>() as f64 / 3.6e6;
        assert!(
            (45.0..60.0).contains(&hours(MOST_TRIES)),
            "{}",
            hours(MOST_TRIES)
        );
        assert!(
            (2.0..5.0).contains(&hours(MOST_TRIES_REFUSED)),
            "{}",
            hours(MOST_TRIES_REFUSED)
        );
    }
}
