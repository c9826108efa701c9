//! The state of each hive as a retained MQTT message: what is wrong there now, and no message where
//! all is well. What the broker has taken is written down, so that only differences are sent and
//! nothing stays behind after a crash.

use super::compose::{flag_json, operation_units};
use super::lately;
use crate::clock;
use anyhow::{Context, Result, anyhow, bail};
use chrono_tz::Tz;
use larder_domain::HiveId;
use larder_ingest::session::{BrokerUrl, Password, TlsFiles};
use larder_store::notices::Notices;
use larder_store::{EmbeddedStore, Records};
use rumqttc::{
    AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS, TlsConfiguration, Transport,
};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// Messages sent before their acknowledgements are waited for and written down.
const BATCH: usize = 50;
/// How long the broker may take for a batch.
const PATIENCE: Duration = Duration::from_secs(15);

/// Where and how states are published.
#[derive(Clone)]
pub struct StateTopics {
    /// The broker.
    pub broker: BrokerUrl,
    /// The password of our user at the broker.
    pub password: Option<Password>,
    /// Certificates, where TLS is spoken.
    pub tls: TlsFiles,
    /// Our name at the broker.
    pub client_id: String,
    /// First level of the topics: `<prefix>/hives/<hive>/state`.
    pub prefix: String,
}

impl StateTopics {
    /// Brings the broker's retained messages to what is known now.
    pub async fn sync(&self, store: &Arc<EmbeddedStore>) -> Result<()> {
        let at = Arc::clone(store);
        let differing = tokio::task::spawn_blocking(move || differences(&at)).await??;
        if differing.is_empty() {
            return Ok(());
        }
        let (client, mut events) = self.connect()?;
        for batch in differing.chunks(BATCH) {
            tokio::time::timeout(PATIENCE, self.publish(&client, &mut events, batch))
                .await
                .map_err(|_| anyhow!("the broker does not acknowledge"))??;
            let (at, taken) = (Arc::clone(store), batch.to_vec());
            tokio::task::spawn_blocking(move || {
                taken
                    .iter()
                    .try_for_each(|(hive, state)| at.set_hive_state(hive, state.as_deref()))
            })
            .await??;
        }
        let _ = client.try_disconnect();
        let _ = tokio::time::timeout(Duration::from_secs(1), events.poll()).await;
        Ok(())
    }

    fn connect(&self) -> Result<(AsyncClient, EventLoop)> {
        let mut options = MqttOptions::new(&self.client_id, &self.broker.host, self.broker.port);
        options.set_keep_alive(Duration::from_secs(20));
        if let Some(user) = &self.broker.user {
            let password = self.password.as_ref().map_or("", Password::reveal);
            options.set_credentials(user, password);
        }
        if self.broker.is_tls {
            let config = self.tls.client_config().context("TLS to the broker")?;
            options.set_transport(Transport::Tls(TlsConfiguration::Rustls(config)));
        }
        Ok(AsyncClient::new(options, BATCH + 1))
    }

    async fn publish(
        &self,
        client: &AsyncClient,
        events: &mut EventLoop,
        batch: &[(HiveId, Option<String>)],
    ) -> Result<()> {
        for (hive, state) in batch {
            let topic = format!("{}/hives/{hive}/state", self.prefix);
            // A retained message without a payload takes the kept one away (MQTT 3.1.1, 3.3.1.3).
            let payload = state.clone().unwrap_or_default();
            client
                .try_publish(topic, QoS::AtLeastOnce, true, payload)
                .context("the queue to the broker is full")?;
        }
        let mut taken = 0;
        while taken < batch.len() {
            match events.poll().await {
                Ok(Event::Incoming(Packet::PubAck(_))) => taken += 1,
                Ok(_) => {}
                Err(error) => bail!("the broker cannot be reached: {error}"),
            }
        }
        Ok(())
    }
}

/// The hives whose state differs from what the broker has, and what it should have.
fn differences(store: &EmbeddedStore) -> Result<Vec<(HiveId, Option<String>)>> {
    let now = clock::now();
    let (units, apiary) = (operation_units(store)?, store.apiary()?);
    let mut wrong: BTreeMap<HiveId, (Option<String>, Vec<Value>)> = BTreeMap::new();
    for kept in store.flags(None, lately(now))? {
        let (Some(hive), true) = (&kept.flag.hive, kept.is_loud(now)) else {
            continue;
        };
        if kept.known_at.is_none() {
            continue;
        }
        let yard = kept.flag.yard.as_ref().and_then(|id| apiary.yard(id));
        let zone = yard.map_or(Tz::UTC, |yard| yard.timezone);
        let (place, flags) = wrong.entry(hive.clone()).or_default();
        *place = yard.map(|yard| yard.id.to_string());
        flags.push(flag_json(&kept, units, zone));
    }
    let wanted: BTreeMap<HiveId, String> = wrong
        .into_iter()
        .map(|(hive, (yard, flags))| {
            let state = json!({ "hive": hive.as_str(), "yard": yard, "flags": flags });
            (hive, state.to_string())
        })
        .collect();
    let has = store.hive_states()?;
    let gone = has.keys().filter(|hive| !wanted.contains_key(hive));
    let mut differing: Vec<_> = gone.map(|hive| (hive.clone(), None)).collect();
    let changed = wanted
        .into_iter()
        .filter(|(hive, state)| has.get(hive) != Some(state));
    differing.extend(changed.map(|(hive, state)| (hive, Some(state))));
    Ok(differing)
}
