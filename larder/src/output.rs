//! What commands print: one table in three formats.

use anyhow::Result;
use clap::ValueEnum;
use larder_syrup::units::{Kilograms, Litres, UnitSystem};
use serde_json::{Map, Value, json};
use std::io::{IsTerminal, Write};

/// Prints a line to standard output, in place of the standard library's macro, which panics where nobody
/// reads any more (`| head`): the program then ends quietly, as other tools do.
macro_rules! println {
    () => {
        $crate::output::print_line(format_args!(""))
    };
    ($($arg:tt)*) => {
        $crate::output::print_line(format_args!($($arg)*))
    };
}

/// What `println!` does in this program.
pub fn print_line(line: std::fmt::Arguments<'_>) {
    let mut out = std::io::stdout().lock();
    let printed = out.write_fmt(line).and_then(|()| out.write_all(b"\n"));
    if let Err(error) = printed.and_then(|()| out.flush()) {
        drop(out);
        std::process::exit(i32::from(crate::failure::report_code(&error.into())));
    }
}

/// Asks on a terminal; elsewhere nobody would answer.
pub fn confirmed(question: &str) -> Result<bool> {
    if !std::io::stdin().is_terminal() {
        return Ok(false);
    }
    eprint!("{question} [y/N] ");
    let mut answer = String::new();
    std::io::stdin().read_line(&mut answer)?;
    Ok(matches!(answer.trim(), "y" | "Y" | "yes"))
}

/// How a table is printed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub enum Format {
    /// One header line, `.` decimals, empty for unknown.
    Csv,
    /// An array of objects, null for unknown.
    Json,
    /// For people.
    Table,
}

impl Format {
    /// What was asked for; otherwise a table on a terminal and CSV elsewhere.
    pub fn choose(asked: Option<Self>, json: bool) -> Self {
        match (asked, json) {
            (_, true) => Self::Json,
            (Some(format), false) => format,
            (None, false) if std::io::stdout().is_terminal() => Self::Table,
            (None, false) => Self::Csv,
        }
    }
}

/// One value of a table.
#[derive(Clone, PartialEq, Debug)]
pub enum Cell {
    /// Not known.
    Unknown,
    /// Words.
    Text(String),
    /// A number and its decimals.
    Number(f64, usize),
}

impl Cell {
    /// Words, or unknown.
    pub fn text(value: Option<impl ToString>) -> Self {
        value.map_or(Self::Unknown, |value| Self::Text(value.to_string()))
    }

    /// A number, or unknown.
    pub fn number(value: Option<f64>, decimals: usize) -> Self {
        value.map_or(Self::Unknown, |value| Self::Number(value, decimals))
    }

    fn plain(&self) -> String {
        match self {
            Self::Unknown => String::new(),
            Self::Text(text) => text.clone(),
            Self::Number(value, decimals) => fixed(*value, *decimals),
        }
    }

    fn json(&self) -> Value {
        match self {
            Self::Unknown => Value::Null,
            Self::Text(text) => json!(text),
            Self::Number(value, decimals) => {
                fixed(*value, *decimals).parse().unwrap_or(Value::Null)
            }
        }
    }
}

/// Fixed decimals, and never `-0.00`.
fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| b == b'0' || b == b'.') => rest.to_owned(),
        _ => text,
    }
}

/// Rows under named columns.
pub struct Table {
    columns: Vec<String>,
    rows: Vec<Vec<Cell>>,
}

