//! Asking the server, and what can go wrong with that.

use super::InfluxConfig;
use crate::StoreError;
use crate::archive::FaultKind;
use flate2::Compression;
use flate2::write::GzEncoder;
use std::fmt;
use std::io::{Read, Write};
use std::sync::Arc;
use std::time::Duration;
use ureq::http::{Response, StatusCode};
use ureq::tls::{Certificate, PemItem, RootCerts, TlsConfig, parse_pem};
use ureq::{Agent, Body};

/// How long a connection may take to be made.
pub(super) const CONNECT: Duration = Duration::from_secs(5);
/// Bodies smaller than this are not worth packing.
const PACK_FROM: usize = 1_024;
/// Bytes of an answer that says what is wrong.
const MOST_COMPLAINT: u64 = 8 * 1024;

/// A secret that no log shows.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

impl Token {
    /// Takes a token; a line's end (as in a file) does not belong to it.
    pub fn new(token: &str) -> Self {
        Self(token.trim().to_owned())
    }

    /// The secret itself, to be put where only its owner reads it.
    pub fn secret(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(…)")
    }
}

/// Why the server did not do what it was asked to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Trouble {
    /// No answer.
    Unreachable(String),
    /// Too busy, or broken; perhaps with a wish for patience.
    Busy {
        /// What it says.
        says: String,
        /// How long the server asks us to wait.
        retry_after: Option<Duration>,
    },
    /// Not with this token.
    Forbidden(String),
    /// No such thing: organisation, bucket.
    Missing(String),
    /// The server understands but does not want what was sent.
    Refused(String),
}

impl Trouble {
    pub(super) fn kind(&self) -> FaultKind {
        match self {
            Self::Unreachable(_) => FaultKind::Unreachable,
            Self::Busy { .. } => FaultKind::Busy,
            Self::Forbidden(_) | Self::Missing(_) => FaultKind::Forbidden,
            Self::Refused(_) => FaultKind::Refused,
        }
    }
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unreachable(why) => write!(f, "it does not answer: {why}"),
            Self::Busy { says, .. } => write!(f, "it cannot at the moment: {says}"),
            Self::Forbidden(says) => write!(
                f,
                "it refuses the token ({says}); give one that may read and write the bucket"
            ),
            Self::Missing(says) => write!(
                f,
                "it has no such organisation or bucket ({says}), or the token may not see it; `larder influx init` makes the bucket"
            ),
            Self::Refused(says) => write!(f, "it refuses what was sent: {says}"),
        }
    }
}

pub(super) struct Http {
    agent: Agent,
    base: String,
    token: Token,
}

impl Http {
    pub(super) fn new(config: &InfluxConfig) -> Result<Self, StoreError> {
        let url = server_address(config)?;
        let tls = TlsConfig::builder().root_certs(root_certs(config)?).build();
        let agent = Agent::config_builder()
            .http_status_as_error(false)
            .timeout_connect(Some(CONNECT))
            .timeout_recv_response(Some(config.patience))
            .timeout_per_read(Some(config.patience))
            .timeout_per_write(Some(config.patience))
            .max_redirects(0)
            .user_agent(concat!("larder/", env!("CARGO_PKG_VERSION")))
            .tls_config(tls)
            .build()
            .new_agent();
        Ok(Self {
            agent,
            base: url.to_owned(),
            token: config.token.clone(),
        })
    }

    /// `POST` of lines, packed.
    pub(super) fn post_lines(&self, path: &str, lines: &str) -> Result<(), Trouble> {
        let request = self.agent.post(format!("{}{path}", self.base));
        let request = request.header("Authorization", format!("Token {}", self.token.0));
        let request = request.content_type("text/plain; charset=utf-8");
        let answer = if lines.len() < PACK_FROM {
            request.send(lines)
        } else {
            request
                .header("Content-Encoding", "gzip")
                .send(&pack(lines)[..])
        };
        judged(answer).map(drop)
    }

    pub(super) fn post_json(
        &self,
        path: &str,
        body: &serde_json::Value,
    ) -> Result<Response<Body>, Trouble> {
        let request = self.agent.post(format!("{}{path}", self.base));
        let request = request.header("Authorization", format!("Token {}", self.token.0));
        judged(
            request
                .content_type("application/json")
                .send(body.to_string()),
        )
    }

    pub(super) fn get_json(&self, path: &str) -> Result<serde_json::Value, Trouble> {
        let request = self.agent.get(format!("{}{path}", self.base));
        let request = request.header("Authorization", format!("Token {}", self.token.0));
        json(judged(request.call())?)
    }
}

