//! The binary under test.

use crate::child::Running;
use crate::{http, wait};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;
use std::time::Duration;

/// The binary under test: the one that `LARDER_BIN` names, or else one that cargo brings up to date
/// first, built as the test itself is (debug, unless the test runs with `--release`).
///
/// # Panics
/// When there is none, or it can't be built.
pub fn binary() -> PathBuf {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    let found = BINARY.get_or_init(|| match std::env::var_os("LARDER_BIN") {
        Some(path) => named(path.into()),
        None => built(),
    });
    found.clone()
}

fn named(path: PathBuf) -> PathBuf {
    assert!(
        path.is_file(),
        "LARDER_BIN names {}, which is not there: build it first (`cargo build --release`), or unset \
         LARDER_BIN, and a debug build is made",
        path.display()
    );
    path
}

/// Asks cargo for the binary beside the test's own program. Where it is up to date that takes a moment.
fn built() -> PathBuf {
    let test = std::env::current_exe().expect("the system knows which program runs");
    // …/target/debug/deps/crash-0123456789abcdef
    let profile_folder = test.ancestors().nth(2).expect("cargo's folders lie above");
    let target = profile_folder.parent().expect("cargo's folder lies above");
    let profile = match profile_folder.file_name().and_then(|name| name.to_str()) {
        Some("debug") | None => "dev",
        Some(profile) => profile,
    };
    let mut cargo = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    cargo
        .args(["build", "--locked", "--bin", "larder"])
        .args(["--profile", profile, "--target-dir"])
        .arg(target)
        .current_dir(repository());
    for (name, _) in std::env::vars_os() {
        // What cargo told this test of its own package would have crates built anew that ask for it.
        if name.to_string_lossy().starts_with("CARGO_PKG_") || name == "CARGO_MANIFEST_DIR" {
            cargo.env_remove(name);
        }
    }
    let status = cargo.status();
    assert!(
        status.as_ref().is_ok_and(|status| status.success()),
        "larder can't be built ({status:?}): run `cargo build`, which says why, or name a binary in LARDER_BIN"
    );
    profile_folder.join("larder")
}

/// The repository's root.
///
/// # Panics
/// Never: this crate's folder lies in it.
pub fn repository() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.parent().expect("tests/ lies in it").to_owned()
}

/// `larder` with arguments, in an environment without settings of its own.
pub fn larder(arguments: &[&str]) -> Command {
    let mut command = Command::new(binary());
    command.args(arguments);
    for (name, _) in std::env::vars_os() {
        if name.to_string_lossy().starts_with("LARDER_") {
            command.env_remove(name);
        }
    }
    command
}

/// Runs `larder` to its end.
///
/// # Panics
/// When it cannot be started.
pub fn run(arguments: &[&str]) -> Output {
    let output = larder(arguments).output();
    output.unwrap_or_else(|error| panic!("larder cannot be started: {error}"))
}

/// Runs `larder` and gives its standard output.
///
/// # Panics
/// When it does not exit with 0.
pub fn ok(arguments: &[&str]) -> String {
    let output = run(arguments);
    assert!(
        output.status.success(),
        "larder {arguments:?} ended with {}:\n{}{}",
        output.status,
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr),
    );
    String::from_utf8(output.stdout).expect("larder writes UTF-8")
}

/// Runs `larder`, which has to refuse: its exit code and its complaint.
///
/// # Panics
/// When it succeeds, or ends without a code.
pub fn refused(arguments: &[&str]) -> (i32, String) {
    let output = run(arguments);
    assert!(!output.status.success(), "larder {arguments:?} succeeded");
    let code = output.status.code().expect("it was not killed");
    (code, String::from_utf8_lossy(&output.stderr).into_owned())
}

/// A running `larder serve` or `larder demo`.
pub struct Service {
    /// The child.
    pub running: Running,
    /// Where its HTTP API listens.
    pub http: u16,
    /// Where its built-in broker listens, if it has one.
    pub mqtt: Option<u16>,
}

