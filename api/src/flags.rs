//! Flags of the whole operation, and what people do with one.

use crate::problem::{Body, Id, Params};
use crate::service::FlagNews;
use crate::wire_flag::{FlagBody, FlagWriter};
use crate::words::{FlagKindWord, SeverityWord, VerdictWord};
use crate::{News, Problem, ServiceState};
use axum::Json;
use axum::extract::State;
use larder_domain::person::ONLY_WHEN_NAMED;
use larder_domain::reading::AHEAD_LIMIT_MS;
use larder_domain::{
    Act, CareEntry, FlagId, FlagKind, Said, Severity, Span, Timestamp, Verdict, YardId,
};
use larder_flags::texts::{FlagTexts, told_from, when_to_act};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

/// Flags, by the time at which they opened.
#[derive(Serialize, ToSchema)]
struct FlagsBody {
    flags: Vec<FlagBody>,
    /// Where there are older ones: ask for them with this as `opened_before`.
    #[schema(format = DateTime)]
    next: Option<String>,
}

/// Flags in one answer.
const MOST_FLAGS: usize = 5_000;

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct FlagsQuery {
    /// Only those of one yard.
    yard: Option<String>,
    /// Only those that still hold.
    #[serde(default)]
    open: bool,
    /// Only those that opened before.
    #[param(format = DateTime)]
    opened_before: Option<String>,
    /// About so many at most, the newest ones: 1 to 5000, which is what there are without it.
    #[param(minimum = 1, maximum = 5000)]
    limit: Option<usize>,
}

/// Who does it, and when by their own clock. The same act sent twice with the same `at` is one act.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct AcknowledgeRequest {
    /// false: takes it back.
    #[serde(default = "yes")]
    acknowledged: bool,
    /// The person's name; left out: not said.
    #[serde(default)]
    who: String,
    /// Left out: now.
    #[schema(format = DateTime)]
    at: Option<String>,
}

/// Until when it keeps quiet, who says so, and when by their own clock.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct SnoozeRequest {
    /// Quiet until then; null: no longer.
    #[schema(format = DateTime)]
    until: Option<String>,
    /// The person's name; left out: not said.
    #[serde(default)]
    who: String,
    /// Left out: now.
    #[schema(format = DateTime)]
    at: Option<String>,
}

/// What somebody notes, who, and when by their own clock.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct NoteRequest {
    /// Up to 2,000 characters.
    #[schema(min_length = 1, max_length = 2000)]
    text: String,
    /// The person's name; left out: not said.
    #[serde(default)]
    who: String,
    /// Left out: now.
    #[schema(format = DateTime)]
    at: Option<String>,
}

/// Whether it was right, who says so, and when by their own clock.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct VerdictRequest {
    /// Null: not known after all.
    #[schema(value_type = Option<VerdictWord>)]
    verdict: Option<String>,
    /// The person's name; left out: not said.
    #[serde(default)]
    who: String,
    /// Left out: now.
    #[schema(format = DateTime)]
    at: Option<String>,
}

fn yes() -> bool {
    true
}

/// What there is to say of flags before one is there.
#[derive(Serialize, ToSchema)]
struct FlagKindsBody {
    /// In the order in which reports list them.
    kinds: Vec<FlagKindWordsBody>,
    /// From the most pressing on.
    severities: Vec<SeverityWordsBody>,
}

/// A kind of flag in words.
#[derive(Serialize, ToSchema)]
struct FlagKindWordsBody {
    kind: FlagKindWord,
    /// The state in a word or two: "refill due".
    word: &'static str,
    /// What is said of one place: "needs syrup soon".
    one: &'static str,
    /// What is said of several: "need syrup soon".
    many: &'static str,
    /// What to do about it.
    act: &'static str,
    /// What could hurt someone while doing it; null: nothing of its own.
    caution: Option<&'static str>,
    /// Only those are told of it who name it.
    only_when_named: bool,
}

