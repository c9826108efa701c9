//! Errors as RFC 9457 problem details: one text for the caller, one for the log.

use axum::Json;
use axum::extract::rejection::{JsonRejection, PathRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::http::{HeaderValue, StatusCode, header, request::Parts};
use axum::response::{IntoResponse, Response};
use larder_domain::{DeviceId, FeederId, FlagId, HiveId, PersonId, YardId};
use larder_store::StoreError;
use serde::Serialize;
use utoipa::openapi::path::{Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::{ObjectBuilder, Required, Type};
use utoipa::{IntoParams, ToSchema};

/// What went wrong, as RFC 9457 has it.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, ToSchema)]
pub struct Problem {
    /// Always `about:blank`: the status says the kind.
    #[schema(format = "uri-reference")]
    #[serde(rename = "type")]
    pub kind: &'static str,
    /// The kind in words.
    pub title: &'static str,
    /// The HTTP status.
    #[schema(minimum = 400, maximum = 599)]
    pub status: u16,
    /// What to change, in a sentence.
    pub detail: String,
}

impl Problem {
    pub(crate) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self {
            kind: "about:blank",
            title: status.canonical_reason().unwrap_or("Error"),
            status: status.as_u16(),
            detail: detail.into(),
        }
    }

    /// The request is wrong; `detail` says what to change.
    pub fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, detail)
    }

    /// There is no such thing.
    pub fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, detail)
    }

    /// Something else stands in the way.
    pub fn conflict(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::CONFLICT, detail)
    }

    /// What the sender believed is no longer so.
    pub fn stale(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::PRECONDITION_FAILED, detail)
    }

    /// Not now; trying again may help.
    pub fn unavailable(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, detail)
    }

    /// Ours.
    pub fn internal(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, detail)
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        tracing::warn!(error = %Chain(&error), "a store call failed");
        match error {
            StoreError::Full(_) | StoreError::Unavailable(_) | StoreError::ReadOnly(_) => {
                Self::unavailable(error.to_string())
            }
            StoreError::Missing(_) => Self::not_found(error.to_string()),
            _ => Self::internal(error.to_string()),
        }
    }
}

struct Chain<'a>(&'a dyn std::error::Error);

impl std::fmt::Display for Chain<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.0)?;
        let mut source = self.0.source();
        while let Some(error) = source {
            write!(f, ": {error}")?;
            source = error.source();
        }
        Ok(())
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, Json(self)).into_response();
        let json = HeaderValue::from_static("application/problem+json");
        response.headers_mut().insert(header::CONTENT_TYPE, json);
        response
    }
}

/// A JSON body whose mistakes are answered as problem details. It must say
/// `content-type: application/json`, which no form on a foreign page can.
pub(crate) struct Body<T>(pub T);

impl<S: Send + Sync, T: serde::de::DeserializeOwned> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        match Json::<T>::from_request(request, state).await {
            Ok(Json(value)) => Ok(Self(value)),
            Err(JsonRejection::MissingJsonContentType(_)) => Err(Problem::bad_request(
                "send JSON, with content-type: application/json",
            )),
            Err(rejection) if rejection.status() == StatusCode::PAYLOAD_TOO_LARGE => {
                Err(Problem::new(rejection.status(), rejection.body_text()))
            }
            Err(rejection) => Err(Problem::bad_request(rejection.body_text())),
        }
    }
}

/// Query parameters whose mistakes are answered as problem details.
pub(crate) struct Params<T>(pub T);

impl<S: Send + Sync, T: serde::de::DeserializeOwned + Send> FromRequestParts<S> for Params<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        axum::extract::Query::<T>::from_request_parts(parts, state)
            .await
            .map(|axum::extract::Query(value)| Self(value))
            .map_err(|rejection: QueryRejection| Problem::bad_request(rejection.body_text()))
    }
}

/// A part of the path that is an id; anything else is no such thing.
pub(crate) struct Id<T>(pub T);

/// Something with an id in a path.
pub(crate) trait Named {
    /// What has the id.
    const WHAT: &'static str;
    /// How the id is written.
    const PATTERN: &'static str = "^[A-Za-z0-9._-]{1,64}$";
}

macro_rules! named {
    ($($id:ty: $what:literal),+) => {$(
        impl Named for $id {
            const WHAT: &'static str = $what;
        }
    )+};
}

named!(YardId: "yard", HiveId: "hive", FeederId: "feeder", DeviceId: "device", PersonId: "person");

impl Named for FlagId {
    const WHAT: &'static str = "flag";
    const PATTERN: &'static str = "^[!-.0-~]{1,200}$";
}

impl<T: Named> IntoParams for Id<T> {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let id = ObjectBuilder::new()
            .schema_type(Type::String)
            .pattern(Some(T::PATTERN));
        let id = ParameterBuilder::new()
            .name("id")
            .parameter_in(ParameterIn::Path)
            .required(Required::True)
            .description(Some(format!("The {}'s id.", T::WHAT)))
            .schema(Some(id));
        vec![id.build()]
    }
}

impl<S: Send + Sync, T: std::str::FromStr<Err: std::fmt::Display> + Send> FromRequestParts<S>
    for Id<T>
{
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let axum::extract::Path(text) =
            axum::extract::Path::<String>::from_request_parts(parts, state)
                .await
                .map_err(|rejection: PathRejection| Problem::bad_request(rejection.body_text()))?;
        text.parse()
            .map(Self)
            .map_err(|error| Problem::not_found(format!("{error}")))
    }
}
