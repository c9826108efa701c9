//! `scale` may be a device's name, a table or a list of either; `sensor` a table or a list.

use super::{ScaleWire, SensorWire};
use serde::de::{Deserialize, Deserializer, MapAccess, SeqAccess, Visitor, value};
use serde::ser::{Serialize, Serializer};
use std::fmt;
use std::marker::PhantomData;

/// The scales under a hive.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Scales(pub Vec<ScaleWire>);

/// The sensors of a feeder.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Sensors(pub Vec<SensorWire>);

impl<'de> Deserialize<'de> for Scales {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        one_or_many::<ScaleOrName, D>(deserializer)
            .map(|many| Self(many.into_iter().map(|ScaleOrName(scale)| scale).collect()))
    }
}

impl<'de> Deserialize<'de> for Sensors {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        one_or_many::<SensorWire, D>(deserializer).map(Self)
    }
}

impl Serialize for Scales {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}

impl Serialize for Sensors {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}

struct ScaleOrName(ScaleWire);

impl<'de> Deserialize<'de> for ScaleOrName {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either;
        impl<'de> Visitor<'de> for Either {
            type Value = ScaleOrName;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a device's name or { device = \"…\", channel = \"…\" }")
            }

            fn visit_str<E: serde::de::Error>(self, device: &str) -> Result<ScaleOrName, E> {
                Ok(ScaleOrName(ScaleWire {
                    device: device.to_owned(),
                    channel: None,
                    from: None,
                    to: None,
                }))
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<ScaleOrName, A::Error> {
                ScaleWire::deserialize(value::MapAccessDeserializer::new(map)).map(ScaleOrName)
            }
        }
        deserializer.deserialize_any(Either)
    }
}

/// A list, or one item that stands for a list of one.
fn one_or_many<'de, T, D>(deserializer: D) -> Result<Vec<T>, D::Error>
where
    T: Deserialize<'de>,
    D: Deserializer<'de>,
{
    struct Items<T>(PhantomData<T>);
    impl<'de, T: Deserialize<'de>> Visitor<'de> for Items<T> {
        type Value = Vec<T>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("a device with its channel, or a list of them")
        }

        fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Vec<T>, E> {
            let one = value::StrDeserializer::<E>::new(text);
            T::deserialize(one).map(|one| vec![one])
        }

        fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Vec<T>, A::Error> {
            T::deserialize(value::MapAccessDeserializer::new(map)).map(|one| vec![one])
        }

        fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Vec<T>, A::Error> {
            let mut all = Vec::new();
            while let Some(item) = items.next_element()? {
                all.push(item);
            }
            Ok(all)
        }
    }
    deserializer.deserialize_any(Items(PhantomData))
}