/// The address without a slash at its end.
pub(super) fn server_address(config: &InfluxConfig) -> Result<&str, StoreError> {
    let url = config.url.trim_end_matches('/');
    if url.starts_with("http://") || url.starts_with("https://") {
        return Ok(url);
    }
    Err(StoreError::Elsewhere(format!(
        "an InfluxDB's address is like http://localhost:8086, not \"{url}\""
    )))
}

fn json(answer: Response<Body>) -> Result<serde_json::Value, Trouble> {
    serde_json::from_reader(answer.into_body().into_reader())
        .map_err(|error| Trouble::Unreachable(format!("its answer does not read: {error}")))
}

fn root_certs(config: &InfluxConfig) -> Result<RootCerts, StoreError> {
    let Some(path) = &config.ca else {
        if !config.url.starts_with("https://") {
            return Ok(RootCerts::WebPki);
        }
        let system = rustls_native_certs::load_native_certs().certs;
        let certs = system
            .iter()
            .map(|der| Certificate::from_der(der.as_ref()).to_owned());
        return Ok(RootCerts::Specific(Arc::new(certs.collect())));
    };
    let unusable = |why: String| {
        StoreError::Elsewhere(format!("{} holds no certificate: {why}", path.display()))
    };
    let pem = std::fs::read(path).map_err(|error| unusable(error.to_string()))?;
    let mut certs = Vec::new();
    for item in parse_pem(&pem) {
        match item {
            Ok(PemItem::Certificate(cert)) => certs.push(cert),
            Ok(_) => {}
            Err(error) => return Err(unusable(error.to_string())),
        }
    }
    if certs.is_empty() {
        return Err(unusable("none is in it".into()));
    }
    Ok(RootCerts::Specific(Arc::new(certs)))
}

fn pack(lines: &str) -> Vec<u8> {
    let mut packer = GzEncoder::new(Vec::with_capacity(lines.len() / 6), Compression::fast());
    packer
        .write_all(lines.as_bytes())
        .expect("a Vec takes everything");
    packer.finish().expect("a Vec takes everything")
}

fn judged(answer: Result<Response<Body>, ureq::Error>) -> Result<Response<Body>, Trouble> {
    let answer = answer.map_err(|error| Trouble::Unreachable(error.to_string()))?;
    let status = answer.status();
    if status.is_success() {
        return Ok(answer);
    }
    let retry_after = (answer.headers().get("retry-after"))
        .and_then(|value| value.to_str().ok()?.trim().parse().ok())
        .map(Duration::from_secs);
    let mut text = String::new();
    let mut body = answer.into_body().into_reader().take(MOST_COMPLAINT);
    // What can be read of it is told.
    let _ = body.read_to_string(&mut text);
    Err(refusal(status.as_u16(), &text, retry_after))
}

/// What an answer means that is not the one asked for.
pub(super) fn refusal(status: u16, text: &str, retry_after: Option<Duration>) -> Trouble {
    let says = complaint(status, text);
    match status {
        401 | 403 => Trouble::Forbidden(says),
        404 => Trouble::Missing(says),
        408 | 425 | 429 => Trouble::Busy { says, retry_after },
        400..=499 => Trouble::Refused(says),
        _ => Trouble::Busy { says, retry_after },
    }
}

/// The server's own sentence, on one line.
fn complaint(status: u16, text: &str) -> String {
    let message = serde_json::from_str::<serde_json::Value>(text)
        .ok()
        .and_then(|json| Some(json.get("message")?.as_str()?.to_owned()));
    let message = message
        .as_deref()
        .unwrap_or(text)
        .replace(['\n', '\r'], " ");
    let message: String = message.trim().chars().take(300).collect();
    match message.is_empty() {
        true => StatusCode::from_u16(status).map_or(status.to_string(), |known| known.to_string()),
        false => format!("{status}: {message}"),
    }
}

/// A part of an address.
pub(super) fn quoted(text: &str) -> String {
    let mut quoted = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            quoted.push(char::from(byte));
        } else {
            quoted.push_str(&format!("%{byte:02X}"));
        }
    }
    quoted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_not_shown_and_loses_its_lines_end() {
        let token = Token::new("s3cret\n");
        assert_eq!(token.secret(), "s3cret");
        assert_eq!(format!("{token:?}"), "Token(…)");
    }

    #[test]
    fn parts_of_an_address_are_quoted() {
        assert_eq!(quoted("Büro & Söhne"), "B%C3%BCro%20%26%20S%C3%B6hne");
    }
}
