//! Forgetting what was learned of an instrument: it was repaired, turned round or set to zero.

use super::{Apiary, Assignment, Feeder, Hive};
use crate::identity::{ChannelRef, DeviceId};
use crate::time::{Span, Timestamp};

impl Apiary {
    /// The apiary in which `device` counts as a new instrument from `at` on, wherever it stands then:
    /// its assignments end at `at` and begin again. Also says which channels begin then; none where
    /// it stood nowhere at that time. Asked for twice, it is done once.
    pub fn learn_anew(mut self, device: &DeviceId, at: Timestamp) -> (Self, Vec<ChannelRef>) {
        let mut touched = Vec::new();
        for Hive { scales, .. } in self.hives.values_mut() {
            divide(scales, |scale| scale, device, at, &mut touched);
        }
        for Feeder { sensors, .. } in self.feeders.values_mut() {
            divide(sensors, |s| &mut s.assignment, device, at, &mut touched);
        }
        (self, touched)
    }
}

fn divide<T: Clone>(
    all: &mut Vec<T>,
    assignment: impl Fn(&mut T) -> &mut Assignment,
    device: &DeviceId,
    at: Timestamp,
    touched: &mut Vec<ChannelRef>,
) {
    let mut i = 0;
    while i < all.len() {
        let Assignment { source, during } = assignment(&mut all[i]).clone();
        i += 1;
        if source.device != *device || !during.contains(at) {
            continue;
        }
        touched.push(source);
        if during.start < at {
            assignment(&mut all[i - 1]).during.end = at;
            let mut later = all[i - 1].clone();
            assignment(&mut later).during = Span {
                start: at,
                end: during.end,
            };
            all.insert(i, later);
            i += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::apiary::{FeederKind, Geometry, LevelSensor, Yard};
    use crate::identity::{FeederId, HiveId, YardId};

    fn source(device: &str, channel: &str) -> ChannelRef {
        ChannelRef {
            device: DeviceId::new(device).unwrap(),
            channel: crate::ChannelName::new(channel).unwrap(),
        }
    }

    fn from(start: i64) -> Span {
        Span {
            start: Timestamp(start),
            end: Span::ALWAYS.end,
        }
    }

    fn apiary() -> Apiary {
        let yard = Yard {
            id: YardId::new("y").unwrap(),
            name: "y".into(),
            timezone: chrono_tz::UTC,
            position: None,
            weather: None,
        };
        let hive = Hive {
            id: HiveId::new("y-1").unwrap(),
            name: "y-1".into(),
            yard: yard.id.clone(),
            moves: Vec::new(),
            scales: vec![Assignment {
                source: source("logger", "a/weight"),
                during: Span::ALWAYS,
            }],
            goal: None,
            target_weight_kg: None,
            target_date: None,
            supers_on: false,
        };
        let feeder = Feeder {
            id: FeederId::new("y-1-top").unwrap(),
            hive: hive.id.clone(),
            kind: FeederKind::Tray,
            capacity_l: 10.0,
            on_scale: true,
            sensors: vec![LevelSensor {
                assignment: Assignment {
                    source: source("level", "volume"),
                    during: from(100),
                },
                geometry: Geometry::Volume,
            }],
        };
        Apiary::new(vec![yard], vec![hive], vec![feeder], Vec::new()).unwrap()
    }

    fn learn_anew(device: &str, at: i64) -> (Apiary, usize) {
        let (apiary, touched) = apiary().learn_anew(&DeviceId::new(device).unwrap(), Timestamp(at));
        (apiary, touched.len())
    }

    #[test]
    fn an_instrument_begins_again_where_it_stands() {
        let (apiary, touched) = learn_anew("level", 500);
        assert_eq!(touched, 1);
        let feeder = apiary.feeders().next().unwrap();
        let times: Vec<Span> = feeder.sensors.iter().map(|s| s.assignment.during).collect();
        let before = Span {
            start: Timestamp(100),
            end: Timestamp(500),
        };
        assert_eq!(times, [before, from(500)]);
        assert_eq!(apiary.hives().next().unwrap().scales.len(), 1);
        let (apiary, touched) = learn_anew("logger", 500);
        assert_eq!(touched, 1);
        assert_eq!(apiary.hives().next().unwrap().scales.len(), 2);
    }

    #[test]
    fn one_that_stood_nowhere_is_left_alone() {
        for (device, at) in [("level", 50), ("other", 500)] {
            assert_eq!(learn_anew(device, at), (apiary(), 0));
        }
    }

    #[test]
    fn beginning_again_twice_is_once() {
        assert_eq!(learn_anew("level", 100), (apiary(), 1));
        let (once, _) = learn_anew("level", 500);
        let level = DeviceId::new("level").unwrap();
        let (twice, touched) = once.clone().learn_anew(&level, Timestamp(500));
        assert_eq!((twice, touched.len()), (once, 1));
    }

    #[test]
    fn the_divided_apiary_still_fits_together() {
        let (apiary, _) = learn_anew("level", 500);
        let all = Apiary::new(
            apiary.yards().cloned().collect(),
            apiary.hives().cloned().collect(),
            apiary.feeders().cloned().collect(),
            Vec::new(),
        );
        assert_eq!(all, Ok(apiary));
    }
}
