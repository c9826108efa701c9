//! How estimates and flags hold where nobody looked: see `docs/elsewhere.md`.
//!
//! `cargo run --release -p larder-process --example elsewhere -- dump FOLDER SEED...` writes grafts as
//! scenario folders.

#[path = "../../tests/elsewhere/folder.rs"]
mod folder;
#[path = "../../tests/elsewhere/graft/mod.rs"]
mod graft;
#[path = "../../tests/elsewhere/raw.rs"]
mod raw;
#[path = "../../tests/elsewhere/truth.rs"]
mod truth;

use std::error::Error;
use std::path::Path;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["dump", folder, first, last] => {
            for seed in first.parse()?..=last.parse()? {
                let raw = graft::graft(seed);
                folder::write(&raw, &Path::new(folder).join(&raw.name))?;
            }
            Ok(())
        }
        _ => Err("say: dump FOLDER FIRST LAST".into()),
    }
}
