//! A real InfluxDB 2: the server that `tests/influxd` builds, or the one that `LARDER_TEST_INFLUXD`
//! names.

use crate::child::{Running, free_port};
use crate::disk::Disk;
use crate::larder::repository;
use crate::wait;
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

/// The organisation of every test server.
pub const ORG: &str = "apiary";

/// The operator's token of every test server.
pub const OPERATOR: &str = "operator-token-for-tests";

/// A running server with its data in a folder of its own.
pub struct Influxd {
    /// Where it listens on 127.0.0.1.
    pub port: u16,
    running: Option<Running>,
    dir: PathBuf,
    disk: Option<Disk>,
}

/// The server's program; `None`, said aloud, where there is none and nobody insists.
///
/// # Panics
/// With `CI=true`, where nothing may be left out.
#[expect(
    clippy::print_stdout,
    reason = "whoever runs the tests is told what was left out"
)]
pub fn program() -> Option<PathBuf> {
    let named = std::env::var_os("LARDER_TEST_INFLUXD").map(PathBuf::from);
    let built = repository().join(".test-tools/influxd/bin/influxd");
    let found = named.unwrap_or(built);
    if found.exists() {
        return Some(found);
    }
    assert!(
        std::env::var_os("CI").is_none_or(|ci| ci != "true"),
        "there is no InfluxDB server at {}, and with CI=true nothing may be left out",
        found.display()
    );
    println!(
        "LEFT OUT: there is no InfluxDB server; run tests/influxd (it needs Go), or set LARDER_TEST_INFLUXD"
    );
    None
}

impl Influxd {
    /// Starts one over `dir`, with [`ORG`] and the bucket `larder`; `None` where there is none.
    pub fn start(dir: &Path) -> Option<Self> {
        Self::start_with(dir, |_| None)
    }

    /// Starts a server with its readings on a disk of their own, of so many megabytes.
    pub fn start_on_a_disk(dir: &Path, megabytes: u32) -> Option<Self> {
        Self::start_with(dir, |dir| Some(Disk::mount(&dir.join("engine"), megabytes)))
    }

    fn start_with(dir: &Path, disk: impl FnOnce(&Path) -> Option<Disk>) -> Option<Self> {
        let program = program()?;
        let dir = dir.join("influxd");
        std::fs::create_dir_all(&dir).expect("the test's folder is writable");
        let (port, disk) = (free_port(), disk(&dir));
        let running = launch(&mut command(&program, &dir, port, disk.as_ref()), port, 200);
        let server = Self {
            port,
            running: Some(running),
            dir,
            disk,
        };
        let setup = json!({ "username": "operator", "password": "operator-1", "org": ORG,
            "bucket": "larder", "token": OPERATOR });
        let (status, body) = server.ask("POST", "/api/v2/setup", Some(&setup.to_string()));
        assert_eq!(status, 201, "{body}");
        Some(server)
    }

    /// The server's address.
    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// The server's process id.
    pub fn id(&self) -> u32 {
        self.running.as_ref().expect("it runs").id()
    }

    /// Stops it as a power cut would.
    pub fn kill_9(&mut self) {
        self.running = None;
    }

    /// Stops it as a service manager would.
    pub fn stop(&mut self) {
        if let Some(mut running) = self.running.take() {
            running.terminate(Duration::from_secs(60));
        }
    }

    /// Starts it again on the same port and data.
    pub fn restart(&mut self) {
        self.running = None;
        let program = program().expect("it was there before");
        let mut command = command(&program, &self.dir, self.port, self.disk.as_ref());
        self.running = Some(launch(&mut command, self.port, 200));
    }

    /// Starts it again speaking TLS only, with the certificate in `dir` ([`crate::certificate::make`]).
    /// It can be asked nothing from here then.
    pub fn restart_with_tls(&mut self, dir: &Path) {
        self.running = None;
        let program = program().expect("it was there before");
        let mut command = command(&program, &self.dir, self.port, self.disk.as_ref());
        command.arg("--tls-cert").arg(dir.join("cert.pem"));
        command.arg("--tls-key").arg(dir.join("key.pem"));
        // To a question without TLS it answers that it is one.
        self.running = Some(launch(&mut command, self.port, 400));
    }

    /// The disk that it was started on.
    ///
    /// # Panics
    /// Where it has none of its own.
    pub fn disk(&self) -> &Disk {
        self.disk.as_ref().expect("it was started on one")
    }

    /// Sends it a signal, as `STOP` or `CONT`.
    pub fn signal(&self, name: &str) {
        let status = Command::new("kill")
            .args([format!("-{name}"), self.id().to_string()])
            .status();
        assert!(
            status.is_ok_and(|status| status.success()),
            "no signal {name} could be sent"
        );
    }

