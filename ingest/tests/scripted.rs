//! The session against a broker that plays by a script: what it acknowledges, in which order, and
//! what it never does. Packets are written and read by hand (MQTT 3.1.1 section 3).

mod support;

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::Ordering::SeqCst;
use std::time::Duration;
use support::{Session, Store, session_config, wait_for};

struct Broker {
    listener: TcpListener,
}

/// One client's connection.
struct Client {
    stream: TcpStream,
    /// Bit 1 of the connect flags: the client wants a new session.
    is_clean: bool,
    client_id: String,
}

const CONNECT: u8 = 0x10;
const PUBACK: u8 = 0x40;
const SUBSCRIBE: u8 = 0x82;
const PINGREQ: u8 = 0xc0;
const DISCONNECT: u8 = 0xe0;

impl Broker {
    fn new() -> Self {
        Self {
            listener: TcpListener::bind(("127.0.0.1", 0)).expect("the script goes on"),
        }
    }

    fn url(&self, query: &str) -> larder_ingest::session::BrokerUrl {
        let port = self
            .listener
            .local_addr()
            .expect("the script goes on")
            .port();
        format!("mqtt://127.0.0.1:{port}{query}")
            .parse()
            .expect("the script goes on")
    }

    /// Takes a connection and reads its CONNECT.
    fn accept(&self) -> Client {
        let (stream, _) = self.listener.accept().expect("the script goes on");
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .expect("the script goes on");
        let mut client = Client {
            stream,
            is_clean: false,
            client_id: String::new(),
        };
        let (kind, body) = client.read();
        assert_eq!(kind, CONNECT);
        // Protocol name (6), level (1), flags (1), keep-alive (2), in version 5 properties with their
        // length, client id.
        client.is_clean = body[7] & 0x02 != 0;
        let properties = if body[6] == 5 {
            1 + usize::from(body[10])
        } else {
            0
        };
        let id = &body[10 + properties..];
        let length = usize::from(u16::from_be_bytes([id[0], id[1]]));
        client.client_id = String::from_utf8_lossy(&id[2..2 + length]).into_owned();
        client
    }

    /// Takes a connection, grants it, and reads and grants its subscription.
    fn subscribed(&self, session_present: bool) -> Client {
        let mut client = self.accept();
        client.write(&[0x20, 2, u8::from(session_present), 0]);
        let body = client.expect(SUBSCRIBE);
        client.write(&[0x90, 3, body[0], body[1], 1]);
        client
    }
}

impl Client {
    fn read(&mut self) -> (u8, Vec<u8>) {
        let mut byte = [0];
        self.stream
            .read_exact(&mut byte)
            .expect("the script goes on");
        let kind = byte[0];
        let mut length = 0_usize;
        for shift in (0..28).step_by(7) {
            self.stream
                .read_exact(&mut byte)
                .expect("the script goes on");
            length |= usize::from(byte[0] & 0x7f) << shift;
            if byte[0] & 0x80 == 0 {
                break;
            }
        }
        let mut body = vec![0; length];
        self.stream
            .read_exact(&mut body)
            .expect("the script goes on");
        (kind, body)
    }

    /// The next packet, pings apart, must be of this kind.
    #[track_caller]
    fn expect(&mut self, wanted: u8) -> Vec<u8> {
        loop {
            let (kind, body) = self.read();
            if kind == PINGREQ {
                self.write(&[0xd0, 0]);
                continue;
            }
            assert_eq!(kind, wanted, "another packet came");
            return body;
        }
    }

    fn write(&mut self, bytes: &[u8]) {
        self.stream.write_all(bytes).expect("the script goes on");
    }

    /// A reading of `kg` at minute `minute`, QoS 1.
    fn publish(&mut self, packet: u16, minute: i64, kg: u8) {
        let time = 1_735_689_600 + 60 * minute;
        self.publish_payload(packet, &format!("{{\"time\":{time},\"weight_kg\":{kg}}}"));
    }

    fn publish_payload(&mut self, packet: u16, payload: &str) {
        let topic = b"larder/sc-1/readings";
        let mut body = (topic.len() as u16).to_be_bytes().to_vec();
        body.extend_from_slice(topic);
        body.extend_from_slice(&packet.to_be_bytes());
        body.extend_from_slice(payload.as_bytes());
        let mut bytes = vec![0x32, u8::try_from(body.len()).expect("the script goes on")];
        bytes.extend(body);
        self.write(&bytes);
    }

