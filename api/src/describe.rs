//! What holds for the whole description, said in one place instead of at every handler: how any
//! operation may refuse, and how a type looks in a request and in an answer.

use crate::router::{ANSWER_LIMIT, BODY_LIMIT};
use std::collections::{BTreeMap, BTreeSet};
use utoipa::openapi::path::{Operation, ParameterIn, PathItem};
use utoipa::openapi::schema::{AdditionalProperties, ArrayItems};
use utoipa::openapi::{
    Components, ContentBuilder, Header, HeaderBuilder, ObjectBuilder, OpenApi, Ref, RefOr,
    Response, ResponseBuilder, Schema, Type,
};

/// Takes what the handlers say and adds what they need not say.
pub(crate) fn completed(mut api: OpenApi) -> OpenApi {
    let mut components = api.components.take().unwrap_or_default();
    let mut operations: Vec<_> = api
        .paths
        .paths
        .iter_mut()
        .flat_map(|(path, item)| operations(item).map(move |one| (path.as_str(), one)))
        .collect();
    shorten_names(&mut components, &mut operations);
    tell_requests_from_answers(&mut components, &mut operations);
    for (path, operation) in &mut operations {
        describe_answers(&components, operation);
        add_refusals(path, operation);
    }
    let named =
        REFUSALS.map(|(status, name)| (name.to_owned(), RefOr::T(problem(meaning(status)))));
    components.responses.extend(named);
    drop(operations);
    api.components = Some(components);
    api
}

type Operations<'a> = [(&'a str, &'a mut Operation)];

fn operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
    let PathItem {
        get,
        put,
        post,
        delete,
        ..
    } = item;
    [get, put, post, delete].into_iter().flatten()
}

// --- refusals -----------------------------------------------------------------------------------

/// Ways to be refused that many operations share, with their names among the description's parts.
const REFUSALS: [(u16, &str); 8] = [
    (400, "BadRequest"),
    (404, "NotFound"),
    (409, "Conflict"),
    (412, "Changed"),
    (413, "TooLong"),
    (500, "Failed"),
    (503, "Unavailable"),
    (504, "TooLate"),
];

fn meaning(status: u16) -> String {
    let words = match status {
        400 => "The request is wrong; `detail` says what to change.",
        404 => "There is no such thing.",
        409 => "It does not go together with something else; `detail` says with what.",
        412 => "Somebody changed it meanwhile, or it is there already; load it anew and look.",
        413 => return format!("The body is longer than {} KiB.", BODY_LIMIT / 1024),
        503 => "Not now: the store can't be read or written. Trying again may help.",
        504 => return format!("There was no answer within {} s.", ANSWER_LIMIT.as_secs()),
        _ => "The service failed; its log says more.",
    };
    words.to_owned()
}

fn problem(description: String) -> Response {
    let schema = Ref::from_schema_name("Problem");
    ResponseBuilder::new()
        .description(description)
        .content(
            "application/problem+json",
            ContentBuilder::new().schema(Some(schema)).build(),
        )
        .build()
}

/// What answers without asking the store.
const WITHOUT_STORE: [&str; 2] = ["/api/v1/events", "/api/v1/openapi.json"];

/// How an operation may refuse, by what it takes: an id may be unknown, parameters and bodies may be
/// wrong, a revision may be an old one, the store may be busy or broken. What else an operation refuses it
/// says itself, by the status alone or in words of its own.
fn add_refusals(path: &str, operation: &mut Operation) {
    let parameters = operation
        .parameters
        .iter()
        .flatten()
        .filter_map(|one| match one {
            RefOr::T(parameter) => Some(parameter),
            RefOr::Ref(_) => None,
        });
    let mut statuses = BTreeSet::new();
    for parameter in parameters {
        match parameter.parameter_in {
            ParameterIn::Path => statuses.insert(404),
            ParameterIn::Header => statuses.insert(412),
            _ => statuses.insert(400),
        };
    }
    if operation.request_body.is_some() {
        statuses.extend([400, 413]);
    }
    if path.starts_with("/api/") && !WITHOUT_STORE.contains(&path) {
        statuses.extend([500, 503, 504]);
    }
    let responses = &mut operation.responses.responses;
    for (status, name) in REFUSALS {
        let said = match responses.get(&status.to_string()) {
            Some(RefOr::T(response)) => Some(response.description.clone()),
            _ => None,
        };
        let response = match said {
            Some(words) if !words.is_empty() => RefOr::T(problem(words)),
            None if !statuses.contains(&status) => continue,
            _ => RefOr::Ref(Ref::from_response_name(name)),
        };
        responses.insert(status.to_string(), response);
    }
}

