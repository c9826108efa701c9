//! A store that can't be used: each case ends with a sentence and an exit code, and nothing is lost.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may panic, that is how it fails, and tell what it does"
)]

use larder_tests::child::Running;
use larder_tests::larder::{Service, larder, ok, run};
use larder_tests::mosquitto::is_root;
use larder_tests::{program, python, readings};
use std::fmt::Write as _;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Output;

#[test]
fn a_store_of_a_newer_version_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let (data, before) = filled(dir.path(), 100);
    let raised = python::ok("schema.py", &[path(&data), "+"]);
    assert!(!raised.is_empty(), "there is no database in it");
    for command in [
        &["export", "readings"][..],
        &["process"],
        &["report", "weight"],
    ] {
        let (code, complaint) = refused_on(&data, command);
        assert_eq!(code, 1, "{command:?}: {complaint}");
        assert!(
            complaint.contains("newer version"),
            "{command:?}: {complaint}"
        );
    }
    python::ok("schema.py", &[path(&data), "-"]);
    assert!(export(&data) == before);
}

#[test]
fn a_store_in_use_says_so_and_goes_on_being_used() {
    let dir = tempfile::tempdir().unwrap();
    let (data, before) = filled(dir.path(), 100);
    let service = Service::with_built_in_broker(&data, &[]);
    service.takes_readings();
    let (code, complaint) = refused_on(&data, &["process"]);
    assert_eq!(code, 1, "{complaint}");
    assert!(complaint.contains("in use"), "{complaint}");
    let mut second = Running::start(
        "a second service",
        &mut larder(&[
            "serve",
            "--data",
            path(&data),
            "--listen",
            "127.0.0.1:0",
            "--mqtt-listen",
            "127.0.0.1:0",
        ]),
    );
    let status = second.ended(std::time::Duration::from_secs(30));
    assert_eq!(status.code(), Some(1));
    assert!(
        second.complaints().contains("in use"),
        "{}",
        second.complaints()
    );
    service.stop();
    assert!(export(&data) == before);
}

#[test]
#[ignore = "needs root or user namespaces: cargo xtask e2e store_trouble"]
fn a_store_that_cannot_be_written_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let (data, before) = filled(dir.path(), 100);
    let csv = readings_file(dir.path(), 100, 200);
    let import =
        |data: &Path| ["import", "readings", path(&csv), "--data", path(data)].map(str::to_owned);
    let output = if is_root() {
        // Permissions do not bind root, so the disk itself is made read-only.
        on_a_disk(
            dir.path(),
            "8m",
            &format!(
                "cp -a '{}/.' \"$disk\" && mount -o remount,ro \"$disk\" && exec '{}' {}",
                data.display(),
                larder_tests::larder::binary().display(),
                import(Path::new("$disk"))
                    .map(|a| format!("\"{a}\""))
                    .join(" "),
            ),
        )
    } else {
        let set = |mode| {
            for file in std::fs::read_dir(&data).unwrap() {
                let file = file.unwrap().path();
                std::fs::set_permissions(&file, std::fs::Permissions::from_mode(mode & 0o666))
                    .unwrap();
            }
            std::fs::set_permissions(&data, std::fs::Permissions::from_mode(mode)).unwrap();
        };
        set(0o555);
        let output = run(&import(&data).each_ref().map(String::as_str));
        set(0o755);
        output
    };
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{complaint}");
    assert!(complaint.contains("cannot be written"), "{complaint}");
    assert!(export(&data) == before);
}

