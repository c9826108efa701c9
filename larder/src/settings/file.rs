//! The settings file as written.

use super::{DataOptions, Declared, NoticeOptions, ServiceOptions};
use crate::failure::wrong_use;
use crate::readings_store::ReadingsOptions;
use crate::units::UnitsOption;
use anyhow::Result;
use larder_ingest::decode::MappingFile;
use serde::Deserialize;
use serde::de::{DeserializeOwned, IgnoredAny};
use std::collections::BTreeMap;
use std::path::Path;
use toml::Spanned;

/// What the settings file says. A key that is not known is refused.
#[derive(Clone, Debug, Default)]
pub struct SettingsFile {
    /// Where the store is.
    pub data: DataOptions,
    /// In which units to speak.
    pub units: UnitsOption,
    /// The service.
    pub service: ServiceOptions,
    /// How people are told.
    pub notices: NoticeOptions,
    /// Where readings are kept.
    pub readings: ReadingsOptions,
    /// Messages of other shapes.
    pub mapping: Vec<MappingFile>,
}

/// What is a key of the file alone, and neither an option nor a variable.
#[derive(Deserialize)]
struct FileOnly {
    #[serde(default)]
    mapping: Vec<MappingFile>,
}

/// The keys of a file, and where each stands.
type Keys = BTreeMap<Spanned<String>, IgnoredAny>;

impl SettingsFile {
    /// Reads the file that was named, or `larder.toml` where there is one.
    pub fn find(named: Option<&Path>) -> Result<Self> {
        match named {
            Some(path) => Self::read(path),
            None if Path::new("larder.toml").exists() => Self::read(Path::new("larder.toml")),
            None => Ok(Self::default()),
        }
    }

    fn read(path: &Path) -> Result<Self> {
        let text = std::fs::read_to_string(path)
            .map_err(|error| wrong_use(format!("cannot read {}: {error}", path.display())))?;
        Self::parse(&text)
            .map_err(|mistake| wrong_use(format!("{}{}", path.display(), mistake.place(&text))))
    }

    /// Every group takes its own keys out of the same text.
    pub(super) fn parse(text: &str) -> Result<Self, Mistake> {
        let keys: Keys = toml::from_str(text).map_err(|error| Mistake::of(&error, &Keys::new()))?;
        for key in keys.keys() {
            is_known(key)?;
        }
        Ok(Self {
            data: part(text, &keys)?,
            units: part(text, &keys)?,
            service: part(text, &keys)?,
            notices: part(text, &keys)?,
            readings: part(text, &keys)?,
            mapping: part::<FileOnly>(text, &keys)?.mapping,
        })
    }

    /// Every key that a file may have.
    pub(crate) fn known() -> impl Iterator<Item = &'static str> {
        [
            DataOptions::KEYS,
            UnitsOption::KEYS,
            ServiceOptions::KEYS,
            NoticeOptions::KEYS,
            ReadingsOptions::KEYS,
            &["mapping"],
        ]
        .into_iter()
        .flatten()
        .copied()
    }
}

fn part<T: DeserializeOwned>(text: &str, keys: &Keys) -> Result<T, Mistake> {
    toml::from_str(text).map_err(|error| Mistake::of(&error, keys))
}

fn is_known(key: &Spanned<String>) -> Result<(), Mistake> {
    let name = key.get_ref();
    if SettingsFile::known().any(|known| known == name) {
        return Ok(());
    }
    let likeness = |known: &str| strsim::jaro_winkler(known, name);
    let nearest = SettingsFile::known().max_by(|a, b| likeness(a).total_cmp(&likeness(b)));
    Err(Mistake {
        at: Some(key.span().start),
        sentence: format!(
            "there is no setting `{name}`; did you mean `{}`?",
            nearest.unwrap_or_default()
        ),
    })
}

/// What is wrong with a file.
#[derive(Debug)]
pub(super) struct Mistake {
    /// The byte at which it stands, where that is known.
    at: Option<usize>,
    sentence: String,
}

impl Mistake {
    /// TOML's sentence, with the key that it is about.
    fn of(error: &toml::de::Error, keys: &Keys) -> Self {
        let at = error.span().map(|span| span.start);
        let before = |key: &&Spanned<String>| at.is_some_and(|at| key.span().start <= at);
        let key = keys
            .keys()
            .filter(before)
            .max_by_key(|key| key.span().start);
        let key = key.map_or(String::new(), |key| format!("`{}`: ", key.get_ref()));
        let words = error.message().trim();
        let words = words
            .replace("u32", "a whole number from 0 up")
            .replace("u64", "a whole number from 0 up");
        Self {
            at,
            sentence: format!("{key}{words}"),
        }
    }

    /// The sentence behind its line in the file's text.
    pub(super) fn place(&self, text: &str) -> String {
        let line = self.at.map_or(String::new(), |at| {
            format!(" line {}", text[..at].matches('\n').count() + 1)
        });
        format!("{line}: {}", self.sentence)
    }
}
