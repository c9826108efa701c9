//! The registry of numbers: sensible, complete, and written into `docs/numbers.md`.

use larder_estimate::Parameters;
use larder_estimate::numbers::Number;
use larder_estimate::parameters::PARAMETERS;
use larder_flags::FlagParameters;
use larder_flags::catalogue::CATALOGUE;
use larder_process::numbers::all;
use std::collections::BTreeSet;
use std::fmt::Write;
use std::path::{Path, PathBuf};

fn source_files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            source_files(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

fn sources() -> Vec<PathBuf> {
    let mut found = Vec::new();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for folder in ["src", "estimate/src", "flags/src"] {
        source_files(&root.join(folder), &mut found);
    }
    found.retain(|path| !path.components().any(|part| part.as_os_str() == "tests"));
    found.retain(|path| path.file_name().is_some_and(|name| name != "tests.rs"));
    found.sort();
    found
}

/// The code without comments, strings, tests and what [`larder_estimate::numbers!`] declares.
fn rules(text: &str) -> String {
    let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or("");
    let mut kept = String::new();
    let mut declares = false;
    for line in text.lines() {
        let code = line.split("//").next().unwrap_or("");
        if code.trim_end().ends_with("numbers! {") || code.contains("numbers! { \"") {
            declares = true;
        }
        if !declares {
            let parts = code.split('"').step_by(2);
            kept.extend(parts);
            kept.push('\n');
        }
        if line == "}" {
            declares = false;
        }
    }
    kept
}

/// Numbers with a point or an exponent.
fn floats(code: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut word = String::new();
    for letter in code.chars().chain([' ']) {
        if letter.is_alphanumeric() || letter == '_' || letter == '.' {
            word.push(letter);
            continue;
        }
        let digits = word.starts_with(|first: char| first.is_ascii_digit());
        let point = word
            .split_once('.')
            .is_some_and(|(_, rest)| rest.starts_with(|next: char| next.is_ascii_digit()));
        if digits && point {
            found.push(word.clone());
        }
        word.clear();
    }
    found
}

/// What arithmetic is written with: nothing, one, halves and doubles.
const ARITHMETIC: [&str; 4] = ["0.0", "1.0", "2.0", "0.5"];

/// Behind these a half or a double decides something.
const DECIDING: [&str; 5] = ["> ", "< ", ">= ", "<= ", "probability: "];

/// Lines in which halves and doubles decide something, or in which a condition must hold for a bare time.
fn decisions(code: &str) -> Vec<String> {
    let decides = |line: &str| {
        let mut deciding = DECIDING
            .iter()
            .flat_map(|before| ["0.5", "2.0"].map(|number| format!("{before}{number}")));
        let times = line.split_once("episodes(").map_or("", |(_, times)| times);
        deciding.any(|text| line.contains(&text)) || floats(times).iter().any(|time| time != "0.0")
    };
    let lines = code.lines().map(|line| line.trim().replace("=> ", ""));
    lines.filter(|line| decides(line)).collect()
}

/// Where numbers are declared otherwise: the parameters and thresholds, each in its own catalogue.
const CATALOGUES: [&str; 1] = ["parameters.rs"];

/// The registry itself, the grid's units of time, and words for probabilities.
const DEFINITIONS: [&str; 3] = ["numbers.rs", "grid.rs", "texts.rs"];

#[test]
fn no_rule_holds_a_bare_number() {
    let mut bare = String::new();
    for path in sources() {
        let name = path
            .file_name()
            .and_then(|name| name.to_str())
            .unwrap_or("");
        if CATALOGUES.contains(&name) || DEFINITIONS.contains(&name) {
            continue;
        }
        let text = std::fs::read_to_string(&path).expect("a file");
        let code = rules(&text);
        let mut found = floats(&code);
        found.retain(|float| !ARITHMETIC.contains(&float.as_str()));
        found.extend(decisions(&code));
        if !found.is_empty() {
            let _ = writeln!(bare, "{}: {}", path.display(), found.join(" "));
        }
    }
    assert!(
        bare.is_empty(),
        "declare them with numbers!, with their source:\n{bare}"
    );
}

#[test]
fn every_file_that_declares_numbers_is_in_the_registry() {
    let listed: BTreeSet<&str> = all().map(|number| number.group).collect();
    for path in sources() {
        if path.ends_with("numbers.rs") {
            continue;
        }
        let text = std::fs::read_to_string(&path).expect("a file");
        for declared in text.split("numbers! { \"").skip(1) {
            let group = declared.split('"').next().unwrap_or("");
            assert!(
                listed.contains(group),
                "{}: {group} is not in numbers::all",
                path.display()
            );
        }
    }
}

#[test]
fn every_number_lies_in_its_range_and_has_a_name_of_its_own() {
    let mut names = BTreeSet::new();
    for number in all() {
        let (group, name, [lo, hi]) = (number.group, number.name, number.range);
        assert!(names.insert((group, name)), "{group} {name} twice");
        assert!(lo <= hi, "{group} {name}: {lo} to {hi}");
        assert!(
            !number.meaning.trim().is_empty(),
            "{group} {name} says nothing of what it means"
        );
        for value in (number.values)() {
            assert!(
                (lo..=hi).contains(&value),
                "{group} {name}: {value} not in {lo} to {hi}"
            );
        }
    }
    for parameter in PARAMETERS {
        let value = parameter.of(&Parameters::default());
        assert!(value.is_finite() && value > 0.0, "{}", parameter.name);
    }
    for threshold in CATALOGUE {
        assert!(threshold.default_value() >= 0.0, "{}", threshold.name);
    }
}

/// As a person would write it.
fn shown(value: f64) -> String {
    if value != 0.0 && value.abs() < 1e-3 {
        format!("{value:e}")
    } else {
        format!("{value}")
    }
}

fn list(values: &[f64]) -> String {
    values
        .iter()
        .map(|&v| shown(v))
        .collect::<Vec<_>>()
        .join(", ")
}

fn row(document: &mut String, number: &Number) {
    let words: Vec<_> = number.meaning.split_whitespace().collect();
    let meaning = words.join(" ").replace('|', "/");
    let [lo, hi] = number.range;
    let _ = writeln!(
        document,
        "| `{}` | {} | {} | {} to {} | {} | {meaning} |",
        number.name,
        list(&(number.values)()),
        number.unit,
        shown(lo),
        shown(hi),
        number.source.name()
    );
}

fn document() -> String {
    let mut text = String::from(
        "# Numbers\n\nEvery number that an estimate or a flag rests on, written by a test from the code \
         (`LARDER_WRITE_DOCS=1 cargo test -p larder-process --test numbers`). *Published*: the source is \
         named beside it or at the head of its file; *common practice*: a fact of the trade; *measured*: set \
         on simulated apiaries with known truth; *chosen*: by judgement. The range is where a value makes \
         sense. `process/tests/regression.rs`, the trial and the unit tests beside each file hold them.\n",
    );
    text.push_str("\n## Parameters of the estimators\n\n| name | value | unit | source |\n| --- | --- | --- | --- |\n");
    let usual = Parameters::default();
    for one in PARAMETERS {
        let value = shown(one.of(&usual));
        let _ = writeln!(
            text,
            "| `{}` | {value} | {} | {} |",
            one.name,
            one.unit,
            one.source.name()
        );
    }
    text.push_str("\n## Thresholds of flags\n\nThese can be set for the operation, a yard or a hive; see [flags.md](flags.md).\n\n| name | value | unit | source |\n| --- | --- | --- | --- |\n");
    let usual = FlagParameters::default();
    for one in CATALOGUE {
        let value = shown(one.of(&usual));
        let _ = writeln!(
            text,
            "| `{}` | {value} | {} | {} |",
            one.name, one.unit, one.source
        );
    }
    let mut group = "";
    for number in all() {
        if number.group != group {
            group = number.group;
            let _ = writeln!(
                text,
                "\n## {group}\n\n| name | value | unit | range | source | meaning |\n| --- | --- | --- | --- | --- | --- |"
            );
        }
        row(&mut text, number);
    }
    text
}

#[test]
fn the_document_lists_the_numbers_of_the_code() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/numbers.md");
    let made = document();
    if std::env::var_os("LARDER_WRITE_DOCS").is_some() {
        std::fs::write(&path, &made).expect("the document can be written");
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == made,
        "docs/numbers.md is not what the code says: LARDER_WRITE_DOCS=1 cargo test -p larder-process --test numbers"
    );
}
