//! The description of the API: what is committed is what the code says.

#![allow(
    clippy::unwrap_used,
    reason = "a test ends where an answer is not as it should be"
)]

use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;

/// Set, the file is written anew instead of compared.
const REFRESH: &str = "LARDER_WRITE_OPENAPI";

#[test]
fn the_committed_description_is_the_one_of_the_code() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("openapi.json");
    let now = format!("{}\n", larder_api::openapi_json());
    if std::env::var_os(REFRESH).is_some() {
        std::fs::write(&file, now).unwrap();
        return;
    }
    let committed = std::fs::read_to_string(&file).unwrap_or_default();
    let differs = committed.lines().zip(now.lines()).position(|(a, b)| a != b);
    assert!(
        committed == now,
        "api/openapi.json is not what the code says (from line {} on). If the change is meant, write it \
         anew with `{REFRESH}=1 cargo test -p larder-api --test openapi`, then `npm run types` in dashboards/",
        differs.map_or(
            committed.lines().count().min(now.lines().count()),
            |line| line + 1
        )
    );
}

#[test]
fn every_answer_is_described_and_every_refusal_is_a_problem() {
    let description: Value = serde_json::from_str(larder_api::openapi_json()).unwrap();
    let mut ids = BTreeSet::new();
    for (path, item) in description["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            let id = operation["operationId"].as_str().unwrap();
            assert!(ids.insert(id), "{id} is there twice");
            let summary = operation["summary"].as_str().unwrap_or_default();
            assert!(
                summary.ends_with('.'),
                "{method} {path}: a whole sentence comes first"
            );
            for (status, response) in operation["responses"].as_object().unwrap() {
                let response = match response["$ref"].as_str() {
                    Some(place) => description.pointer(&place[1..]).unwrap(),
                    None => response,
                };
                let words = response["description"].as_str().unwrap();
                assert!(words.len() > 4, "{method} {path} {status} is not described");
                if status >= &"400".to_owned() {
                    let problem = &response["content"]["application/problem+json"]["schema"];
                    assert_eq!(
                        problem["$ref"], "#/components/schemas/Problem",
                        "{method} {path} {status}"
                    );
                }
            }
        }
    }
}
