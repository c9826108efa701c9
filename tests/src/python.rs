//! Foreign clients and checks written in Python.

use crate::child::Running;
use crate::larder::repository;
use std::path::PathBuf;
use std::process::Command;

/// Python with the packages that `tests/run` installs: `.test-tools/venv`, or else the system's.
pub fn interpreter() -> PathBuf {
    let own = repository().join(".test-tools/venv/bin/python");
    if own.exists() { own } else { "python3".into() }
}

/// A client of `tests/clients/` with arguments. One that lacks a package complains of a
/// `ModuleNotFoundError`: `tests/run` installs what they need.
pub fn client(name: &str, arguments: &[&str]) -> Command {
    let mut command = Command::new(interpreter());
    command
        .arg("-u")
        .arg(repository().join("tests/clients").join(name))
        .args(arguments);
    command
}

/// Starts a client.
pub fn start(name: &str, arguments: &[&str]) -> Running {
    Running::start(
        name,
        client(name, arguments).stdin(std::process::Stdio::piped()),
    )
}

/// Runs a client to its end and gives its output.
///
/// # Panics
/// When it fails.
pub fn ok(name: &str, arguments: &[&str]) -> String {
    let output = client(name, arguments)
        .output()
        .expect("python can be started");
    assert!(
        output.status.success(),
        "{name} {arguments:?} failed (a module that is not found is installed by `tests/run`):\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).expect("clients write UTF-8")
}