impl From<FlagKind> for FlagKindWordsBody {
    fn from(kind: FlagKind) -> Self {
        let texts = FlagTexts::of(kind);
        Self {
            kind: kind.into(),
            word: texts.word,
            one: texts.one,
            many: texts.many,
            act: texts.act,
            caution: texts.caution,
            only_when_named: ONLY_WHEN_NAMED.contains(&kind),
        }
    }
}

/// How soon someone should act, in words.
#[derive(Serialize, ToSchema)]
struct SeverityWordsBody {
    severity: SeverityWord,
    /// "today", "on the next trip", "good to know".
    when: &'static str,
    /// What someone hears of who is told from this severity on.
    told: &'static str,
}

impl From<Severity> for SeverityWordsBody {
    fn from(severity: Severity) -> Self {
        Self {
            severity: severity.into(),
            when: when_to_act(severity),
            told: told_from(severity),
        }
    }
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(list_flag_kinds))
        .routes(routes!(list_flags))
        .routes(routes!(get_flag))
        .routes(routes!(acknowledge_flag))
        .routes(routes!(snooze_flag))
        .routes(routes!(note_flag))
        .routes(routes!(judge_flag))
}

/// The kinds of flags and the severities, with the words for them.
#[utoipa::path(get, path = "/api/v1/flag-kinds", tag = "flags",
    responses((status = 200, body = FlagKindsBody)))]
async fn list_flag_kinds() -> Json<FlagKindsBody> {
    let severities = [Severity::Urgent, Severity::Warning, Severity::Info];
    Json(FlagKindsBody {
        kinds: FlagKind::ALL.iter().copied().map(Into::into).collect(),
        severities: severities.map(Into::into).into(),
    })
}

/// Flags, by the time at which they opened.
///
/// Withdrawn ones too, unless only open ones are asked for. The newest ones where there are more than
/// one answer holds; `next` leads to those before them.
#[utoipa::path(get, path = "/api/v1/flags", tag = "flags", params(FlagsQuery),
    responses((status = 200, body = FlagsBody)))]
async fn list_flags(
    State(service): State<ServiceState>,
    Params(query): Params<FlagsQuery>,
) -> Result<Json<FlagsBody>, Problem> {
    let yard = query
        .yard
        .as_deref()
        .map(YardId::new)
        .transpose()
        .map_err(|error| Problem::bad_request(error.to_string()))?;
    let limit = query.limit.unwrap_or(MOST_FLAGS);
    if !(1..=MOST_FLAGS).contains(&limit) {
        return Err(Problem::bad_request(format!(
            "`limit` must lie between 1 and {MOST_FLAGS}"
        )));
    }
    let before = query.opened_before.as_deref();
    let before = before.map(crate::span::moment).transpose()?;
    service
        .blocking(move |s| {
            let apiary = s.records.apiary()?;
            let writer = FlagWriter::new(s, &apiary)?;
            let mut flags = s.records.flags(yard.as_ref(), Span::ALWAYS)?;
            flags.retain(|kept| {
                let is_before = before.is_none_or(|before| kept.flag.opened_at < before);
                is_before && (!query.open || kept.is_open())
            });
            let mut first = flags.len().saturating_sub(limit);
            // Those that opened together stay together, so that none falls between two answers.
            while first > 0 && flags[first - 1].flag.opened_at == flags[first].flag.opened_at {
                first -= 1;
            }
            let next = (first > 0).then(|| flags[first].flag.opened_at.to_rfc3339());
            Ok(Json(FlagsBody {
                flags: flags[first..]
                    .iter()
                    .map(|flag| writer.body(flag))
                    .collect(),
                next,
            }))
        })
        .await
}

/// One flag.
#[utoipa::path(get, path = "/api/v1/flags/{id}", tag = "flags", params(Id<FlagId>),
    responses((status = 200, body = FlagBody)))]
async fn get_flag(
    State(service): State<ServiceState>,
    Id(id): Id<FlagId>,
) -> Result<Json<FlagBody>, Problem> {
    service.blocking(move |s| answer(s, &id).map(Json)).await
}

/// Says that someone knows of it and sees to it; it is quiet from then on.
#[utoipa::path(post, path = "/api/v1/flags/{id}/acknowledge", tag = "flags", params(Id<FlagId>),
    request_body = AcknowledgeRequest,
    responses((status = 200, body = FlagBody)))]
