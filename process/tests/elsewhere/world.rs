//! One world from wherever it comes, estimated and scored.

use crate::apiary_file::{parse_apiary, read_apiary};
use crate::graft::{Herd, graft_on};
use crate::raw::Raw;
use crate::read;
use crate::readings::{Archive, ArchiveBuilder, Fills, ReadingRow, read_fills, sorted_fills};
use crate::score::Score;
use crate::truth::Truth;
use crate::yard::yard_input;
use larder_domain::{Apiary, FeederId, RecordedFill};
use larder_estimate::YardOutput;
use larder_process::process_yard;
use larder_syrup::Strength;
use std::error::Error;
use std::path::Path;

/// What a keeper hands over, and the truth.
pub struct World {
    pub apiary: Apiary,
    pub archive: Archive,
    pub fills: Fills,
    pub truth: Truth,
}

impl World {
    /// Of a scenario's folder.
    pub fn read(folder: &Path) -> Result<Self, Box<dyn Error>> {
        Ok(Self {
            apiary: read_apiary(&folder.join("apiary.toml"))?,
            archive: Archive::read(&folder.join("readings.csv.gz"))?,
            fills: read_fills(&folder.join("fills.csv"))?,
            truth: read::truth(folder)?,
        })
    }

    /// Of real hives with feeders' lives that never were.
    pub fn graft(herd: &Herd, seed: u64) -> Result<Self, Box<dyn Error>> {
        Self::of(graft_on(herd, seed))
    }

    pub fn of(raw: Raw) -> Result<Self, Box<dyn Error>> {
        let mut archive = ArchiveBuilder::default();
        for row in &raw.rows {
            archive.take(&ReadingRow {
                time: row.time,
                device: &row.device,
                channel: row.channel,
                unit: row.unit,
                value: row.value,
            })?;
        }
        let mut notes = Vec::new();
        for note in &raw.notes {
            notes.push(RecordedFill {
                feeder: FeederId::new(&note.feeder)?,
                time: note.time,
                volume_l: note.volume_l,
                strength: Some(Strength::parse(&note.strength)?),
            });
        }
        Ok(Self {
            apiary: parse_apiary(&raw.apiary)?,
            archive: archive.finish(),
            fills: sorted_fills(notes),
            truth: raw.truth,
        })
    }

    /// All yards over the whole span.
    pub fn process(&self) -> YardOutput {
        let mut all = YardOutput::default();
        for yard in self.apiary.yards() {
            let input = yard_input(&self.apiary, yard, &self.archive, &self.fills);
            let output = process_yard(&input);
            all.uptake.extend(output.uptake);
            all.weight.extend(output.weight);
            all.fills.extend(output.fills);
            all.flags.extend(output.flags);
        }
        all
    }

    pub fn score(&self) -> Score {
        Score::of(&self.truth, &self.apiary, &self.process())
    }
}
