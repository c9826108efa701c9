//! The server on a real socket, with clients that mean no good.

#![allow(
    clippy::unwrap_used,
    reason = "a test ends where an answer is not as it should be"
)]

use axum::Router;
use axum::routing::get;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;

const PATIENCE: Duration = Duration::from_secs(60);

/// Half-sent requests kept everybody out for ever.
#[tokio::test]
async fn nine_hundred_half_sent_requests_keep_nobody_out_and_end() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let stop = CancellationToken::new();
    let router = Router::new().route("/", get(|| async { "here" }));
    let server = tokio::spawn(larder_api::serve(listener, router, stop.clone()));

    let mut half_sent = Vec::new();
    for _ in 0..900 {
        let mut client = TcpStream::connect(address).await.unwrap();
        client
            .write_all(b"GET / HTTP/1.1\r\nHost: la")
            .await
            .unwrap();
        half_sent.push(client);
    }
    let mut honest = TcpStream::connect(address).await.unwrap();
    let request = b"GET / HTTP/1.1\r\nHost: larder\r\nConnection: close\r\n\r\n";
    honest.write_all(request).await.unwrap();
    let mut answer = String::new();
    let read = honest.read_to_string(&mut answer);
    tokio::time::timeout(PATIENCE, read).await.unwrap().unwrap();
    assert!(
        answer.starts_with("HTTP/1.1 200") && answer.ends_with("here"),
        "{answer}"
    );

    for mut client in half_sent {
        let mut told = Vec::new();
        let closed = tokio::time::timeout(PATIENCE, client.read_to_end(&mut told));
        // Closed with or without a word.
        let _ = closed.await.expect("it is closed in the end");
    }
    stop.cancel();
    tokio::time::timeout(PATIENCE, server)
        .await
        .unwrap()
        .unwrap();
}