    #[track_caller]
    fn expect_ack(&mut self, packet: u16) {
        assert_eq!(self.expect(PUBACK), packet.to_be_bytes());
    }

    /// Nothing comes for a while.
    fn expect_silence(&mut self) {
        let short = Duration::from_millis(300);
        self.stream
            .set_read_timeout(Some(short))
            .expect("the script goes on");
        let mut byte = [0];
        let got = self.stream.read(&mut byte);
        assert!(got.is_err(), "something came: {got:?} {byte:?}");
        self.stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .expect("the script goes on");
    }
}

#[test]
fn acknowledgements_come_in_order_of_receipt_and_after_the_commit() {
    let broker = Broker::new();
    let store = Store::new();
    store.fails.store(true, SeqCst);
    let session = Session::start_without_waiting(session_config(broker.url("?version=3")), &store);
    let mut client = broker.subscribed(false);
    assert!(!client.is_clean, "the session must be a lasting one");
    assert_eq!(client.client_id, "larder");
    // Packet numbers are the broker's business and may come in any order.
    for (minute, packet) in [7, 3, 65_535, 1, 20].into_iter().enumerate() {
        client.publish(packet, minute as i64, 40);
    }
    wait_for("the store has failed", || session.status.ready().is_err());
    client.expect_silence();
    store.fails.store(false, SeqCst);
    for packet in [7, 3, 65_535, 1, 20] {
        client.expect_ack(packet);
    }
    assert_eq!(store.all("sc-1", "weight").len(), 5);
    // On a stop the goodbye comes after the last acknowledgement.
    client.publish(21, 5, 40);
    wait_for("it came", || store.all("sc-1", "weight").len() == 6);
    let stopping = std::thread::spawn(move || session.stop().unwrap());
    client.expect_ack(21);
    client.expect(DISCONNECT);
    drop(client);
    stopping.join().unwrap();
}

