//! A certificate for servers on this machine.

use crate::program;
use std::path::Path;

/// Writes `cert.pem` and `key.pem` into `dir`, for `localhost` and 127.0.0.1, signed by itself.
///
/// # Panics
/// Where there is no OpenSSL.
pub fn make(dir: &Path) {
    let made = program::command("openssl")
        .args([
            "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
        ])
        .args(["-subj", "/CN=localhost"])
        .args(["-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"])
        .args(["-addext", "basicConstraints=critical,CA:FALSE"])
        .args(["-keyout", "key.pem", "-out", "cert.pem"])
        .current_dir(dir)
        .output()
        .expect("openssl can be started");
    assert!(made.status.success(), "{made:?}");
}
