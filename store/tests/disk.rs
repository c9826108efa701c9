//! A disk that is full and a file system that is mounted read-only, for real: on a small file
//! system in memory that the test mounts. That needs root; without it the test says what was not
//! tried, on standard error, and `src/embedded/trouble.rs` remains, which makes SQLite itself
//! answer as it does on such disks.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use larder_domain::{ChannelName, DeviceId, Reading, Sample, Span, Timestamp, Unit};
use larder_store::{Access, EmbeddedStore, Readings, Records, StoreError};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

/// A mounted file system of 8 MiB; unmounted when dropped.
struct SmallDisk(TempDir);

impl SmallDisk {
    /// `None`, and a loud word, where it cannot be mounted.
    fn mount(test: &str) -> Option<Self> {
        let dir = tempfile::tempdir().unwrap();
        let options = ["-t", "tmpfs", "-o", "size=8m", "larder-test"];
        let mounted = Command::new("mount").args(options).arg(dir.path()).output();
        match mounted {
            Ok(output) if output.status.success() => Some(Self(dir)),
            failed => {
                let why = failed.map(|output| String::from_utf8_lossy(&output.stderr).into_owned());
                // Past the test harness, which keeps the output of tests that pass to itself.
                let _ = writeln!(
                    std::io::stderr(),
                    "\nNOT TRIED on a real file system: {test} (mounting one needs root: {why:?})\n"
                );
                None
            }
        }
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    fn remount(&self, how: &str) {
        let option = format!("remount,{how}");
        let mounted = Command::new("mount")
            .args(["-o", &option])
            .arg(self.path())
            .status();
        assert!(mounted.unwrap().success());
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.path()).status();
    }
}

fn batch(n: i64) -> Vec<Reading> {
    let one = |i: i64| Reading {
        device: DeviceId::new(&format!("sc-{}", i % 50)).unwrap(),
        channel: ChannelName::new("weight").unwrap(),
        unit: Unit::new("kg").unwrap(),
        time: Timestamp(1_788_238_800_000 + n * 6_000_000 + i / 50 * 300_000),
        // Not decimals, so that the disk fills soon.
        value: ((n * 1000 + i) as f64).sqrt(),
    };
    (0..1000).map(one).collect()
}

fn everything(store: &EmbeddedStore) -> Vec<(String, Vec<Sample>)> {
    let all = store.series().unwrap().into_iter().map(|info| {
        let samples = store.range(&info.series, Span::ALWAYS).unwrap();
        (info.series.to_string(), samples)
    });
    all.collect()
}

fn count(all: &[(String, Vec<Sample>)]) -> usize {
    all.iter().map(|(_, samples)| samples.len()).sum()
}

#[test]
fn a_full_disk() {
    let Some(disk) = SmallDisk::mount("a full disk") else {
        return;
    };
    let ballast = disk.path().join("ballast");
    std::fs::write(&ballast, vec![1; 1 << 20]).unwrap();
    let data = disk.path().join("data");
    let store = EmbeddedStore::open(&data, Access::Create).unwrap();
    let full = (0..).find_map(|n| Some((n, store.append_durable(&batch(n)).err()?)));
    let (n, error) = full.unwrap();
    assert!(matches!(error, StoreError::Full(_)), "{error:?}");
    assert!(error.to_string().contains("free some space"), "{error}");
    for _ in 0..3 {
        let again = store.append_durable(&batch(n)).unwrap_err();
        assert!(matches!(again, StoreError::Full(_)), "{again:?}");
    }
    let acknowledged = everything(&store);
    assert_eq!(count(&acknowledged), n as usize * 1000);

    // Opened on the full disk, beside it and after it, the store says that the disk is full or
    // gives everything; it never calls itself damaged.
    let look = |access: Access| match EmbeddedStore::open(&data, access) {
        Ok(store) => assert!(everything(&store) == acknowledged),
        Err(error) => assert!(matches!(error, StoreError::Full(_)), "{error:?}"),
    };
    look(Access::Read);

    std::fs::remove_file(&ballast).unwrap();
    assert_eq!(
        store.append_durable(&batch(n)).unwrap().new,
        1000,
        "the very batch that failed"
    );
    store.set_setting("units", "us").unwrap();
    let more = everything(&store);
    assert_eq!(count(&more), (n as usize + 1) * 1000);
    drop(store);
    let store = EmbeddedStore::open(&data, Access::Existing).unwrap();
    store.check().unwrap();
    assert!(everything(&store) == more);

    // Full again, to the last byte, and closed.
    let full = (n + 1..).find_map(|n| store.append_durable(&batch(n)).err().map(|_| n));
    let acknowledged = everything(&store);
    drop(store);
    fill_up(&ballast);
    for access in [Access::Create, Access::Read] {
        match EmbeddedStore::open(&data, access) {
            Ok(store) => assert!(everything(&store) == acknowledged),
            Err(error) => assert!(
                matches!(error, StoreError::Full(_)),
                "{access:?}: {error:?}"
            ),
        }
    }
    std::fs::remove_file(&ballast).unwrap();
    let store = EmbeddedStore::open(&data, Access::Existing).unwrap();
    assert!(everything(&store) == acknowledged);
    let n = full.unwrap();
    if let Err(error) = store.append_durable(&batch(n)) {
        assert!(matches!(error, StoreError::Full(_)), "{error:?}");
    }

    // A backup that finds no room leaves nothing that looks like one.
    let dest = disk.path().join("backup");
    fill_up(&ballast);
    let error = store.backup_to(&dest).unwrap_err();
    assert!(matches!(error, StoreError::Full(_)), "{error:?}");
    assert!(!dest.join("larder.sqlite").exists());

    // A folder in which not even an empty store has room.
    let error = EmbeddedStore::open(&disk.path().join("other"), Access::Create).unwrap_err();
    assert!(matches!(error, StoreError::Full(_)), "{error:?}");
}

