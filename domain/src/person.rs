//! Who wants to hear of what, and how.

use crate::identity::{PersonId, YardId};
use crate::results::{FlagKind, Severity};
use crate::time::Timestamp;
use chrono::NaiveTime;
use larder_syrup::units::UnitSystem;

/// Someone (or some machine) who is told of flags.
#[derive(Clone, PartialEq, Debug)]
pub struct Person {
    /// The person's id.
    pub id: PersonId,
    /// What people call them.
    pub name: String,
    /// Where notices go.
    pub ways: Vec<Way>,
    /// Only these yards; empty: all.
    pub yards: Vec<YardId>,
    /// Only these kinds; empty: the usual ones (see [`Self::wants`]).
    pub kinds: Vec<FlagKind>,
    /// Only flags that are at least so pressing.
    pub from_severity: Severity,
    /// Local time of the flag's yard in which nothing is sent; what there is to say waits.
    pub quiet: Option<QuietHours>,
    /// Mail once a day at this local time of their first yard; `None`: at once.
    pub digest_at: Option<NaiveTime>,
    /// `None`: as the operation.
    pub units: Option<UnitSystem>,
    /// Since when they are told; what was known before is not news to them.
    pub since: Timestamp,
}

/// Kinds of which only those are told who name them. The first two rest on what a hive has left in
/// stores, which is not estimated well enough yet to wake anybody; that a hive was opened is no news to
/// whoever opened it.
pub const ONLY_WHEN_NAMED: [FlagKind; 3] = [
    FlagKind::NeedsFeed,
    FlagKind::BehindTarget,
    FlagKind::Opened,
];

impl Person {
    /// Whether they are told of flags of this kind: of those that they name, or, where they name
    /// none, of all but [`ONLY_WHEN_NAMED`].
    pub fn wants(&self, kind: FlagKind) -> bool {
        match self.kinds.is_empty() {
            true => !ONLY_WHEN_NAMED.contains(&kind),
            false => self.kinds.contains(&kind),
        }
    }
}

/// Where a notice goes.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Way {
    /// To a mailbox.
    Mail(MailAddress),
    /// To a program, as CloudEvents.
    Webhook(WebhookUrl),
}

impl Way {
    /// The word in stored records and on the wire.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Mail(_) => "mail",
            Self::Webhook(_) => "webhook",
        }
    }

    /// The mailbox or the URL.
    pub fn address(&self) -> &str {
        match self {
            Self::Mail(address) => address.as_str(),
            Self::Webhook(url) => url.as_str(),
        }
    }

    /// Puts [`Self::name`] and [`Self::address`] together again.
    pub fn new(name: &str, address: &str) -> Result<Self, BadWay> {
        match name {
            "mail" => MailAddress::new(address).map(Self::Mail),
            "webhook" => WebhookUrl::new(address).map(Self::Webhook),
            other => Err(BadWay(format!(
                "a way is mail or webhook, not \"{}\"",
                short(other)
            ))),
        }
    }
}

/// Why a way to someone was refused, in a sentence.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{0}")]
pub struct BadWay(String);

fn short(text: &str) -> String {
    text.chars().take(80).collect()
}

/// A mailbox, as `name@example.org`.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct MailAddress(String);

impl MailAddress {
    /// Checks and takes one: something, `@`, a host; no spaces; 254 characters at most (RFC 5321).
    pub fn new(text: &str) -> Result<Self, BadWay> {
        let text = text.trim();
        let plain = |part: &str| {
            !part.is_empty()
                && part
                    .chars()
                    .all(|c| c.is_ascii_graphic() && !"<>,;:\"()[]\\@".contains(c))
        };
        let fits = text.len() <= 254
            && text
                .rsplit_once('@')
                .is_some_and(|(local, host)| plain(local) && plain(host));
        match fits {
            true => Ok(Self(text.to_owned())),
            false => Err(BadWay(format!(
                "a mail address is like ada@example.org, not \"{}\"",
                short(text)
            ))),
        }
    }

    /// As text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// A URL that takes CloudEvents.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct WebhookUrl(String);

impl WebhookUrl {
    /// Checks and takes one: `http://` or `https://`, a host, no spaces, 2,000 characters at most.
    pub fn new(text: &str) -> Result<Self, BadWay> {
        let text = text.trim();
        let rest = text
            .strip_prefix("https://")
            .or_else(|| text.strip_prefix("http://"));
        let fits = text.len() <= 2000
            && text.bytes().all(|b| b.is_ascii_graphic())
            && rest.is_some_and(|rest| !rest.is_empty() && !rest.starts_with('/'));
        match fits {
            true => Ok(Self(text.to_owned())),
            false => Err(BadWay(format!(
                "a webhook is a URL like https://example.org/larder, not \"{}\"",
                short(text)
            ))),
        }
    }

    /// As text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// Local hours in which nothing is sent, from the first moment to the first one after; over midnight
/// where `from` is later than `to`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct QuietHours {
    /// From.
    pub from: NaiveTime,
    /// To.
    pub to: NaiveTime,
}

impl QuietHours {
    /// Whether a local time of day lies in them.
    pub fn holds_at(self, time: NaiveTime) -> bool {
        match self.from <= self.to {
            true => self.from <= time && time < self.to,
            false => self.from <= time || time < self.to,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn time(hour: u32, minute: u32) -> NaiveTime {
        NaiveTime::from_hms_opt(hour, minute, 0).unwrap()
    }

    #[test]
    fn quiet_hours_go_over_midnight() {
        let night = QuietHours {
            from: time(21, 0),
            to: time(6, 30),
        };
        assert!(night.holds_at(time(23, 59)) && night.holds_at(time(0, 0)));
        assert!(night.holds_at(time(21, 0)) && !night.holds_at(time(6, 30)));
        assert!(!night.holds_at(time(12, 0)));
        let noon = QuietHours {
            from: time(12, 0),
            to: time(13, 0),
        };
        assert!(noon.holds_at(time(12, 30)) && !noon.holds_at(time(13, 0)));
    }

    #[test]
    fn addresses_are_checked_where_they_enter() {
        for good in ["ada@example.org", " a.b+larder@mail.example.org "] {
            assert!(MailAddress::new(good).is_ok(), "{good}");
        }
        for bad in [
            "",
            "ada",
            "@example.org",
            "ada@",
            "a da@example.org",
            "a@b\r\nBcc: c@d",
            "x@y>",
        ] {
            let said = MailAddress::new(bad).unwrap_err().to_string();
            assert!(
                said.starts_with("a mail address is like ada@example.org"),
                "{bad}"
            );
        }
        for good in ["http://127.0.0.1:9000/in", "https://example.org"] {
            assert!(WebhookUrl::new(good).is_ok(), "{good}");
        }
        for bad in ["ftp://x", "https://", "http:///x", "https://a b"] {
            assert!(WebhookUrl::new(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_way_is_put_together_again() {
        let way = Way::new("mail", "ada@example.org").unwrap();
        assert_eq!(Way::new(way.name(), way.address()), Ok(way));
        assert!(Way::new("pigeon", "loft").is_err());
    }
}
