//! Who is told of flags, and what became of the notices.

use crate::problem::{Body, Id, Params};
use crate::words::{
    FlagKindWord, NoticeKindWord, NoticeStateWord, SeverityWord, UnitSystemWord, WayWord,
};
use crate::{News, Problem, ServiceState};
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::NaiveTime;
use larder_domain::names;
use larder_domain::{FlagKind, Person, PersonId, QuietHours, Severity, Timestamp, Way, YardId};
use larder_store::notices::{NewNotice, Notice, NoticeKind, NoticeState};
use larder_syrup::units::UnitSystem;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

/// Someone who is told of flags.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PersonBody {
    /// The person's id; in a request the path says it.
    #[serde(default)]
    pub id: String,
    /// What people call them; their id where left out.
    #[serde(default)]
    pub name: String,
    /// Where notices go.
    #[serde(default)]
    pub ways: Vec<WayBody>,
    /// Only these yards; empty: all.
    #[serde(default)]
    pub yards: Vec<String>,
    /// Only these kinds; empty: all but `needs_feed`, `behind_target` and `opened`, of which only
    /// those are told who name them.
    #[serde(default)]
    #[schema(value_type = Vec<FlagKindWord>)]
    pub kinds: Vec<String>,
    /// Only flags at least so pressing; `warning` where left out.
    #[serde(default = "warning")]
    #[schema(value_type = SeverityWord)]
    pub from_severity: String,
    /// Local hours of the flag's yard in which nothing is sent.
    #[serde(default)]
    pub quiet: Option<QuietBody>,
    /// Mail once a day at this local time, `HH:MM`; null: at once.
    #[serde(default)]
    #[schema(pattern = "^([01]?[0-9]|2[0-3]):[0-5][0-9]$")]
    pub digest_at: Option<String>,
    /// In which units notices speak to them; null: as the operation.
    #[serde(default)]
    #[schema(value_type = Option<UnitSystemWord>)]
    pub units: Option<String>,
}

/// One way to someone.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WayBody {
    /// Whether it is mail or a webhook.
    #[schema(value_type = WayWord)]
    pub way: String,
    /// `ada@example.org`, or a URL that takes CloudEvents.
    pub address: String,
}

/// Local times, `HH:MM`; over midnight where `from` is later than `to`.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct QuietBody {
    /// From.
    #[schema(pattern = "^([01]?[0-9]|2[0-3]):[0-5][0-9]$")]
    pub from: String,
    /// To.
    #[schema(pattern = "^([01]?[0-9]|2[0-3]):[0-5][0-9]$")]
    pub to: String,
}

fn warning() -> String {
    "warning".to_owned()
}

const CLOCK: &str = "%H:%M";
/// Most ways to one person.
const MOST_WAYS: usize = 8;

impl PersonBody {
    /// Checks what was said, and says what to change. `since` is for someone who is new.
    pub fn check(&self, id: PersonId, since: Timestamp) -> Result<Person, String> {
        let time = |text: &str| {
            NaiveTime::parse_from_str(text, CLOCK)
                .map_err(|_| format!("a time of day is like 07:00, not \"{text}\""))
        };
        let kind = |word: &String| {
            FlagKind::from_name(word).ok_or_else(|| {
                let known = FlagKind::ALL
                    .iter()
                    .map(|kind| kind.name())
                    .collect::<Vec<_>>()
                    .join(", ");
                format!("there is no kind \"{word}\"; there are {known}")
            })
        };
        let yard = |id: &String| YardId::new(id).map_err(|error| error.to_string());
        let way = |w: &WayBody| Way::new(&w.way, &w.address).map_err(|error| error.to_string());
        let name = match self.name.trim() {
            "" => id.to_string(),
            name => names::name(name).map_err(|error| error.to_string())?,
        };
        if self.ways.len() > MOST_WAYS {
            return Err(format!("at most {MOST_WAYS} ways to one person"));
        }
        let quiet = self.quiet.as_ref().map(|quiet| {
            Ok::<_, String>(QuietHours {
                from: time(&quiet.from)?,
                to: time(&quiet.to)?,
            })
        });
        let units = self.units.as_deref().map(UnitSystem::parse);
        Ok(Person {
            id,
            name,
            ways: self.ways.iter().map(way).collect::<Result<_, _>>()?,
            yards: self.yards.iter().map(yard).collect::<Result<_, _>>()?,
            kinds: self.kinds.iter().map(kind).collect::<Result<_, _>>()?,
            from_severity: Severity::from_name(&self.from_severity)
                .ok_or("from_severity is info, warning or urgent")?,
            quiet: quiet.transpose()?,
            digest_at: self.digest_at.as_deref().map(time).transpose()?,
            units: units.transpose().map_err(|error| error.to_string())?,
            since,
        })
    }
}

