//! A go-between on the way to a server, which can be cut.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

/// Passes connections on to a port of 127.0.0.1.
pub struct Proxy {
    /// Where it listens.
    pub port: u16,
    open: Arc<AtomicBool>,
    streams: Arc<Mutex<Vec<TcpStream>>>,
}

impl Proxy {
    /// Starts one on the way to `target`.
    ///
    /// # Panics
    /// When there is no free port.
    pub fn to(target: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("there is a free port");
        let port = listener.local_addr().expect("it is bound").port();
        let open = Arc::new(AtomicBool::new(true));
        let streams: Arc<Mutex<Vec<TcpStream>>> = Arc::default();
        let (passes, kept) = (Arc::clone(&open), Arc::clone(&streams));
        std::thread::spawn(move || {
            for client in listener.incoming().map_while(Result::ok) {
                // A cut line answers nobody.
                if !passes.load(Ordering::Acquire) {
                    continue;
                }
                let Ok(server) = TcpStream::connect(("127.0.0.1", target)) else {
                    continue;
                };
                let both = [&client, &server].map(|stream| stream.try_clone().expect("it is open"));
                kept.lock().expect("no holder panics").extend(both);
                pass(&client, &server);
                pass(&server, &client);
            }
        });
        Self {
            port,
            open,
            streams,
        }
    }

    /// Breaks every connection in the middle of whatever it is at, and lets no new one through.
    ///
    /// # Panics
    /// Never: nobody panics with the list in hand.
    pub fn cut(&self) {
        self.open.store(false, Ordering::Release);
        for stream in self.streams.lock().expect("no holder panics").drain(..) {
            // It may be gone already.
            let _ = stream.shutdown(Shutdown::Both);
        }
    }

    /// Lets connections through again.
    pub fn mend(&self) {
        self.open.store(true, Ordering::Release);
    }
}

fn pass(from: &TcpStream, to: &TcpStream) {
    let mut from = from.try_clone().expect("it is open");
    let mut to = to.try_clone().expect("it is open");
    std::thread::spawn(move || {
        let mut buffer = [0; 16 * 1024];
        while let Ok(n @ 1..) = from.read(&mut buffer) {
            if to.write_all(&buffer[..n]).is_err() {
                break;
            }
        }
        let _ = to.shutdown(Shutdown::Both);
    });
}
