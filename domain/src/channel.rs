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
            .iter()
            .copied()
            .find(|kind| kind.name() == base)
    }
}

impl fmt::Display for ChannelName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// The quantities that the service understands wherever they stand.
#[derive(
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Debug,
    strum::IntoStaticStr,
    strum::VariantArray,
)]
#[strum(serialize_all = "snake_case")]
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
    /// All kinds of channel.
    pub const ALL: &'static [Self] = <Self as strum::VariantArray>::VARIANTS;

    /// The channel's name on the wire.
    pub fn name(self) -> &'static str {
        self.into()
    }

    /// The name with the unit, for stores whose columns hold one unit each: `weight_kg`.
    pub fn field(self) -> &'static str {
        match self {
            Self::Weight => "weight_kg",
            Self::FeederWeight => "feeder_weight_kg",
            Self::Depth => "depth_m",
            Self::Distance => "distance_m",
            Self::Volume => "volume_l",
            Self::Temperature => "temperature_c",
            Self::SyrupTemperature => "syrup_temperature_c",
            Self::Humidity => "humidity_pct",
            Self::Rain => "rain_mm",
            Self::Wind => "wind_ms",
            Self::Irradiance => "irradiance_wm2",
            Self::Battery => "battery_v",
            Self::Rssi => "rssi_dbm",
        }
    }

    /// What it measures, for people.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Weight => "the whole hive on its scale",
            Self::FeederWeight => "a load cell under the feeder, net of the empty feeder",
            Self::Depth => "depth of syrup",
            Self::Distance => "from the sensor down to the syrup",
            Self::Volume => "syrup in the feeder",
            Self::Temperature => "the air, or the inside of the hive",
            Self::SyrupTemperature => "the syrup itself",
            Self::Humidity => "relative humidity of the air",
            Self::Rain => "since the device's last report",
            Self::Wind => "wind speed",
            Self::Irradiance => "global irradiance",
            Self::Battery => "the device's battery",
            Self::Rssi => "strength of the radio signal",
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
        let (from, to) = (conversion_of(self.as_str())?, conversion_of(to.as_str())?);
        (from.quantity == to.quantity).then(|| {
            let base = (value + from.shift) * from.times / from.over;
            base * to.over / to.times - to.shift
        })
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

/// base = (value + shift) * times / over. Two whole factors instead of one fraction keep the
/// conversion to one rounding: 3284 mV is 3.284 V and not 3.2840000000000003 V.
struct Conversion {
    quantity: Quantity,
    shift: f64,
    times: f64,
    over: f64,
}

fn conversion_of(unit: &str) -> Option<Conversion> {
    use Quantity::*;
    let (quantity, shift, times, over) = match unit {
        "kg" => (Mass, 0.0, 1.0, 1.0),
        "g" => (Mass, 0.0, 1.0, 1e3),
        "mg" => (Mass, 0.0, 1.0, 1e6),
        "t" => (Mass, 0.0, 1e3, 1.0),
        "lb" => (Mass, 0.0, 45_359_237.0, 1e8),
        "oz" => (Mass, 0.0, 28_349_523_125.0, 1e12),
        "m" => (Length, 0.0, 1.0, 1.0),
        "dm" => (Length, 0.0, 1.0, 10.0),
        "cm" => (Length, 0.0, 1.0, 100.0),
        "mm" => (Length, 0.0, 1.0, 1e3),
        "km" => (Length, 0.0, 1e3, 1.0),
        "in" => (Length, 0.0, 254.0, 1e4),
        "ft" => (Length, 0.0, 3048.0, 1e4),
        "l" | "L" => (Volume, 0.0, 1.0, 1.0),
        "ml" | "mL" => (Volume, 0.0, 1.0, 1e3),
        "cl" => (Volume, 0.0, 1.0, 100.0),
        "dl" => (Volume, 0.0, 1.0, 10.0),
        "m3" => (Volume, 0.0, 1e3, 1.0),
        "gal" => (Volume, 0.0, 3_785_411_784.0, 1e9),
        "qt" => (Volume, 0.0, 946_352_946.0, 1e9),
        "Cel" => (Temperature, 0.0, 1.0, 1.0),
        "K" => (Temperature, -273.15, 1.0, 1.0),
        "degF" => (Temperature, -32.0, 5.0, 9.0),
        "%RH" | "%" | "/100" => (Humidity, 0.0, 1.0, 1.0),
        "/" => (Humidity, 0.0, 100.0, 1.0),
        "/1000" => (Humidity, 0.0, 1.0, 10.0),
        "V" => (Voltage, 0.0, 1.0, 1.0),
        "mV" => (Voltage, 0.0, 1.0, 1e3),
        "m/s" => (Speed, 0.0, 1.0, 1.0),
        "km/h" => (Speed, 0.0, 10.0, 36.0),
        "m/h" => (Speed, 0.0, 1.0, 3600.0),
        "mm/h" => (Speed, 0.0, 1.0, 3.6e6),
        "mph" => (Speed, 0.0, 44_704.0, 1e5),
        "kn" => (Speed, 0.0, 1852.0, 3600.0),
        "W/m2" => (Irradiance, 0.0, 1.0, 1.0),
        "kW/m2" => (Irradiance, 0.0, 1e3, 1.0),
        "hPa" => (Pressure, 0.0, 1.0, 1.0),
        "Pa" => (Pressure, 0.0, 1.0, 100.0),
        "kPa" => (Pressure, 0.0, 10.0, 1.0),
        "dBm" => (Power, 0.0, 1.0, 1.0),
        "dBW" => (Power, 30.0, 1.0, 1.0),
        "s" => (Duration, 0.0, 1.0, 1.0),
        "ms" => (Duration, 0.0, 1.0, 1e3),
        "min" => (Duration, 0.0, 60.0, 1.0),
        "h" => (Duration, 0.0, 3600.0, 1.0),
        _ => return None,
    };
    Some(Conversion {
        quantity,
        shift,
        times,
        over,
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
            (3600.0, "m/h", "m/s", 1.0),
            (650.0, "/1000", "%RH", 65.0),
            (65.0, "/100", "%RH", 65.0),
        ] {
            let got = convert(value, from, to).unwrap();
            assert!(
                (got - expected).abs() < 1e-12 * expected.abs().max(1.0),
                "{value} {from}: {got}"
            );
        }
    }

    #[test]
    fn powers_of_ten_convert_without_a_stray_last_digit() {
        for thousandths in 0..200_000 {
            let text = format!("{}.{:03}", thousandths / 1000, thousandths % 1000);
            let expected: f64 = text.parse().unwrap();
            assert_eq!(convert(f64::from(thousandths), "mV", "V"), Some(expected));
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