impl From<&Person> for PersonBody {
    fn from(person: &Person) -> Self {
        let time = |time: NaiveTime| time.format(CLOCK).to_string();
        let way = |way: &Way| WayBody {
            way: way.name().to_owned(),
            address: way.address().to_owned(),
        };
        Self {
            id: person.id.to_string(),
            name: person.name.clone(),
            ways: person.ways.iter().map(way).collect(),
            yards: person.yards.iter().map(ToString::to_string).collect(),
            kinds: person.kinds.iter().map(|k| k.name().to_owned()).collect(),
            from_severity: person.from_severity.name().to_owned(),
            quiet: person.quiet.map(|quiet| QuietBody {
                from: time(quiet.from),
                to: time(quiet.to),
            }),
            digest_at: person.digest_at.map(time),
            units: person.units.map(|units| units.name().to_owned()),
        }
    }
}

/// Everyone who is told of flags.
#[derive(Serialize, ToSchema)]
struct PeopleBody {
    people: Vec<PersonBody>,
}

/// Notices and what became of them.
#[derive(Serialize, ToSchema)]
struct NoticesBody {
    /// How many wait to be sent.
    waiting: u64,
    /// What does not get through, in a sentence; null: nothing.
    trouble: Option<String>,
    /// Newest first.
    notices: Vec<NoticeBody>,
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct NoticesQuery {
    /// How many; 50 where left out, 500 at most.
    #[param(minimum = 0, maximum = 500)]
    limit: Option<usize>,
}

/// A notice and what became of it.
#[derive(Serialize, ToSchema)]
struct NoticeBody {
    id: i64,
    person: String,
    way: WayWord,
    address: String,
    kind: NoticeKindWord,
    /// Ids of the flags that it tells of.
    flags: Vec<String>,
    #[schema(format = DateTime)]
    made_at: String,
    state: NoticeStateWord,
    tries: u32,
    /// When it is tried again.
    #[schema(format = DateTime)]
    next_at: Option<String>,
    /// When it was tried last.
    #[schema(format = DateTime)]
    tried_at: Option<String>,
    /// What the other side said last.
    error: Option<String>,
}

impl From<&Notice> for NoticeBody {
    fn from(notice: &Notice) -> Self {
        let flags = notice.things.iter().map(|(flag, _)| flag.to_string());
        let next_at = match &notice.state {
            NoticeState::Waiting { next_at } => Some(next_at.to_rfc3339()),
            _ => None,
        };
        Self {
            id: notice.id,
            person: notice.person.to_string(),
            way: (&notice.way).into(),
            address: notice.way.address().to_owned(),
            kind: notice.kind.into(),
            flags: flags.collect(),
            made_at: notice.made_at.to_rfc3339(),
            state: (&notice.state).into(),
            tries: notice.tries,
            next_at,
            tried_at: notice.done_at.map(Timestamp::to_rfc3339),
            error: notice.error.clone(),
        }
    }
}

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new()
        .routes(routes!(list_people))
        .routes(routes!(put_person, delete_person))
        .routes(routes!(test_person))
        .routes(routes!(list_notices))
}

