//! Reads a scenario folder (`apiary.toml`, `readings.csv.gz`, `fills.csv`), estimates every yard
//! over its whole span and writes the four reports of the outside contract, so that a scorer can
//! compare them with the truth:
//!
//! `cargo run -p larder-process --example score_scenario -- SCENARIO_FOLDER OUTPUT_FOLDER [RUNS] [NAME=VALUE ...]`
//! With the one word `parameters` it prints the estimators' parameters instead.

#![expect(clippy::print_stdout, reason = "the list is what was asked for")]

mod apiary_file;
mod readings;
mod reports;
mod tuning;
mod yard;

use apiary_file::read_apiary;
use larder_estimate::YardOutput;
use larder_process::process_yard_by;
use readings::{Archive, read_fills};
use std::error::Error;
use std::path::Path;
use std::time::Instant;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let (settings, arguments): (Vec<_>, Vec<_>) = arguments
        .into_iter()
        .partition(|argument| argument.contains('='));
    let (parameters, thresholds) = tuning::tuned(settings.iter().map(String::as_str))?;
    if arguments.get(1).is_some_and(|word| word == "parameters") {
        print!("{}", tuning::list());
        return Ok(());
    }
    let (scenario, output, runs) = match arguments.as_slice() {
        [_, scenario, output] => (scenario, output, 1),
        [_, scenario, output, runs] => (scenario, output, runs.parse::<u32>()?),
        _ => return Err("give a scenario folder, an output folder and how many runs".into()),
    };
    let scenario = Path::new(scenario);
    let apiary = read_apiary(&scenario.join("apiary.toml"))?;
    let archive = Archive::read(&scenario.join("readings.csv.gz"))?;
    let fills = read_fills(&scenario.join("fills.csv"))?;
    let started = Instant::now();
    let mut all = YardOutput::default();
    for _ in 1..runs {
        // More runs only take time, for measuring it.
        for yard in apiary.yards() {
            let input = yard::yard_input(&apiary, yard, &archive, &fills);
            process_yard_by(&input, &thresholds, &parameters);
        }
    }
    for yard in apiary.yards() {
        let input = yard::yard_input(&apiary, yard, &archive, &fills);
        let output = process_yard_by(&input, &thresholds, &parameters);
        all.uptake.extend(output.uptake);
        all.weight.extend(output.weight);
        all.fills.extend(output.fills);
        all.flags.extend(output.flags);
        all.now.extend(output.now);
    }
    let hive_days = f64::from(runs) * apiary.hives().count() as f64 * archive.span().hours() / 24.0;
    let micros = started.elapsed().as_secs_f64() * 1e6 / hive_days;
    eprintln!("{hive_days:.0} hive-days, {micros:.0} microseconds each");
    reports::write(Path::new(output), &apiary, &all)
}
