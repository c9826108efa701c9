//! What people declare and write down can be written beside a running service; readings and
//! results cannot, because the service holds a part of them in memory.

use super::connections::Connections;
use super::{Access, EmbeddedStore};
use crate::{Records, StoreError};
use std::path::Path;

/// The setting that says when something was last written at a desk.
const WRITTEN_AT_DESK: &str = "written_at_desk";

/// A store opened for declaring the apiary and writing fills down, also while a service runs.
#[derive(Debug)]
pub struct Desk {
    store: EmbeddedStore,
    beside: bool,
}

impl Desk {
    /// Opens the store in `dir`, and makes it where there is none. Where another process holds it,
    /// works beside that process, provided that both know the same schema.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        match EmbeddedStore::open(dir, Access::Create) {
            Err(StoreError::InUse(_)) => {
                let connections = Connections::open_beside(dir)?;
                Ok(Self {
                    store: EmbeddedStore::over(dir, connections, None)?,
                    beside: true,
                })
            }
            opened => Ok(Self {
                store: opened?,
                beside: false,
            }),
        }
    }

    /// Where apiary and fills are read and written. Its other parts belong to the service.
    pub fn records(&self) -> &dyn Records {
        &self.store
    }

    /// Whether a service runs, and takes over what was written here.
    pub fn is_beside_service(&self) -> bool {
        self.beside
    }

    /// Lets a running service know. `mark` must differ from the one before: the time will do.
    pub fn tell_service(&self, mark: &str) -> Result<(), StoreError> {
        self.store.set_setting(WRITTEN_AT_DESK, mark)
    }

    /// What the last [`Self::tell_service`] said; `None`: nobody ever did.
    pub fn last_told(records: &dyn Records) -> Result<Option<String>, StoreError> {
        records.setting(WRITTEN_AT_DESK)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::{Apiary, FeederId, RecordedFill, Span, Timestamp, Yard, YardId};

    #[test]
    fn what_is_written_beside_a_service_is_seen_by_it() {
        let folder = tempfile::tempdir().unwrap();
        let service = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
        let desk = Desk::open(folder.path()).unwrap();
        assert!(desk.is_beside_service());
        let fill = RecordedFill {
            feeder: FeederId::new("f").unwrap(),
            time: Timestamp(1_788_238_800_000),
            volume_l: Some(3.0),
            strength: None,
        };
        desk.records()
            .record_fills(std::slice::from_ref(&fill))
            .unwrap();
        desk.tell_service("1").unwrap();
        assert_eq!(service.apiary().unwrap(), Apiary::default());
        let yard = Yard {
            id: YardId::new("north").unwrap(),
            name: "North terrace".into(),
            timezone: chrono_tz::America::New_York,
            position: None,
            weather: None,
        };
        let declared = Apiary::new(vec![yard], vec![], vec![], vec![]).unwrap();
        assert!(desk.records().set_apiary(&declared).unwrap());
        assert_eq!(service.apiary().unwrap(), declared);
        assert_eq!(service.recorded_fills(None, Span::ALWAYS).unwrap(), [fill]);
        assert_eq!(Desk::last_told(&service).unwrap().as_deref(), Some("1"));
        drop(service);
        drop(desk);
        assert!(!Desk::open(folder.path()).unwrap().is_beside_service());
    }
}