/// An answer that the handler does not describe is what its schema is, or else what the operation
/// gives. What carries a revision has it as its entity tag, too.
fn describe_answers(components: &Components, operation: &mut Operation) {
    for (status, response) in &mut operation.responses.responses {
        let RefOr::T(response) = response else {
            continue;
        };
        if !status.starts_with('2') {
            continue;
        }
        let schema = response.content.values().find_map(|content| match content {
            RefOr::T(content) => Some(named(components, content.schema.as_ref()?)?),
            RefOr::Ref(_) => None,
        });
        if response.description.is_empty() {
            let words = match response.content.is_empty() {
                true => Some("Done."),
                false => schema.and_then(description),
            };
            let words = words.or(operation.summary.as_deref()).unwrap_or_default();
            response.description = first_sentence(words).to_owned();
        }
        if let Some(Schema::Object(object)) = schema
            && object.properties.contains_key("revision")
        {
            response
                .headers
                .insert("ETag".to_owned(), RefOr::T(entity_tag()));
        }
    }
}

fn named<'a>(components: &'a Components, schema: &RefOr<Schema>) -> Option<&'a Schema> {
    let RefOr::Ref(reference) = schema else {
        return None;
    };
    match components.schemas.get(name_in(reference)?)? {
        RefOr::T(schema) => Some(schema),
        RefOr::Ref(_) => None,
    }
}

fn description(schema: &Schema) -> Option<&str> {
    match schema {
        Schema::Object(object) => object.description.as_deref(),
        Schema::AllOf(all) => all.description.as_deref(),
        _ => None,
    }
}

fn first_sentence(text: &str) -> &str {
    match text.find(". ").or(text.find(".\n")) {
        Some(end) => &text[..=end],
        None => text,
    }
}

fn entity_tag() -> Header {
    HeaderBuilder::new()
        .schema(Some(ObjectBuilder::new().schema_type(Type::String)))
        .description(Some("The revision in quotes, for `If-Match`."))
        .build()
}

// --- names --------------------------------------------------------------------------------------

const SCHEMAS: &str = "#/components/schemas/";

fn name_in(reference: &Ref) -> Option<&str> {
    reference.ref_location.strip_prefix(SCHEMAS)
}

/// `Body` tells a type from the domain's of the same name; outside there is only one.
fn shorten_names(components: &mut Components, operations: &mut Operations<'_>) {
    let short = |name: &str| name.strip_suffix("Body").unwrap_or(name).to_owned();
    let mut rename = |reference: &mut Ref| {
        if let Some(name) = name_in(reference) {
            reference.ref_location = format!("{SCHEMAS}{}", short(name));
        }
    };
    for schema in components.schemas.values_mut() {
        each_reference(schema, &mut rename);
    }
    for (_, operation) in operations {
        each_of_request(operation, &mut |schema| each_reference(schema, &mut rename));
        each_of_answers(operation, &mut |schema| each_reference(schema, &mut rename));
    }
    let schemas = std::mem::take(&mut components.schemas);
    let schemas = schemas
        .into_iter()
        .map(|(name, schema)| (short(&name), schema));
    components.schemas = schemas.collect();
}

// --- requests and answers -----------------------------------------------------------------------

