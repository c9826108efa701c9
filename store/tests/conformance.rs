//! The embedded store is put through the checks that every backend must pass.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use larder_store::conformance::{Place, check_backlog, check_readings, check_records};
use larder_store::{Access, Durability, EmbeddedStore};
use tempfile::TempDir;

struct Folder(TempDir);

impl Place for Folder {
    type Store = EmbeddedStore;

    fn open(&self) -> EmbeddedStore {
        // Commits without syncs: hundreds of stores are made here, and no power is cut.
        EmbeddedStore::open_with(self.0.path(), Access::Create, Durability::ProcessEnd).unwrap()
    }

    fn tidy(&self, store: &EmbeddedStore) {
        store.compact().unwrap();
        store.check().unwrap();
    }
}

fn new_folder() -> Folder {
    Folder(tempfile::tempdir().unwrap())
}

#[test]
fn readings() {
    check_readings(new_folder);
}

#[test]
fn backlog() {
    check_backlog(new_folder);
}

#[test]
fn records() {
    check_records(new_folder);
}
