//! A store in a folder of its own: readings appended, sent again, and read back after it was closed.

#![expect(clippy::print_stdout, reason = "an example shows what it found")]

use larder_domain::{ChannelKind, ChannelName, DeviceId, Reading, Span, Timestamp};
use larder_store::{Access, EmbeddedStore, Readings};
use std::error::Error;

fn main() -> Result<(), Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    let midnight = Timestamp::parse_rfc3339("2026-09-01T04:00:00Z").ok_or("a moment")?;
    let weights: Vec<Reading> = [41.237, 41.229, 41.224, 41.221]
        .into_iter()
        .zip(0..)
        .map(|(kg, quarter)| {
            Ok(Reading {
                device: DeviceId::new("sc-north-01")?,
                channel: ChannelName::new("weight")?,
                unit: ChannelKind::Weight.unit(),
                time: midnight.plus_ms(quarter * 900_000),
                value: kg,
            })
        })
        .collect::<Result<_, Box<dyn Error>>>()?;

    let store = EmbeddedStore::open(folder.path(), Access::Create)?;
    let first = store.append_durable(&weights)?;
    let again = store.append_durable(&weights)?;
    println!("first: {} new", first.new);
    println!(
        "sent again: {} new, {} known already",
        again.new, again.repeated
    );
    drop(store);

    let store = EmbeddedStore::open(folder.path(), Access::Read)?;
    for known in store.series()? {
        println!(
            "{}/{} in {}:",
            known.series.device, known.series.channel, known.unit
        );
        for sample in store.range(&known.series, Span::ALWAYS)? {
            println!("  {}  {}", sample.time.to_rfc3339(), sample.value);
        }
    }
    Ok(())
}