/// Everyone who is told of flags.
#[utoipa::path(get, path = "/api/v1/people", tag = "notices", responses((status = 200, body = PeopleBody)))]
async fn list_people(State(service): State<ServiceState>) -> Result<Json<PeopleBody>, Problem> {
    let people = service.blocking(|s| Ok(s.notices.people()?)).await?;
    Ok(Json(PeopleBody {
        people: people.iter().map(Into::into).collect(),
    }))
}

/// Adds someone, or changes them. Whoever is new is told of what is known from then on.
#[utoipa::path(put, path = "/api/v1/people/{id}", tag = "notices", params(Id<PersonId>),
    request_body = PersonBody, responses((status = 200, body = PersonBody)))]
async fn put_person(
    State(service): State<ServiceState>,
    Id(id): Id<PersonId>,
    Body(body): Body<PersonBody>,
) -> Result<Json<PersonBody>, Problem> {
    service
        .blocking(move |s| {
            let known = s.notices.people()?.into_iter().find(|p| p.id == id);
            let since = known.map_or(s.host.now(), |person| person.since);
            let person = body.check(id, since).map_err(Problem::bad_request)?;
            let apiary = s.records.apiary()?;
            if let Some(yard) = person.yards.iter().find(|y| apiary.yard(y).is_none()) {
                let detail = format!("there is no yard \"{yard}\"");
                return Err(Problem::bad_request(detail));
            }
            s.notices.put_person(&person)?;
            // Nobody listening is fine.
            let _ = s.news.send(News::People);
            Ok(Json((&person).into()))
        })
        .await
}

/// Takes someone out, and what waits for them.
#[utoipa::path(delete, path = "/api/v1/people/{id}", tag = "notices", params(Id<PersonId>),
    responses((status = 204)))]
async fn delete_person(
    State(service): State<ServiceState>,
    Id(id): Id<PersonId>,
) -> Result<StatusCode, Problem> {
    service
        .blocking(move |s| match s.notices.remove_person(&id)? {
            true => {
                let _ = s.news.send(News::People);
                Ok(StatusCode::NO_CONTENT)
            }
            false => Err(Problem::not_found(format!("there is nobody \"{id}\""))),
        })
        .await
}

/// Sends a test on every way to someone; `GET /api/v1/notices` says what became of it.
#[utoipa::path(post, path = "/api/v1/people/{id}/test", tag = "notices", params(Id<PersonId>),
    responses((status = 202, description = "The tests are on their way.")))]
async fn test_person(
    State(service): State<ServiceState>,
    Id(id): Id<PersonId>,
) -> Result<StatusCode, Problem> {
    service
        .blocking(move |s| {
            let people = s.notices.people()?;
            let Some(person) = people.iter().find(|person| person.id == id) else {
                return Err(Problem::not_found(format!("there is nobody \"{id}\"")));
            };
            let test = |way: &Way| NewNotice {
                person: id.clone(),
                way: Some(way.clone()),
                kind: NoticeKind::Test,
                things: Vec::new(),
            };
            let tests: Vec<_> = person.ways.iter().map(test).collect();
            let (_, full) = s.notices.make_notices(&tests, s.host.now())?;
            if full {
                return Err(Problem::unavailable("too many notices wait to be sent"));
            }
            let _ = s.news.send(News::People);
            Ok(StatusCode::ACCEPTED)
        })
        .await
}

/// Notices and what became of them, newest first.
#[utoipa::path(get, path = "/api/v1/notices", tag = "notices", params(NoticesQuery),
    responses((status = 200, body = NoticesBody)))]
async fn list_notices(
    State(service): State<ServiceState>,
    Params(query): Params<NoticesQuery>,
) -> Result<Json<NoticesBody>, Problem> {
    let limit = query.limit.unwrap_or(50).min(500);
    service
        .blocking(move |s| {
            let notices = s.notices.recent_notices(limit)?;
            Ok(Json(NoticesBody {
                waiting: s.notices.waiting_notices()?,
                trouble: s.live.notice_trouble(),
                notices: notices.iter().map(Into::into).collect(),
            }))
        })
        .await
}