async fn acknowledge_flag(
    State(service): State<ServiceState>,
    Id(id): Id<FlagId>,
    Body(body): Body<AcknowledgeRequest>,
) -> Result<Json<FlagBody>, Problem> {
    let act = Act::Acknowledge(body.acknowledged);
    care_for(service, id, act, body.who, body.at).await
}

/// Keeps it quiet until a time.
#[utoipa::path(post, path = "/api/v1/flags/{id}/snooze", tag = "flags", params(Id<FlagId>),
    request_body = SnoozeRequest,
    responses((status = 200, body = FlagBody)))]
async fn snooze_flag(
    State(service): State<ServiceState>,
    Id(id): Id<FlagId>,
    Body(body): Body<SnoozeRequest>,
) -> Result<Json<FlagBody>, Problem> {
    let until = body.until.as_deref().map(moment).transpose()?;
    care_for(service, id, Act::Snooze(until), body.who, body.at).await
}

/// Writes a note to it.
#[utoipa::path(post, path = "/api/v1/flags/{id}/note", tag = "flags", params(Id<FlagId>),
    request_body = NoteRequest,
    responses((status = 200, body = FlagBody)))]
async fn note_flag(
    State(service): State<ServiceState>,
    Id(id): Id<FlagId>,
    Body(body): Body<NoteRequest>,
) -> Result<Json<FlagBody>, Problem> {
    let act = Act::note(&body.text).map_err(|error| Problem::bad_request(error.to_string()))?;
    care_for(service, id, act, body.who, body.at).await
}

/// Says whether it was right; `larder report flags --review` sums up.
#[utoipa::path(post, path = "/api/v1/flags/{id}/verdict", tag = "flags", params(Id<FlagId>),
    request_body = VerdictRequest,
    responses((status = 200, body = FlagBody)))]
async fn judge_flag(
    State(service): State<ServiceState>,
    Id(id): Id<FlagId>,
    Body(body): Body<VerdictRequest>,
) -> Result<Json<FlagBody>, Problem> {
    let verdict = match body.verdict.as_deref() {
        None => None,
        Some(word) => Some(
            Verdict::from_name(word)
                .ok_or_else(|| Problem::bad_request("verdict is \"right\", \"wrong\" or null"))?,
        ),
    };
    care_for(service, id, Act::Judge(verdict), body.who, body.at).await
}

async fn care_for(
    service: ServiceState,
    id: FlagId,
    act: Act,
    who: String,
    at: Option<String>,
) -> Result<Json<FlagBody>, Problem> {
    let at = at.as_deref().map(moment).transpose()?;
    service
        .blocking(move |s| {
            let now = s.host.now();
            let at = at.unwrap_or(now);
            if at > now.plus_ms(AHEAD_LIMIT_MS) {
                return Err(Problem::bad_request("at lies ahead of the clock"));
            }
            let said =
                Said::by(&who, at).map_err(|error| Problem::bad_request(error.to_string()))?;
            let before = answer(s, &id)?;
            s.records.care_for(&id, &CareEntry { act, said })?;
            let after = answer(s, &id)?;
            if after != before {
                let news = s.records.flag(&id)?.iter().map(FlagNews::from).collect();
                // Nobody listening is fine.
                let _ = s.news.send(News::Flags(news));
            }
            Ok(Json(after))
        })
        .await
}

fn answer(service: &crate::Service, id: &FlagId) -> Result<FlagBody, Problem> {
    let Some(kept) = service.records.flag(id)? else {
        return Err(Problem::not_found(format!("there is no flag \"{id}\"")));
    };
    let apiary = service.records.apiary()?;
    Ok(FlagWriter::new(service, &apiary)?.body(&kept))
}

fn moment(text: &str) -> Result<Timestamp, Problem> {
    Timestamp::parse_rfc3339(text)
        .filter(|time| *time >= Timestamp::YEAR_2000)
        .ok_or_else(|| Problem::bad_request("a time is written like 2026-09-01T05:00:00Z"))
}
