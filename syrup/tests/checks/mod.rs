//! Reads the check tables in `tests/checks` (see its README for the columns and status words).

#![allow(dead_code)] // every test file uses its part

use std::collections::HashMap;

/// One row of a check table, by column name.
pub struct Row(HashMap<String, String>);

impl Row {
    pub fn text(&self, column: &str) -> &str {
        self.0
            .get(column)
            .unwrap_or_else(|| panic!("the table has no column {column}"))
    }

    pub fn number(&self, column: &str) -> f64 {
        let text = self.text(column);
        text.parse()
            .unwrap_or_else(|_| panic!("{}: {column} is \"{text}\"", self.id()))
    }

    pub fn id(&self) -> &str {
        self.text("id")
    }

    /// A row that may decide a test: read in a published source, or computed from one.
    pub fn is_oracle(&self) -> bool {
        self.text("status").starts_with("published") || self.text("status").starts_with("computed")
    }

    /// Holds `got` against the row's `value` and its own tolerance, naming row and source.
    pub fn check(&self, got: f64) {
        let value = self.number("value");
        let allowed = match self.text("tolerance_kind") {
            "rel" => self.number("tolerance") * value.abs(),
            "abs" => self.number("tolerance"),
            other => panic!("{}: unknown kind of tolerance {other}", self.id()),
        };
        assert!(
            (got - value).abs() <= allowed,
            "{}: got {got}, {} {} ± {allowed}",
            self.id(),
            self.text("source"),
            value
        );
    }
}

/// All rows of a table.
pub fn rows(csv: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let header = reader.headers().expect("a header line").clone();
    reader
        .records()
        .map(|record| {
            let record = record.expect("a readable line");
            let pairs = header.iter().zip(record.iter());
            Row(pairs.map(|(k, v)| (k.to_owned(), v.to_owned())).collect())
        })
        .collect()
}

/// The rows that may decide a test. `expected` guards against rows that get lost unseen.
pub fn oracles(csv: &str, expected: usize) -> Vec<Row> {
    let rows: Vec<Row> = rows(csv).into_iter().filter(Row::is_oracle).collect();
    assert_eq!(rows.len(), expected, "rows that may decide a test");
    rows
}
