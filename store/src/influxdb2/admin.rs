//! Setting a server up with an operator's token: the bucket, a token that may do no more than it
//! must, and on request a bucket of hourly figures with the task that fills it.

use super::InfluxConfig;
use super::client::Guarded;
use super::http::{Token, Trouble};
use super::read::literal;
use super::schema::MEASUREMENT;
use crate::StoreError;
use influxdb2::api::authorizations::CreateAuthorizationRequest;
use influxdb2::api::buckets::ListBucketsRequest;
use influxdb2::api::organization::ListOrganizationRequest;
use influxdb2::api::task::{CreateTaskRequest, ListTasksRequest};
use influxdb2::models::permission::Action;
use influxdb2::models::{
    Permission, PostBucketRequest, Resource, RetentionRule, TaskStatusType, resource,
    retention_rule,
};

/// What to make.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct InitWish {
    /// How long readings are kept, in seconds (68 years at most, the crate's bound); `None`: for ever.
    pub retention_s: Option<i32>,
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
    server: Guarded,
}

impl Admin {
    /// `config.token` is the operator's. The address must be the server's own, without a path.
    pub fn new(config: InfluxConfig) -> Result<Self, StoreError> {
        let server = Guarded::new(&config)?;
        Ok(Self { config, server })
    }

    /// Makes what is not there yet. Run again it makes another token and leaves the rest. Not to
    /// be called from within an async runtime.
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
        let wanted = ListOrganizationRequest {
            org: Some(self.config.org.clone()),
            ..Default::default()
        };
        let found = self
            .server
            .call(async move |server| server.list_organizations(wanted).await)?;
        let org = found.orgs.into_iter().next().and_then(|org| org.id);
        org.ok_or_else(|| Trouble::Missing(self.config.org.clone()))
    }

    /// The bucket's number, and whether it was made.
    fn bucket(
        &self,
        org: &str,
        name: &str,
        retention_s: Option<i32>,
    ) -> Result<(String, bool), Trouble> {
        if let Some(found) = self.bucket_id(org, name)? {
            return Ok((found, false));
        }
        let rule = |seconds| RetentionRule::new(retention_rule::Type::Expire, seconds);
        let wish = PostBucketRequest {
            description: Some("readings, written by Larder".into()),
            retention_rules: retention_s.map(rule).into_iter().collect(),
            ..PostBucketRequest::new(org.into(), name.into())
        };
        self.server
            .call(async move |server| server.create_bucket(Some(wish)).await)?;
        // The crate does not hand on what the server says of the new bucket.
        let made = self.bucket_id(org, name)?;
        Ok((made.ok_or_else(|| odd("a new bucket is not there"))?, true))
    }

    fn bucket_id(&self, org: &str, name: &str) -> Result<Option<String>, Trouble> {
        let wanted = ListBucketsRequest {
            org_id: Some(org.into()),
            name: Some(name.into()),
            ..Default::default()
        };
        let found = self
            .server
            .call(async move |server| server.list_buckets(Some(wanted)).await);
        match found {
            // A server answers "not found" where it could answer with an empty list.
            Err(Trouble::Missing(_)) => Ok(None),
            found => Ok(found?.buckets.into_iter().find_map(|bucket| bucket.id)),
        }
    }

    fn token(&self, org: &str, bucket: &str) -> Result<Token, Trouble> {
        let only_this = Resource {
            id: Some(bucket.into()),
            org_id: Some(org.into()),
            ..Resource::new(resource::Type::Buckets)
        };
        let permission = |action| Permission::new(action, only_this.clone());
        let wish = CreateAuthorizationRequest {
            org_id: org.into(),
            permissions: [Action::Read, Action::Write].map(permission).into(),
            description: Some(format!("Larder: readings in {}", self.config.bucket)),
            ..Default::default()
        };
        let made = self
            .server
            .call(async move |server| server.create_authorization(wish).await)?;
        let token = made.token.ok_or_else(|| odd("no token"))?;
        Ok(Token::new(&token))
    }

    fn hourly(&self, org: &str) -> Result<String, Trouble> {
        let name = format!("{}_hourly", self.config.bucket);
        self.bucket(org, &name, None)?;
        let wanted = ListTasksRequest {
            org_id: Some(org.into()),
            name: Some(task_name(&self.config.bucket)),
            ..Default::default()
        };
        let found = self
            .server
            .call(async move |server| server.list_tasks(wanted).await)?;
        if found.tasks.is_empty() {
            let wish = CreateTaskRequest {
                org_id: Some(org.into()),
                status: Some(TaskStatusType::Active),
                ..CreateTaskRequest::new(hourly_task(&self.config.bucket, &name))
            };
            self.server
                .call(async move |server| server.create_task(wish).await)?;
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

fn odd(what: &str) -> Trouble {
    Trouble::Unreachable(format!("its answer is odd: {what}"))
}
