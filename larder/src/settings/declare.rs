//! How settings are declared: once, for the command line, the environment and the file alike.

use clap::Args;
use serde::de::DeserializeOwned;

/// Settings that belong together. Each is an option and a variable (by `clap`) and a key of the
/// settings file (by `serde`), under one name.
pub trait Declared: Args + DeserializeOwned + Default {
    /// Their keys in the settings file.
    const KEYS: &'static [&'static str];

    /// These, and from `file` those that are not given here.
    fn or(self, file: Self) -> Self;
}

/// Declares settings that belong together: a struct of `Option`s whose fields carry what `clap`
/// needs. The file and the precedence follow from it. A default stands at the end of a field's text,
/// as in `[default: 60]`.
macro_rules! settings {
    (
        $(#[$on_group:meta])*
        pub struct $Group:ident {
            $($(#[$on_key:meta])* pub $key:ident: Option<$Value:ty>,)*
        }
    ) => {
        #[derive(clap::Args, serde::Deserialize, Clone, Debug, Default)]
        $(#[$on_group])*
        pub struct $Group {
            $($(#[$on_key])* pub $key: Option<$Value>,)*
        }

        impl $crate::settings::Declared for $Group {
            const KEYS: &'static [&'static str] = &[$(stringify!($key)),*];

            fn or(self, file: Self) -> Self {
                Self { $($key: self.$key.or(file.$key),)* }
            }
        }
    };
}
pub(crate) use settings;

/// What a setting's text says, and the default in which it ends, where it has one.
#[cfg(test)]
pub fn text_of(setting: &clap::Arg) -> (String, Option<String>) {
    let help = setting
        .get_help()
        .map(ToString::to_string)
        .unwrap_or_default();
    let parts = help
        .strip_suffix(']')
        .and_then(|help| help.split_once(" [default: "));
    match parts {
        Some((what, default)) => (what.to_owned(), Some(default.to_owned())),
        None => (help, None),
    }
}
