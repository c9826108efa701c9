//! `cargo xtask CHORE`: the chores of this repository, one word each. A chore is a command that
//! could be typed by hand; it is printed before it runs, so nobody needs this program to know it.

mod chore;

use chore::{CHORES, Chore, Plan};
use std::io::ErrorKind;
use std::path::Path;
use std::process::{Command, ExitCode};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let Some((word, rest)) = arguments.split_first() else {
        say(&chore::list());
        return ExitCode::SUCCESS;
    };
    if ["help", "--help", "-h"].contains(&word.as_str()) {
        say(&chore::list());
        return ExitCode::SUCCESS;
    }
    let Some(chore) = CHORES.iter().find(|chore| chore.word == word) else {
        eprintln!(
            "there is no chore `{word}`; these are:\n\n{}",
            chore::list()
        );
        return ExitCode::from(2);
    };
    carry_out(chore, rest)
}

fn carry_out(chore: &Chore, rest: &[String]) -> ExitCode {
    match (chore.plan)(rest, repository()) {
        Ok(plan) => run(&plan),
        Err(wrong) => {
            eprintln!("cargo xtask {}: {wrong}", chore.word);
            ExitCode::from(2)
        }
    }
}

/// Runs a command from the repository's root and ends as it ends.
fn run(plan: &Plan) -> ExitCode {
    eprintln!("$ {plan}");
    let mut command = Command::new(plan.program);
    command
        .args(&plan.arguments)
        .envs(plan.variables.iter().copied())
        .current_dir(repository());
    for (name, _) in std::env::vars_os() {
        // What cargo told this program of its own package would have crates built anew that ask for it.
        if name.to_string_lossy().starts_with("CARGO_PKG_") || name == "CARGO_MANIFEST_DIR" {
            command.env_remove(name);
        }
    }
    match command.status() {
        Ok(status) if status.success() => ExitCode::SUCCESS,
        // A command that a signal ended has no code of its own.
        Ok(status) => ExitCode::from(status.code().map_or(1, |code| code.clamp(1, 255) as u8)),
        Err(error) if error.kind() == ErrorKind::NotFound => {
            eprintln!("`{}` is not there; is this a whole checkout?", plan.program);
            ExitCode::FAILURE
        }
        Err(error) => {
            eprintln!("`{}` can't be started: {error}", plan.program);
            ExitCode::FAILURE
        }
    }
}

/// The repository's root, in which this crate's folder lies.
fn repository() -> &'static Path {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.parent().unwrap_or(here)
}

#[expect(clippy::print_stdout, reason = "the list is what was asked for")]
fn say(text: &str) {
    print!("{text}");
}
