//! How commands end: 0 done, 2 wrong use or bad input, 1 failure.

use larder_store::StoreError;
use std::process::ExitCode;

/// Wrong use or bad input: the sentence says what to change.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct WrongUse(pub String);

/// Shorthand for an error that ends the program with code 2.
pub fn wrong_use(sentence: impl Into<String>) -> anyhow::Error {
    WrongUse(sentence.into()).into()
}

/// Prints one line and picks the exit code. A reader that has seen enough (`| head`) is no failure.
pub fn report(error: &anyhow::Error) -> ExitCode {
    ExitCode::from(report_code(error))
}

/// Prints one line and returns the exit code as a number.
pub fn report_code(error: &anyhow::Error) -> u8 {
    if error.chain().any(is_broken_pipe) {
        return 0;
    }
    let line = format!("{error:#}").replace('\n', " ");
    eprintln!("larder: {line}");
    let usage = error.chain().any(|cause| {
        cause.is::<WrongUse>()
            || matches!(
                cause.downcast_ref::<StoreError>(),
                Some(StoreError::Missing(_) | StoreError::Elsewhere(_))
            )
    });
    if usage { 2 } else { 1 }
}

fn is_broken_pipe(cause: &(dyn std::error::Error + 'static)) -> bool {
    let io = match cause.downcast_ref::<csv::Error>().map(csv::Error::kind) {
        Some(csv::ErrorKind::Io(io)) => Some(io),
        _ => cause.downcast_ref::<std::io::Error>(),
    };
    io.is_some_and(|io| io.kind() == std::io::ErrorKind::BrokenPipe)
}
