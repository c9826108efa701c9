//! How many there are at once, in all and from one address.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard};

/// Counts those who are here, and admits no more than there may be. From this machine itself, where a
/// reverse proxy speaks for everybody, there may be as many as in all.
#[derive(Clone, Debug)]
pub struct Guests {
    counts: Arc<Mutex<HashMap<Option<IpAddr>, usize>>>,
    most: usize,
    most_from_one: usize,
}

/// One who is here, as long as this lives.
#[derive(Debug)]
pub(crate) struct Guest {
    guests: Guests,
    address: Option<IpAddr>,
}

impl Guests {
    /// Nobody yet.
    pub fn new(most: usize, most_from_one: usize) -> Self {
        Self {
            counts: Arc::default(),
            most,
            most_from_one,
        }
    }

    /// `None`: there are too many already. An unknown address counts as this machine.
    pub(crate) fn admit(&self, address: Option<IpAddr>) -> Option<Guest> {
        let mut counts = self.counts();
        let all: usize = counts.values().sum();
        let here = counts.get(&address).copied().unwrap_or(0);
        let most_here = match address.is_none_or(|address| address.is_loopback()) {
            true => self.most,
            false => self.most_from_one,
        };
        if all >= self.most || here >= most_here {
            return None;
        }
        *counts.entry(address).or_default() += 1;
        Some(Guest {
            guests: self.clone(),
            address,
        })
    }

    fn counts(&self) -> MutexGuard<'_, HashMap<Option<IpAddr>, usize>> {
        self.counts
            .lock()
            .unwrap_or_else(|broken| broken.into_inner())
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        let mut counts = self.guests.counts();
        if let Some(count) = counts.get_mut(&self.address) {
            *count = count.saturating_sub(1);
            if *count == 0 {
                counts.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_takes_all_the_room_and_room_comes_back() {
        let guests = Guests::new(10, 4);
        let address = |last| Some(IpAddr::from([192, 0, 2, last]));
        let mut first: Vec<_> = (0..4).map(|_| guests.admit(address(1))).collect();
        assert!(first.iter().all(Option::is_some));
        assert!(guests.admit(address(1)).is_none(), "a fifth of one address");
        let here: Vec<_> = (0..6).map(|_| guests.admit(None)).collect();
        assert!(here.iter().all(Option::is_some), "this machine may be many");
        assert!(guests.admit(address(2)).is_none(), "it is full");
        first.pop();
        assert!(guests.admit(address(2)).is_some());
        drop((first, here));
        assert!(guests.counts().is_empty());
    }
}
