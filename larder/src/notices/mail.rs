//! Mail by SMTP: TLS by rustls with ring, required unless it was said that none is wanted.

use crate::failure::wrong_use;
use anyhow::{Context, Result};
use larder_flags::notices::Letter;
use lettre::message::Mailbox;
use lettre::message::header::ContentType;
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::{AsyncSmtpTransport, AsyncTransport, Message, Tokio1Executor};
use std::path::PathBuf;
use std::time::Duration;

/// How long connecting to a mail server may take.
const PATIENCE: Duration = Duration::from_secs(20);

/// How long the whole of a mail may take, from connecting to the server's word that it has it: `lettre`
/// bounds nothing behind the connecting, and one that falls silent would hold up all notices.
const PATIENCE_FOR_ALL: Duration = Duration::from_secs(60);

/// How mail leaves, checked.
#[derive(Clone)]
pub struct MailServer {
    host: String,
    port: u16,
    security: Security,
    user: Option<String>,
    /// The user's password.
    pub password: Option<String>,
    /// Whom the mail is from.
    pub from: Mailbox,
    /// Certificate authority of the server, PEM; `None`: the system's.
    pub ca: Option<PathBuf>,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Security {
    /// Plain at first, TLS before anything is said.
    StartTls,
    /// TLS from the first byte.
    Tls,
    /// None: for a server on this machine.
    None,
}

impl std::fmt::Debug for MailServer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "MailServer({}:{}, {:?})",
            self.host, self.port, self.security
        )
    }
}

impl MailServer {
    /// Reads `smtp://user@host:587` (STARTTLS), `smtps://user@host:465` (TLS from the first byte) or
    /// `smtp+plain://host:25` (no TLS).
    pub fn parse(url: &str, from: &str) -> Result<Self, String> {
        let like = "mail_server is like smtp://user@mail.example.org:587 (STARTTLS), smtps:// (TLS) or smtp+plain:// (none)";
        let (scheme, rest) = url.split_once("://").ok_or(like)?;
        let (security, usual_port) = match scheme {
            "smtp" => (Security::StartTls, 587),
            "smtps" => (Security::Tls, 465),
            "smtp+plain" => (Security::None, 25),
            _ => return Err(like.to_owned()),
        };
        let rest = rest.trim_end_matches('/');
        let (user, place) = match rest.rsplit_once('@') {
            Some((user, place)) => (Some(user), place),
            None => (None, rest),
        };
        if user.is_some_and(|user| user.contains(':')) {
            return Err("a password does not belong into mail_server: use mail_password_file or LARDER_MAIL_PASSWORD".to_owned());
        }
        let (host, port) = match place.rsplit_once(':') {
            Some((host, port)) => (host, port.parse().map_err(|_| like)?),
            None => (place, usual_port),
        };
        if host.is_empty() {
            return Err(like.to_owned());
        }
        Ok(Self {
            host: host.to_owned(),
            port,
            security,
            user: user.map(|user| user.replace("%40", "@")),
            password: None,
            from: from.parse().map_err(|_| {
                format!("mail_from is like Larder <larder@example.org>, not \"{from}\"")
            })?,
            ca: None,
        })
    }
}

/// A mail server that can be spoken to.
pub struct Mailer {
    transport: AsyncSmtpTransport<Tokio1Executor>,
    from: Mailbox,
    patience: Duration,
}

/// Why a mail was not taken.
#[derive(Debug, thiserror::Error)]
#[error("{reason}")]
pub struct NotTaken {
    /// What the server said.
    pub reason: String,
    /// Whether the server will say the same next time (a 5yz reply).
    pub for_good: bool,
}