/// A request may leave out what has a usual value; an answer leaves nothing out. A type that goes both
/// ways is described twice where that makes a difference: as it is for answers, with `Input` behind its
/// name for requests.
fn tell_requests_from_answers(components: &mut Components, operations: &mut Operations<'_>) {
    let (mut asked, mut answered) = (BTreeSet::new(), BTreeSet::new());
    for (_, operation) in operations.iter_mut() {
        each_of_request(operation, &mut |schema| asked.extend(names(schema)));
        each_of_answers(operation, &mut |schema| answered.extend(names(schema)));
    }
    let asked = reached(components, asked);
    let answered = reached(components, answered);
    let both: BTreeMap<_, _> = asked
        .intersection(&answered)
        .filter_map(|name| Some((name.clone(), components.schemas.get(name)?.clone())))
        .collect();
    for name in &answered {
        if let Some(RefOr::T(schema)) = components.schemas.get_mut(name) {
            make_whole(schema);
        }
    }
    let differs = |name: &String| components.schemas.get(name) != both.get(name);
    let mut twice: BTreeSet<_> = both.keys().filter(|name| differs(name)).cloned().collect();
    // What holds something that is described twice is so itself.
    loop {
        let holders = both.iter().filter(|(name, schema)| {
            let held = names(&mut (*schema).clone());
            !twice.contains(*name) && !held.is_disjoint(&twice)
        });
        let holders: Vec<_> = holders.map(|(name, _)| name.clone()).collect();
        if holders.is_empty() {
            break;
        }
        twice.extend(holders);
    }
    let mut as_input = |reference: &mut Ref| {
        if name_in(reference).is_some_and(|name| twice.contains(name)) {
            reference.ref_location.push_str("Input");
        }
    };
    for (name, mut schema) in both {
        if twice.contains(&name) {
            each_reference(&mut schema, &mut as_input);
            components.schemas.insert(format!("{name}Input"), schema);
        }
    }
    for name in asked.difference(&answered) {
        if let Some(schema) = components.schemas.get_mut(name) {
            each_reference(schema, &mut as_input);
        }
    }
    for (_, operation) in operations {
        each_of_request(operation, &mut |schema| {
            each_reference(schema, &mut as_input)
        });
    }
}

fn make_whole(schema: &mut Schema) {
    match schema {
        Schema::Object(object) => {
            let all: Vec<_> = object.properties.keys().cloned().collect();
            if object.required != all {
                object.required = all;
                object.additional_properties = None;
            }
        }
        Schema::AllOf(all) => {
            for item in &mut all.items {
                if let RefOr::T(item) = item {
                    make_whole(item);
                }
            }
        }
        _ => {}
    }
}

/// The names, and those that they lead to.
fn reached(components: &Components, mut names_seen: BTreeSet<String>) -> BTreeSet<String> {
    let mut open: Vec<String> = names_seen.iter().cloned().collect();
    while let Some(name) = open.pop() {
        let Some(mut schema) = components.schemas.get(&name).cloned() else {
            continue;
        };
        for name in names(&mut schema) {
            if names_seen.insert(name.clone()) {
                open.push(name);
            }
        }
    }
    names_seen
}

fn names(schema: &mut RefOr<Schema>) -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    each_reference(schema, &mut |reference| {
        names.extend(name_in(reference).map(str::to_owned));
    });
    names
}

// --- walking ------------------------------------------------------------------------------------

fn each_of_request(operation: &mut Operation, visit: &mut impl FnMut(&mut RefOr<Schema>)) {
    if let Some(RefOr::T(body)) = &mut operation.request_body {
        for content in body.content.values_mut() {
            if let RefOr::T(content) = content {
                content.schema.as_mut().into_iter().for_each(&mut *visit);
            }
        }
    }
}

fn each_of_answers(operation: &mut Operation, visit: &mut impl FnMut(&mut RefOr<Schema>)) {
    for response in operation.responses.responses.values_mut() {
        let RefOr::T(response) = response else {
            continue;
        };
        for content in response.content.values_mut() {
            if let RefOr::T(content) = content {
                content.schema.as_mut().into_iter().for_each(&mut *visit);
            }
        }
    }
}

fn each_reference(schema: &mut RefOr<Schema>, visit: &mut impl FnMut(&mut Ref)) {
    match schema {
        RefOr::Ref(reference) => visit(reference),
        RefOr::T(schema) => each_reference_within(schema, visit),
    }
}

fn each_reference_within(schema: &mut Schema, visit: &mut impl FnMut(&mut Ref)) {
    match schema {
        Schema::Object(object) => {
            for property in object.properties.values_mut() {
                each_reference(property, visit);
            }
            if let Some(AdditionalProperties::RefOr(more)) =
                object.additional_properties.as_deref_mut()
            {
                each_reference(more, visit);
            }
        }
        Schema::Array(array) => {
            if let ArrayItems::RefOrSchema(items) = &mut array.items {
                each_reference(items, visit);
            }
            for item in &mut array.prefix_items {
                each_reference_within(item, visit);
            }
        }
        Schema::OneOf(one) => one
            .items
            .iter_mut()
            .for_each(|item| each_reference(item, visit)),
        Schema::AllOf(all) => all
            .items
            .iter_mut()
            .for_each(|item| each_reference(item, visit)),
        Schema::AnyOf(any) => any
            .items
            .iter_mut()
            .for_each(|item| each_reference(item, visit)),
        _ => {}
    }
}
