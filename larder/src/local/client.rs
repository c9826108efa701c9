//! A command's end of the socket: the store, directly where no service runs, else through it.

use super::wire::{Append, AppendDone, Failure, Remove, RemoveDone};
use super::{Address, address};
use crate::readings_store::OpenStore;
use crate::settings::{SettingsFile, Shared, data_dir};
use anyhow::Result;
use larder_domain::{ChannelRef, Reading, Sample, Span};
use larder_store::archive::WhenFull;
use larder_store::{
    Access, Appended, Desk, LatestSample, Readings, Receipt, Records, Removal, Removed, SeriesInfo,
    StoreError,
};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long the service may take for one batch: it waits for room where a server that keeps readings
/// is slow.
const ANSWER: Duration = Duration::from_secs(300);

/// Where readings and the rest are written, whether or not a service runs.
pub enum Stores {
    /// No service runs: the store is ours.
    Own(Box<OpenStore>),
    /// One runs: readings go through it, the rest is written beside it.
    Beside(Box<Beside>),
}

/// What is written while a service runs.
pub struct Beside {
    service: ServiceReadings,
    desk: Desk,
}

impl Stores {
    /// Opens the store, or finds the service that holds it.
    pub fn open(shared: &Shared, settings: &SettingsFile, access: Access) -> Result<Self> {
        let opened = OpenStore::open(shared, settings, access, WhenFull::Wait);
        let error = match opened {
            Ok(store) => return Ok(Self::Own(Box::new(store))),
            Err(error) => error,
        };
        let in_use = error.downcast_ref::<StoreError>();
        if !matches!(in_use, Some(StoreError::InUse(_))) {
            return Err(error);
        }
        let data = data_dir(shared, settings);
        // Another command holds it where nobody answers.
        let Some(service) = ServiceReadings::find(&data)? else {
            return Err(error);
        };
        Ok(Self::Beside(Box::new(Beside {
            service,
            desk: Desk::open(&data)?,
        })))
    }

    /// Where readings are written.
    pub fn readings(&self) -> &dyn Readings {
        match self {
            Self::Own(store) => store.readings(),
            Self::Beside(beside) => &beside.service,
        }
    }

    /// Where everything else is.
    pub fn records(&self) -> &dyn Records {
        match self {
            Self::Own(store) => store.records(),
            Self::Beside(beside) => beside.desk.records(),
        }
    }

    /// All readings are written.
    pub fn done(&self) {
        // A service sends its own on.
        if let Self::Own(store) = self {
            store.send_on();
        }
    }

    /// Lets a running service know that something else than readings was written beside it. `mark`
    /// differs from the one before: the time will do.
    pub fn tell_service(&self, mark: &str) -> Result<(), StoreError> {
        match self {
            Self::Own(_) => Ok(()),
            Self::Beside(beside) => beside.desk.tell_service(mark),
        }
    }
}

/// The readings of a running service.
struct ServiceReadings {
    data: PathBuf,
    client: reqwest::Client,
    runtime: tokio::runtime::Runtime,
    _address: Address,
}

impl ServiceReadings {
    /// `None`: nobody listens there.
    fn find(data: &Path) -> Result<Option<Self>> {
        let address = address(data)?;
        if std::os::unix::net::UnixStream::connect(&address.path).is_err() {
            return Ok(None);
        }
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        let client = reqwest::Client::builder()
            .unix_socket(address.path.as_path())
            .timeout(ANSWER)
            .build()?;
        Ok(Some(Self {
            data: data.to_owned(),
            client,
            runtime,
            _address: address,
        }))
    }

    fn ask<T: DeserializeOwned>(&self, what: &str, body: &impl Serialize) -> Result<T, StoreError> {
        let lost = |source: Box<dyn std::error::Error + Send + Sync>| StoreError::Other {
            attempted:
                "the running service does not answer any more; what it had taken is safe, and \
                        running this command again changes nothing of that"
                    .into(),
            source,
        };
        let body = serde_json::to_vec(body).map_err(|e| lost(e.into()))?;
        let asked = self
            .client
            .post(format!("http://larder/{what}"))
            .header("content-type", "application/json")
            .body(body);
        let answered = self.runtime.block_on(async {
            let answer = asked.send().await?;
            let is_done = answer.status().is_success();
            Ok::<_, reqwest::Error>((is_done, answer.bytes().await?))
        });
        let (is_done, bytes) = answered.map_err(|e| lost(e.into()))?;
        if is_done {
            return serde_json::from_slice(&bytes).map_err(|e| lost(e.into()));
        }
        let failure: Failure = serde_json::from_slice(&bytes).map_err(|e| lost(e.into()))?;
        Err(failure.told(&self.data))
    }

    fn append(&self, readings: &[Reading], again: bool) -> Result<Appended, StoreError> {
        let done: AppendDone = self.ask("append", &Append::of(readings, again))?;
        done.appended().map_err(|what| StoreError::Other {
            attempted: "the running service's answer does not read".into(),
            source: what.into(),
        })
    }
}

/// What only the service can say.
fn ask_the_service<T>() -> Result<T, StoreError> {
    Err(StoreError::Elsewhere(
        "a service holds this store; its API answers for the readings".into(),
    ))
}

impl Readings for ServiceReadings {
    fn append_received(&self, readings: &[Reading], _: &[Receipt]) -> Result<Appended, StoreError> {
        self.append(readings, false)
    }

    fn append_again(&self, readings: &[Reading]) -> Result<Appended, StoreError> {
        self.append(readings, true)
    }

    fn remove(&self, removal: &Removal<'_>) -> Result<Removed, StoreError> {
        let done: RemoveDone = self.ask("remove", &Remove::of(removal))?;
        Ok(done.into())
    }

    fn receipts(&self) -> Result<Vec<Receipt>, StoreError> {
        ask_the_service()
    }

    fn series(&self) -> Result<Vec<SeriesInfo>, StoreError> {
        ask_the_service()
    }

    fn range(&self, _: &ChannelRef, _: Span) -> Result<Vec<Sample>, StoreError> {
        ask_the_service()
    }

    fn reduced(&self, _: &ChannelRef, _: Span, _: usize) -> Result<Vec<Sample>, StoreError> {
        ask_the_service()
    }

    fn latest(&self) -> Result<Vec<LatestSample>, StoreError> {
        ask_the_service()
    }
}
