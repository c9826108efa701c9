//! A certificate for servers on this machine.

use std::path::Path;
use std::process::Command;

/// Writes `cert.pem` and `key.pem` into `dir`, for `localhost` and 127.0.0.1, signed by itself.
///
/// # Panics
/// Where there is no OpenSSL.
pub fn make(dir: &Path) {
    let made = Command::new("openssl")
        .args([
            "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
        ])
        .args(["-subj", "/CN=localhost"])
        .args(["-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"])
        .args(["-addext", "basicConstraints=critical,CA:FALSE"])
        .args(["-keyout", "key.pem", "-out", "cert.pem"])
        .current_dir(dir)
        .output()
        .expect("openssl is not installed: on Debian, apt-get install openssl");
    assert!(made.status.success(), "{made:?}");
}
