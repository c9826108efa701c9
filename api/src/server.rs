//! Serves the router on a socket, with bounds: a client that is slow, or one of many, must not keep
//! everybody else out.

use crate::guests::{Guest, Guests};
use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::net::IpAddr;
use std::pin::pin;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::Layer;
use tower::util::MapRequestLayer;

/// Connections at once. Beyond it a new one is closed; browsers try again.
pub const MOST_CONNECTIONS: usize = 1_000;

/// Connections at once from one address: a household with many phones, each with its six. From this
/// machine itself, where a reverse proxy speaks for everybody, there may be as many as in all.
pub const MOST_FROM_ONE_ADDRESS: usize = 200;

/// How long a request's head may take to arrive whole; also how long a connection may be idle.
pub const HEAD_LIMIT: Duration = Duration::from_secs(20);

/// A pause after the system refused a connection, so that it is not asked without end.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// Where a request comes from.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Peer(pub IpAddr);

/// Serves until `stop`, then lets open requests end. Whoever does not want to wait for all of them
/// drops it.
pub async fn serve(listener: TcpListener, router: Router, stop: CancellationToken) {
    let guests = Guests::new(MOST_CONNECTIONS, MOST_FROM_ONE_ADDRESS);
    let open = TaskTracker::new();
    loop {
        let accepted = tokio::select! {
            () = stop.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        let (stream, address) = match accepted {
            Ok((stream, peer)) => (stream, peer.ip().to_canonical()),
            Err(error) => {
                // The client went before it was accepted, or there are no more open files.
                tracing::debug!(%error, "a connection was not accepted");
                tokio::time::sleep(ACCEPT_PAUSE).await;
                continue;
            }
        };
        let Some(guest) = guests.admit(Some(address)) else {
            metrics::counter!("larder_http_refused_total").increment(1);
            continue;
        };
        let router = router.clone();
        open.spawn(connection(stream, address, guest, router, stop.clone()));
    }
    open.close();
    open.wait().await;
}

/// One connection from its first request to its last.
async fn connection(
    stream: TcpStream,
    address: IpAddr,
    guest: Guest,
    router: Router,
    stop: CancellationToken,
) {
    // Small answers go out at once. Without it they are late, no more.
    let _ = stream.set_nodelay(true);
    let peer = Peer(address);
    let service =
        MapRequestLayer::new(move |mut request: hyper::Request<hyper::body::Incoming>| {
            request.extensions_mut().insert(peer);
            request.map(axum::body::Body::new)
        })
        .layer(router);
    let mut serving = pin!(
        http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEAD_LIMIT)
            .serve_connection(TokioIo::new(stream), TowerToHyperService::new(service))
    );
    let outcome = tokio::select! {
        outcome = &mut serving => outcome,
        () = stop.cancelled() => {
            serving.as_mut().graceful_shutdown();
            serving.await
        }
    };
    if let Err(error) = outcome {
        tracing::debug!(%error, "a connection ended early");
    }
    drop(guest);
}
