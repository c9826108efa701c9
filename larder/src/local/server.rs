//! The service's end of the socket.

use super::wire::{Append, AppendDone, Failure, Remove, RemoveDone};
use super::{NAME, address};
use crate::service::ServiceHost;
use anyhow::{Context, Result};
use axum::extract::{DefaultBodyLimit, State};
use axum::http::StatusCode;
use axum::routing::post;
use axum::{Json, Router};
use larder_api::Host;
use larder_store::StoreError;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::net::UnixListener;
use tokio_util::sync::CancellationToken;

/// The largest request, in bytes: an importer's batch is a tenth of it.
const LARGEST_REQUEST: usize = 32 * 1024 * 1024;

/// The socket of a running service.
pub struct LocalSocket {
    listener: UnixListener,
    file: PathBuf,
}

impl LocalSocket {
    /// Opens it. A file that a killed service left is replaced: whoever calls this holds the store.
    pub fn open(data: &Path) -> Result<Self> {
        let file = data.join(NAME);
        let what = || format!("opening {} for commands beside the service", file.display());
        match std::fs::remove_file(&file) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(error).with_context(what);
            }
            _ => {}
        }
        let address = address(data).with_context(what)?;
        let listener = UnixListener::bind(&address.path).with_context(what)?;
        let only_us = std::fs::Permissions::from_mode(0o600);
        std::fs::set_permissions(&file, only_us).with_context(what)?;
        Ok(Self { listener, file })
    }

    /// Answers until `stop`.
    pub async fn serve(self, host: Arc<ServiceHost>, stop: CancellationToken) {
        let router = Router::new()
            .route("/append", post(append))
            .route("/remove", post(remove))
            .layer(DefaultBodyLimit::max(LARGEST_REQUEST))
            .with_state(host);
        let served = axum::serve(self.listener, router)
            .with_graceful_shutdown(stop.cancelled_owned())
            .await;
        if let Err(error) = served {
            tracing::error!(%error, "the socket for commands ended");
        }
        // A file that stays is replaced by the next service.
        let _ = std::fs::remove_file(&self.file);
    }
}

type Answer<T> = Result<Json<T>, (StatusCode, Json<Failure>)>;

fn failed(failure: Failure) -> (StatusCode, Json<Failure>) {
    (StatusCode::INTERNAL_SERVER_ERROR, Json(failure))
}

/// Runs a store call on a thread that may block.
async fn blocking<T: Send + 'static>(
    call: impl FnOnce() -> Result<T, StoreError> + Send + 'static,
) -> Answer<T> {
    match tokio::task::spawn_blocking(call).await {
        Ok(Ok(done)) => Ok(Json(done)),
        Ok(Err(error)) => Err(failed(error.into())),
        Err(_) => Err(failed(Failure::Other(
            "a store call ended unexpectedly".into(),
        ))),
    }
}

async fn append(
    State(host): State<Arc<ServiceHost>>,
    Json(append): Json<Append>,
) -> Answer<AppendDone> {
    let again = append.again;
    let readings = append
        .readings()
        .map_err(|why| failed(Failure::Other(why)))?;
    blocking(move || Ok(host.take_in(&readings, again)?.into())).await
}

async fn remove(
    State(host): State<Arc<ServiceHost>>,
    Json(remove): Json<Remove>,
) -> Answer<RemoveDone> {
    let series = remove.series().map_err(|why| failed(Failure::Other(why)))?;
    blocking(move || Ok(host.take_out(&remove.removal(&series))?.into())).await
}
