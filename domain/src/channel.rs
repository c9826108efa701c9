//! Channels and their units: which quantities the service understands, what each is measured in,
//! which other units it may arrive in, and what is physically possible.

use std::fmt;

/// A channel's name: 1 to 64 of `A-Z a-z 0-9 . _ - /`, a letter or digit first.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct ChannelName(String);

/// Why a channel's name was refused.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error(
    "a channel's name must be 1 to 64 of A-Z a-z 0-9 . _ - /, a letter or digit first, not \"{0}\""
)]
pub struct BadChannelName(String);

impl ChannelName {
    /// Checks and takes a name.
    pub fn new(name: &str) -> Result<Self, BadChannelName> {
        let fits = (1..=64).contains(&name.len())
            && name
                .bytes()
                .all(|b| b.is_ascii_alphanumeric() || b"._-/".contains(&b))
            && name.as_bytes()[0].is_ascii_alphanumeric();
        if fits {
            Ok(Self(name.to_owned()))
        } else {
            Err(BadChannelName(name.chars().take(80).collect()))
        }
    }

    /// The name as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// What this channel measures, if it is one that the service understands. A multi-channel
    /// logger's prefix (`a/`) does not matter.
    pub fn kind(&self) -> Option<ChannelKind> {
        let base = self.0.rsplit('/').next().unwrap_or(&self.0);
        ChannelKind::ALL
            .into_iter()
            .find(|kind| kind.name() == base)
    }
}

impl fmt::Display for ChannelName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// The quantities that the service understands wherever they stand.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum ChannelKind {
    /// The whole hive on its scale, kg.
    Weight,
    /// What a load cell under the feeder carries, net of the empty feeder, kg.
    FeederWeight,
    /// Depth of syrup, m.
    Depth,
    /// From the sensor down to the syrup, m.
    Distance,
    /// Syrup in the feeder, l.
    Volume,
    /// Air, or the inside of the hive, Cel.
    Temperature,
    /// The syrup itself, Cel.
    SyrupTemperature,
    /// Relative humidity, %RH.
    Humidity,
    /// Rain since the device's last report, mm.
    Rain,
    /// Wind speed, m/s.
    Wind,
    /// Global irradiance, W/m2.
    Irradiance,
    /// Battery voltage, V.
    Battery,
    /// Radio signal, dBm.
    Rssi,
}

impl ChannelKind {
    /// All of them.
    pub const ALL: [Self; 13] = [
        Self::Weight,
        Self::FeederWeight,
        Self::Depth,
        Self::Distance,
        Self::Volume,
        Self::Temperature,
        Self::SyrupTemperature,
        Self::Humidity,
        Self::Rain,
        Self::Wind,
        Self::Irradiance,
        Self::Battery,
        Self::Rssi,
    ];

    /// The channel's name on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Weight => "weight",
            Self::FeederWeight => "feeder_weight",
            Self::Depth => "depth",
            Self::Distance => "distance",
            Self::Volume => "volume",
            Self::Temperature => "temperature",
            Self::SyrupTemperature => "syrup_temperature",
            Self::Humidity => "humidity",
            Self::Rain => "rain",
            Self::Wind => "wind",
            Self::Irradiance => "irradiance",
            Self::Battery => "battery",
            Self::Rssi => "rssi",
        }
    }

    /// The unit in which it is kept.
    pub fn unit(self) -> Unit {
        Unit::known(match self {
            Self::Weight | Self::FeederWeight => "kg",
            Self::Depth | Self::Distance => "m",
            Self::Volume => "l",
            Self::Temperature | Self::SyrupTemperature => "Cel",
            Self::Humidity => "%RH",
            Self::Rain => "mm",
            Self::Wind => "m/s",
            Self::Irradiance => "W/m2",
            Self::Battery => "V",
            Self::Rssi => "dBm",
        })
    }

    /// The least and the greatest value that is physically possible, in its own unit.
    pub fn possible(self) -> (f64, f64) {
        match self {
            Self::Weight => (-100.0, 1000.0),
            Self::FeederWeight => (-10.0, 200.0),
            Self::Depth => (-0.5, 5.0),
            Self::Distance => (0.0, 10.0),
            Self::Volume => (-5.0, 2000.0),
            Self::Temperature | Self::SyrupTemperature => (-60.0, 90.0),
            Self::Humidity => (0.0, 105.0),
            Self::Rain => (0.0, 500.0),
            Self::Wind => (0.0, 120.0),
            Self::Irradiance => (-20.0, 2000.0),
            Self::Battery => (0.0, 60.0),
            Self::Rssi => (-200.0, 20.0),
        }
    }
}

