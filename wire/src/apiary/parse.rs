//! Reading TOML so that every mistake is reported in one go: serde stops at the first, so a table
//! that does not fit is looked at key by key.

use super::short::shorten;
use super::{ApiaryFile, FeederWire, GatewayWire, HiveWire, ThresholdWire, YardWire};
use larder_domain::apiary::Problem;
use serde::de::DeserializeOwned;
use toml::{Table, Value};

/// The arrays of tables in the file.
const SECTIONS: [&str; 5] = ["yard", "hive", "feeder", "gateway", "threshold"];

impl ApiaryFile {
    /// Reads the TOML of an apiary file. Only its form is checked here; [`super::apply`] checks
    /// what it says.
    pub fn parse(text: &str) -> Result<Self, Vec<Problem>> {
        let mut table: Table = toml::from_str(text).map_err(|error| vec![syntax(text, &error)])?;
        let mut problems = Vec::new();
        for key in table.keys().filter(|key| !SECTIONS.contains(&key.as_str())) {
            problems.push(Problem {
                place: "apiary file".into(),
                problem: format!(
                    "\"{key}\" is not known; it holds [[yard]], [[hive]], [[feeder]], [[gateway]] and [[threshold]]"
                ),
            });
        }
        let file = Self {
            yard: section(&mut table, "yard", YARD, &mut problems),
            hive: section(&mut table, "hive", HIVE, &mut problems),
            feeder: section(&mut table, "feeder", FEEDER, &mut problems),
            gateway: section(&mut table, "gateway", GATEWAY, &mut problems),
            threshold: section(&mut table, "threshold", THRESHOLD, &mut problems),
        };
        if problems.is_empty() {
            Ok(file)
        } else {
            Err(problems)
        }
    }

    /// Writes TOML that [`Self::parse`] reads back the same.
    pub fn to_toml(&self) -> String {
        let mut table = Table::try_from(self).expect("plain tables of text, numbers and switches");
        shorten(&mut table);
        toml::to_string(&table).expect("tables of text, numbers and switches")
    }
}

fn syntax(text: &str, error: &toml::de::Error) -> Problem {
    let line = error.span().map(|span| {
        let before = &text.as_bytes()[..span.start.min(text.len())];
        before.iter().filter(|byte| **byte == b'\n').count() + 1
    });
    Problem {
        place: line.map_or("apiary file".into(), |line| format!("line {line}")),
        problem: format!("this is not TOML: {}", error.message()),
    }
}

/// What the same types hold in the API and a file does not.
const ONLY_IN_THE_API: &str = "revision";

/// The required keys of a table, each with a value that fits: what stands in for the others while
/// one key is looked at.
type Required = &'static [(&'static str, Stand)];

#[derive(Clone, Copy)]
enum Stand {
    Text,
    Number,
}

const YARD: Required = &[("id", Stand::Text), ("timezone", Stand::Text)];
const HIVE: Required = &[("id", Stand::Text), ("yard", Stand::Text)];
const FEEDER: Required = &[
    ("id", Stand::Text),
    ("hive", Stand::Text),
    ("kind", Stand::Text),
    ("capacity_l", Stand::Number),
];
const GATEWAY: Required = &[("id", Stand::Text)];
const THRESHOLD: Required = &[("name", Stand::Text), ("value", Stand::Number)];

/// Lets the compiler check that the tables above belong to types that can be read.
trait Section: DeserializeOwned {}
impl Section for YardWire {}
impl Section for ThresholdWire {}
impl Section for HiveWire {}
impl Section for FeederWire {}
impl Section for GatewayWire {}

fn section<T: Section>(
    file: &mut Table,
    name: &str,
    required: Required,
    problems: &mut Vec<Problem>,
) -> Vec<T> {
    let items = match file.remove(name) {
        None => return Vec::new(),
        Some(Value::Array(items)) => items,
        Some(Value::Table(_)) => {
            problems.push(Problem {
                place: format!("[{name}]"),
                problem: format!("write [[{name}]] with two brackets: there may be several"),
            });
            return Vec::new();
        }
        Some(_) => {
            problems.push(Problem {
                place: name.to_owned(),
                problem: format!("write [[{name}]] and its keys below it"),
            });
            return Vec::new();
        }
    };
    let mut read = Vec::new();
    for (index, item) in items.into_iter().enumerate() {
        let item = dates_as_text(item);
        let is_whole = |item: &Value| {
            let has = |key: &str| item.get(key).is_some();
            required.iter().all(|(key, _)| has(key)) && !has(ONLY_IN_THE_API)
        };
        match item.clone().try_into::<T>() {
            Ok(read_item) if is_whole(&item) => read.push(read_item),
            Ok(_) => explain::<T>(&item, name, index, required, "", problems),
            Err(error) => explain::<T>(&item, name, index, required, &error.to_string(), problems),
        }
    }
    read
}

/// Finds all that is wrong with a table that could not be read.
fn explain<T: Section>(
    item: &Value,
    name: &str,
    index: usize,
    required: Required,
    whole: &str,
    problems: &mut Vec<Problem>,
) {
    let id = item.get("id").and_then(Value::as_str);
    let place = id.map_or_else(
        || format!("{name} {}", index + 1),
        |id| format!("{name} \"{id}\""),
    );
    let before = problems.len();
    let mut say = |problem: String| {
        problems.push(Problem {
            place: place.clone(),
            problem,
        })
    };
    if let Value::Table(table) = item {
        for (key, _) in required.iter().filter(|(key, _)| !table.contains_key(*key)) {
            say(format!("`{key}` is missing"));
        }
        if table.contains_key(ONLY_IN_THE_API) {
            say(format!("`{ONLY_IN_THE_API}` is not known here"));
        }
        for (key, value) in table {
            let mut alone: Table = required
                .iter()
                .map(|(key, stand)| ((*key).to_owned(), stand.value()))
                .collect();
            alone.insert(key.clone(), value.clone());
            if let Err(error) = Value::Table(alone).try_into::<T>() {
                say(in_words(key, &error.to_string()));
            }
        }
    }
    if problems.len() == before {
        problems.push(Problem {
            place,
            problem: first_line(whole).to_owned(),
        });
    }
}

impl Stand {
    fn value(self) -> Value {
        match self {
            Self::Text => Value::String("x".into()),
            Self::Number => Value::Float(1.0),
        }
    }
}

/// serde's sentence with the key it is about.
fn in_words(key: &str, error: &str) -> String {
    let error = first_line(error);
    if error.starts_with(&format!("unknown field `{key}`")) {
        let known = error.split_once(", ").map_or("", |(_, known)| known);
        let known = known.replace(&format!(", `{ONLY_IN_THE_API}`"), "");
        format!("`{key}` is not known here; {known}")
    } else {
        format!("`{key}`: {}", error.replace("f64", "a number"))
    }
}

fn first_line(text: &str) -> &str {
    text.lines().next().unwrap_or(text).trim()
}

/// TOML has dates of its own; here they are text, as in JSON.
fn dates_as_text(value: Value) -> Value {
    match value {
        Value::Datetime(moment) => Value::String(moment.to_string()),
        Value::Array(items) => Value::Array(items.into_iter().map(dates_as_text).collect()),
        Value::Table(table) => Value::Table(
            table
                .into_iter()
                .map(|(key, value)| (key, dates_as_text(value)))
                .collect(),
        ),
        other => other,
    }
}
