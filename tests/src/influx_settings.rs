//! How a `larder` in a test is told of its InfluxDB.

use crate::influxd::{Influxd, OPERATOR, ORG};
use std::path::{Path, PathBuf};

/// `larder influx init` for a server, the operator's token given in a file in `dir`; the token that it
/// makes goes to `token`.
///
/// # Panics
/// When the file cannot be written.
pub fn init(dir: &Path, server: &Influxd, token: &Path) -> Vec<String> {
    let operator = dir.join("operator");
    std::fs::write(&operator, OPERATOR).expect("the test's folder is writable");
    let url = server.url();
    let (operator, token) = (operator.display(), token.display());
    ["influx", "init", "--influx-url", &url, "--influx-org", ORG]
        .map(str::to_owned)
        .into_iter()
        .chain(["--admin-token-file".to_owned(), operator.to_string()])
        .chain(["--token-out".to_owned(), token.to_string()])
        .collect()
}

/// Options that name a server, its bucket and a file with its token.
pub struct InfluxSettings {
    options: Vec<String>,
}

impl InfluxSettings {
    /// For a server at `port`, which may be a go-between, with the operator's token in a file in `dir`.
    ///
    /// # Panics
    /// When the file cannot be written.
    pub fn new(dir: &Path, port: u16, bucket: &str) -> Self {
        let token = dir.join("token");
        std::fs::write(&token, format!("{OPERATOR}\n")).expect("the test's folder is writable");
        Self::with_token(&token, port, bucket)
    }

    /// Settings with a token of one's own.
    pub fn with_token(token: &Path, port: u16, bucket: &str) -> Self {
        let token: PathBuf = token.to_owned();
        let options = [
            ("--readings", "influxdb2".to_owned()),
            ("--influx-url", format!("http://127.0.0.1:{port}")),
            ("--influx-org", ORG.to_owned()),
            ("--influx-bucket", bucket.to_owned()),
            ("--influx-token-file", token.display().to_string()),
        ];
        let options = options
            .into_iter()
            .flat_map(|(name, value)| [name.to_owned(), value]);
        Self {
            options: options.collect(),
        }
    }

    /// For a server itself.
    pub fn of(dir: &Path, server: &Influxd, bucket: &str) -> Self {
        Self::new(dir, server.port, bucket)
    }

    /// One more option, or another value of one.
    #[must_use]
    pub fn and(mut self, name: &str, value: &str) -> Self {
        match self.options.iter().position(|option| option == name) {
            Some(at) => value.clone_into(&mut self.options[at + 1]),
            None => self.options.extend([name.to_owned(), value.to_owned()]),
        }
        self
    }

    /// As arguments, after others.
    pub fn after<'a>(&'a self, arguments: &[&'a str]) -> Vec<&'a str> {
        let own = self.options.iter().map(String::as_str);
        arguments.iter().copied().chain(own).collect()
    }

    /// As arguments.
    pub fn options(&self) -> Vec<&str> {
        self.after(&[])
    }
}