impl Service {
    /// `larder serve` over `data` on the broker at `broker_port`.
    pub fn on_broker(data: &Path, broker_port: u16, extra: &[&str]) -> Self {
        let broker = format!("mqtt://127.0.0.1:{broker_port}");
        Self::start(data, &[&["--broker", &broker], extra].concat())
    }

    /// `larder serve` over `data` with its built-in broker.
    pub fn with_built_in_broker(data: &Path, extra: &[&str]) -> Self {
        Self::start(data, &[&["--mqtt-listen", "127.0.0.1:0"], extra].concat())
    }

    /// Starts the service with its built-in broker at an address that stays the same over restarts.
    pub fn with_built_in_broker_at(data: &Path, port: u16, extra: &[&str]) -> Self {
        let listen = format!("127.0.0.1:{port}");
        Self::start(data, &[&["--mqtt-listen", &listen], extra].concat())
    }

    fn start(data: &Path, extra: &[&str]) -> Self {
        let data = data.to_string_lossy();
        let fixed = ["serve", "--data", &data, "--listen", "127.0.0.1:0"];
        Self::ready(larder(&[&fixed, extra].concat()))
    }

    /// Starts `command` and waits for the line that says where it listens.
    pub fn ready(command: Command) -> Self {
        Self::ready_within(command, READY)
    }

    /// Starts a service that has work to do first, and waits until it says where it listens.
    ///
    /// # Panics
    /// When it does not say where it listens within `limit`.
    pub fn ready_within(mut command: Command, limit: Duration) -> Self {
        let running = Running::start("larder", &mut command);
        let line = running.line(limit, |line| line.contains("http://"));
        let http = port_after(&line, "http://").expect("it says its port");
        let mqtt = port_after(&line, "mqtt://");
        Self {
            running,
            http,
            mqtt,
        }
    }

    /// `GET path` as JSON.
    pub fn json(&self, path: &str) -> Option<serde_json::Value> {
        http::json(self.http, path)
    }

    /// The status and the body of `GET path`.
    ///
    /// # Panics
    /// When there is no answer.
    pub fn answer(&self, path: &str) -> (u16, String) {
        http::get(self.http, path).expect("it answers")
    }

    /// Waits until it takes readings in.
    pub fn takes_readings(&self) {
        wait::until("larder to take readings", READY, || {
            http::get(self.http, "/readyz").filter(|(status, _)| *status == 200)
        });
    }

    /// Waits until the newest reading of every one of these series has the given time.
    pub fn has_newest(&self, newest: &[(String, String, String)], limit: Duration) {
        wait::until("the newest readings to be taken in", limit, || {
            let latest = self.json("/api/v1/latest")?;
            let latest = latest["latest"].as_array()?;
            let there = |(device, channel, time): &(String, String, String)| {
                latest.iter().any(|entry| {
                    entry["device"] == device.as_str()
                        && entry["channel"] == channel.as_str()
                        && entry["time"] == time.as_str()
                })
            };
            newest.iter().all(there).then_some(())
        });
    }

    /// Stops it as a service manager would.
    ///
    /// # Panics
    /// When it does not end well within 30 s.
    pub fn stop(mut self) {
        let status = self.running.terminate(Duration::from_secs(30));
        assert!(status.success(), "larder ended with {status}");
    }
}

/// How long a start may take on a busy machine.
pub const READY: Duration = Duration::from_secs(30);

/// The port in `…scheme://127.0.0.1:PORT…`.
fn port_after(line: &str, scheme: &str) -> Option<u16> {
    let rest = &line[line.find(scheme)? + scheme.len()..];
    let port = rest.split(':').nth(1)?;
    let digits = port
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(port.len());
    port[..digits].parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ports_are_found_in_the_ready_line() {
        let line = "larder is ready: http://127.0.0.1:8080 mqtt://127.0.0.1:1883, see the shelf";
        assert_eq!(port_after(line, "http://"), Some(8080));
        assert_eq!(port_after(line, "mqtt://"), Some(1883));
        assert_eq!(port_after("nothing", "http://"), None);
    }
}