    /// Memory that it uses.
    pub fn resident_bytes(&self) -> u64 {
        self.running.as_ref().expect("it runs").resident_bytes()
    }

    /// A request with the operator's token: status and body.
    pub fn ask(&self, method: &str, path: &str, body: Option<&str>) -> (u16, String) {
        ask(self.port, method, path, body).unwrap_or_else(|| panic!("no answer to {path}"))
    }

    /// A new bucket.
    pub fn make_bucket(&self, name: &str) {
        let orgs = json_of(&self.ask("GET", &format!("/api/v2/orgs?org={ORG}"), None).1);
        let wish = json!({ "orgID": orgs["orgs"][0]["id"], "name": name });
        let (status, body) = self.ask("POST", "/api/v2/buckets", Some(&wish.to_string()));
        assert_eq!(status, 201, "{body}");
    }

    /// Lines written by somebody else.
    pub fn write(&self, bucket: &str, lines: &str) -> (u16, String) {
        let path = format!("/api/v2/write?org={ORG}&bucket={bucket}&precision=ms");
        self.ask("POST", &path, Some(lines))
    }

    /// Takes everything out of a bucket.
    pub fn empty_bucket(&self, bucket: &str) {
        let path = format!("/api/v2/delete?org={ORG}&bucket={bucket}");
        let all = json!({ "start": "1970-01-01T00:00:00Z", "stop": "2100-01-01T00:00:00Z" });
        let (status, body) = self.ask("POST", &path, Some(&all.to_string()));
        assert_eq!(status, 204, "{body}");
    }

    /// The answer to a query, as rows of cells under a header.
    pub fn query(&self, flux: &str) -> Vec<Vec<String>> {
        let dialect = json!({ "header": true, "annotations": [] });
        let body = json!({ "query": flux, "type": "flux", "dialect": dialect });
        let path = format!("/api/v2/query?org={ORG}");
        let (status, answer) = self.ask("POST", &path, Some(&body.to_string()));
        assert_eq!(status, 200, "{flux}\n{answer}");
        let lines = answer.lines().filter(|line| !line.is_empty());
        lines
            .map(|line| line.split(',').map(str::to_owned).collect())
            .collect()
    }

    /// How many readings a bucket has of all channels together.
    pub fn count(&self, bucket: &str) -> u64 {
        let rows = self.query(&format!(
            "from(bucket: \"{bucket}\") |> range(start: 0) \
             |> filter(fn: (r) => r._measurement == \"reading\") |> count() |> group() |> sum()"
        ));
        let Some(column) = rows
            .first()
            .and_then(|head| head.iter().position(|c| c == "_value"))
        else {
            return 0;
        };
        rows.get(1)
            .map_or(0, |row| row[column].parse().expect("a count is a number"))
    }
}

fn command(program: &Path, dir: &Path, port: u16, disk: Option<&Disk>) -> Command {
    let path = |name: &str| dir.join(name).display().to_string();
    let mut command = disk.map_or_else(|| Command::new(program), |disk| disk.command(program));
    command
        .args([
            "--bolt-path",
            &path("bolt"),
            "--engine-path",
            &path("engine"),
        ])
        .args(["--sqlite-path", &path("sqlite"), "--reporting-disabled"])
        .args(["--http-bind-address", &format!("127.0.0.1:{port}")])
        .args(["--log-level", "error"])
        .env("HOME", dir);
    command
}

/// Starts it and waits until it answers a question for its health with `status`.
fn launch(command: &mut Command, port: u16, status: u16) -> Running {
    let running = Running::start("influxd", command);
    wait::until("influxd to answer", Duration::from_secs(60), || {
        ask(port, "GET", "/health", None).filter(|(answered, _)| *answered == status)
    });
    running
}

fn ask(port: u16, method: &str, path: &str, body: Option<&str>) -> Option<(u16, String)> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).ok()?;
    stream
        .set_read_timeout(Some(Duration::from_secs(60)))
        .ok()?;
    let body = body.unwrap_or_default();
    let request = format!(
        "{method} {path} HTTP/1.0\r\nHost: 127.0.0.1\r\nAuthorization: Token {OPERATOR}\r\n\
         Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    );
    stream.write_all(request.as_bytes()).ok()?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).ok()?;
    let (head, body) = answer.split_once("\r\n\r\n")?;
    let status = head.split_whitespace().nth(1)?.parse().ok()?;
    Some((status, body.to_owned()))
}

fn json_of(text: &str) -> Value {
    serde_json::from_str(text).expect("the server answers in JSON")
}
