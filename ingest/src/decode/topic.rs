//! Topics: whose readings a message carries.

use super::config::DecodeConfig;
use super::decode_error::{DecodeError, quoted};
use super::mapping::Mapping;
use larder_domain::DeviceId;

/// What stands before `/<device>/readings`; `larder` unless told otherwise.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct TopicPrefix(String);

/// Why a prefix was refused.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error(
    "a topic prefix is like larder or site/larder: no + # or $, no / at an end; \"{0}\" is not one"
)]
pub struct BadPrefix(String);

impl TopicPrefix {
    /// Checks and takes a prefix.
    pub fn new(prefix: &str) -> Result<Self, BadPrefix> {
        const LONGEST: usize = 1024;
        let fits = (1..=LONGEST).contains(&prefix.len())
            && !prefix.starts_with(['/', '$'])
            && !prefix.ends_with('/')
            && !prefix
                .chars()
                .any(|c| c == '+' || c == '#' || c.is_control());
        if fits {
            Ok(Self(prefix.to_owned()))
        } else {
            Err(BadPrefix(prefix.to_owned()))
        }
    }

    /// The prefix as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The filter that matches every device's readings.
    pub fn readings_filter(&self) -> String {
        format!("{}/+/readings", self.0)
    }

    /// The topic of one device's readings.
    pub fn readings_topic(&self, device: &DeviceId) -> String {
        format!("{}/{device}/readings", self.0)
    }

    /// What stands in the device's place of a readings topic.
    pub(super) fn device_of<'t>(&self, topic: &'t str) -> Option<&'t str> {
        let device = topic
            .strip_prefix(&self.0)?
            .strip_prefix('/')?
            .strip_suffix("/readings")?;
        (!device.contains('/')).then_some(device)
    }
}

impl Default for TopicPrefix {
    fn default() -> Self {
        Self("larder".into())
    }
}

/// An MQTT topic filter: `+` stands for one level, `#` at the end for all that follow.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct TopicFilter(String);

/// Why a filter was refused.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error(
    "a topic filter is like a/+/b or a/#: + and # fill a whole level, # is the last; \"{0}\" is not one"
)]
pub struct BadFilter(String);

impl TopicFilter {
    /// Checks and takes a filter.
    pub fn new(filter: &str) -> Result<Self, BadFilter> {
        let levels: Vec<&str> = filter.split('/').collect();
        let fits = (1..=65_535).contains(&filter.len())
            && !filter.chars().any(|c| c.is_control())
            && levels.iter().enumerate().all(|(i, level)| match *level {
                "+" => true,
                "#" => i + 1 == levels.len(),
                level => !level.contains(['+', '#']),
            });
        if fits {
            Ok(Self(filter.to_owned()))
        } else {
            Err(BadFilter(filter.to_owned()))
        }
    }

    /// The filter as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether `topic` matches (MQTT 3.1.1 section 4.7). A shared subscription's `$share/group/` does
    /// not take part.
    pub fn matches(&self, topic: &str) -> bool {
        let mut filter = self.unshared().split('/');
        let mut levels = topic.split('/');
        if topic.starts_with('$') && !self.unshared().starts_with('$') {
            return false;
        }
        loop {
            match (filter.next(), levels.next()) {
                (Some("#"), _) => return true,
                (Some("+"), Some(_)) => {}
                (Some(wanted), Some(level)) if wanted == level => {}
                (None, None) => return true,
                _ => return false,
            }
        }
    }

    fn unshared(&self) -> &str {
        let mut parts = self.0.splitn(3, '/');
        match (parts.next(), parts.next(), parts.next()) {
            (Some("$share"), Some(_), Some(filter)) => filter,
            _ => &self.0,
        }
    }
}

/// Who reads a message.
pub(super) enum Route<'c> {
    /// The decoder of readings: the message came on this device's own topic.
    Readings(DeviceId),
    /// A mapping of the configuration.
    Mapped(&'c Mapping),
}

impl DecodeConfig {
    pub(super) fn route(&self, topic: &str) -> Result<Route<'_>, DecodeError> {
        if let Some(device) = self.prefix.device_of(topic) {
            return DeviceId::new(device)
                .map(Route::Readings)
                .map_err(|error| DecodeError::name(format!("the topic's device: {error}")));
        }
        self.mappings
            .iter()
            .find(|mapping| mapping.filter.matches(topic))
            .map(Route::Mapped)
            .ok_or_else(|| {
                DecodeError::name(format!(
                    "the topic {} is neither {}/<device>/readings nor in a mapping of the configuration",
                    quoted(topic),
                    self.prefix.as_str()
                ))
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_match_as_in_mqtt() {
        // MQTT 3.1.1 sections 4.7.1.2, 4.7.1.3 and 4.7.2, non-normative examples.
        for (filter, topic, expected) in [
            ("sport/tennis/player1/#", "sport/tennis/player1", true),
            (
                "sport/tennis/player1/#",
                "sport/tennis/player1/ranking",
                true,
            ),
            (
                "sport/tennis/player1/#",
                "sport/tennis/player1/score/wimbledon",
                true,
            ),
            ("sport/#", "sport", true),
            ("#", "anything/at/all", true),
            ("sport/tennis/+", "sport/tennis/player1", true),
            ("sport/tennis/+", "sport/tennis/player1/ranking", false),
            ("sport/+", "sport", false),
            ("sport/+", "sport/", true),
            ("+/+", "/finance", true),
            ("/+", "/finance", true),
            ("+", "/finance", false),
            ("#", "$SYS/broker/uptime", false),
            ("+/monitor/Clients", "$SYS/monitor/Clients", false),
            ("$SYS/#", "$SYS/broker/uptime", true),
            ("$share/ingest/a/+", "a/b", true),
        ] {
            let filter = TopicFilter::new(filter).unwrap();
            assert_eq!(filter.matches(topic), expected, "{filter:?} {topic}");
        }
        for bad in [
            "",
            "sport/tennis#",
            "sport/tennis/#/ranking",
            "sport+",
            "a/b+/c",
        ] {
            assert!(TopicFilter::new(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn prefixes_may_have_levels() {
        let prefix = TopicPrefix::new("site-4/larder").unwrap();
        assert_eq!(
            prefix.device_of("site-4/larder/sc-1/readings"),
            Some("sc-1")
        );
        assert_eq!(prefix.device_of("site-4/larder/a/b/readings"), None);
        assert_eq!(prefix.device_of("larder/sc-1/readings"), None);
        assert_eq!(prefix.device_of("site-4/larder/readings"), None);
        for bad in ["", "/larder", "larder/", "a/+", "#", "$SYS"] {
            assert!(TopicPrefix::new(bad).is_err(), "{bad}");
        }
    }
}