/// A channel that the service does not know: 3.9 V must not become 3.9 kg by what comes later.
#[test]
fn a_second_unit_goes_to_the_quarantine_and_the_rest_of_its_pack_is_kept() {
    let broker = Broker::new();
    let store = Store::new();
    let session = Session::start_without_waiting(session_config(broker.url("?version=3")), &store);
    let mut client = broker.subscribed(false);
    client.publish_payload(1, r#"[{"n":"x","u":"V","v":3.9,"t":1788238800}]"#);
    client.expect_ack(1);
    let pack =
        r#"[{"n":"x","u":"kg","v":3.9,"t":1788238860},{"n":"x","u":"V","v":4,"t":1788238920}]"#;
    client.publish_payload(2, pack);
    client.expect_ack(2);
    assert_eq!(store.all("sc-1", "x").len(), 2);
    let kept = store.quarantine();
    assert_eq!(kept.len(), 1);
    assert_eq!(kept[0].refused.bytes, b"2026-09-01T05:01:00Z,sc-1,x,kg,3.9");
    let reason = &kept[0].refused.reason;
    assert!(
        reason.contains("kept in V") && reason.contains("is in kg"),
        "{reason}"
    );
    session.crash();
}

#[test]
fn what_an_old_connection_brought_is_not_acknowledged_on_a_new_one() {
    let broker = Broker::new();
    let store = Store::new();
    store.fails.store(true, SeqCst);
    let session = Session::start_without_waiting(session_config(broker.url("?version=3")), &store);
    let mut first = broker.subscribed(false);
    first.publish(1, 1, 41);
    first.publish(2, 2, 42);
    wait_for("both were taken in", || {
        session.status.snapshot().unacknowledged == 2
    });
    drop(first);
    // The session was lost: number 1 now stands for another message.
    let mut second = broker.subscribed(false);
    second.publish(1, 3, 43);
    second.expect_silence();
    store.fails.store(false, SeqCst);
    second.expect_ack(1);
    second.expect_silence();
    wait_for("all three are there", || {
        store.all("sc-1", "weight").len() == 3
    });
    drop(second);
    // It comes back every time, and subscribes every time.
    let mut third = broker.subscribed(true);
    third.publish(2, 2, 42);
    third.expect_ack(2);
    assert_eq!(store.all("sc-1", "weight").len(), 3);
    session.crash();
}

#[test]
fn a_broker_that_knows_only_3_1_1_is_met_on_its_terms() {
    let broker = Broker::new();
    let store = Store::new();
    let session = Session::start_without_waiting(session_config(broker.url("")), &store);
    // MQTT 3.1.1 section 3.2.2.3: code 1, unacceptable protocol version, and the connection closes.
    let mut refused = broker.accept();
    refused.write(&[0x20, 2, 0, 1]);
    drop(refused);
    let mut client = broker.subscribed(false);
    client.publish(1, 1, 41);
    client.expect_ack(1);
    drop(client);
    // From then on at once.
    let mut client = broker.subscribed(true);
    client.publish(1, 2, 42);
    client.expect_ack(1);
    session.crash();
}

#[test]
fn a_refused_login_is_told() {
    let broker = Broker::new();
    let store = Store::new();
    let session = Session::start_without_waiting(session_config(broker.url("?version=3")), &store);
    broker.accept().write(&[0x20, 2, 0, 5]);
    wait_for("it says so", || {
        let why = session.status.ready().unwrap_err();
        why.contains("refuses the user or password")
    });
    session.crash();
}

#[test]
fn a_refused_subscription_is_told() {
    let broker = Broker::new();
    let store = Store::new();
    let session = Session::start_without_waiting(session_config(broker.url("?version=3")), &store);
    let mut client = broker.accept();
    client.write(&[0x20, 2, 0, 0]);
    let body = client.expect(SUBSCRIBE);
    assert!(body.ends_with(b"\x00\x11larder/+/readings\x01"), "{body:?}");
    client.write(&[0x90, 3, body[0], body[1], 0x80]);
    wait_for("it says so", || {
        let why = session.status.ready().err().unwrap_or_default();
        why.contains("does not let us read larder/+/readings")
    });
    session.crash();
}

#[test]
fn a_broker_that_falls_silent_is_left() {
    let broker = Broker::new();
    let store = Store::new();
    let session = Session::start_without_waiting(session_config(broker.url("?version=3")), &store);
    // Takes the connection and says nothing.
    let silent = broker.accept();
    wait_for("it says so", || {
        let why = session.status.ready().err().unwrap_or_default();
        why.contains("does not answer")
    });
    let mut client = broker.subscribed(false);
    client.publish(1, 1, 41);
    client.expect_ack(1);
    drop(silent);
    session.crash();
}

#[test]
fn stopping_with_a_store_that_fails_ends_and_acknowledges_nothing() {
    let broker = Broker::new();
    let store = Store::new();
    store.fails.store(true, SeqCst);
    let session = Session::start_without_waiting(session_config(broker.url("?version=3")), &store);
    let mut client = broker.subscribed(false);
    client.publish(9, 1, 41);
    wait_for("the store has failed", || session.status.ready().is_err());
    // It waits a while for the store, then leaves; the message was never acknowledged.
    let stopping = std::thread::spawn(move || session.stop().unwrap());
    client
        .stream
        .set_read_timeout(Some(Duration::from_secs(60)))
        .unwrap();
    let mut rest = Vec::new();
    client.stream.read_to_end(&mut rest).unwrap();
    assert!(!rest.contains(&PUBACK), "{rest:x?}");
    stopping.join().unwrap();
    assert!(store.all("sc-1", "weight").is_empty());
}

#[test]
fn a_fault_of_our_own_is_told_and_acknowledges_nothing() {
    let broker = Broker::new();
    let store = Store::new();
    store.panics.store(true, SeqCst);
    let session = Session::start_without_waiting(session_config(broker.url("?version=3")), &store);
    let mut client = broker.subscribed(false);
    client.publish(1, 1, 41);
    let told = || {
        let why = session.status.ready().err().unwrap_or_default();
        why.contains("restart the service")
    };
    // The fault shows with the next message at the latest.
    wait_for("it says so", || {
        if !told() {
            client.publish(2, 2, 42);
        }
        told()
    });
    client.expect(DISCONNECT);
    session.crash();
}
