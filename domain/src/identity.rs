//! Names of things. Each is checked once, where it enters; holding one proves that it is well formed.

use crate::channel::ChannelName;
use std::fmt;

/// Why a name was refused.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{what} must be 1 to 64 of A-Z a-z 0-9 . _ -, not \"{given}\"")]
pub struct BadName {
    what: &'static str,
    given: String,
}

macro_rules! name_type {
    ($(#[$doc:meta])* $name:ident, $what:literal) => {
        $(#[$doc])*
        #[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
        pub struct $name(String);

        impl $name {
            /// Checks and takes a name: 1 to 64 of `A-Z a-z 0-9 . _ -`.
            pub fn new(name: &str) -> Result<Self, BadName> {
                let fits = (1..=64).contains(&name.len())
                    && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"._-".contains(&b));
                if fits {
                    Ok(Self(name.to_owned()))
                } else {
                    Err(BadName { what: $what, given: name.chars().take(80).collect() })
                }
            }

            /// The name as text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl std::str::FromStr for $name {
            type Err = BadName;
            fn from_str(name: &str) -> Result<Self, BadName> {
                Self::new(name)
            }
        }
    };
}

name_type!(
    /// A scale, level sensor, weather station or logger.
    DeviceId, "a device's name");
name_type!(
    /// A yard.
    YardId, "a yard's id");
name_type!(
    /// A hive.
    HiveId, "a hive's id");
name_type!(
    /// A feeder.
    FeederId, "a feeder's id");
name_type!(
    /// Someone who is told of flags.
    PersonId, "a person's id");

/// One channel of one device: what a series of readings belongs to.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct ChannelRef {
    /// The device that reports it.
    pub device: DeviceId,
    /// The channel's name on that device, prefix included (`a/weight`).
    pub channel: ChannelName,
}

impl ChannelRef {
    /// The channel called `base` beside this one, under the same prefix: `a/weight` and
    /// `temperature` give `a/temperature`.
    pub fn sibling(&self, base: &str) -> Option<Self> {
        let name = match self.channel.as_str().rsplit_once('/') {
            Some((prefix, _)) => format!("{prefix}/{base}"),
            None => base.to_owned(),
        };
        Some(Self {
            device: self.device.clone(),
            channel: ChannelName::new(&name).ok()?,
        })
    }
}

impl fmt::Display for ChannelRef {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.device, self.channel)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_checked() {
        assert!(DeviceId::new("sc-north-01.a_B").is_ok());
        assert!(DeviceId::new(&"x".repeat(64)).is_ok());
        for bad in ["", "a b", "a/b", "é", "a\u{0}", &"x".repeat(65)] {
            assert!(DeviceId::new(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn siblings_keep_the_prefix() {
        let of = |name: &str| ChannelRef {
            device: DeviceId::new("lg-1").unwrap(),
            channel: ChannelName::new(name).unwrap(),
        };
        assert_eq!(
            of("a/weight").sibling("temperature").unwrap(),
            of("a/temperature")
        );
        assert_eq!(
            of("weight").sibling("temperature").unwrap(),
            of("temperature")
        );
    }
}
