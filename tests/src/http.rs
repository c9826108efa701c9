//! Just enough HTTP to ask the service something.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

/// Status and body of `GET path`; `None` where nothing answers. HTTP/1.0, so that the body comes
/// in one piece and the connection ends with it.
pub fn get(port: u16, path: &str) -> Option<(u16, String)> {
    ask(
        port,
        &format!("GET {path} HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n"),
    )
}

fn ask(port: u16, request: &str) -> Option<(u16, String)> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).ok()?;
    stream
        .set_read_timeout(Some(Duration::from_secs(30)))
        .ok()?;
    stream.write_all(request.as_bytes()).ok()?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).ok()?;
    let answer = String::from_utf8(answer).ok()?;
    let (head, body) = answer.split_once("\r\n\r\n")?;
    let status = head.split_whitespace().nth(1)?.parse().ok()?;
    Some((status, body.to_owned()))
}

/// Status and body of `method path` with a JSON body; `None` where nothing answers.
pub fn send(
    port: u16,
    method: &str,
    path: &str,
    body: &serde_json::Value,
) -> Option<(u16, String)> {
    let body = body.to_string();
    let head = format!(
        "{method} {path} HTTP/1.0\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    ask(port, &(head + &body))
}

/// The JSON that `GET path` answers with 200.
pub fn json(port: u16, path: &str) -> Option<serde_json::Value> {
    match get(port, path)? {
        (200, body) => serde_json::from_str(&body).ok(),
        _ => None,
    }
}
