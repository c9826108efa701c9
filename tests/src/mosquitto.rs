//! A foreign broker: Debian's Mosquitto, with the settings under which it loses nothing.

use crate::child::{Running, free_port};
use crate::{program, wait};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, SystemTime};

/// A running Mosquitto with its state in a folder of its own.
pub struct Mosquitto {
    /// Where it listens on 127.0.0.1.
    pub port: u16,
    running: Running,
    dir: PathBuf,
}

impl Mosquitto {
    /// Starts one over `dir` that writes its state down when it stops.
    ///
    /// # Panics
    /// When it cannot be started.
    pub fn start(dir: &Path) -> Self {
        Self::with(dir, "")
    }

    /// Starts one over `dir` that writes its state down after every change, so that sessions and
    /// queued messages live through a crash. Slow with long queues.
    ///
    /// # Panics
    /// When it cannot be started.
    pub fn that_saves_at_once(dir: &Path) -> Self {
        Self::with(dir, "autosave_on_changes true\nautosave_interval 1\n")
    }

    fn with(dir: &Path, saving: &str) -> Self {
        let dir = dir.join("mosquitto");
        std::fs::create_dir_all(&dir).expect("the test's folder is writable");
        let port = free_port();
        let state = dir.display();
        // As root it would change to a user of its own, who may not write the test's folder.
        let user = if is_root() { "user root\n" } else { "" };
        // Its defaults drop what is queued beyond a thousand messages.
        let settings = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\n\
             persistence true\npersistence_location {state}/\n\
             {saving}\
             max_queued_messages 0\nmax_inflight_messages 200\n\
             persistent_client_expiration 14d\n{user}"
        );
        std::fs::write(dir.join("mosquitto.conf"), settings).expect("the folder is writable");
        let running = launch(&dir, port);
        Self { port, running, dir }
    }

    /// Kills it and starts it again on the same port and state.
    pub fn crash_and_restart(&mut self) {
        self.running.kill_9();
        self.running = launch(&self.dir, self.port);
    }

    /// Stops it politely, which is when it saves, and starts it again on the same port and state.
    ///
    /// # Panics
    /// When it does not end well within 20 s.
    pub fn stop_and_restart(&mut self) {
        let status = self.running.terminate(Duration::from_secs(20));
        assert!(status.success(), "mosquitto ended with {status}");
        self.running = launch(&self.dir, self.port);
    }

    /// Waits until it has written down everything that it took until now.
    pub fn has_saved(&self) {
        let asked = SystemTime::now();
        let database = self.dir.join("mosquitto.db");
        let modified = || database.metadata().ok()?.modified().ok();
        wait::until("mosquitto to save", Duration::from_secs(20), || {
            let at = modified()?;
            // It saves after every change; two seconds of quiet mean that nothing is left to save.
            let quiet = SystemTime::now().duration_since(at).ok()?;
            (at >= asked || quiet > Duration::from_secs(2)).then_some(())
        });
    }
}

fn launch(dir: &Path, port: u16) -> Running {
    let mut command = program::command("mosquitto");
    command.arg("-c").arg(dir.join("mosquitto.conf"));
    listening("mosquitto", &mut command, port)
}

/// Starts a broker and waits until it listens.
pub(crate) fn listening(name: &str, command: &mut Command, port: u16) -> Running {
    let running = Running::start(name, command);
    wait::until(format!("{name} to listen"), Duration::from_secs(20), || {
        TcpStream::connect(("127.0.0.1", port)).ok()
    });
    running
}

/// Whether the test runs as root.
pub fn is_root() -> bool {
    let id = Command::new("id").arg("-u").output();
    id.is_ok_and(|output| output.stdout == b"0\n")
}
