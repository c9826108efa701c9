//! What goes over the socket, as JSON. Both ends are this program in this version.

use larder_domain::{ChannelName, ChannelRef, DeviceId, Reading, Span, Timestamp, Unit};
use larder_store::{Appended, Refusal, RefusedReading, Removal, Removed, StoreError};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Device, channel, unit, milliseconds since 1970, value.
type ReadingRow = (String, String, String, i64, f64);

/// Readings to be appended.
#[derive(Serialize, Deserialize)]
pub struct Append {
    /// Whether the readings go on to an archive even if they are known.
    pub again: bool,
    /// The readings, in the order in which they are appended.
    pub readings: Vec<ReadingRow>,
}

impl Append {
    pub fn of(readings: &[Reading], again: bool) -> Self {
        let one = |r: &Reading| {
            let names = (
                r.device.to_string(),
                r.channel.to_string(),
                r.unit.to_string(),
            );
            (names.0, names.1, names.2, r.time.0, r.value)
        };
        Self {
            again,
            readings: readings.iter().map(one).collect(),
        }
    }

    pub fn readings(self) -> Result<Vec<Reading>, String> {
        let one = |(device, channel, unit, time, value): ReadingRow| {
            Ok(Reading {
                device: DeviceId::new(&device).map_err(|e| e.to_string())?,
                channel: ChannelName::new(&channel).map_err(|e| e.to_string())?,
                unit: Unit::new(&unit).map_err(|e| e.to_string())?,
                time: Timestamp(time),
                value,
            })
        };
        self.readings.into_iter().map(one).collect()
    }
}

/// What became of them.
#[derive(Serialize, Deserialize, Default)]
pub struct AppendDone {
    new: u64,
    replaced: u64,
    repeated: u64,
    /// What the store did not take in: the reading and why.
    refused: Vec<(ReadingRow, Why)>,
}

#[derive(Serialize, Deserialize)]
enum Why {
    OtherUnit(String, String),
    TooManyDevices,
    TooManyChannels,
    TooManySeries,
}

impl From<Appended> for AppendDone {
    fn from(done: Appended) -> Self {
        let refused = done.refused.into_iter().map(|refused| {
            let one = Append::of(std::slice::from_ref(&refused.reading), false);
            let reading = one.readings.into_iter().next().unwrap_or_default();
            let why = match refused.why {
                Refusal::OtherUnit { kept, sent } => {
                    Why::OtherUnit(kept.to_string(), sent.to_string())
                }
                Refusal::TooManyDevices => Why::TooManyDevices,
                Refusal::TooManyChannels => Why::TooManyChannels,
                Refusal::TooManySeries => Why::TooManySeries,
            };
            (reading, why)
        });
        Self {
            new: done.new,
            replaced: done.replaced,
            repeated: done.repeated,
            refused: refused.collect(),
        }
    }
}

impl AppendDone {
    pub fn appended(self) -> Result<Appended, String> {
        let refused = self.refused.into_iter().map(|(reading, why)| {
            let one = Append {
                again: false,
                readings: vec![reading],
            };
            let reading = one.readings()?.pop().ok_or("no reading")?;
            let unit = |text: &str| Unit::new(text).map_err(|e| e.to_string());
            let why = match why {
                Why::OtherUnit(kept, sent) => Refusal::OtherUnit {
                    kept: unit(&kept)?,
                    sent: unit(&sent)?,
                },
                Why::TooManyDevices => Refusal::TooManyDevices,
                Why::TooManyChannels => Refusal::TooManyChannels,
                Why::TooManySeries => Refusal::TooManySeries,
            };
            Ok::<_, String>(RefusedReading { reading, why })
        });
        Ok(Appended {
            new: self.new,
            replaced: self.replaced,
            repeated: self.repeated,
            refused: refused.collect::<Result<_, _>>()?,
        })
    }
}

/// Readings to be taken out.
#[derive(Serialize, Deserialize)]
pub struct Remove {
    device: String,
    channel: String,
    start: i64,
    end: i64,
    reason: String,
    at: i64,
}