impl Table {
    /// No rows yet.
    pub fn new(columns: &[&'static str]) -> Self {
        Self {
            columns: columns.iter().map(ToString::to_string).collect(),
            rows: Vec::new(),
        }
    }

    /// One more row; as many cells as columns.
    pub fn push(&mut self, row: Vec<Cell>) {
        debug_assert_eq!(row.len(), self.columns.len());
        self.rows.push(row);
    }

    /// The table in the units that someone reads. Names end with their unit; CSV and JSON, which
    /// programs read, stay as they are.
    pub fn in_units(mut self, units: UnitSystem) -> Self {
        if units == UnitSystem::Metric {
            return self;
        }
        for (i, column) in self.columns.iter_mut().enumerate() {
            let (name, unit, per): (_, _, fn(f64) -> f64) =
                if let Some(name) = column.strip_suffix("_l") {
                    (name, "gal", |litres| {
                        UnitSystem::Us.volume_in_main(Litres(litres)).value
                    })
                } else if let Some(name) = column.strip_suffix("_kg") {
                    (name, "lb", |kg| {
                        UnitSystem::Us.mass_in_main(Kilograms(kg)).value
                    })
                } else {
                    continue;
                };
            *column = format!("{name}_{unit}");
            for row in &mut self.rows {
                if let Cell::Number(value, _) = &mut row[i] {
                    *value = per(*value);
                }
            }
        }
        self
    }

    /// Prints it.
    pub fn print(&self, format: Format, out: &mut dyn Write) -> Result<()> {
        match format {
            Format::Csv => self.print_csv(out),
            Format::Json => self.print_json(out),
            Format::Table => self.print_table(out),
        }
    }

    fn print_csv(&self, out: &mut dyn Write) -> Result<()> {
        let mut writer = csv::Writer::from_writer(out);
        writer.write_record(&self.columns)?;
        for row in &self.rows {
            writer.write_record(row.iter().map(Cell::plain))?;
        }
        writer.flush()?;
        Ok(())
    }

    fn print_json(&self, out: &mut dyn Write) -> Result<()> {
        let object = |row: &Vec<Cell>| {
            let fields = self
                .columns
                .iter()
                .zip(row)
                .map(|(name, cell)| (name.clone(), cell.json()));
            Value::Object(Map::from_iter(fields))
        };
        let rows: Vec<_> = self.rows.iter().map(object).collect();
        writeln!(out, "{}", serde_json::to_string_pretty(&rows)?)?;
        Ok(())
    }

    /// Words to the left, numbers to the right: with one count of decimals a column the points
    /// stand under each other. Columns without a single value are left out.
    fn print_table(&self, out: &mut dyn Write) -> Result<()> {
        if self.rows.is_empty() {
            writeln!(out, "Nothing to show.")?;
            return Ok(());
        }
        let shown: Vec<usize> = (0..self.columns.len())
            .filter(|&i| self.rows.iter().any(|row| row[i] != Cell::Unknown))
            .collect();
        let width = |i: usize| {
            let cells = self
                .rows
                .iter()
                .map(|row| shown_cell(&row[i]).chars().count());
            cells.chain([self.columns[i].len()]).max().unwrap_or(0)
        };
        let number = |i: usize| {
            self.rows
                .iter()
                .any(|row| matches!(row[i], Cell::Number(..)))
        };
        let print_row = |out: &mut dyn Write, text: &dyn Fn(usize) -> String| -> Result<()> {
            let cells: Vec<_> = shown
                .iter()
                .map(|&i| match number(i) {
                    true => format!("{:>1$}", text(i), width(i)),
                    false => format!("{:<1$}", text(i), width(i)),
                })
                .collect();
            writeln!(out, "{}", cells.join("  ").trim_end())?;
            Ok(())
        };
        print_row(out, &|i| self.columns[i].clone())?;
        for row in &self.rows {
            print_row(out, &|i| shown_cell(&row[i]))?;
        }
        Ok(())
    }
}

fn shown_cell(cell: &Cell) -> String {
    match cell {
        Cell::Unknown => "–".to_owned(),
        other => other.plain(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn printed(format: Format) -> String {
        let mut table = Table::new(&["date", "uptake_l", "note"]);
        table.push(vec![
            Cell::Text("2026-09-01".into()),
            Cell::Number(0.912_34, 3),
            Cell::Text("a, b".into()),
        ]);
        table.push(vec![
            Cell::Text("2026-09-02".into()),
            Cell::Unknown,
            Cell::Unknown,
        ]);
        let mut out = Vec::new();
        table.print(format, &mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn unknown_is_empty_in_csv_null_in_json_and_a_dash_for_people() {
        assert_eq!(
            printed(Format::Csv),
            "date,uptake_l,note\n2026-09-01,0.912,\"a, b\"\n2026-09-02,,\n"
        );
        let json: Value = serde_json::from_str(&printed(Format::Json)).unwrap();
        assert_eq!(json[0]["uptake_l"], json!(0.912));
        assert_eq!(json[1]["uptake_l"], Value::Null);
        assert!(printed(Format::Table).contains("2026-09-02         –  –"));
    }

    #[test]
    fn people_read_their_own_units() {
        let mut table = Table::new(&["uptake_l", "sugar_kg", "sensed_share"]);
        table.push(vec![
            Cell::Number(3.785_411_784, 3),
            Cell::Number(0.453_592_37, 3),
            Cell::Number(0.5, 3),
        ]);
        let mut out = Vec::new();
        let table = table.in_units(UnitSystem::Us);
        table.print(Format::Csv, &mut out).unwrap();
        assert_eq!(
            String::from_utf8(out).unwrap(),
            "uptake_gal,sugar_lb,sensed_share\n1.000,1.000,0.500\n"
        );
    }

    #[test]
    fn nothing_is_ever_minus_zero() {
        assert_eq!(fixed(-0.0004, 3), "0.000");
        assert_eq!(fixed(-0.0006, 3), "-0.001");
    }
}
