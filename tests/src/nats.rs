//! A second foreign broker: the NATS server with JetStream, which speaks MQTT 3.1.1 and confirms a
//! message only after its log has it, so that nothing confirmed may be lost when it is killed.

use crate::child::{Running, free_port};
use crate::mosquitto::listening;
use crate::program;
use std::path::{Path, PathBuf};

/// A running server with its log in a folder of its own.
pub struct Nats {
    /// Where it speaks MQTT on 127.0.0.1.
    pub port: u16,
    running: Running,
    settings: PathBuf,
}

impl Nats {
    /// Starts one over `dir`.
    ///
    /// # Panics
    /// When it cannot be started.
    pub fn start(dir: &Path) -> Self {
        let port = free_port();
        let settings = dir.join("nats.conf");
        let log = dir.join("nats");
        let text = format!(
            "server_name: yard\nlisten: 127.0.0.1:-1\n\
             jetstream {{ store_dir: {log:?} }}\n\
             mqtt {{ listen: \"127.0.0.1:{port}\", ack_wait: \"5s\", max_ack_pending: 1000 }}\n"
        );
        std::fs::write(&settings, text).expect("the test's folder is writable");
        let running = launch(&settings, port);
        Self {
            port,
            running,
            settings,
        }
    }

    /// Kills it and starts it again on the same port and log.
    pub fn crash_and_restart(&mut self) {
        self.running.kill_9();
        self.running = launch(&self.settings, self.port);
    }
}

fn launch(settings: &Path, port: u16) -> Running {
    let mut command = program::command("nats-server");
    command.arg("-c").arg(settings);
    listening("nats-server", &mut command, port)
}
