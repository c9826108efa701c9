//! Processing as news arrives: never more often than it is worth, never less than it should.

use super::{Changed, ServiceHost};
use crate::clock;
use crate::pipeline::{Pipeline, Processed, Turns, note_live_since, record_end};
use anyhow::Result;
use larder_api::{Host, Live, News, Processing, YardFailure};
use larder_domain::{Span, Timestamp, YardId};
use larder_store::{Desk, EmbeddedStore, Readings, Records, StoreError};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::broadcast;
use tokio_util::sync::CancellationToken;

/// The shortest time between two runs.
const SHORTEST_PAUSE: Duration = Duration::from_secs(2);

/// The longest: silence becomes a flag although nothing arrives.
const LONGEST_PAUSE: Duration = Duration::from_secs(300);

/// How often to look whether a command beside this service has written something.
const DESK_PAUSE: Duration = Duration::from_secs(1);

/// A run may use one part in so many of one core's time.
const SHARE_OF_TIME: u32 = 10;

/// Runs until `stop`. The first run is over everything: how feeders stand is not kept on disk.
pub async fn run(
    store: Arc<EmbeddedStore>,
    readings: Arc<dyn Readings>,
    live: Live,
    news: broadcast::Sender<News>,
    changed: Arc<Changed>,
    host: Arc<ServiceHost>,
    stop: CancellationToken,
) {
    changed.everything();
    let mut told = None;
    let mut troubled = BTreeSet::new();
    let mut turns = Turns::default();
    let mut pause = Duration::ZERO;
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(pause) => {}
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = changed.wake.notified() => {}
            () = written_at_desk(&store, &mut told) => host.changed(),
            () = tokio::time::sleep(LONGEST_PAUSE) => {}
        }
        // What would be estimated as of a wrong clock is not worth having.
        while host.status.held().is_some() {
            tokio::select! {
                () = stop.cancelled() => return,
                () = tokio::time::sleep(DESK_PAUSE) => {}
            }
        }
        let asking = changed.asking();
        let began = Instant::now();
        if asking.is_some() {
            turns.clear();
        }
        let (from, at) = (Arc::clone(&readings), Arc::clone(&store));
        let mut taken = std::mem::take(&mut turns);
        let noted = changed.take_noted();
        let outcome = tokio::task::spawn_blocking(move || {
            let done = process(from.as_ref(), at.as_ref(), &mut taken, &noted);
            let is_whole = done.is_ok();
            let done = match done {
                // What is here reaches back far enough for the last days.
                Err(error) if is_unavailable(&error) => last_days(from.as_ref(), at.as_ref())?,
                done => done?,
            };
            anyhow::Ok((done, taken, is_whole))
        })
        .await;
        match outcome {
            Ok(Ok(((done, record_ends), taken, is_whole))) => {
                turns = taken;
                tell_troubles(&turns, &mut troubled);
                live.set_processing(processing(&turns, clock::now()));
                live.set_record_end(record_ends);
                publish(done, &live, &news);
                match asking {
                    Some(asking) if is_whole => changed.answer(asking),
                    Some(_) => tracing::warn!(
                        "only the last days could be estimated again; older readings are out of reach"
                    ),
                    None => {}
                }
            }
            Ok(Err(error)) => {
                tracing::warn!(error = %format!("{error:#}"), "processing failed; it is tried again");
                live.set_processing_problem(Some(format!("{error:#}")));
                changed.everything();
            }
            Err(error) => {
                tracing::error!(%error, "processing ended unexpectedly");
                live.set_processing_problem(Some("processing ended unexpectedly".into()));
            }
        }
        show(&live.processing());
        metrics::histogram!("larder_process_seconds").record(began.elapsed().as_secs_f64());
        pause = (began.elapsed() * SHARE_OF_TIME).clamp(SHORTEST_PAUSE, LONGEST_PAUSE);
    }
}

/// How estimating goes, as metrics.
fn show(processing: &Processing) {
    metrics::gauge!("larder_process_failing_yards").set(processing.failures.len() as f64);
    metrics::gauge!("larder_process_up").set(f64::from(u8::from(processing.problem.is_none())));
    if let Some(at) = processing.estimated_at {
        metrics::gauge!("larder_process_last_run_timestamp_seconds").set(at.0 as f64 / 1000.0);
    }
    for failure in &processing.failures {
        metrics::gauge!("larder_process_failing_since_timestamp_seconds", "yard" => failure.yard.to_string())
            .set(failure.since.0 as f64 / 1000.0);
    }
}

