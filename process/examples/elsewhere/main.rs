//! How estimates and flags hold where nobody looked: the tables of `docs/elsewhere.md`.
//!
//! `cargo run --release -p larder-process --example elsewhere -- [--grafts 101-140] [--trial 101-124]
//! [--demo 101-112] [--as NAME FOLDER...]` scores apiaries of the project's own simulators by their seeds
//! and scenario folders with their truth, and prints the tables, or writes them between
//! the marks of `--page FILE`. With `--faults` it prints the
//! days instead on which the estimates contradict themselves; with `--dump FOLDER` it writes the worlds of
//! `--grafts` and `--demo` as scenario folders. `--other-grafts 101-140 --weights FOLDER` grafts on hives of
//! the same source that are not part of the repository.

#![expect(clippy::print_stdout, reason = "the tables are what was asked for")]

#[path = "../score_scenario/apiary_file.rs"]
mod apiary_file;
#[path = "../../tests/elsewhere/folder.rs"]
mod folder;
#[path = "../../tests/elsewhere/from_demo.rs"]
mod from_demo;
#[path = "../../tests/elsewhere/from_trial.rs"]
mod from_trial;
#[path = "../../tests/elsewhere/graft/mod.rs"]
mod graft;
#[path = "../../tests/elsewhere/raw.rs"]
mod raw;
#[path = "../../tests/elsewhere/read.rs"]
mod read;
#[path = "../score_scenario/readings.rs"]
mod readings;
#[path = "../../tests/elsewhere/score/mod.rs"]
mod score;
#[path = "../../tests/elsewhere/table.rs"]
mod table;
#[path = "../../tests/trial"]
mod trial {
    pub mod ailments;
    pub mod batch;
    pub mod colony;
    pub mod devices;
    pub mod given;
    pub mod instruments;
    pub mod plan;
    pub mod sky;
    pub mod story;
    pub mod troubles;
    #[allow(dead_code, reason = "only the trial's own tables tell sizes")]
    pub mod truth;
    pub mod windows;
}
#[path = "../../tests/elsewhere/truth.rs"]
mod truth;
#[path = "../../tests/elsewhere/world.rs"]
mod world;
#[path = "../score_scenario/yard.rs"]
mod yard;

use graft::Herd;
use score::Score;
use std::error::Error;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use table::Scores;
use world::World;

/// One apiary to be scored.
enum Job {
    Graft(u64),
    /// On hives that are not part of the repository.
    OtherGraft(u64),
    Trial(u64),
    Demo(u64),
    Folder {
        simulator: String,
        path: PathBuf,
    },
}

const USAGE: &str = "say which: [--grafts FIRST-LAST] [--other-grafts FIRST-LAST --weights FOLDER] [--trial FIRST-LAST] [--demo FIRST-LAST] [--as NAME FOLDER...] [--page PAGE] [--faults] [--dump FOLDER]";

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let asked = Asked::read(&arguments)?;
    if let Some(folder) = &asked.dump {
        for job in &asked.jobs {
            let raw = match job {
                Job::Graft(seed) => graft::graft(*seed),
                Job::Demo(seed) => from_demo::yard(*seed),
                _ => continue,
            };
            folder::write(&raw, &folder.join(&raw.name))?;
        }
        return Ok(());
    }
    let scores = run(&asked)?;
    if asked.faults {
        print_faults(&scores);
        return Ok(());
    }
    let tables = table::markdown(&scores);
    match &asked.page {
        Some(page) => write_page(page, &tables),
        None => {
            print!("{tables}");
            Ok(())
        }
    }
}

const FIRST_MARK: &str = "<!-- Written by:";
const LAST_MARK: &str = "<!-- End of what a program writes -->";

/// Puts the tables between the two marks of a page.
fn write_page(page: &Path, tables: &str) -> Result<(), Box<dyn Error>> {
    let text = std::fs::read_to_string(page)?;
    let missing = || format!("{} has no marks to write between", page.display());
    let (head, rest) = text.split_once(FIRST_MARK).ok_or_else(missing)?;
    let (mark, rest) = rest.split_once('\n').ok_or_else(missing)?;
    let (_, tail) = rest.split_once(LAST_MARK).ok_or_else(missing)?;
    let page_text = format!("{head}{FIRST_MARK}{mark}\n{tables}{LAST_MARK}{tail}");
    Ok(std::fs::write(page, page_text)?)
}

/// Days on which the estimates contradict themselves or what was truly poured, or are far off.
fn print_faults(scores: &Scores) {
    for day in scores.values().flatten().flat_map(|(_, score)| &score.days) {
        let faults = [
            ("above what was there", day.above),
            ("from nothing", day.from_nothing),
            ("over the brim", day.over_brim),
            ("not in its interval", day.unsound),
            ("off by a litre", day.error_l.abs() > 1.0),
        ];
        for (name, _) in faults.iter().filter(|(_, is_so)| *is_so) {
            println!("{name}: {}", day.place);
        }
    }
}

