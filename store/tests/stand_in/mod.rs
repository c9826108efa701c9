//! A stand-in for an InfluxDB 2, for answers that a real one cannot be made to give.

use flate2::read::GzDecoder;
use larder_store::influxdb2::{InfluxConfig, Token};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// One request, and how it is answered.
pub struct Asked {
    pub head: String,
    pub body: String,
}

/// A server that answers each request as it is told to by `answer`, which sees it and gives all
/// bytes of the answer; `None`: it says nothing and keeps the connection.
pub struct StandIn {
    url: String,
    pub asked: Arc<Mutex<Vec<Asked>>>,
}

impl StandIn {
    pub fn new(answer: impl Fn(&Asked) -> Option<String> + Send + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let asked = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&asked);
        std::thread::spawn(move || {
            let mut silent = Vec::new();
            for stream in listener.incoming() {
                let mut stream = stream.unwrap();
                let Some(request) = read_request(&mut stream) else {
                    continue;
                };
                let said = answer(&request);
                kept.lock().unwrap().push(request);
                match said {
                    Some(said) => stream.write_all(said.as_bytes()).unwrap(),
                    None => silent.push(stream),
                }
            }
        });
        Self { url, asked }
    }

    pub fn config(&self) -> InfluxConfig {
        InfluxConfig {
            url: self.url.clone(),
            org: "the org".into(),
            bucket: "b".into(),
            token: Token::new("secret"),
            patience: Duration::from_millis(300),
            ca: None,
        }
    }
}

fn read_request(stream: &mut TcpStream) -> Option<Asked> {
    let mut head = Vec::new();
    let mut byte = [0];
    while !head.ends_with(b"\r\n\r\n") {
        stream.read_exact(&mut byte).ok()?;
        head.push(byte[0]);
    }
    let head = String::from_utf8(head).unwrap();
    let lower = head.to_ascii_lowercase();
    let length = lower
        .lines()
        .find_map(|line| line.strip_prefix("content-length: ")?.parse().ok());
    let mut body = vec![0; length.unwrap_or(0)];
    stream.read_exact(&mut body).ok()?;
    let mut text = String::new();
    if lower.contains("content-encoding: gzip") {
        GzDecoder::new(&body[..]).read_to_string(&mut text).unwrap();
    } else {
        text = String::from_utf8(body).unwrap();
    }
    Some(Asked { head, body: text })
}

pub fn answer(status: &str, headers: &str, body: &str) -> Option<String> {
    Some(format!(
        "HTTP/1.1 {status}\r\ncontent-length: {}\r\nconnection: close\r\n{headers}\r\n{body}",
        body.len()
    ))
}