fn fill_up(ballast: &Path) {
    let mut file = std::fs::File::create(ballast).unwrap();
    for size in [1 << 16, 1 << 12, 1] {
        while file.write_all(&vec![1; size]).is_ok() {}
    }
}

#[test]
fn a_read_only_file_system() {
    let Some(disk) = SmallDisk::mount("a read-only file system") else {
        return;
    };
    let data = disk.path().join("data");
    let store = EmbeddedStore::open(&data, Access::Create).unwrap();
    store.append_durable(&batch(0)).unwrap();
    let kept = everything(&store);
    // What a process leaves behind that is killed: the database with its log.
    let killed = disk.path().join("killed");
    copy_store(
        &data,
        &killed,
        &["larder.sqlite", "larder.sqlite-wal", "larder.sqlite-shm"],
    );
    let torn = disk.path().join("torn");
    copy_store(&data, &torn, &["larder.sqlite", "larder.sqlite-wal"]);
    drop(store);

    disk.remount("ro");
    for dir in [&data, &killed, &torn] {
        for access in [Access::Create, Access::Existing] {
            let error = EmbeddedStore::open(dir, access).unwrap_err();
            assert!(
                matches!(error, StoreError::ReadOnly(_)),
                "{access:?}: {error:?}"
            );
            assert!(error.to_string().contains("read-only"), "{error}");
        }
    }
    let error = EmbeddedStore::open(&disk.path().join("new"), Access::Create).unwrap_err();
    assert!(matches!(error, StoreError::ReadOnly(_)), "{error:?}");
    let store = EmbeddedStore::open(&data, Access::Read).unwrap();
    assert!(everything(&store) == kept, "reports can still be read");
    let elsewhere = tempfile::tempdir().unwrap();
    store.backup_to(elsewhere.path()).unwrap();
    let rescued = EmbeddedStore::open(elsewhere.path(), Access::Existing).unwrap();
    assert!(everything(&rescued) == kept, "and rescued");
    drop(store);
    for dir in [&killed, &torn] {
        match EmbeddedStore::open(dir, Access::Read) {
            Ok(store) => assert!(everything(&store) == kept),
            Err(error) => assert!(matches!(error, StoreError::ReadOnly(_)), "{error:?}"),
        }
    }

    disk.remount("rw");
    for dir in [&data, &killed, &torn] {
        let store = EmbeddedStore::open(dir, Access::Existing).unwrap();
        assert!(everything(&store) == kept);
        assert_eq!(store.append_durable(&batch(1)).unwrap().new, 1000);
    }
}

fn copy_store(from: &Path, to: &Path, files: &[&str]) {
    std::fs::create_dir(to).unwrap();
    for file in files {
        let of = |dir: &Path| -> PathBuf { dir.join(file) };
        std::fs::copy(of(from), of(to)).unwrap();
    }
}

/// A folder that this user may not write to. Root may, so root is tried above instead.
#[cfg(unix)]
#[test]
fn a_folder_without_permission() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    drop(EmbeddedStore::open(&data, Access::Create).unwrap());
    let allow = |mode: u32| {
        std::fs::set_permissions(&data, std::fs::Permissions::from_mode(mode)).unwrap();
        std::fs::set_permissions(
            data.join("larder.lock"),
            std::fs::Permissions::from_mode(mode & 0o666),
        )
        .unwrap();
    };
    allow(0o555);
    let is_root = std::fs::write(data.join("probe"), "").is_ok();
    if is_root {
        let _ = writeln!(
            std::io::stderr(),
            "\nNOT TRIED with permissions: root may write anywhere; the read-only file system stands for it\n"
        );
    } else {
        let error = EmbeddedStore::open(&data, Access::Existing).unwrap_err();
        assert!(matches!(error, StoreError::ReadOnly(_)), "{error:?}");
        EmbeddedStore::open(&data, Access::Read).unwrap();
    }
    allow(0o755);
    EmbeddedStore::open(&data, Access::Existing).unwrap();
}
