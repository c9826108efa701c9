//! A checked mapping, and the ready ones.

use super::config::TimeFormat;
use super::pointer::Pointer;
use super::topic::TopicFilter;
use larder_domain::{ChannelName, DeviceId, Unit};

/// How messages of other topics become readings.
#[derive(Clone, PartialEq, Debug)]
pub struct Mapping {
    /// The topics that it reads.
    pub filter: TopicFilter,
    /// Where the device's id is.
    pub device: DeviceSource,
    /// A list whose items are one record each; `None`: the message is one record.
    pub records: Option<Pointer>,
    /// Where the time may be; the first that is there counts; none: the time of receipt.
    pub times: Vec<TimeSource>,
    /// Objects that are read like flat JSON.
    pub flat: Vec<Pointer>,
    /// The channels.
    pub channels: Vec<MappedChannel>,
    /// The network server whose envelope this is.
    pub ready: Option<Ready>,
}

/// Where a device's id is.
#[derive(Clone, PartialEq, Debug)]
pub enum DeviceSource {
    /// This level of the topic, counted from 1.
    Level(usize),
    /// This member of the record, else of the message.
    Pointer(Pointer),
    /// Always this one.
    Fixed(DeviceId),
}

/// Where a time is.
#[derive(Clone, PartialEq, Debug)]
pub struct TimeSource {
    /// This member of the record, else of the message.
    pub pointer: Pointer,
    /// How it is written.
    pub format: TimeFormat,
}

/// A channel: value × scale + offset, in `unit`.
#[derive(Clone, PartialEq, Debug)]
pub struct MappedChannel {
    /// The channel.
    pub channel: ChannelName,
    /// This member of the record, else of the message.
    pub pointer: Pointer,
    /// The unit; `None`: the channel's own.
    pub unit: Option<Unit>,
    /// Factor; not zero.
    pub scale: f64,
    /// Added after scaling, in `unit`.
    pub offset: f64,
}

/// Network servers for LoRaWAN whose uplinks are understood without describing them.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ready {
    /// The Things Stack, version 3.
    TheThingsStackV3,
    /// ChirpStack, version 4, with its JSON marshaler.
    ChirpStackV4,
}

impl Ready {
    /// All ready mappings.
    pub const ALL: [Self; 2] = [Self::TheThingsStackV3, Self::ChirpStackV4];

    /// The name in the settings file.
    pub fn name(self) -> &'static str {
        match self {
            Self::TheThingsStackV3 => "the-things-stack-v3",
            Self::ChirpStackV4 => "chirpstack-v4",
        }
    }

    /// Reads the name back.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|ready| ready.name() == name)
    }

    /// The mapping as it comes. What the device's own decoder puts into the payload is read like
    /// flat JSON; a settings file may add channels for other names.
    pub fn mapping(self) -> Mapping {
        let pointer = |text| Pointer::parse(text).expect("a literal pointer");
        let filter = |text| TopicFilter::new(text).expect("a literal filter");
        let (filter, device, times, flat) = match self {
            Self::TheThingsStackV3 => (
                filter("v3/+/devices/+/#"),
                DeviceSource::Level(4),
                vec!["/uplink_message/received_at", "/received_at"],
                "/uplink_message/decoded_payload",
            ),
            Self::ChirpStackV4 => (
                filter("application/+/device/+/event/+"),
                DeviceSource::Level(4),
                vec!["/time"],
                "/object",
            ),
        };
        let times = times.into_iter().map(|text| TimeSource {
            pointer: pointer(text),
            format: TimeFormat::Rfc3339,
        });
        Mapping {
            filter,
            device,
            records: None,
            times: times.collect(),
            flat: vec![pointer(flat)],
            channels: Vec::new(),
            ready: Some(self),
        }
    }
}
