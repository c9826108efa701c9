//! In which units a command speaks: its option, then the environment, then the settings file, then
//! what the pages were set to, then metric.

use crate::failure::wrong_use;
use crate::settings::{Declared, SettingsFile, Shared, data_dir, settings};
use anyhow::Result;
use larder_domain::units::UnitSystem;
use larder_store::{Access, EmbeddedStore, Records};

settings! {
    /// Flattened into commands that print quantities.
    pub struct UnitsOption {
        /// metric or us [default: the setting of the pages, else metric]
        #[arg(long, env = "LARDER_UNITS", value_name = "SYSTEM")]
        pub units: Option<String>,
    }
}

impl UnitsOption {
    /// The units to speak.
    pub fn choose(&self, shared: &Shared) -> Result<UnitSystem> {
        let file = SettingsFile::find(shared.config.as_deref())?;
        match self.clone().or(file.units.clone()).units {
            Some(word) => UnitSystem::parse(&word).map_err(|error| wrong_use(error.to_string())),
            None => Ok(of_the_pages(shared, &file).unwrap_or_default()),
        }
    }
}

/// What the pages were set to, where there is a store. A mix must come out without one too.
fn of_the_pages(shared: &Shared, file: &SettingsFile) -> Option<UnitSystem> {
    let folder = data_dir(shared, file);
    if !folder.is_dir() {
        return None;
    }
    let store = EmbeddedStore::open(&folder, Access::Read).ok()?;
    let word = store.setting("units").ok()??;
    UnitSystem::parse(&word).ok()
}