impl Remove {
    pub fn of(removal: &Removal<'_>) -> Self {
        Self {
            device: removal.series.device.to_string(),
            channel: removal.series.channel.to_string(),
            start: removal.span.start.0,
            end: removal.span.end.0,
            reason: removal.reason.to_owned(),
            at: removal.at.0,
        }
    }

    pub fn series(&self) -> Result<ChannelRef, String> {
        Ok(ChannelRef {
            device: DeviceId::new(&self.device).map_err(|e| e.to_string())?,
            channel: ChannelName::new(&self.channel).map_err(|e| e.to_string())?,
        })
    }

    pub fn removal<'a>(&'a self, series: &'a ChannelRef) -> Removal<'a> {
        Removal {
            series,
            span: Span {
                start: Timestamp(self.start),
                end: Timestamp(self.end),
            },
            reason: &self.reason,
            comes_back: false,
            at: Timestamp(self.at),
        }
    }
}

/// What a removal did.
#[derive(Serialize, Deserialize)]
pub enum RemoveDone {
    Nothing,
    Readings(u64),
    TooMany(u64),
}

impl From<Removed> for RemoveDone {
    fn from(removed: Removed) -> Self {
        match removed {
            Removed::Nothing => Self::Nothing,
            Removed::Readings(n) => Self::Readings(n),
            Removed::TooMany(n) => Self::TooMany(n),
        }
    }
}

impl From<RemoveDone> for Removed {
    fn from(done: RemoveDone) -> Self {
        match done {
            RemoveDone::Nothing => Self::Nothing,
            RemoveDone::Readings(n) => Self::Readings(n),
            RemoveDone::TooMany(n) => Self::TooMany(n),
        }
    }
}

/// Why the store did not do it.
#[derive(Serialize, Deserialize)]
pub enum Failure {
    Full,
    ReadOnly,
    Unavailable(String),
    Elsewhere(String),
    Other(String),
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Full(_) => Self::Full,
            StoreError::ReadOnly(_) => Self::ReadOnly,
            StoreError::Unavailable(what) => Self::Unavailable(what),
            StoreError::Elsewhere(what) => Self::Elsewhere(what),
            other => Self::Other(other.to_string()),
        }
    }
}

impl Failure {
    pub fn told(self, data: &Path) -> StoreError {
        match self {
            Self::Full => StoreError::Full(data.to_owned()),
            Self::ReadOnly => StoreError::ReadOnly(data.to_owned()),
            Self::Unavailable(what) => StoreError::Unavailable(what),
            Self::Elsewhere(what) => StoreError::Elsewhere(what),
            Self::Other(what) => StoreError::Other {
                attempted: "the running service could not do it".into(),
                source: what.into(),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_and_answers_come_through_as_they_are() {
        let reading = Reading {
            device: DeviceId::new("sc-1").unwrap(),
            channel: ChannelName::new("girth").unwrap(),
            unit: Unit::new("m").unwrap(),
            time: Timestamp(1_788_238_800_123),
            value: 0.1 + 0.2,
        };
        let sent = serde_json::to_string(&Append::of(&[reading.clone(), reading.clone()], true));
        let back: Append = serde_json::from_str(&sent.unwrap()).unwrap();
        assert!(back.again);
        let back = back.readings().unwrap();
        assert_eq!(back, [reading.clone(), reading.clone()]);
        assert_eq!(back[0].value.to_bits(), reading.value.to_bits());
        let done = Appended {
            new: 3,
            replaced: 2,
            repeated: 1,
            refused: vec![RefusedReading {
                reading,
                why: Refusal::OtherUnit {
                    kept: Unit::new("V").unwrap(),
                    sent: Unit::new("m").unwrap(),
                },
            }],
        };
        let sent = serde_json::to_string(&AppendDone::from(done.clone())).unwrap();
        let back: AppendDone = serde_json::from_str(&sent).unwrap();
        assert_eq!(back.appended().unwrap(), done);
    }
}
