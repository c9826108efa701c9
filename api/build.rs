//! Builds the pages of `dashboards/` and hands the folder to `src/pages.rs`.
//!
//! npm runs only when something under `dashboards/` changed. Packagers who build the pages apart
//! name the finished folder in `LARDER_PAGES_DIR`; without the `pages` feature nothing happens here.

use std::env;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, exit};

const SOURCES: [&str; 9] = [
    "src",
    "worker",
    "mock",
    "public",
    "index.html",
    "package.json",
    "package-lock.json",
    "tsconfig.json",
    "vite.config.ts",
];

fn main() {
    println!("cargo::rerun-if-env-changed=LARDER_PAGES_DIR");
    if env::var_os("CARGO_FEATURE_PAGES").is_none() {
        return;
    }
    let out = PathBuf::from(env::var_os("OUT_DIR").expect("cargo sets OUT_DIR"));
    let built = match env::var_os("LARDER_PAGES_DIR") {
        Some(folder) => prebuilt(Path::new(&folder)),
        None => build(&out),
    };
    embed(&built, &out);
}

/// A folder that someone else built.
fn prebuilt(folder: &Path) -> PathBuf {
    let folder = folder.canonicalize().unwrap_or_else(|_| {
        fail(&format!(
            "LARDER_PAGES_DIR names {}, which is not there. Build it with `npm run build` in dashboards/, or unset the variable.",
            folder.display()
        ))
    });
    println!("cargo::rerun-if-changed={}", folder.display());
    folder
}

/// Runs npm in `dashboards/`, into a folder of cargo's own.
fn build(out: &Path) -> PathBuf {
    let manifest = env::var_os("CARGO_MANIFEST_DIR").expect("cargo sets CARGO_MANIFEST_DIR");
    let dashboards = Path::new(&manifest).join("../dashboards");
    for source in SOURCES {
        println!(
            "cargo::rerun-if-changed={}",
            dashboards.join(source).display()
        );
    }
    if !tools_are_in_place(&dashboards) {
        let mut arguments = vec!["ci", "--no-audit", "--no-fund"];
        if !dashboards.join("node_modules/vitest").exists() {
            arguments.push("--omit=dev");
        }
        npm(
            &dashboards,
            &arguments,
            "fetching the page builder's packages (npm ci) failed. It needs the package registry once; what npm said is above.",
        );
    }
    let built = out.join("pages");
    let folder = built
        .to_str()
        .expect("cargo's output folder has a UTF-8 name");
    npm(
        &dashboards,
        &[
            "run",
            "build",
            "--",
            "--outDir",
            folder,
            "--emptyOutDir",
            "--logLevel",
            "warn",
        ],
        "building the pages (npm run build in dashboards/) failed; what it said is above.",
    );
    built
}

/// npm writes its hidden lock file last, so one newer than ours means a finished `npm ci`.
fn tools_are_in_place(dashboards: &Path) -> bool {
    let modified = |file: &str| fs::metadata(dashboards.join(file)).and_then(|m| m.modified());
    match (
        modified("node_modules/.package-lock.json"),
        modified("package-lock.json"),
    ) {
        (Ok(installed), Ok(wanted)) => installed >= wanted,
        _ => false,
    }
}

fn npm(dashboards: &Path, arguments: &[&str], failure: &str) {
    let program = if cfg!(windows) { "npm.cmd" } else { "npm" };
    match Command::new(program)
        .args(arguments)
        .current_dir(dashboards)
        .output()
    {
        Ok(done) if done.status.success() => {}
        Ok(done) => {
            eprintln!("{}", String::from_utf8_lossy(&done.stdout));
            eprintln!("{}", String::from_utf8_lossy(&done.stderr));
            fail(failure);
        }
        Err(error) => fail(&format!(
            "npm could not be started ({error}). Larder's pages are built from TypeScript: install Node.js 20.19 or later (it brings npm)."
        )),
    }
}

/// Writes the two lines that make rust-embed take the folder in.
fn embed(built: &Path, out: &Path) {
    if !built.join("index.html").is_file() {
        fail(&format!(
            "{} holds no index.html, so it is not a build of the pages.",
            built.display()
        ));
    }
    let source = format!(
        "#[derive(rust_embed::Embed)]\n#[folder = {:?}]\nstruct Built;\n",
        built.display().to_string()
    );
    fs::write(out.join("built_pages.rs"), source).expect("cargo's output folder can be written");
}

fn fail(sentence: &str) -> ! {
    println!("cargo::error={sentence}");
    println!(
        "cargo::error=Two other ways: name a finished build in LARDER_PAGES_DIR, or leave the pages out with --no-default-features."
    );
    exit(1)
}
