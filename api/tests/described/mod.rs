//! Holds what is sent and answered against the description of it.

use axum::http::{Method, StatusCode};
use jsonschema::Draft;
use serde_json::{Map, Value, json};
use std::sync::LazyLock;

static DESCRIPTION: LazyLock<Value> = LazyLock::new(|| {
    serde_json::from_str(larder_api::openapi_json()).expect("the description is JSON")
});

/// One request and what came of it.
pub struct Exchange<'a> {
    pub method: &'a Method,
    pub path: &'a str,
    pub sent: &'a [u8],
    pub status: StatusCode,
    pub content_type: &'a str,
    pub answer: &'a [u8],
}

impl Exchange<'_> {
    /// Panics where the description says otherwise. An address that it does not know is left alone.
    pub fn check(&self) {
        let Some(operation) = self.operation() else {
            return;
        };
        if self.status.is_success() && operation.contains_key("requestBody") {
            let schema = &operation["requestBody"]["content"]["application/json"]["schema"];
            self.fits(schema, self.sent, "request");
        }
        let response = operation["responses"].get(self.status.as_str());
        let response = response.unwrap_or_else(|| panic!("{self} is not described"));
        let response = resolved(response);
        let kind = self.content_type.split(';').next().unwrap_or_default();
        match response["content"].as_object() {
            None => assert!(
                self.answer.is_empty(),
                "{self} has a body that is not described"
            ),
            Some(contents) => {
                let content = contents.get(kind);
                let content =
                    content.unwrap_or_else(|| panic!("{self}: \"{kind}\" is not described"));
                if kind.ends_with("json") {
                    self.fits(&content["schema"], self.answer, "answer");
                }
            }
        }
    }

    fn operation(&self) -> Option<&'static Map<String, Value>> {
        let path = self.path.split('?').next().unwrap_or_default();
        let fits = |template: &str| {
            let (parts, template) = (path.split('/'), template.split('/'));
            parts.clone().count() == template.clone().count()
                && parts
                    .zip(template)
                    .all(|(part, wanted)| part == wanted || wanted.starts_with('{'))
        };
        let paths = DESCRIPTION["paths"].as_object()?;
        let (_, found) = paths.iter().find(|(template, _)| fits(template))?;
        found.get(self.method.as_str().to_lowercase())?.as_object()
    }

    fn fits(&self, schema: &Value, body: &[u8], what: &str) {
        let body: Value = serde_json::from_slice(body).unwrap_or(Value::Null);
        let whole = json!({ "allOf": [schema], "components": DESCRIPTION["components"] });
        let validator = jsonschema::options()
            .with_draft(Draft::Draft202012)
            .should_validate_formats(true)
            .build(&whole)
            .unwrap_or_else(|error| panic!("{self}: its schema is none: {error}"));
        let errors: Vec<_> = validator
            .iter_errors(&body)
            .map(|error| format!("{}: {error}", error.instance_path()))
            .collect();
        assert!(
            errors.is_empty(),
            "{self}: the {what} is not as described: {errors:#?}\n{body}"
        );
    }
}

impl std::fmt::Display for Exchange<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {} ({})", self.method, self.path, self.status)
    }
}

fn resolved(response: &'static Value) -> &'static Value {
    match response["$ref"].as_str() {
        Some(place) => DESCRIPTION
            .pointer(place.trim_start_matches('#'))
            .unwrap_or_else(|| panic!("{place} is not described")),
        None => response,
    }
}
