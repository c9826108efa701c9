//! Webhooks: CloudEvents 1.0 in structured JSON over HTTP. A redirect is not followed: what was
//! declared is what is told.

use super::mail::{NotTaken, chain};
use anyhow::{Context, Result};
use reqwest::{Client, StatusCode, redirect};
use serde_json::Value;
use std::time::Duration;

/// How long the other side may take.
const PATIENCE: Duration = Duration::from_secs(15);

/// A client for all webhooks.
pub struct Hooks(Client);

impl Hooks {
    /// Sets TLS up; nothing is connected yet.
    pub fn new() -> Result<Self> {
        let client = Client::builder()
            .timeout(PATIENCE)
            .redirect(redirect::Policy::none())
            .user_agent(concat!("larder/", env!("CARGO_PKG_VERSION")))
            .build()
            .context("HTTP for webhooks cannot be set up")?;
        Ok(Self(client))
    }

    /// Sends one event; `Ok`: it was answered with success.
    pub async fn send(&self, url: &str, event: &Value) -> Result<(), NotTaken> {
        let request = self
            .0
            .post(url)
            .header(
                "content-type",
                "application/cloudevents+json; charset=UTF-8",
            )
            .body(event.to_string());
        let answer = request.send().await.map_err(|error| NotTaken {
            for_good: error.is_builder(),
            reason: chain(&error),
        })?;
        let status = answer.status();
        match status.is_success() {
            true => Ok(()),
            false => Err(NotTaken {
                reason: format!("answered {status}"),
                for_good: status == StatusCode::GONE,
            }),
        }
    }
}
