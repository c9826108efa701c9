//! A small disk of its own for a program, which only that program sees.

use crate::child::Running;
use crate::mosquitto::is_root;
use crate::program;
use std::fs::File;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

/// A disk in memory, in a mount namespace that a sleeping process holds; works for root and, where
/// the kernel lets people make user namespaces, for others.
pub struct Disk {
    holder: Running,
    at: PathBuf,
}

impl Disk {
    /// Makes one at `at`.
    ///
    /// # Panics
    /// Where none can be mounted.
    pub fn mount(at: &Path, megabytes: u32) -> Self {
        std::fs::create_dir_all(at).expect("the test's folder is writable");
        let script = format!(
            "mount -t tmpfs -o size={megabytes}m,mode=755 tmpfs '{}' && echo mounted && exec sleep infinity",
            at.display()
        );
        let namespace = if is_root() { "--mount" } else { "-rm" };
        let holder = Running::start(
            "a disk (it needs root, or user namespaces)",
            program::command("unshare").args([namespace, "sh", "-c", &script]),
        );
        holder.line(Duration::from_secs(10), |line| line == "mounted");
        Self {
            holder,
            at: at.to_owned(),
        }
    }

    /// A program that sees the disk.
    pub fn command(&self, program: &Path) -> Command {
        let mut command = program::command("nsenter");
        command.args(["--mount", "--target", &self.holder.id().to_string()]);
        if !is_root() {
            command.args(["--user", "--preserve-credentials"]);
        }
        command.arg("--").arg(program);
        command
    }

    /// Writes a file until there is no more room, to the last byte.
    ///
    /// # Panics
    /// When something else is wrong with it.
    pub fn fill(&self) {
        let mut file = File::create(self.filler()).expect("the disk has room for a name");
        let mut piece = 1 << 16;
        while piece > 0 {
            match file.write(&vec![0; piece]) {
                Ok(_) => {}
                Err(error) if error.kind() == ErrorKind::StorageFull => piece /= 2,
                Err(error) => panic!("the disk cannot be filled: {error}"),
            }
        }
    }

    /// Makes room again.
    ///
    /// # Panics
    /// When it was not filled.
    pub fn make_room(&self) {
        std::fs::remove_file(self.filler()).expect("it was filled");
    }

    /// As seen from here, where the disk is not mounted.
    fn filler(&self) -> PathBuf {
        let inside = Path::new("/proc")
            .join(self.holder.id().to_string())
            .join("root");
        let at = self
            .at
            .strip_prefix("/")
            .expect("tests work with whole paths");
        inside.join(at).join("filler")
    }
}
