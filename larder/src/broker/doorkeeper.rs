//! How many may be at the built-in broker, in all and from one address, and how many sessions are
//! kept for those who are away. Without a bound anyone who may connect could fill the memory with
//! names.

use super::{MOST_FROM_ONE_ADDRESS, MOST_SESSIONS, SESSION};
use mqtt5::broker::auth::{AuthProvider, AuthResult};
use mqtt5::packet::connect::ConnectPacket;
use mqtt5::types::ReasonCode;
use std::collections::HashMap;
use std::future::Future;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::{Duration, Instant};

/// From asking to be let in to being in; the broker waits ten seconds for it.
const ENTERING: Duration = Duration::from_secs(30);

/// Bytes of a client's name: every name is remembered for as long as its session.
const LONGEST_CLIENT_ID: usize = 256;

/// Who is in, and who may come back to a session.
#[derive(Default)]
pub(super) struct Doorkeeper(Mutex<HashMap<String, Client>>);

struct Client {
    address: IpAddr,
    state: State,
    /// How long the session outlives the connection.
    expiry: Duration,
}

#[derive(Clone, Copy)]
enum State {
    Entering(Instant),
    In,
    Away(Instant),
}

impl Client {
    fn is_gone(&self, now: Instant) -> bool {
        match self.state {
            State::Entering(since) => now.duration_since(since) > ENTERING,
            State::In => false,
            State::Away(since) => now.duration_since(since) > self.expiry,
        }
    }

    fn is_at(&self, address: IpAddr) -> bool {
        self.address == address && !matches!(self.state, State::Away(_))
    }
}

impl Doorkeeper {
    /// Whether one more may come in. Clients without a name get one of their own from the broker,
    /// and leave no session; they are counted as connections only.
    pub fn may_enter(&self, client_id: &str, address: IpAddr, now: Instant) -> bool {
        let mut clients = self.clients();
        let is_crowded = clients.len() >= MOST_SESSIONS;
        let here = clients
            .values()
            .filter(|client| client.is_at(address))
            .count();
        if is_crowded || here >= MOST_FROM_ONE_ADDRESS {
            clients.retain(|_, client| !client.is_gone(now));
        }
        let is_known = clients.contains_key(client_id);
        let here = clients
            .values()
            .filter(|client| client.is_at(address))
            .count();
        let is_full = clients.len() >= MOST_SESSIONS && !is_known;
        let is_one_too_many = !address.is_loopback() && here >= MOST_FROM_ONE_ADDRESS && !is_known;
        if is_full || is_one_too_many {
            return false;
        }
        if !client_id.is_empty() {
            let client = Client {
                address,
                state: State::Entering(now),
                expiry: SESSION,
            };
            clients.insert(client_id.to_owned(), client);
        }
        true
    }

    /// Notes that a client is in.
    pub fn entered(&self, client_id: &str, session_expiry_s: u32) {
        if let Some(client) = self.clients().get_mut(client_id) {
            client.state = State::In;
            client.expiry = SESSION.min(Duration::from_secs(session_expiry_s.into()));
        }
    }

    /// Notes that a client has left.
    pub fn left(&self, client_id: &str, now: Instant) {
        let mut clients = self.clients();
        if let Some(client) = clients.get_mut(client_id) {
            client.state = State::Away(now);
            if client.expiry.is_zero() {
                clients.remove(client_id);
            }
        }
    }

    fn clients(&self) -> MutexGuard<'_, HashMap<String, Client>> {
        self.0.lock().unwrap_or_else(|broken| broken.into_inner())
    }
}

/// Lets in whom the provider knows, as long as there is room.
pub(super) struct Guarded {
    pub provider: Arc<dyn AuthProvider>,
    pub doorkeeper: Arc<Doorkeeper>,
}

type Answer<'a, T> = Pin<Box<dyn Future<Output = T> + Send + 'a>>;

impl AuthProvider for Guarded {
    fn authenticate<'a>(
        &'a self,
        connect: &'a ConnectPacket,
        address: SocketAddr,
    ) -> Answer<'a, mqtt5::Result<AuthResult>> {
        Box::pin(async move {
            let result = self.provider.authenticate(connect, address).await?;
            if connect.client_id.len() > LONGEST_CLIENT_ID {
                return Ok(AuthResult::fail(ReasonCode::ClientIdentifierNotValid));
            }
            let now = Instant::now();
            let may = !result.authenticated
                || self
                    .doorkeeper
                    .may_enter(&connect.client_id, address.ip(), now);
            Ok(match may {
                true => result,
                false => {
                    metrics::counter!("larder_broker_refused_total", "kind" => "full").increment(1);
                    AuthResult::fail(ReasonCode::ServerBusy)
                }
            })
        })
    }

    fn authorize_publish<'a>(
        &'a self,
        client_id: &str,
        user_id: Option<&'a str>,
        topic: &'a str,
    ) -> Answer<'a, bool> {
        self.provider.authorize_publish(client_id, user_id, topic)
    }

    fn authorize_subscribe<'a>(
        &'a self,
        client_id: &str,
        user_id: Option<&'a str>,
        filter: &'a str,
    ) -> Answer<'a, bool> {
        self.provider
            .authorize_subscribe(client_id, user_id, filter)
    }

    fn cleanup_session<'a>(&'a self, user_id: &'a str) -> Answer<'a, ()> {
        self.provider.cleanup_session(user_id)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FAR: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 7));
    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);

    fn fill(doorkeeper: &Doorkeeper, count: usize, address: IpAddr, now: Instant) -> usize {
        (0..count)
            .filter(|n| {
                let name = format!("{address}-{n}");
                let may = doorkeeper.may_enter(&name, address, now);
                doorkeeper.entered(&name, 60);
                may
            })
            .count()
    }

    #[test]
    fn one_address_cannot_take_all_the_room() {
        let (doorkeeper, now) = (Doorkeeper::default(), Instant::now());
        let let_in = fill(&doorkeeper, MOST_FROM_ONE_ADDRESS + 10, FAR, now);
        assert_eq!(let_in, MOST_FROM_ONE_ADDRESS);
        assert!(doorkeeper.may_enter("other", HERE, now));
        let again = format!("{FAR}-3");
        assert!(doorkeeper.may_enter(&again, FAR, now), "it comes back");
    }

    #[test]
    fn sessions_are_bounded_and_end() {
        let (doorkeeper, now) = (Doorkeeper::default(), Instant::now());
        assert_eq!(fill(&doorkeeper, MOST_SESSIONS, HERE, now), MOST_SESSIONS);
        for n in 0..MOST_SESSIONS {
            doorkeeper.left(&format!("{HERE}-{n}"), now);
        }
        assert!(!doorkeeper.may_enter("one more", HERE, now));
        let known = format!("{HERE}-0");
        assert!(doorkeeper.may_enter(&known, HERE, now), "its session waits");
        let later = now + Duration::from_secs(61);
        assert!(doorkeeper.may_enter("one more", HERE, later));
    }
}
