//! Whether a flag is news. What comes out of imported history could have been told to nobody, and is
//! told to nobody now.

use anyhow::Result;
use larder_domain::{DeviceId, Flag, Timestamp};
use larder_store::{DeviceHealth, Records};
use std::collections::BTreeMap;

/// The setting that says since when devices are heard, in milliseconds.
const LIVE_SINCE: &str = "live_since";

/// A flag that opened so long before a device was heard for the first time can be about what it said
/// then: some kinds need hours to be sure.
const BEFORE_FIRST_MS: i64 = 6 * 3_600_000;

/// A device that was not heard for so long before a flag opened had no part in it: what is known of
/// that time came from a file. Two days is what a logger that was offline delivers.
const BEFORE_OPENING_MS: i64 = 2 * 86_400_000;

/// Which flags are news.
pub(super) struct FirstKnown {
    clock: Timestamp,
    /// `None`: all that is known is a record of the past.
    live_since: Option<Timestamp>,
    reported_at: BTreeMap<DeviceId, Option<Timestamp>>,
}

impl FirstKnown {
    /// For flags that are estimated as of `now`.
    pub fn of<'d>(
        records: &dyn Records,
        devices: impl Iterator<Item = &'d DeviceHealth>,
        clock: Timestamp,
        now: Timestamp,
    ) -> Result<Self> {
        Ok(Self {
            clock,
            live_since: live_since(records)?.filter(|_| now >= clock),
            reported_at: devices.map(|d| (d.device.clone(), d.last_seen)).collect(),
        })
    }

    /// When a flag that is found now is known first; `None`: it is out of a record.
    pub fn at(&self, flag: &Flag) -> Option<Timestamp> {
        let since = self.live_since?;
        let new = flag.opened_at >= since.plus_ms(-BEFORE_FIRST_MS);
        (new && self.is_heard(flag)).then_some(self.clock)
    }

    /// Whether a device that the flag rests on spoke to us at about that time. A flag that rests on no
    /// device (a feeder that nobody watches) rests on what people wrote down.
    fn is_heard(&self, flag: &Flag) -> bool {
        let measured = flag.evidence.channels.iter().map(|channel| &channel.device);
        let mut devices = measured.chain(&flag.device).peekable();
        let least = flag.opened_at.plus_ms(-BEFORE_OPENING_MS);
        devices.peek().is_none()
            || devices.any(|device| {
                let reported_at = self.reported_at.get(device).copied().flatten();
                reported_at.is_some_and(|at| at >= least)
            })
    }
}

fn live_since(records: &dyn Records) -> Result<Option<Timestamp>> {
    let text = records.setting(LIVE_SINCE)?;
    Ok(text.and_then(|ms| ms.parse().ok()).map(Timestamp))
}

/// Writes down when a device was heard for the first time, once.
pub fn note_live_since(records: &dyn Records, clock: Timestamp) -> Result<()> {
    if live_since(records)?.is_some() {
        return Ok(());
    }
    let reported_at = records.devices()?.into_iter().filter_map(|d| d.last_seen);
    if let Some(first) = reported_at.min() {
        let since = first.min(clock);
        records.set_setting(LIVE_SINCE, &since.0.to_string())?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::{Evidence, FlagKind, Severity};

    const CLOCK: Timestamp = Timestamp(1_788_238_800_000);
    const HOUR: i64 = 3_600_000;

    fn silent(hours_ago: i64) -> Flag {
        Flag {
            kind: FlagKind::Silent,
            yard: None,
            hive: None,
            feeder: None,
            device: DeviceId::new("sc-1").ok(),
            opened_at: CLOCK.plus_ms(-hours_ago * HOUR),
            closed_at: None,
            severity: Severity::Urgent,
            probability: 0.9,
            evidence: Evidence::default(),
        }
    }

    fn known(live_since: Option<i64>, reported_at: Option<i64>) -> FirstKnown {
        let ago = |hours: i64| CLOCK.plus_ms(-hours * HOUR);
        FirstKnown {
            clock: CLOCK,
            live_since: live_since.map(ago),
            reported_at: BTreeMap::from([(DeviceId::new("sc-1").unwrap(), reported_at.map(ago))]),
        }
    }

    #[test]
    fn only_what_devices_said_to_us_is_news() {
        assert_eq!(known(Some(500), Some(3)).at(&silent(1)), Some(CLOCK));
        // The service was off for a week; the device went silent on the first day of it.
        assert_eq!(known(Some(500), Some(170)).at(&silent(168)), Some(CLOCK));
        // Devices began to speak an hour ago, behind three weeks of imported history.
        assert_eq!(known(Some(1), Some(0)).at(&silent(300)), None);
        // Another yard speaks; this one came from a file.
        assert_eq!(known(Some(500), None).at(&silent(1)), None);
        assert_eq!(known(Some(500), Some(100)).at(&silent(1)), None);
        // Nothing was ever heard.
        assert_eq!(known(None, None).at(&silent(1)), None);
    }

    #[test]
    fn what_rests_on_no_device_rests_on_what_people_wrote_down() {
        let mut written = silent(1);
        written.device = None;
        assert_eq!(known(Some(500), None).at(&written), Some(CLOCK));
    }
}