/// What the command line asks for.
#[derive(Default)]
struct Asked {
    jobs: Vec<Job>,
    dump: Option<PathBuf>,
    page: Option<PathBuf>,
    faults: bool,
    others: Option<Herd>,
}

impl Asked {
    fn read(arguments: &[String]) -> Result<Self, Box<dyn Error>> {
        let mut asked = Self::default();
        let mut simulator = "folders".to_owned();
        let mut words = arguments.iter();
        while let Some(word) = words.next() {
            let mut value = || words.next().ok_or(USAGE);
            match word.as_str() {
                "--grafts" => asked.jobs.extend(seeds(value()?)?.map(Job::Graft)),
                "--other-grafts" => asked.jobs.extend(seeds(value()?)?.map(Job::OtherGraft)),
                "--weights" => asked.others = Some(Herd::others(Path::new(value()?))?),
                "--trial" => asked.jobs.extend(seeds(value()?)?.map(Job::Trial)),
                "--demo" => asked.jobs.extend(seeds(value()?)?.map(Job::Demo)),
                "--as" => simulator.clone_from(value()?),
                "--faults" => asked.faults = true,
                "--dump" => asked.dump = Some(PathBuf::from(value()?)),
                "--page" => asked.page = Some(PathBuf::from(value()?)),
                path if !path.starts_with("--") => asked.jobs.push(Job::Folder {
                    simulator: simulator.clone(),
                    path: PathBuf::from(path),
                }),
                _ => return Err(USAGE.into()),
            }
        }
        if asked.jobs.is_empty() {
            return Err(USAGE.into());
        }
        Ok(asked)
    }
}

fn seeds(range: &str) -> Result<std::ops::RangeInclusive<u64>, Box<dyn Error>> {
    let (first, last) = range.split_once('-').unwrap_or((range, range));
    Ok(first.parse()?..=last.parse()?)
}

/// Scores all jobs, on as many cores as there are; the order of the jobs does not matter.
fn run(asked: &Asked) -> Result<Scores, Box<dyn Error>> {
    let jobs = &asked.jobs;
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<Done>> = Mutex::new(Vec::new());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                while let Some((i, job)) = jobs.get(next.load(Ordering::Relaxed)).and_then(|_| {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    Some((i, jobs.get(i)?))
                }) {
                    let scored = scored(asked, job).map_err(|e| e.to_string());
                    if let Ok(mut done) = done.lock() {
                        done.push((i, scored));
                    }
                }
            });
        }
    });
    let mut done = done.into_inner().map_err(|e| e.to_string())?;
    done.sort_by_key(|(i, _)| *i);
    let mut scores = Scores::new();
    for (_, scored) in done {
        for (simulator, kind, score) in scored? {
            let kinds = scores.entry(simulator).or_default();
            kinds.entry(kind).or_default().add(score);
        }
    }
    Ok(scores)
}

/// Simulator, kind of apiary, score.
type Scored = (String, String, Score);

/// Which job, and what came of it.
type Done = (usize, Result<Vec<Scored>, String>);

fn scored(asked: &Asked, job: &Job) -> Result<Vec<Scored>, Box<dyn Error>> {
    let of = |simulator: &str, kind: &str, score| (simulator.to_owned(), kind.to_owned(), score);
    Ok(match job {
        Job::Graft(seed) => {
            let world = World::graft(Herd::own(), *seed)?;
            vec![of("grafts", "any", world.score())]
        }
        Job::OtherGraft(seed) => {
            let herd = asked.others.as_ref();
            let herd = herd.ok_or("--other-grafts wants the hives of --weights FOLDER")?;
            let world = World::graft(herd, *seed)?;
            vec![of("grafts on other hives", "any", world.score())]
        }
        Job::Trial(seed) => {
            let yards = from_trial::score(*seed).into_iter();
            yards
                .map(|(kind, score)| of("trial", kind, score))
                .collect()
        }
        Job::Demo(seed) => {
            let world = World::of(from_demo::yard(*seed))?;
            vec![of("demo", "any", world.score())]
        }
        Job::Folder { simulator, path } => {
            let world = World::read(path).map_err(|e| format!("{}: {e}", path.display()))?;
            vec![of(simulator, &kind_of(path), world.score())]
        }
    })
}

/// The folder's name without what numbers it: `level-3` is a `level`.
fn kind_of(path: &Path) -> String {
    let name = path
        .file_name()
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let kind = name
        .trim_end_matches(|c: char| c.is_ascii_digit())
        .trim_end_matches('-');
    if kind.is_empty() {
        name
    } else {
        kind.to_owned()
    }
}
