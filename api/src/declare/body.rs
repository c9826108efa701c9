//! From a request's body to the domain: the path names the thing, and everything that is wrong is said.

use larder_domain::apiary::Problem as Mistake;
use larder_domain::{Feeder, FeederId, Hive, HiveId, Yard, YardId};
use larder_wire::apiary::{FeederWire, HiveWire, YardWire};

pub(super) type Parsed<T> = Result<T, String>;

pub(super) fn words<E: std::fmt::Display>(error: E) -> String {
    error.to_string()
}

/// What is wrong, in one line.
pub(super) fn sentences(mistakes: Vec<Mistake>) -> String {
    let all: Vec<String> = mistakes.into_iter().map(|one| one.problem).collect();
    all.join("; ")
}

/// Puts the path's id into a body that may name it, too.
fn named(body: &mut Option<String>, path: &str) -> Parsed<()> {
    match body.replace(path.to_owned()) {
        Some(other) if other != path => Err(format!(
            "the id in the body, \"{other}\", is not the one in the path, \"{path}\""
        )),
        _ => Ok(()),
    }
}

pub(super) fn yard(mut body: YardWire, id: &YardId) -> Parsed<Yard> {
    named(&mut body.id, id.as_str())?;
    body.to_yard().map_err(sentences)
}

pub(super) fn hive(mut body: HiveWire, id: &HiveId) -> Parsed<Hive> {
    named(&mut body.id, id.as_str())?;
    body.to_hive().map_err(sentences)
}

pub(super) fn feeder(mut body: FeederWire, id: &FeederId) -> Parsed<Feeder> {
    named(&mut body.id, id.as_str())?;
    body.to_feeder().map_err(sentences)
}
