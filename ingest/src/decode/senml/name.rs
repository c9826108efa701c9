//! Whose channel a resolved SenML name is.

use super::super::decode_error::{DecodeError, quoted};
use larder_domain::{ChannelName, DeviceId};

/// Who sent a pack.
#[derive(Clone, Copy)]
pub(in crate::decode) struct Speaker<'a> {
    /// The device of the topic.
    pub device: &'a DeviceId,
    /// Whether the device is declared as a gateway and may speak for others.
    pub is_gateway: bool,
}

const URN: &str = "urn:dev:";

/// The device and channel that a resolved name stands for: `weight` and `a/weight` are channels of
/// the speaker, with or without `<device>/`, `<device>:` or `urn:dev:<kind>:<id>` (RFC 9039) in
/// front. Only a gateway may name another device, and only by `:`.
pub(super) fn resolve(
    name: &str,
    speaker: Speaker,
) -> Result<(DeviceId, ChannelName), DecodeError> {
    let (owner, channel) = split(name, speaker)?;
    let device = match owner {
        None => speaker.device.clone(),
        Some(owner) if owner == speaker.device.as_str() => speaker.device.clone(),
        Some(owner) if speaker.is_gateway => DeviceId::new(owner)
            .map_err(|error| DecodeError::name(format!("the name {}: {error}", quoted(name))))?,
        Some(owner) => {
            return Err(DecodeError::name(format!(
                "the name {} is about the device {}, but {} is not declared as a gateway",
                quoted(name),
                quoted(owner),
                speaker.device
            )));
        }
    };
    if channel.is_empty() {
        return Err(no_channel(name));
    }
    let channel =
        ChannelName::new(channel).map_err(|error| DecodeError::name(error.to_string()))?;
    Ok((device, channel))
}

/// The device in front, if there is one, and the channel.
fn split<'n>(name: &'n str, speaker: Speaker) -> Result<(Option<&'n str>, &'n str), DecodeError> {
    let urn = name
        .get(..URN.len())
        .filter(|start| start.eq_ignore_ascii_case(URN))
        .and_then(|_| name.get(URN.len()..));
    if let Some(rest) = urn {
        let (_kind, rest) = rest.split_once(':').ok_or_else(|| no_channel(name))?;
        return rest
            .split_once([':', '/'])
            .map(|(id, channel)| (Some(id), channel))
            .ok_or_else(|| no_channel(name));
    }
    if let Some((owner, channel)) = name.split_once(':') {
        return Ok((Some(owner), channel));
    }
    match name.strip_prefix(speaker.device.as_str()) {
        Some("") if !is_known(name) => Err(no_channel(name)),
        Some(rest) if rest.starts_with('/') => Ok((None, &rest[1..])),
        _ => Ok((None, name)),
    }
}

/// A device may be called like a channel (`weight`); then its bare name is that channel.
fn is_known(name: &str) -> bool {
    ChannelName::new(name).is_ok_and(|channel| channel.kind().is_some())
}

fn no_channel(name: &str) -> DecodeError {
    DecodeError::name(if name.is_empty() {
        "a record without a name: it must say which channel it is".into()
    } else {
        format!("the name {} names a device but no channel", quoted(name))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn resolved(name: &str, is_gateway: bool) -> Option<String> {
        let device = DeviceId::new("sc-1").unwrap();
        let speaker = Speaker {
            device: &device,
            is_gateway,
        };
        let (device, channel) = resolve(name, speaker).ok()?;
        Some(format!("{device} {channel}"))
    }

    #[test]
    fn names_of_the_speaker() {
        for (name, expected) in [
            ("weight", "sc-1 weight"),
            ("a/weight", "sc-1 a/weight"),
            ("sc-1/weight", "sc-1 weight"),
            ("sc-1:weight", "sc-1 weight"),
            ("sc-1:a/weight", "sc-1 a/weight"),
            ("sc-1/a/weight", "sc-1 a/weight"),
            ("sc-10/weight", "sc-1 sc-10/weight"),
            ("urn:dev:ow:sc-1:weight", "sc-1 weight"),
            ("URN:DEV:mac:sc-1/weight", "sc-1 weight"),
            ("sc-1x", "sc-1 sc-1x"),
        ] {
            for is_gateway in [false, true] {
                assert_eq!(
                    resolved(name, is_gateway).as_deref(),
                    Some(expected),
                    "{name}"
                );
            }
        }
    }

    #[test]
    fn only_gateways_name_others_and_only_by_a_colon() {
        for (name, expected) in [
            ("sc-2:weight", "sc-2 weight"),
            ("sc-2:a/weight", "sc-2 a/weight"),
            (
                "urn:dev:mac:0024befffe804ff1:weight",
                "0024befffe804ff1 weight",
            ),
            ("urn:dev:org:32473-foo:weight", "32473-foo weight"),
        ] {
            assert_eq!(resolved(name, true).as_deref(), Some(expected), "{name}");
            assert_eq!(resolved(name, false), None, "{name}");
        }
        assert_eq!(
            resolved("sc-2/weight", true).as_deref(),
            Some("sc-1 sc-2/weight")
        );
    }

    #[test]
    fn names_without_a_channel_or_not_well_formed() {
        for name in [
            "",
            "sc-1",
            "sc-1/",
            "sc-1:",
            "sc-2:",
            "urn:dev:ow:sc-1",
            "urn:dev:ow:sc-1:",
            "urn:dev:ow",
            "urn:dev:",
            ":weight",
            "sc-2:a:weight",
            "/weight",
            "wei ght",
            "wéight",
            "2001:db8::2/temperature",
        ] {
            assert_eq!(resolved(name, true), None, "{name}");
        }
        assert_eq!(resolved(&"x".repeat(65), true), None);
    }

    #[test]
    fn a_device_called_like_a_channel() {
        let device = DeviceId::new("weight").unwrap();
        let speaker = Speaker {
            device: &device,
            is_gateway: false,
        };
        assert_eq!(resolve("weight", speaker).unwrap().1.as_str(), "weight");
    }
}