impl Mailer {
    /// Reads the certificate and sets TLS up; nothing is connected yet.
    pub fn new(server: &MailServer) -> Result<Self> {
        let tls = || -> Result<TlsParameters> {
            let mut builder = TlsParameters::builder(server.host.clone());
            if let Some(path) = &server.ca {
                let pem = std::fs::read(path).map_err(|error| {
                    wrong_use(format!("cannot read {}: {error}", path.display()))
                })?;
                let certificate = Certificate::from_pem(&pem).map_err(|error| {
                    wrong_use(format!("{} is no PEM certificate: {error}", path.display()))
                })?;
                builder = builder.add_root_certificate(certificate);
            }
            builder.build().context("TLS for mail cannot be set up")
        };
        let security = match server.security {
            Security::StartTls => Tls::Required(tls()?),
            Security::Tls => Tls::Wrapper(tls()?),
            Security::None => Tls::None,
        };
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(&server.host)
            .port(server.port)
            .timeout(Some(PATIENCE))
            .tls(security);
        if let Some(user) = &server.user {
            let password = server.password.clone().unwrap_or_default();
            builder = builder.credentials(Credentials::new(user.clone(), password));
        }
        Ok(Self {
            transport: builder.build(),
            from: server.from.clone(),
            patience: PATIENCE_FOR_ALL,
        })
    }

    /// Sends one mail; `Ok`: the server has taken it. `key` makes the Message-ID (RFC 5322), so that
    /// one that arrives twice can be known.
    pub async fn send(&self, to: &str, letter: &Letter, key: &str) -> Result<(), NotTaken> {
        let unusable = |error: &dyn std::fmt::Display| NotTaken {
            reason: format!("the mail cannot be written: {error}"),
            for_good: true,
        };
        let to: Mailbox = to.parse().map_err(|error| unusable(&error))?;
        let id = format!("<larder-{key}@{}>", self.from.email.domain());
        let message = Message::builder()
            .from(self.from.clone())
            .to(to)
            .subject(&letter.subject)
            .message_id(Some(id))
            .header(ContentType::TEXT_PLAIN)
            .body(letter.body.clone())
            .map_err(|error| unusable(&error))?;
        match tokio::time::timeout(self.patience, self.transport.send(message)).await {
            Ok(Ok(_)) => Ok(()),
            Ok(Err(error)) => Err(NotTaken {
                for_good: error.is_permanent(),
                reason: chain(&error),
            }),
            Err(_) => Err(NotTaken {
                reason: "the mail server stopped answering".to_owned(),
                for_good: false,
            }),
        }
    }
}

/// An error with its causes in one line.
pub(super) fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        let said = cause.to_string();
        if !text.contains(&said) {
            text = format!("{text}: {said}");
        }
        source = cause.source();
    }
    text.chars().take(300).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(url: &str) -> Result<MailServer, String> {
        MailServer::parse(url, "Larder <larder@example.org>")
    }

    #[tokio::test]
    async fn a_server_that_falls_silent_is_given_up() {
        let silent = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let port = silent.local_addr().unwrap().port();
        let server = read(&format!("smtp+plain://127.0.0.1:{port}")).unwrap();
        let mailer = Mailer {
            patience: Duration::from_millis(50),
            ..Mailer::new(&server).unwrap()
        };
        let letter = Letter {
            subject: "Terrace 1".to_owned(),
            body: "is well".to_owned(),
        };
        let refused = mailer.send("ada@example.org", &letter, "1").await;
        let refused = refused.unwrap_err();
        assert!(!refused.for_good && refused.reason.contains("stopped answering"));
    }

    #[test]
    fn servers_are_read_as_they_are_written() {
        let server = read("smtp://ada%40example.org@mail.example.org").unwrap();
        assert_eq!((server.port, server.security), (587, Security::StartTls));
        assert_eq!(server.user.as_deref(), Some("ada@example.org"));
        assert_eq!(read("smtps://mail.example.org").unwrap().port, 465);
        assert_eq!(read("smtp+plain://127.0.0.1:2525").unwrap().port, 2525);
        for wrong in ["mail.example.org", "smtp://", "smtp://h:x", "pop://h"] {
            assert!(
                read(wrong).unwrap_err().starts_with("mail_server is like"),
                "{wrong}"
            );
        }
        let secret = read("smtp://ada:secret@h").unwrap_err();
        assert!(secret.contains("mail_password_file") && !secret.contains("secret@"));
    }
}
