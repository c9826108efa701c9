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

/// Prints one line and picks the exit code.
pub fn report(error: &anyhow::Error) -> ExitCode {
    let line = format!("{error:#}").replace('\n', " ");
    eprintln!("larder: {line}");
    let usage = error.chain().any(|cause| {
        cause.is::<WrongUse>()
            || matches!(
                cause.downcast_ref::<StoreError>(),
                Some(StoreError::Missing(_))
            )
    });
    ExitCode::from(if usage { 2 } else { 1 })
}
