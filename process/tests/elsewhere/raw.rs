//! A world as a keeper would hand it over, with its truth beside it.

use crate::truth::Truth;
use larder_domain::Timestamp;

/// One reading.
#[derive(Clone)]
pub struct Row {
    pub time: Timestamp,
    pub device: String,
    pub channel: &'static str,
    pub unit: &'static str,
    pub value: f64,
}

/// One fill as it was written down.
#[derive(Clone)]
pub struct Note {
    pub time: Timestamp,
    pub feeder: String,
    pub volume_l: Option<f64>,
    pub strength: String,
}

/// All of it.
pub struct Raw {
    pub name: String,
    /// The apiary file.
    pub apiary: String,
    pub rows: Vec<Row>,
    pub notes: Vec<Note>,
    pub truth: Truth,
    /// Each yard with the name of its zone.
    pub zones: Vec<(String, String)>,
}
