//! A reading and the checks that every reading passes, wherever it comes from.

use crate::channel::{ChannelName, Unit};
use crate::identity::{ChannelRef, DeviceId};
use crate::time::Timestamp;

/// One value that a device measured. Its identity is (device, channel, time).
#[derive(Clone, PartialEq, Debug)]
pub struct Reading {
    /// The device that measured it.
    pub device: DeviceId,
    /// Which of its channels.
    pub channel: ChannelName,
    /// The unit of `value`: the channel's own where the service knows the channel.
    pub unit: Unit,
    /// When it was measured.
    pub time: Timestamp,
    /// The measured value; finite.
    pub value: f64,
}

/// A value of a series whose channel is known from the context.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sample {
    /// When it was measured.
    pub time: Timestamp,
    /// In the series' unit; finite.
    pub value: f64,
}

/// Why a reading was refused. The sentence is what the quarantine shows.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum Refusal {
    /// NaN or infinite.
    #[error("{channel}: the value is not a finite number")]
    NotFinite {
        /// The channel it was for.
        channel: String,
    },
    /// Outside what is physically possible for the channel.
    #[error(
        "{channel}: {value} {unit} is not possible; it must lie between {least} and {most} {unit}"
    )]
    Impossible {
        /// The channel it was for.
        channel: String,
        /// The value in the channel's own unit.
        value: f64,
        /// The channel's own unit.
        unit: String,
        /// Least possible value.
        least: f64,
        /// Greatest possible value.
        most: f64,
    },
    /// A unit of another quantity than the channel's.
    #[error("{channel}: the unit {given} does not measure what {expected} does")]
    WrongUnit {
        /// The channel it was for.
        channel: String,
        /// The unit that came.
        given: String,
        /// The channel's own unit.
        expected: String,
    },
    /// A channel that the service does not know came without a unit.
    #[error("{channel}: a channel that is not known needs a unit")]
    NoUnit {
        /// The channel it was for.
        channel: String,
    },
    /// The device's clock runs ahead.
    #[error("{channel}: the time {time} is more than 10 minutes ahead of the clock")]
    FromTheFuture {
        /// The channel it was for.
        channel: String,
        /// The time given, RFC 3339.
        time: String,
    },
    /// The device's clock was never set.
    #[error("{channel}: the time {time} is before the year 2000: the device's clock was never set")]
    ClockNeverSet {
        /// The channel it was for.
        channel: String,
        /// The time given, RFC 3339.
        time: String,
    },
}

/// How far ahead of the clock a reading's time may be.
pub const AHEAD_LIMIT_MS: i64 = 10 * 60 * 1000;

impl Reading {
    /// Checks a value as it arrived and brings it to its channel's own unit. `unit` may be left
    /// out on a channel that the service knows: it is then the channel's own. `now` is the clock
    /// against which times from the future are judged.
    pub fn check(
        device: DeviceId,
        channel: ChannelName,
        unit: Option<Unit>,
        time: Timestamp,
        value: f64,
        now: Timestamp,
    ) -> Result<Self, Refusal> {
        let named = || channel.as_str().to_owned();
        if !value.is_finite() {
            return Err(Refusal::NotFinite { channel: named() });
        }
        if time < Timestamp::YEAR_2000 {
            return Err(Refusal::ClockNeverSet {
                channel: named(),
                time: time.to_rfc3339(),
            });
        }
        if time > now.plus_ms(AHEAD_LIMIT_MS) {
            return Err(Refusal::FromTheFuture {
                channel: named(),
                time: time.to_rfc3339(),
            });
        }
        let (unit, value) = match (channel.kind(), unit) {
            (None, None) => return Err(Refusal::NoUnit { channel: named() }),
            (None, Some(unit)) => (unit, value),
            (Some(kind), unit) => {
                let own = kind.unit();
                let value = match unit {
                    None => value,
                    Some(given) => {
                        given
                            .convert(value, &own)
                            .ok_or_else(|| Refusal::WrongUnit {
                                channel: named(),
                                given: given.to_string(),
                                expected: own.to_string(),
                            })?
                    }
                };
                let (least, most) = kind.possible();
                if !(least..=most).contains(&value) {
                    let unit = own.to_string();
                    return Err(Refusal::Impossible {
                        channel: named(),
                        value,
                        unit,
                        least,
                        most,
                    });
                }
                (own, value)
            }
        };
        Ok(Self {
            device,
            channel,
            unit,
            time,
            value,
        })
    }

    /// The series it belongs to.
    pub fn series(&self) -> ChannelRef {
        ChannelRef {
            device: self.device.clone(),
            channel: self.channel.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Timestamp = Timestamp(1_788_238_800_000);

    fn check(
        channel: &str,
        unit: Option<&str>,
        time: Timestamp,
        value: f64,
    ) -> Result<f64, Refusal> {
        Reading::check(
            DeviceId::new("d").unwrap(),
            ChannelName::new(channel).unwrap(),
            unit.map(|u| Unit::new(u).unwrap()),
            time,
            value,
            NOW,
        )
        .map(|r| r.value)
    }

    #[test]
    fn known_channels_are_converted_and_bounded() {
        assert_eq!(check("weight", Some("g"), NOW, 41_237.0), Ok(41.237));
        assert_eq!(check("weight", None, NOW, 41.0), Ok(41.0));
        assert!(matches!(
            check("weight", None, NOW, 1000.1),
            Err(Refusal::Impossible { .. })
        ));
        assert!(matches!(
            check("a/weight", Some("l"), NOW, 1.0),
            Err(Refusal::WrongUnit { .. })
        ));
    }

    #[test]
    fn unknown_channels_are_kept_in_the_unit_sent() {
        assert_eq!(check("co2", Some("ppm"), NOW, 412.0), Ok(412.0));
        assert!(matches!(
            check("co2", None, NOW, 412.0),
            Err(Refusal::NoUnit { .. })
        ));
    }

    #[test]
    fn clocks_are_judged() {
        assert!(check("weight", None, NOW.plus_ms(AHEAD_LIMIT_MS), 1.0).is_ok());
        assert!(matches!(
            check("weight", None, NOW.plus_ms(AHEAD_LIMIT_MS + 1), 1.0),
            Err(Refusal::FromTheFuture { .. })
        ));
        assert!(matches!(
            check("weight", None, Timestamp(0), 1.0),
            Err(Refusal::ClockNeverSet { .. })
        ));
        assert!(check("weight", None, Timestamp::YEAR_2000, 1.0).is_ok());
    }

    #[test]
    fn numbers_that_are_none_are_refused() {
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert!(matches!(
                check("weight", None, NOW, value),
                Err(Refusal::NotFinite { .. })
            ));
        }
    }
}
