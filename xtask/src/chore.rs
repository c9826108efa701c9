//! What the chores are: which command stands behind each word.

use std::fmt;
use std::path::Path;

/// One word and the command behind it.
pub struct Chore {
    /// What is typed after `cargo xtask`.
    pub word: &'static str,
    /// What may follow the word, as the list shows it.
    takes: &'static str,
    /// What it is for, one line.
    does: &'static str,
    /// The command, given what followed the word and the repository's root; or what was wrong.
    pub plan: fn(&[String], &Path) -> Result<Plan, String>,
}

/// Every chore, in the order of a day's work.
pub const CHORES: &[Chore] = &[
    Chore {
        word: "fmt",
        takes: "",
        does: "format every crate",
        plan: fmt,
    },
    Chore {
        word: "lint",
        takes: "",
        does: "clippy over every target; a warning is an error",
        plan: lint,
    },
    Chore {
        word: "test",
        takes: "[CRATE]",
        does: "the tests of one crate, by its folder (process), or of all of them",
        plan: test,
    },
    Chore {
        word: "e2e",
        takes: "NAME",
        does: "one end-to-end test (a file in tests/tests), also what cargo test leaves out",
        plan: e2e,
    },
    Chore {
        word: "demo",
        takes: "[OPTION…]",
        does: "three invented yards at http://127.0.0.1:8080",
        plan: demo,
    },
    Chore {
        word: "docs",
        takes: "[--open]",
        does: "the documentation of every crate; a warning is an error",
        plan: docs,
    },
    Chore {
        word: "write",
        takes: "",
        does: "what is generated: tables in docs/, api/openapi.json, the pages' types",
        plan: write,
    },
    Chore {
        word: "check",
        takes: "",
        does: "the quick loop before a commit: tests/run --quick",
        plan: check,
    },
];

/// The list of chores, one a line.
pub fn list() -> String {
    let lines = CHORES.iter().map(|chore| {
        let usage = format!("{} {}", chore.word, chore.takes);
        format!("cargo xtask {usage:<17} {}\n", chore.does)
    });
    lines.collect()
}

/// A command to run at the repository's root.
#[derive(Debug, Default, PartialEq)]
pub struct Plan {
    /// The program, on the search path or below the root.
    pub program: &'static str,
    /// The program's arguments.
    pub arguments: Vec<String>,
    /// Variables to set for the program.
    pub variables: Vec<(&'static str, &'static str)>,
}

impl Plan {
    fn cargo(arguments: &[&str]) -> Self {
        Self {
            program: "cargo",
            arguments: arguments.iter().map(ToString::to_string).collect(),
            variables: Vec::new(),
        }
    }
}

/// As it could be typed into a shell.
impl fmt::Display for Plan {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (name, value) in &self.variables {
            write!(out, "{name}={} ", quoted(value))?;
        }
        write!(out, "{}", self.program)?;
        for argument in &self.arguments {
            write!(out, " {}", quoted(argument))?;
        }
        Ok(())
    }
}

fn quoted(word: &str) -> String {
    let is_plain = |c: char| c.is_alphanumeric() || "-_./:=+,@%".contains(c);
    if !word.is_empty() && word.chars().all(is_plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', r"'\''"))
    }
}

fn fmt(rest: &[String], _: &Path) -> Result<Plan, String> {
    nothing_more(rest)?;
    Ok(Plan::cargo(&["fmt", "--all"]))
}

fn lint(rest: &[String], _: &Path) -> Result<Plan, String> {
    nothing_more(rest)?;
    Ok(Plan::cargo(&[
        "clippy",
        "--locked",
        "--workspace",
        "--all-targets",
        "--",
        "-D",
        "warnings",
    ]))
}

fn test(rest: &[String], root: &Path) -> Result<Plan, String> {
    let Some((name, more)) = rest.split_first() else {
        return Ok(Plan::cargo(&["test", "--locked", "--workspace"]));
    };
    let package = package(name, root)?;
    let mut plan = Plan::cargo(&["test", "--locked", "--package", &package]);
    plan.arguments.extend_from_slice(more);
    Ok(plan)
}

/// The package in a folder of the root; its own name is understood as well.
fn package(name: &str, root: &Path) -> Result<String, String> {
    let folder = match name {
        "larder" => name,
        _ => name.strip_prefix("larder-").unwrap_or(name),
    };
    if !folders_of_crates(root).iter().any(|known| known == folder) {
        let crates = folders_of_crates(root).join(", ");
        return Err(format!("there is no crate `{name}`; these are: {crates}"));
    }
    Ok(match folder {
        "larder" | "xtask" => folder.to_owned(),
        _ => format!("larder-{folder}"),
    })
}

/// Those of the root, and those under `process`, which is a crate and the roof of two more.
fn folders_of_crates(root: &Path) -> Vec<String> {
    let is_crate = |path: &Path| path.join("Cargo.toml").is_file();
    let mut found = sorted_names(root, is_crate);
    found.extend(sorted_names(&root.join("process"), is_crate));
    found.sort();
    found
}

