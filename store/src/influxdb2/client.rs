//! The crate `influxdb2`, held so that it can do no harm: an address that it would change is
//! refused, its requests end in time, and a panic inside it is an answer that does not read.

use super::InfluxConfig;
use super::http::{CONNECT, Trouble, refusal, server_address};
use crate::StoreError;
use influxdb2::{Client, ClientBuilder, RequestError};
use reqwest_011::header::{CONTENT_TYPE, HeaderMap, HeaderValue};
use reqwest_011::{Certificate, Url, redirect};
use std::future::Future;
use tokio::runtime::{Builder, Runtime};

/// One server, asked one thing at a time. Not to be used where a runtime runs already.
pub(super) struct Guarded {
    client: Client,
    runtime: Runtime,
}

impl Guarded {
    pub(super) fn new(config: &InfluxConfig) -> Result<Self, StoreError> {
        let url = server_address(config)?;
        let unusable = |why: String| StoreError::Elsewhere(format!("{url} cannot be used: {why}"));
        let parsed = Url::parse(url).map_err(|error| unusable(error.to_string()))?;
        // The crate leaves it out without a word and would send the token to another service.
        if parsed.path() != "/" {
            return Err(StoreError::Elsewhere(format!(
                "{url} has a path, and a server can be set up at its own address only: give that one, \
                 or make the bucket and its token in InfluxDB's own pages"
            )));
        }
        let mut headers = HeaderMap::new();
        headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/json"));
        let mut builder = reqwest_011::ClientBuilder::new()
            .connect_timeout(CONNECT)
            .timeout(config.patience)
            .redirect(redirect::Policy::none())
            .user_agent(concat!("larder/", env!("CARGO_PKG_VERSION")))
            .default_headers(headers);
        if let Some(path) = &config.ca {
            let pem = std::fs::read(path).map_err(|error| error.to_string());
            let authority = pem
                .and_then(|pem| Certificate::from_pem(&pem).map_err(|error| error.to_string()))
                .map_err(|why| unusable(format!("{}: {why}", path.display())))?;
            builder = builder
                .tls_built_in_root_certs(false)
                .add_root_certificate(authority);
        }
        let client = ClientBuilder::with_builder(builder, url, &config.org, config.token.secret())
            .build()
            .map_err(|error| unusable(error.to_string()))?;
        let runtime = Builder::new_current_thread().enable_all().build();
        Ok(Self {
            client,
            runtime: runtime.map_err(|error| unusable(error.to_string()))?,
        })
    }

    /// Makes one call and waits for its answer. In a task of its own, because there a panic ends
    /// the task and not the program.
    pub(super) fn call<T, F>(&self, call: impl FnOnce(Client) -> F) -> Result<T, Trouble>
    where
        T: Send + 'static,
        F: Future<Output = Result<T, RequestError>> + Send + 'static,
    {
        let task = self.runtime.spawn(call(self.client.clone()));
        match self.runtime.block_on(task) {
            Ok(answer) => answer.map_err(trouble),
            Err(_) => Err(Trouble::Unreachable(
                "its answer does not read: the client library panicked on it".into(),
            )),
        }
    }
}

/// The crate does not hand on `Retry-After`; nobody waits for it when a server is set up.
fn trouble(error: RequestError) -> Trouble {
    match error {
        RequestError::Http { status, text } => refusal(status.as_u16(), &text, None),
        RequestError::ReqwestProcessing { source } if source.is_decode() => Trouble::Unreachable(
            format!("its answer does not read: {}", source.without_url()),
        ),
        RequestError::ReqwestProcessing { source } => {
            Trouble::Unreachable(source.without_url().to_string())
        }
        other => Trouble::Unreachable(other.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::influxdb2::Token;
    use std::time::Duration;

    fn guarded(url: &str) -> Result<Guarded, StoreError> {
        Guarded::new(&InfluxConfig {
            url: url.into(),
            org: "apiary".into(),
            bucket: "b".into(),
            token: Token::new("s3cret"),
            patience: Duration::from_secs(1),
            ca: None,
        })
    }

    #[test]
    fn an_address_that_the_crate_would_change_is_refused() {
        for url in ["http://host:1/influx", "https://host/influx/"] {
            let error = guarded(url).err().unwrap().to_string();
            assert!(error.contains("has a path"), "{error}");
        }
        assert!(guarded("http://host:1/").is_ok());
    }

    #[test]
    fn an_address_that_the_crate_would_panic_on_is_refused() {
        for url in ["host:8086", "http://", "http://host:99999999"] {
            let error = guarded(url).err().unwrap().to_string();
            assert!(!error.contains("s3cret"), "{error}");
        }
    }

    #[test]
    fn a_panic_in_a_call_is_an_answer_that_does_not_read() {
        let trouble = guarded("http://127.0.0.1:1")
            .unwrap()
            .call(|_| async {
                if true {
                    panic!("an empty cell")
                } else {
                    Ok(())
                }
            })
            .unwrap_err();
        assert!(
            matches!(&trouble, Trouble::Unreachable(why) if why.contains("panicked")),
            "{trouble}"
        );
    }
}
