//! The whole API over an empty store, without a socket: how much it offers, and what it says of its
//! health.

#![expect(clippy::print_stdout, reason = "an example shows what it found")]

use axum::body::{Body, to_bytes};
use axum::http::Request;
use larder_api::{Host, Live, ReplayOutcome, Service, openapi_json, router};
use larder_domain::{Timestamp, YardId};
use larder_store::{Access, EmbeddedStore, QuarantinedId, Readings, Removal, Removed, StoreError};
use std::error::Error;
use std::sync::Arc;
use tower::ServiceExt;

/// A program that takes nothing in.
struct Idle(Arc<EmbeddedStore>);

impl Host for Idle {
    fn now(&self) -> Timestamp {
        Timestamp(1_788_233_405_000)
    }
    fn ready(&self) -> Result<(), String> {
        Ok(())
    }
    fn replay(&self, _: &[QuarantinedId]) -> Result<ReplayOutcome, StoreError> {
        Ok(ReplayOutcome::default())
    }
    fn take_out(&self, removal: &Removal<'_>) -> Result<Removed, StoreError> {
        self.0.remove(removal)
    }
    fn changed(&self) {}
    fn fill_changed(&self, _: &[YardId], _: Timestamp) {}
    fn metrics(&self) -> String {
        String::new()
    }
}

#[tokio::main]
async fn main() -> Result<(), Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    let store = Arc::new(EmbeddedStore::open(folder.path(), Access::Create)?);
    let service = Service {
        readings: store.clone(),
        records: store.clone(),
        notices: store.clone(),
        live: Live::default(),
        news: tokio::sync::broadcast::channel(16).0,
        host: Arc::new(Idle(store)),
        listeners: Service::usual_listeners(),
        stopping: tokio_util::sync::CancellationToken::new(),
    };
    let description: serde_json::Value = serde_json::from_str(openapi_json())?;
    let paths = description["paths"].as_object().ok_or("no paths")?;
    let operations = paths.values().filter_map(|path| path.as_object());
    println!(
        "{} operations",
        operations.map(|path| path.len()).sum::<usize>()
    );

    let request = Request::get("/healthz").body(Body::empty())?;
    let answer = router(Arc::new(service)).oneshot(request).await?;
    let status = answer.status();
    let body = to_bytes(answer.into_body(), 100_000).await?;
    println!("/healthz: {status}, {}", String::from_utf8_lossy(&body));
    Ok(())
}
