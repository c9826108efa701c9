//! Programs from outside that a test drives, and what to do where one is missing.

use std::path::PathBuf;
use std::process::Command;

/// Programs whose Debian package has another name.
const PACKAGES: [(&str, &str); 4] = [
    ("mosquitto_pub", "mosquitto-clients"),
    ("mosquitto_sub", "mosquitto-clients"),
    ("nsenter", "util-linux"),
    ("unshare", "util-linux"),
];

/// A command of an installed program.
///
/// # Panics
/// Where it is not installed, with a sentence that says what to install.
pub fn command(name: &str) -> Command {
    Command::new(path(name))
}

/// Where an installed program is; Debian puts daemons where only root's search path looks.
///
/// # Panics
/// Where it is not installed, with a sentence that says what to install.
pub fn path(name: &str) -> PathBuf {
    let search = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&search)
        .chain(["/usr/sbin", "/usr/local/sbin"].map(PathBuf::from))
        .map(|folder| folder.join(name))
        .find(|file| file.is_file())
        .unwrap_or_else(|| panic!("{}", missing(name)))
}

fn missing(name: &str) -> String {
    let known = PACKAGES.iter().find(|(program, _)| *program == name);
    let package = known.map_or(name, |(_, package)| package);
    format!(
        "{name} is not installed. `tests/run` installs what the tests need; on Debian, \
         `apt-get install {package}` is enough for this one"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_missing_is_named_with_its_package() {
        assert!(path("sh").is_file());
        assert!(missing("mosquitto_pub").contains("apt-get install mosquitto-clients`"));
        assert!(missing("mosquitto").contains("apt-get install mosquitto`"));
    }
}