/// A unit of measurement as text: SenML's names (RFC 8428, RFC 8798) and a few more of the trade's.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Unit(std::borrow::Cow<'static, str>);

/// Why a unit was refused.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("a unit must be 1 to 32 printable characters without spaces or commas, not \"{0}\"")]
pub struct BadUnit(String);

impl Unit {
    /// Checks and takes a unit. It need not be one that the service can convert.
    pub fn new(unit: &str) -> Result<Self, BadUnit> {
        let fits = (1..=32).contains(&unit.len())
            && unit
                .chars()
                .all(|c| !c.is_whitespace() && !c.is_control() && c != ',' && c != '"');
        if fits {
            Ok(Self(unit.to_owned().into()))
        } else {
            Err(BadUnit(unit.chars().take(40).collect()))
        }
    }

    const fn known(unit: &'static str) -> Self {
        Self(std::borrow::Cow::Borrowed(unit))
    }

    /// The unit as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// `value` of this unit in `to`; `None` where the two measure different quantities or this
    /// crate knows no factor. Equal units are always convertible, known or not.
    ///
    /// Factors are exact by definition: international yard and pound agreement of 1959, US gallon
    /// = 231 cubic inches (NIST SP 811, appendix B); RFC 8798 for the secondary SenML units.
    pub fn convert(&self, value: f64, to: &Self) -> Option<f64> {
        if self == to {
            return Some(value);
        }
        let (from, to) = (scale_of(self.as_str())?, scale_of(to.as_str())?);
        (from.quantity == to.quantity)
            .then(|| (value * from.factor + from.offset - to.offset) / to.factor)
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[derive(PartialEq)]
enum Quantity {
    Mass,
    Length,
    Volume,
    Temperature,
    Humidity,
    Voltage,
    Speed,
    Irradiance,
    Pressure,
    Power,
    Duration,
}

/// base = value * factor + offset
struct Scale {
    quantity: Quantity,
    factor: f64,
    offset: f64,
}

fn scale_of(unit: &str) -> Option<Scale> {
    use Quantity::*;
    let (quantity, factor, offset) = match unit {
        "kg" => (Mass, 1.0, 0.0),
        "g" => (Mass, 1e-3, 0.0),
        "mg" => (Mass, 1e-6, 0.0),
        "t" => (Mass, 1e3, 0.0),
        "lb" => (Mass, 0.453_592_37, 0.0),
        "oz" => (Mass, 0.028_349_523_125, 0.0),
        "m" => (Length, 1.0, 0.0),
        "dm" => (Length, 0.1, 0.0),
        "cm" => (Length, 1e-2, 0.0),
        "mm" => (Length, 1e-3, 0.0),
        "km" => (Length, 1e3, 0.0),
        "in" => (Length, 0.0254, 0.0),
        "ft" => (Length, 0.3048, 0.0),
        "l" | "L" => (Volume, 1.0, 0.0),
        "ml" | "mL" => (Volume, 1e-3, 0.0),
        "cl" => (Volume, 1e-2, 0.0),
        "dl" => (Volume, 1e-1, 0.0),
        "m3" => (Volume, 1e3, 0.0),
        "gal" => (Volume, 3.785_411_784, 0.0),
        "qt" => (Volume, 0.946_352_946, 0.0),
        "Cel" => (Temperature, 1.0, 0.0),
        "K" => (Temperature, 1.0, -273.15),
        "degF" => (Temperature, 5.0 / 9.0, -160.0 / 9.0),
        "%RH" | "%" => (Humidity, 1.0, 0.0),
        "/" => (Humidity, 100.0, 0.0),
        "V" => (Voltage, 1.0, 0.0),
        "mV" => (Voltage, 1e-3, 0.0),
        "m/s" => (Speed, 1.0, 0.0),
        "km/h" => (Speed, 1.0 / 3.6, 0.0),
        "mph" => (Speed, 0.447_04, 0.0),
        "kn" => (Speed, 1852.0 / 3600.0, 0.0),
        "W/m2" => (Irradiance, 1.0, 0.0),
        "kW/m2" => (Irradiance, 1e3, 0.0),
        "hPa" => (Pressure, 1.0, 0.0),
        "Pa" => (Pressure, 1e-2, 0.0),
        "kPa" => (Pressure, 10.0, 0.0),
        "dBm" => (Power, 1.0, 0.0),
        "dBW" => (Power, 1.0, 30.0),
        "s" => (Duration, 1.0, 0.0),
        "ms" => (Duration, 1e-3, 0.0),
        "min" => (Duration, 60.0, 0.0),
        "h" => (Duration, 3600.0, 0.0),
        _ => return None,
    };
    Some(Scale {
        quantity,
        factor,
        offset,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn convert(value: f64, from: &str, to: &str) -> Option<f64> {
        Unit::new(from)
            .unwrap()
            .convert(value, &Unit::new(to).unwrap())
    }

    #[test]
    fn conversions_are_exact_by_definition() {
        // NIST SP 811 appendix B; SenML registry for K, dBW and `/`.
        for (value, from, to, expected) in [
            (1.0, "lb", "kg", 0.453_592_37),
            (16.0, "oz", "lb", 1.0),
            (1.0, "gal", "l", 3.785_411_784),
            (4.0, "qt", "gal", 1.0),
            (1.0, "m3", "l", 1000.0),
            (12.0, "in", "ft", 1.0),
            (212.0, "degF", "Cel", 100.0),
            (-40.0, "degF", "Cel", -40.0),
            (273.15, "K", "Cel", 0.0),
            (0.65, "/", "%RH", 65.0),
            (-90.0, "dBW", "dBm", -60.0),
            (36.0, "km/h", "m/s", 10.0),
        ] {
            let got = convert(value, from, to).unwrap();
            assert!(
                (got - expected).abs() < 1e-12 * expected.abs().max(1.0),
                "{value} {from}: {got}"
            );
        }
    }

    #[test]
    fn other_quantities_and_unknown_units_do_not_convert() {
        assert_eq!(convert(1.0, "kg", "l"), None);
        assert_eq!(convert(1.0, "furlong", "m"), None);
        assert_eq!(convert(1.0, "furlong", "furlong"), Some(1.0));
    }

    #[test]
    fn prefixed_channels_keep_their_kind() {
        let kind = |name: &str| ChannelName::new(name).unwrap().kind();
        assert_eq!(kind("a/weight"), Some(ChannelKind::Weight));
        assert_eq!(kind("weight"), Some(ChannelKind::Weight));
        assert_eq!(kind("weights"), None);
    }

    proptest! {
        #[test]
        fn there_and_back_is_the_same(value in -1e6f64..1e6, i in 0usize..5) {
            let (from, to) = [("lb", "kg"), ("gal", "l"), ("degF", "Cel"), ("in", "m"), ("mph", "m/s")][i];
            let back = convert(convert(value, from, to).unwrap(), to, from).unwrap();
            prop_assert!((back - value).abs() < 1e-9 * value.abs().max(1.0));
        }
    }
}