/// A disk of a few megabytes fills up in the middle of an import. What was there stays; with more
/// room the same import goes through, and everything is there once.
#[test]
#[ignore = "needs root or user namespaces: cargo xtask e2e store_trouble"]
fn a_full_disk_says_so_and_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let csv = readings_file(dir.path(), 0, 300_000);
    let first = readings_file(dir.path(), 0, 100);
    let binary = larder_tests::larder::binary();
    let script = format!(
        "L='{}'\n\
         \"$L\" import readings '{}' --data \"$disk\" >&2 || exit 90\n\
         \"$L\" import readings '{}' --data \"$disk\" >/dev/null 2>'{}'\n\
         echo $? >'{}'\n\
         \"$L\" export readings --data \"$disk\" >'{}' || exit 91\n\
         mount -o remount,size=256m \"$disk\" || exit 92\n\
         \"$L\" import readings '{}' --data \"$disk\" >&2 || exit 93\n\
         \"$L\" export readings --data \"$disk\"",
        binary.display(),
        first.display(),
        csv.display(),
        dir.path().join("complaint").display(),
        dir.path().join("code").display(),
        dir.path().join("while-full.csv").display(),
        csv.display(),
    );
    let output = on_a_disk(dir.path(), "3m", &script);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{}: {said}", output.status);
    let read = |name: &str| std::fs::read_to_string(dir.path().join(name)).unwrap();
    assert_eq!(read("code").trim(), "1", "{}", read("complaint"));
    assert!(read("complaint").contains("full"), "{}", read("complaint"));
    let expected = readings::parse(&std::fs::read_to_string(&csv).unwrap());
    let while_full = readings::parse(&read("while-full.csv"));
    let first = readings::parse(&std::fs::read_to_string(&first).unwrap());
    assert!(
        first.iter().all(|(k, v)| while_full.get(k) == Some(v)),
        "something was lost"
    );
    assert!(
        while_full.iter().all(|(k, v)| expected.get(k) == Some(v)),
        "something was made up"
    );
    assert!(while_full.len() < expected.len(), "the disk was not full");
    let after = readings::parse(&String::from_utf8(output.stdout).unwrap());
    readings::assert_same(&expected, &after);
}

/// Runs a script with `$disk` a small disk of its own, in a mount namespace that ends with it; works
/// for root and, where the kernel lets people make user namespaces, for others.
fn on_a_disk(dir: &Path, size: &str, script: &str) -> Output {
    let disk = dir.join("disk");
    std::fs::create_dir_all(&disk).unwrap();
    let mount = format!(
        "disk='{}'; mount -t tmpfs -o size={size},mode=755 tmpfs \"$disk\" || exit 80\n{script}",
        disk.display()
    );
    let namespace = if is_root() { "--mount" } else { "-rm" };
    let output = program::command("unshare")
        .args([namespace, "sh", "-c", &mount])
        .output()
        .unwrap();
    assert_ne!(
        output.status.code(),
        Some(80),
        "no disk can be mounted here: run as root, or allow user namespaces"
    );
    output
}

/// A store with some readings, and their export.
fn filled(dir: &Path, n: usize) -> (PathBuf, String) {
    let data = dir.join("data");
    let csv = readings_file(dir, 0, n);
    ok(&["import", "readings", path(&csv), "--data", path(&data)]);
    let exported = export(&data);
    assert_eq!(exported.lines().count(), n + 1);
    (data, exported)
}

fn readings_file(dir: &Path, from: usize, to: usize) -> PathBuf {
    let mut csv = String::from("time,device,channel,unit,value\n");
    for i in from..to {
        let (day, hour, minute, second) = (i / 86_400 + 1, i / 3600 % 24, i / 60 % 60, i % 60);
        // Values that do not compress to nothing.
        let kg = 20.0 + (i * 7919 % 100_003) as f64 / 1000.0;
        writeln!(
            csv,
            "2026-03-{day:02}T{hour:02}:{minute:02}:{second:02}Z,s{},weight,kg,{kg}",
            i % 7
        )
        .unwrap();
    }
    let file = dir.join(format!("readings-{from}-{to}.csv"));
    std::fs::write(&file, csv).unwrap();
    file
}

fn export(data: &Path) -> String {
    ok(&["export", "readings", "--data", path(data)])
}

fn refused_on(data: &Path, command: &[&str]) -> (i32, String) {
    larder_tests::larder::refused(&[command, &["--data", path(data)]].concat())
}

fn path(path: &Path) -> &str {
    path.to_str().unwrap()
}
