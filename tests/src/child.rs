//! A program that the test started, and that ends with it.

use crate::wait;
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A running child. Dropping it kills it.
pub struct Running {
    name: String,
    child: Child,
    lines: Receiver<String>,
    complaints: Arc<Mutex<String>>,
}

impl Running {
    /// Starts `command`, reading its output line by line.
    ///
    /// # Panics
    /// When it cannot be started.
    pub fn start(name: &str, command: &mut Command) -> Self {
        let mut child = command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap_or_else(|error| panic!("{name} cannot be started: {error}"));
        let (send, lines) = channel();
        let stdout = child.stdout.take().expect("stdout is piped");
        std::thread::spawn(move || {
            for line in BufReader::new(stdout).lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    return;
                }
            }
        });
        let complaints = Arc::new(Mutex::new(String::new()));
        let (kept, mut stderr) = (Arc::clone(&complaints), child.stderr.take().expect("piped"));
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(n @ 1..) = stderr.read(&mut buffer) {
                let text = String::from_utf8_lossy(&buffer[..n]);
                kept.lock().expect("no holder panics").push_str(&text);
            }
        });
        Self {
            name: name.to_owned(),
            child,
            lines,
            complaints,
        }
    }

    /// The child's standard input, where it was started with one.
    ///
    /// # Panics
    /// When it was not, or someone has taken it already.
    pub fn input(&mut self) -> std::process::ChildStdin {
        self.child
            .stdin
            .take()
            .expect("it was started with a pipe to its input")
    }

    /// The child's process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// The next line of its output that `wanted` accepts; lines before it are passed over.
    ///
    /// # Panics
    /// When none comes within `limit`.
    pub fn line(&self, limit: Duration, wanted: impl Fn(&str) -> bool) -> String {
        self.try_line(limit, wanted).unwrap_or_else(|| {
            panic!(
                "{} did not say what was waited for; it complained:\n{}",
                self.name,
                self.complaints()
            )
        })
    }

    /// Waits for a line that is wanted; `None` when the child ended or the time is up.
    pub fn try_line(&self, limit: Duration, wanted: impl Fn(&str) -> bool) -> Option<String> {
        let give_up = std::time::Instant::now() + limit;
        loop {
            let left = give_up.saturating_duration_since(std::time::Instant::now());
            match self.lines.recv_timeout(left) {
                Ok(line) if wanted(&line) => return Some(line),
                Ok(_) => {}
                Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => return None,
            }
        }
    }

    /// What it wrote to standard error so far.
    pub fn complaints(&self) -> String {
        self.complaints.lock().expect("no holder panics").clone()
    }

    /// Kills it as a power cut would, and waits until it is gone.
    pub fn kill_9(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Asks it to stop, as a service manager would.
    ///
    /// # Panics
    /// When it has not stopped within `limit`.
    pub fn terminate(&mut self, limit: Duration) -> ExitStatus {
        let signalled = Command::new("sh")
            .args(["-c", &format!("kill -TERM {}", self.id())])
            .status();
        assert!(
            signalled.is_ok_and(|s| s.success()),
            "{} is gone",
            self.name
        );
        self.ended(limit)
    }

    /// Waits until it ends by itself.
    ///
    /// # Panics
    /// When it has not ended within `limit`.
    pub fn ended(&mut self, limit: Duration) -> ExitStatus {
        wait::until(format!("the end of {}", self.name), limit, || {
            self.child.try_wait().expect("it is our own child")
        })
    }

    /// Memory that it holds now, bytes (Linux).
    ///
    /// # Panics
    /// When the kernel does not say.
    pub fn resident_bytes(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.id()))
            .expect("the kernel tells about our own child");
        let line = status.lines().find(|l| l.starts_with("VmRSS:"));
        let kib = line.and_then(|l| l.split_whitespace().nth(1)?.parse::<u64>().ok());
        kib.expect("VmRSS is in kB") * 1024
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.kill_9();
        if std::thread::panicking() {
            eprintln!("--- {} complained:\n{}", self.name, self.complaints());
        }
    }
}

/// A port of 127.0.0.1 that was free a moment ago.
///
/// # Panics
/// When there is none.
pub fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("there is a free port");
    listener.local_addr().expect("it is bound").port()
}
