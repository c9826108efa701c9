//! `time,feeder,volume_l,strength`.

use super::lines::{Line, Lines, fields};
use super::{ImportError, Imported, Refusals};
use larder_domain::reading::AHEAD_LIMIT_MS;
use larder_domain::{FeederId, RecordedFill, Strength, Timestamp};
use larder_store::Records;
use std::io::Read;

/// The header.
const HEADER: &str = "time,feeder,volume_l,strength";

/// Fills written down together.
const BATCH: usize = 1_000;

/// The largest fill: the capacity that a feeder may have.
const LARGEST_FILL_L: f64 = 2_000.0;

/// Imports what a keeper wrote down. An empty volume: the detected step says how much; an empty
/// strength: the one before holds.
pub fn import_fills(
    source: impl Read,
    file: &str,
    records: &dyn Records,
    now: Timestamp,
) -> Result<Imported, ImportError> {
    let mut lines = Lines::open(file, source, HEADER)?;
    let mut done = Imported::default();
    let mut refusals = Refusals::new(records, file, now);
    let mut batch = Vec::new();
    while let Some(line) = lines.next()? {
        done.lines += 1;
        match parse(&line, now) {
            Ok(fill) => batch.push(fill),
            Err(reason) => refusals.refuse(&line, reason, &mut done)?,
        }
        if batch.len() >= BATCH {
            record(records, &mut batch, &mut done)?;
        }
    }
    record(records, &mut batch, &mut done)?;
    refusals.put_away()?;
    Ok(done)
}

fn record(
    records: &dyn Records,
    batch: &mut Vec<RecordedFill>,
    done: &mut Imported,
) -> Result<(), ImportError> {
    let recorded = records.record_fills(batch)?;
    done.new += recorded.new;
    done.replaced += recorded.replaced;
    done.repeated += recorded.repeated;
    batch.clear();
    Ok(())
}

fn parse(line: &Line<'_>, now: Timestamp) -> Result<RecordedFill, String> {
    let [time, feeder, volume, strength] =
        fields(line).ok_or("a fill has four fields: time, feeder, volume_l, strength")?;
    let time = Timestamp::parse_rfc3339(time)
        .filter(|time| *time >= Timestamp::YEAR_2000)
        .ok_or_else(|| format!("the time is not like 2026-09-01T05:00:00Z: \"{time}\""))?;
    if time > now.plus_ms(AHEAD_LIMIT_MS) {
        return Err("the time lies ahead of the clock".to_owned());
    }
    let volume_l = match volume {
        "" => None,
        text => match text.parse() {
            Ok(litres) if litres > 0.0 && litres <= LARGEST_FILL_L => Some(litres),
            _ => {
                return Err(format!(
                    "the volume is not between 0 and 2000 litres: \"{text}\""
                ));
            }
        },
    };
    let strength = match strength {
        "" => None,
        text => Some(Strength::parse(text).map_err(|error| error.to_string())?),
    };
    let feeder = FeederId::new(feeder).map_err(|error| error.to_string())?;
    Ok(RecordedFill {
        feeder,
        time,
        volume_l,
        strength,
    })
}
