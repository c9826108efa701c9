//! Tables in `docs/` that repeat what the code declares. Each stands between two marks; a test holds
//! it to the code, and `LARDER_WRITE_DOCS=1 cargo test -p larder docs` writes it anew.

use crate::readings_store::ReadingsOptions;
use crate::settings::{
    DataOptions, Declared, NoticeOptions, ServiceOptions, SettingsFile, text_of,
};
use crate::units::UnitsOption;
use clap::{Arg, Command};
use larder_domain::{ChannelKind, FlagKind};
use larder_flags::catalogue::CATALOGUE;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

#[test]
fn every_setting_is_in_the_docs() {
    let head = ["key", "option", "variable", "default", "what"];
    let general = [
        settings::<DataOptions>(),
        settings::<ServiceOptions>(),
        settings::<UnitsOption>(),
    ];
    let pages = [
        ("operating.md", general.concat()),
        ("notices.md", settings::<NoticeOptions>()),
        ("influxdb.md", settings::<ReadingsOptions>()),
    ];
    let told: usize = pages.iter().map(|(_, settings)| settings.len()).sum();
    // A mapping is explained in words.
    assert_eq!(told + 1, SettingsFile::known().count());
    for (page, settings) in pages {
        holds(page, &table(head, settings));
    }
}

fn settings<T: Declared>() -> Vec<[String; 5]> {
    let command = T::augment_args(Command::new("group"));
    command.get_arguments().map(setting).collect()
}

fn setting(setting: &Arg) -> [String; 5] {
    let option = setting.get_long().unwrap_or_default();
    let value = setting.get_value_names().unwrap_or_default().join(" ");
    let variable = setting.get_env().unwrap_or_default().to_string_lossy();
    let (what, default) = text_of(setting);
    let default = match default {
        None => "none".to_owned(),
        Some(words) if words.contains(' ') => words,
        Some(value) => format!("`{value}`"),
    };
    [
        format!("`{}`", setting.get_id()),
        format!("`--{option} {value}`"),
        format!("`{variable}`"),
        default,
        what,
    ]
}

#[test]
fn every_threshold_is_in_the_docs() {
    let rows = CATALOGUE.iter().map(|threshold| {
        [
            format!("`{}`", threshold.name),
            threshold.default_value().to_string(),
            if threshold.unit == "/" {
                "–"
            } else {
                threshold.unit
            }
            .to_owned(),
            threshold.source.to_owned(),
        ]
    });
    let head = ["threshold", "default", "unit", "where from"];
    holds("flags.md", &table(head, rows.collect()));
}

#[test]
fn every_flag_is_in_the_docs() {
    let page = std::fs::read_to_string(path("flags.md")).expect("the page on flags");
    let (_, kinds) = page
        .split_once("\n## The kinds\n")
        .expect("a chapter on kinds");
    let rows = kinds.lines().take_while(|line| !line.starts_with("## "));
    let mut listed: Vec<_> = rows
        .filter_map(|row| row.strip_prefix("| `")?.split('`').next())
        .collect();
    listed.sort_unstable();
    let mut kinds = FlagKind::ALL
        .iter()
        .map(|kind| kind.name())
        .collect::<Vec<_>>();
    kinds.sort_unstable();
    assert_eq!(
        listed, kinds,
        "the kinds of docs/flags.md, which are written by hand"
    );
}

#[test]
fn every_channel_is_in_the_docs() {
    let rows = ChannelKind::ALL.iter().map(|&channel| {
        let (least, greatest) = channel.possible();
        [
            format!("`{}`", channel.name()),
            channel.unit().to_string(),
            format!("{least} to {greatest}"),
            channel.meaning().to_owned(),
        ]
    });
    let head = ["channel", "unit", "possible", "what"];
    holds("readings.md", &table(head, rows.collect()));
}

/// What stands before and behind a table.
const BEGIN: &str = "<!-- Written by a test: LARDER_WRITE_DOCS=1 cargo test -p larder docs -->\n";
const END: &str = "<!-- End of what a test writes -->\n";

/// Tests run side by side, and a page is read before it is written.
static PAGES: Mutex<()> = Mutex::new(());

/// Holds what stands between the marks of a page to `table`, or writes it there where that is asked for.
#[track_caller]
fn holds(page: &str, table: &str) {
    let _guard = PAGES.lock().unwrap_or_else(PoisonError::into_inner);
    let path = path(page);
    let text = std::fs::read_to_string(&path).expect("the page can be read");
    let parts = text.split_once(BEGIN).and_then(|(before, rest)| {
        let (block, after) = rest.split_once(END)?;
        Some((before, block, after))
    });
    let Some((before, block, after)) = parts else {
        panic!("docs/{page} lacks the lines\n{BEGIN}{END}between which its table belongs");
    };
    if block == table {
        return;
    }
    if std::env::var_os("LARDER_WRITE_DOCS").is_some() {
        let whole = [before, BEGIN, table, END, after].concat();
        return std::fs::write(&path, whole).expect("the page can be written");
    }
    let differs = |line: &&str| !block.lines().any(|other| other == *line);
    panic!(
        "the table in docs/{page} is not what the code says, first in\n{}\n\
         `LARDER_WRITE_DOCS=1 cargo test -p larder docs` writes it anew",
        table.lines().find(differs).unwrap_or("(a line too many)")
    );
}

fn path(page: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../docs")
        .join(page)
}

/// A table in Markdown.
fn table<const N: usize>(head: [&str; N], rows: Vec<[String; N]>) -> String {
    let line = |cells: &[String]| format!("| {} |\n", cells.join(" | "));
    let marked = |cell: String| cell.replace('|', "\\|").replace('<', "\\<");
    let head = [head.map(str::to_owned), [(); N].map(|()| "---".to_owned())];
    let rows = rows.into_iter().map(|row| row.map(marked));
    head.into_iter().chain(rows).map(|row| line(&row)).collect()
}