/// Logs what is wrong with a yard when it begins and when it is over, not each time.
fn tell_troubles(turns: &Turns, troubled: &mut BTreeSet<YardId>) {
    for trouble in turns.troubles() {
        if troubled.insert(trouble.yard.clone()) {
            let reason = trouble.sentences.first().map_or("", String::as_str);
            tracing::error!(yard = %trouble.yard, reason, "a yard cannot be estimated in full; the others go on");
        }
    }
    troubled.retain(|yard| {
        let is_still = turns.troubles().any(|trouble| trouble.yard == *yard);
        if !is_still {
            tracing::info!(%yard, "the yard is estimated again");
        }
        is_still
    });
}

fn processing(turns: &Turns, ended_at: Timestamp) -> Processing {
    let failures = turns.troubles().map(|trouble| YardFailure {
        yard: trouble.yard.clone(),
        since: trouble.since,
        reason: trouble.sentences.join("; "),
    });
    Processing {
        estimated_at: Some(ended_at),
        problem: None,
        failures: failures.collect(),
    }
}

/// Whether a server that keeps readings does not answer.
fn is_unavailable(error: &anyhow::Error) -> bool {
    error
        .chain()
        .filter_map(|cause| cause.downcast_ref::<StoreError>())
        .any(|error| matches!(error, StoreError::Unavailable(_)))
}

/// Returns when a command beside this service has written something.
async fn written_at_desk(store: &Arc<EmbeddedStore>, told: &mut Option<String>) {
    loop {
        tokio::time::sleep(DESK_PAUSE).await;
        let store = Arc::clone(store);
        let asked = tokio::task::spawn_blocking(move || Desk::last_told(store.as_ref())).await;
        if let Ok(Ok(last)) = asked
            && last != *told
        {
            *told = last;
            return;
        }
    }
}

/// Estimates what is different from what it was. Says what was done, and where the record ends if
/// the readings are one.
fn process(
    readings: &dyn Readings,
    records: &dyn Records,
    turns: &mut Turns,
    noted: &BTreeMap<YardId, Span>,
) -> Result<(Processed, Option<Timestamp>)> {
    let (pipeline, record_ends) = pipeline(readings, records)?;
    let now = record_ends.unwrap_or(pipeline.clock);
    let longest_ms = LONGEST_PAUSE.as_millis() as i64 - 1000;
    let done = pipeline.process_noted(turns, noted, now, longest_ms)?;
    Ok((done, record_ends))
}

/// Estimates the last days alone, as if every yard had been estimated an hour ago.
fn last_days(
    readings: &dyn Readings,
    records: &dyn Records,
) -> Result<(Processed, Option<Timestamp>)> {
    let (pipeline, record_ends) = pipeline(readings, records)?;
    let now = record_ends.unwrap_or(pipeline.clock);
    let hour_ago = now.plus_ms(-3_600_000);
    Ok((pipeline.process_last_days(hour_ago, now)?, record_ends))
}

/// What both work with, and where the record ends if it is one.
fn pipeline<'a>(
    readings: &'a dyn Readings,
    records: &'a dyn Records,
) -> Result<(Pipeline<'a>, Option<Timestamp>)> {
    let clock = clock::now();
    note_live_since(records, clock)?;
    let record_ends = record_end(readings, records)?.filter(|end| *end < clock);
    let pipeline = Pipeline {
        readings,
        records,
        clock,
    };
    Ok((pipeline, record_ends))
}

fn publish(done: Processed, live: &Live, news: &broadcast::Sender<News>) {
    live.update(done.now);
    if !done.flags.is_empty() {
        // Nobody listening is fine.
        let _ = news.send(News::Flags(done.flags.iter().map(Into::into).collect()));
    }
    if !done.yards.is_empty() {
        // Nobody listening is fine.
        let _ = news.send(News::Results {
            yards: done.yards,
            hives: done.hives,
        });
    }
}
