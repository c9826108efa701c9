//! How a reading stands in InfluxDB: one measurement, the tags `device` and `channel`, and one
//! field that names quantity and unit, as `weight_kg`. What Larder understands has plain names;
//! another channel's field is its name and its unit as it came, as `co2_ppm`, and both can be had
//! back from it.

use larder_domain::{ChannelName, Unit};

/// The measurement's name.
pub const MEASUREMENT: &str = "reading";

/// The field of a channel whose values are in `unit`.
pub fn field_of(channel: &ChannelName, unit: &Unit) -> String {
    match channel.kind() {
        Some(kind) if kind.unit() == *unit => kind.field().to_owned(),
        // A key that ends in a backslash cannot be written in line protocol.
        _ => format!("{}_{}", base(channel), unit.as_str().replace('\\', "%5C")),
    }
}

/// The unit that a field's name says; `None`: the field is not one of Larder's.
pub(super) fn unit_of(channel: &ChannelName, field: &str) -> Option<Unit> {
    if let Some(kind) = channel.kind()
        && kind.field() == field
    {
        return Some(kind.unit());
    }
    let unit = field.strip_prefix(base(channel))?.strip_prefix('_')?;
    Unit::new(&unit.replace("%5C", "\\")).ok()
}

/// The name without a multi-channel logger's prefix.
fn base(channel: &ChannelName) -> &str {
    channel.as_str().rsplit('/').next().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::ChannelKind;
    use proptest::prelude::*;

    fn channel(name: &str) -> ChannelName {
        ChannelName::new(name).unwrap()
    }

    #[test]
    fn known_channels_have_plain_fields() {
        for &kind in ChannelKind::ALL {
            for name in [kind.name().to_owned(), format!("a/{}", kind.name())] {
                let field = field_of(&channel(&name), &kind.unit());
                assert!(field.starts_with(kind.name()), "{field}");
                let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
                assert!(field.chars().all(plain), "{field}");
                assert_eq!(unit_of(&channel(&name), &field), Some(kind.unit()));
            }
        }
        assert_eq!(unit_of(&channel("weight"), "distance_m"), None);
    }

    proptest! {
        #[test]
        fn every_unit_comes_back(name in "[a-z][a-z0-9_]{0,9}", unit in "[!-+\\--\\[\\]-~äµ°\\\\]{1,12}") {
            let Ok(unit) = Unit::new(&unit) else { return Ok(()) };
            prop_assume!(!unit.as_str().contains("%5C"));
            let channel = channel(&name);
            prop_assert_eq!(unit_of(&channel, &field_of(&channel, &unit)), Some(unit));
        }
    }
}
