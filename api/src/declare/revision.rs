//! Who changes what somebody else has changed meanwhile is told, instead of undoing it unseen. Each
//! yard, hive and feeder has a revision of its own, so that two people who edit different hives do
//! not disturb each other; it follows from what is declared, so it needs no keeping and is the same
//! whoever wrote it, and a request that is sent twice finds what it wanted.

use crate::Problem;
use axum::Json;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use larder_wire::apiary::{FeederWire, HiveWire, YardWire};
use serde::Serialize;
use std::hash::{DefaultHasher, Hash, Hasher};
use utoipa::IntoParams;
use utoipa::openapi::path::{Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::{ObjectBuilder, Required};

/// Something declared that carries its revision.
pub(super) trait Marked: Serialize + Sized {
    /// Where the revision stands.
    fn place(&mut self) -> &mut Option<String>;

    /// The revision that it carries.
    fn revision(&self) -> Option<String>;

    /// With the revision of what it says.
    fn marked(mut self) -> Self {
        *self.place() = None;
        let json = serde_json::to_string(&self).unwrap_or_default();
        let mut hasher = DefaultHasher::new();
        json.hash(&mut hasher);
        *self.place() = Some(format!("{:016x}", hasher.finish()));
        self
    }
}

macro_rules! marked {
    ($($body:ty),*) => {$(
        impl Marked for $body {
            fn place(&mut self) -> &mut Option<String> {
                &mut self.revision
            }

            fn revision(&self) -> Option<String> {
                self.revision.clone()
            }
        }
    )*};
}

marked!(YardWire, HiveWire, FeederWire);

/// A body whose revision is its entity tag, too.
pub(super) struct Tagged<T>(pub T);

impl<T: Marked> IntoResponse for Tagged<T> {
    fn into_response(self) -> Response {
        let tag = self.0.revision().unwrap_or_default();
        let mut response = Json(self.0).into_response();
        if let Ok(tag) = HeaderValue::from_str(&format!("\"{tag}\"")) {
            response.headers_mut().insert(header::ETAG, tag);
        }
        response
    }
}

/// What the sender of a change believes to be declared.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Expected {
    /// Whatever is.
    Anything,
    /// Nothing of that id yet (`If-None-Match: *`).
    Nothing,
    /// One of these revisions (`If-Match`, or in the body).
    OneOf(Vec<String>),
}

impl Expected {
    /// Where no header says it, the body may.
    pub fn or(self, revision: Option<String>) -> Self {
        match (self, revision) {
            (Self::Anything, Some(revision)) => Self::OneOf(vec![revision]),
            (said, _) => said,
        }
    }

    /// `found` is declared now, `wanted` is to be. What is there already needs no change.
    pub fn check<T: Marked>(
        &self,
        what: &str,
        found: Option<&T>,
        wanted: Option<&T>,
    ) -> Result<(), Problem> {
        let now = found.and_then(Marked::revision);
        if wanted.is_some() && now == wanted.and_then(Marked::revision) {
            return Ok(());
        }
        match (self, now) {
            (Self::Anything, _) | (Self::Nothing, None) => Ok(()),
            (Self::Nothing, Some(_)) => Err(Problem::stale(format!(
                "there is a {what} of that id already; load it, or give another id"
            ))),
            (Self::OneOf(_), None) => Err(Problem::stale(format!(
                "somebody took this {what} out since you opened it; without a revision it is declared anew"
            ))),
            (Self::OneOf(known), Some(now))
                if known.contains(&now) || known.iter().any(|k| k == "*") =>
            {
                Ok(())
            }
            (Self::OneOf(_), Some(_)) => Err(Problem::stale(format!(
                "somebody changed this {what} since you opened it; load it anew and look, or save yours all the same"
            ))),
        }
    }
}

fn tags(headers: &HeaderMap, name: HeaderName) -> Option<Vec<String>> {
    let given = headers.get(name)?.to_str().ok()?;
    let tag = |tag: &str| {
        let tag = tag.trim();
        let tag = tag.strip_prefix("W/").unwrap_or(tag);
        tag.trim_matches('"').to_owned()
    };
    Some(given.split(',').map(tag).collect())
}

impl<S: Send + Sync> FromRequestParts<S> for Expected {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        let nothing = tags(&parts.headers, header::IF_NONE_MATCH);
        if nothing.is_some_and(|tags| tags.iter().any(|tag| tag == "*")) {
            return Ok(Self::Nothing);
        }
        Ok(tags(&parts.headers, header::IF_MATCH).map_or(Self::Anything, Self::OneOf))
    }
}

impl IntoParams for Expected {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let header = |name: &str, description: &str| {
            ParameterBuilder::new()
                .name(name)
                .parameter_in(ParameterIn::Header)
                .required(Required::False)
                .description(Some(description))
                .schema(Some(
                    ObjectBuilder::new().schema_type(utoipa::openapi::Type::String),
                ))
                .build()
        };
        vec![
            header(
                "If-Match",
                "The revision as the ETag of an answer gave it; 412 where somebody changed it meanwhile.",
            ),
            header(
                "If-None-Match",
                "`*`: 412 where there is one of that id already.",
            ),
        ]
    }
}
