//! What the decoders need to know, and mappings as the settings file writes them.

use super::mapping::{DeviceSource, MappedChannel, Mapping, Ready, TimeSource};
use super::pointer::Pointer;
use super::topic::{TopicFilter, TopicPrefix};
use larder_domain::apiary::Problem;
use larder_domain::{ChannelName, DeviceId, Unit};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// What the decoders need to know.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct DecodeConfig {
    /// What stands before `/<device>/readings`.
    pub prefix: TopicPrefix,
    /// Devices that may speak for others.
    pub gateways: BTreeSet<DeviceId>,
    /// Other topics and shapes; the first whose filter matches reads a message.
    pub mappings: Vec<Mapping>,
}

impl DecodeConfig {
    /// The topic filters to subscribe to.
    pub fn filters(&self) -> Vec<String> {
        let mut filters = vec![self.prefix.readings_filter()];
        for mapping in &self.mappings {
            let filter = mapping.filter.as_str();
            if !filters.iter().any(|f| f == filter) {
                filters.push(filter.to_owned());
            }
        }
        filters
    }

    /// Who sends on a topic: the device where the topic says it, else the topic itself, the first of
    /// it where it is longer than any device's name.
    pub fn sender(&self, topic: &str) -> String {
        const LONGEST: usize = 64;
        let sender = self.prefix.device_of(topic).unwrap_or(topic);
        sender.chars().take(LONGEST).collect()
    }

    /// Whether a topic is one of those that [`Self::filters`] asks for.
    pub fn reads(&self, topic: &str) -> bool {
        self.prefix.device_of(topic).is_some()
            || self.mappings.iter().any(|m| m.filter.matches(topic))
    }
}

/// A `[[mapping]]` of the settings file: how another topic and shape of JSON becomes readings.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MappingFile {
    /// A ready mapping to start from: `the-things-stack-v3` or `chirpstack-v4`.
    #[serde(rename = "use", default, skip_serializing_if = "Option::is_none")]
    pub ready: Option<String>,
    /// The topic filter, `+` and `#` allowed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub topic: Option<String>,
    /// Where the device's id is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<DeviceFile>,
    /// JSON Pointer to a list whose items are one record each; none: the message is one record.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub records: Option<String>,
    /// Where the time is; none: the time of receipt.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<TimeFile>,
    /// JSON Pointer to an object that is read like flat JSON (`weight_kg` …).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flat: Option<String>,
    /// The channels.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channel: Vec<ChannelFile>,
}

/// Exactly one of the three.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DeviceFile {
    /// The level of the topic, counted from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level: Option<usize>,
    /// JSON Pointer into the record, else into the message.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pointer: Option<String>,
    /// Always this device.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
}

/// Where a record's time is.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TimeFile {
    /// JSON Pointer into the record, else into the message.
    pub pointer: String,
    /// How it is written; none: RFC 3339, or Unix seconds or milliseconds by size.
    #[serde(default)]
    pub format: TimeFormat,
}

/// How a time is written.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TimeFormat {
    /// RFC 3339, or Unix seconds, or (from 1e11 on) milliseconds.
    #[default]
    Any,
    /// RFC 3339 text.
    Rfc3339,
    /// Seconds since 1970.
    UnixS,
    /// Milliseconds since 1970.
    UnixMs,
}

/// A channel of a mapping: value × scale + offset, in `unit`.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelFile {
    /// The channel's name.
    pub name: String,
    /// JSON Pointer into the record, else into the message.
    pub pointer: String,
    /// The unit; may be left out on a channel that the service knows: it is then that channel's own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Factor; 1 where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
    /// Added after scaling, in `unit`; 0 where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<f64>,
}

impl MappingFile {
    /// Checks all mappings of a settings file and says everything that is wrong with them.
    pub fn check_all(files: &[Self]) -> Result<Vec<Mapping>, Vec<Problem>> {
        let mut problems = Vec::new();
        let mut mappings = Vec::new();
        for (i, file) in files.iter().enumerate() {
            let place = match &file.topic {
                Some(topic) => format!("mapping {} ({topic})", i + 1),
                None => format!("mapping {}", i + 1),
            };
            let before = problems.len();
            let mut say = |problem: String| {
                problems.push(Problem {
                    place: place.clone(),
                    problem,
                })
            };
            let mapping = file.check(&mut say);
            if problems.len() == before {
                mappings.extend(mapping);
            }
        }
        if problems.is_empty() {
            Ok(mappings)
        } else {
            Err(problems)
        }
    }