fn e2e(rest: &[String], root: &Path) -> Result<Plan, String> {
    let folder = root.join("tests/tests");
    let is_test = |path: &Path| path.extension().is_some_and(|ending| ending == "rs");
    let names = sorted_names(&folder, is_test).join(", ");
    let Some((name, more)) = rest.split_first() else {
        return Err(format!("which one? These are: {names}"));
    };
    if !folder.join(name).with_extension("rs").is_file() {
        return Err(format!("there is no test `{name}`; these are: {names}"));
    }
    let mut plan = Plan::cargo(&[
        "test",
        "--locked",
        "--package",
        "larder-tests",
        "--test",
        name,
    ]);
    plan.arguments
        .extend(["--", "--include-ignored", "--nocapture"].map(str::to_owned));
    plan.arguments.extend_from_slice(more);
    Ok(plan)
}

fn demo(rest: &[String], _: &Path) -> Result<Plan, String> {
    let mut plan = Plan::cargo(&["run", "--locked", "--release", "--package", "larder", "--"]);
    plan.arguments.push("demo".to_owned());
    plan.arguments.extend_from_slice(rest);
    Ok(plan)
}

fn docs(rest: &[String], _: &Path) -> Result<Plan, String> {
    let mut plan = Plan::cargo(&["doc", "--locked", "--workspace", "--no-deps"]);
    match rest {
        [] => {}
        [open] if open == "--open" => plan.arguments.push(open.clone()),
        _ => {
            return Err(format!(
                "`{}` is not understood, only --open",
                rest.join(" ")
            ));
        }
    }
    plan.variables.push(("RUSTDOCFLAGS", "-D warnings"));
    Ok(plan)
}

/// Everything that a test compares with the code and can write anew.
const WRITERS: &str = "LARDER_WRITE_DOCS=1 cargo test --locked -p larder docs && \
    LARDER_WRITE_DOCS=1 cargo test --locked -p larder-process --test numbers && \
    LARDER_WRITE_OPENAPI=1 cargo test --locked -p larder-api --test openapi && \
    cd dashboards && npm run types";

fn write(rest: &[String], _: &Path) -> Result<Plan, String> {
    nothing_more(rest)?;
    Ok(Plan {
        program: "sh",
        arguments: vec!["-c".to_owned(), WRITERS.to_owned()],
        variables: Vec::new(),
    })
}

fn check(rest: &[String], _: &Path) -> Result<Plan, String> {
    nothing_more(rest)?;
    Ok(Plan {
        program: "tests/run",
        arguments: vec!["--quick".to_owned()],
        variables: Vec::new(),
    })
}

fn nothing_more(rest: &[String]) -> Result<(), String> {
    match rest {
        [] => Ok(()),
        _ => Err(format!("nothing may follow, so not `{}`", rest.join(" "))),
    }
}

/// The names, without endings, of what a folder holds and `wanted` takes.
fn sorted_names(folder: &Path, wanted: impl Fn(&Path) -> bool) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries
        .map(|entry| entry.path())
        .filter(|path| wanted(path))
        .filter_map(|path| Some(path.file_stem()?.to_str()?.to_owned()))
        .collect();
    names.sort();
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    fn root() -> &'static Path {
        Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap()
    }

    fn planned(line: &str) -> Result<String, String> {
        let words: Vec<String> = line.split(' ').map(str::to_owned).collect();
        let chore = CHORES.iter().find(|chore| chore.word == words[0]).unwrap();
        (chore.plan)(&words[1..], root()).map(|plan| plan.to_string())
    }

    #[test]
    fn a_crate_is_named_by_its_folder() {
        for (line, command) in [
            ("test", "cargo test --locked --workspace"),
            (
                "test process",
                "cargo test --locked --package larder-process",
            ),
            (
                "test larder-store",
                "cargo test --locked --package larder-store",
            ),
            (
                "test estimate",
                "cargo test --locked --package larder-estimate",
            ),
            ("test larder", "cargo test --locked --package larder"),
            ("test xtask", "cargo test --locked --package xtask"),
            (
                "test api events",
                "cargo test --locked --package larder-api events",
            ),
        ] {
            assert_eq!(planned(line).unwrap(), command);
        }
        let wrong = planned("test proces").unwrap_err();
        assert!(
            wrong.contains("api, domain, estimate, flags, ingest"),
            "{wrong}"
        );
        assert!(planned("test ../elsewhere").is_err());
    }

    #[test]
    fn an_end_to_end_test_is_named_by_its_file() {
        let command = planned("e2e reports").unwrap();
        assert!(
            command.contains("--test reports -- --include-ignored"),
            "{command}"
        );
        for line in ["e2e", "e2e report"] {
            let wrong = planned(line).unwrap_err();
            assert!(wrong.contains("built_in_broker, clock, crash"), "{wrong}");
        }
    }

    #[test]
    fn what_is_printed_can_be_typed() {
        let docs = planned("docs").unwrap();
        assert!(
            docs.starts_with("RUSTDOCFLAGS='-D warnings' cargo doc "),
            "{docs}"
        );
        assert_eq!(quoted("it's"), r"'it'\''s'");
        assert_eq!(planned("check").unwrap(), "tests/run --quick");
        assert!(planned("check now").is_err());
    }
}
