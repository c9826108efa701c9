//! Setting a server up with an operator's token: the bucket, a token that may do no more than it
//! must, and on request a bucket of hourly figures with the task that fills it.

use super::InfluxConfig;
use super::http::{Http, Token, Trouble, json, quoted};
use super::read::literal;
use super::schema::MEASUREMENT;
use crate::StoreError;
use serde_json::{Value, json};

/// What to make.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct InitWish {
    /// How long readings are kept, in seconds; `None`: for ever.
    pub retention_s: Option<u64>,
    /// A second bucket, `<bucket>_hourly`, with hourly mean, least and greatest values, kept for ever.
    pub hourly: bool,
}

/// What was made, or found there.
#[derive(Clone, Debug)]
pub struct Initialised {
    /// A token that may read and write the bucket and nothing else.
    pub token: Token,
    /// The bucket was not there before.
    pub made_bucket: bool,
    /// The bucket of hourly figures, where one was wished for.
    pub hourly_bucket: Option<String>,
}

/// A server as its operator sees it.
pub struct Admin {
    config: InfluxConfig,
    http: Http,
}

impl Admin {
    /// `config.token` is the operator's.
    pub fn new(config: InfluxConfig) -> Result<Self, StoreError> {
        let http = Http::new(&config)?;
        Ok(Self { config, http })
    }

    /// Makes what is not there yet. Run again it makes another token and leaves the rest.
    pub fn init(&self, wish: &InitWish) -> Result<Initialised, Trouble> {
        let org = self.org_id()?;
        let (bucket, made_bucket) = self.bucket(&org, &self.config.bucket, wish.retention_s)?;
        let hourly_bucket = match wish.hourly {
            true => Some(self.hourly(&org)?),
            false => None,
        };
        Ok(Initialised {
            token: self.token(&org, &bucket)?,
            made_bucket,
            hourly_bucket,
        })
    }

    fn org_id(&self) -> Result<String, Trouble> {
        let found = self
            .http
            .get_json(&format!("/api/v2/orgs?org={}", quoted(&self.config.org)))?;
        id(&found["orgs"][0]).ok_or_else(|| Trouble::Missing(self.config.org.clone()))
    }

    fn bucket(
        &self,
        org: &str,
        name: &str,
        retention_s: Option<u64>,
    ) -> Result<(String, bool), Trouble> {
        let path = format!(
            "/api/v2/buckets?orgID={}&name={}",
            quoted(org),
            quoted(name)
        );
        // A server answers "not found" where it could answer with an empty list.
        let found = match self.http.get_json(&path) {
            Err(Trouble::Missing(_)) => Value::Null,
            found => found?,
        };
        if let Some(bucket) = id(&found["buckets"][0]) {
            return Ok((bucket, false));
        }
        let rules = match retention_s {
            Some(seconds) => json!([{ "type": "expire", "everySeconds": seconds }]),
            None => json!([]),
        };
        let wish = json!({ "orgID": org, "name": name, "retentionRules": rules,
            "description": "readings, written by Larder" });
        let made = json(self.http.post_json("/api/v2/buckets", &wish)?)?;
        let bucket = id(&made).ok_or_else(|| odd("a bucket without a number"))?;
        Ok((bucket, true))
    }

    fn token(&self, org: &str, bucket: &str) -> Result<Token, Trouble> {
        let resource = json!({ "type": "buckets", "id": bucket, "orgID": org });
        let permissions = json!([{ "action": "read", "resource": resource },
            { "action": "write", "resource": resource }]);
        let wish = json!({ "orgID": org, "permissions": permissions,
            "description": format!("Larder: readings in {}", self.config.bucket) });
        let made = json(self.http.post_json("/api/v2/authorizations", &wish)?)?;
        let token = made["token"].as_str().ok_or_else(|| odd("no token"))?;
        Ok(Token::new(token))
    }

    fn hourly(&self, org: &str) -> Result<String, Trouble> {
        let name = format!("{}_hourly", self.config.bucket);
        self.bucket(org, &name, None)?;
        let task = task_name(&self.config.bucket);
        let path = format!("/api/v2/tasks?orgID={}&name={}", quoted(org), quoted(&task));
        let found = self.http.get_json(&path)?;
        if id(&found["tasks"][0]).is_none() {
            let flux = hourly_task(&self.config.bucket, &name);
            let wish = json!({ "orgID": org, "flux": flux, "status": "active" });
            self.http.post_json("/api/v2/tasks", &wish)?;
        }
        Ok(name)
    }
}

fn task_name(bucket: &str) -> String {
    format!("larder hourly {bucket}")
}

/// Hourly mean, least and greatest value, told apart by the tag `figure`. Each run looks at the last
/// two days again, because loggers that were offline deliver late; what it writes a second time
/// takes the place of the first.
pub(super) fn hourly_task(from: &str, to: &str) -> String {
    let figure = |function: &str| {
        format!(
            "data() |> aggregateWindow(every: 1h, fn: {function}, createEmpty: false, timeSrc: \"_start\")\n    \
             |> set(key: \"figure\", value: \"{function}\") |> to(bucket: {})\n",
            literal(to)
        )
    };
    format!(
        "option task = {{name: {}, every: 1h, offset: 10m}}\n\n\
         data = () => from(bucket: {}) |> range(start: date.truncate(t: -2d, unit: 1h), stop: date.truncate(t: now(), unit: 1h))\n    \
         |> filter(fn: (r) => r._measurement == {})\n\n{}{}{}",
        literal(&task_name(from)),
        literal(from),
        literal(MEASUREMENT),
        figure("mean"),
        figure("min"),
        figure("max"),
    )
    .replacen("option task", "import \"date\"\n\noption task", 1)
}

fn id(thing: &Value) -> Option<String> {
    Some(thing["id"].as_str()?.to_owned())
}

fn odd(what: &str) -> Trouble {
    Trouble::Unreachable(format!("its answer is odd: {what}"))
}