    fn check(&self, say: &mut impl FnMut(String)) -> Option<Mapping> {
        let ready = self.ready.as_deref().and_then(|name| {
            let found = Ready::from_name(name);
            if found.is_none() {
                let known: Vec<&str> = Ready::ALL.iter().map(|r| r.name()).collect();
                say(format!(
                    "there is no ready mapping \"{name}\"; take one of {}",
                    known.join(", ")
                ));
            }
            found
        });
        let start = ready.map(Ready::mapping);
        let filter = match (&self.topic, &start) {
            (Some(topic), _) => said(TopicFilter::new(topic), "topic", say),
            (None, Some(start)) => Some(start.filter.clone()),
            (None, None) => {
                say("`topic` is missing: the topic filter to subscribe to".into());
                None
            }
        };
        let device = match (&self.device, &start) {
            (Some(device), _) => device.check(say),
            (None, Some(start)) => Some(start.device.clone()),
            (None, None) => {
                say(
                    "`device` is missing: { level = 2 }, { pointer = \"/id\" } or { name = \"x\" }"
                        .into(),
                );
                None
            }
        };
        let times = match (&self.time, &start) {
            (Some(time), _) => said(Pointer::parse(&time.pointer), "time", say)
                .map(|pointer| TimeSource {
                    pointer,
                    format: time.format,
                })
                .into_iter()
                .collect(),
            (None, Some(start)) => start.times.clone(),
            (None, None) => Vec::new(),
        };
        let mut flat = start.map(|start| start.flat).unwrap_or_default();
        if let Some(pointer) = &self.flat {
            flat.extend(said(Pointer::parse(pointer), "flat", say));
        }
        if self.channel.is_empty() && flat.is_empty() && ready.is_none() {
            say("it maps nothing: give [[mapping.channel]] or `flat`".into());
        }
        let records = self
            .records
            .as_deref()
            .and_then(|pointer| said(Pointer::parse(pointer), "records", say));
        let channels = self.channel.iter().filter_map(|c| c.check(say)).collect();
        Some(Mapping {
            filter: filter?,
            device: device?,
            records,
            times,
            flat,
            channels,
            ready,
        })
    }
}

/// Notes an error with the key it belongs to.
fn said<T, E: std::fmt::Display>(
    result: Result<T, E>,
    key: &str,
    say: &mut impl FnMut(String),
) -> Option<T> {
    result
        .map_err(|error| say(format!("`{key}`: {error}")))
        .ok()
}

impl DeviceFile {
    fn check(&self, say: &mut impl FnMut(String)) -> Option<DeviceSource> {
        match (self.level, &self.pointer, &self.name) {
            (Some(level @ 1..), None, None) => Some(DeviceSource::Level(level)),
            (None, Some(pointer), None) => {
                said(Pointer::parse(pointer), "device", say).map(DeviceSource::Pointer)
            }
            (None, None, Some(name)) => {
                said(DeviceId::new(name), "device", say).map(DeviceSource::Fixed)
            }
            _ => {
                say("`device` needs exactly one of level (from 1), pointer or name".into());
                None
            }
        }
    }
}

impl ChannelFile {
    fn check(&self, say: &mut impl FnMut(String)) -> Option<MappedChannel> {
        let mut say = |problem: String| say(format!("channel \"{}\": {problem}", self.name));
        let channel = said(ChannelName::new(&self.name), "name", &mut say);
        let pointer = said(Pointer::parse(&self.pointer), "pointer", &mut say);
        let unit = match &self.unit {
            None => None,
            Some(unit) => said(Unit::new(unit), "unit", &mut say),
        };
        let (scale, offset) = (self.scale.unwrap_or(1.0), self.offset.unwrap_or(0.0));
        if !(scale.is_finite() && offset.is_finite() && scale.abs() > 0.0) {
            say("`scale` must be a number other than 0, `offset` a number".into());
        }
        match (channel.as_ref()?.kind(), &unit) {
            (None, None) if self.unit.is_none() => {
                say("a channel that the service does not know needs a `unit`".into());
            }
            (Some(kind), Some(unit)) if unit.convert(0.0, &kind.unit()).is_none() => {
                say(format!(
                    "the unit {unit} does not measure what {} does",
                    kind.unit()
                ));
            }
            _ => {}
        }
        Some(MappedChannel {
            channel: channel?,
            pointer: pointer?,
            unit,
            scale,
            offset,
        })
    }
}
