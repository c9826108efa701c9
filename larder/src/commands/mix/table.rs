//! A mix on the terminal: 80 columns, decimal points under each other, headings bold where the
//! terminal can.

use larder_api::mix::{MixResponse, Row, Section};
use std::io::IsTerminal;

/// Widest line.
pub const WIDTH: usize = 80;

/// How headings stand out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Style {
    /// Letters only.
    Plain,
    /// Bold headings.
    Bold,
}

impl Style {
    /// Bold on a terminal unless `NO_COLOR` is set.
    pub fn of_stdout() -> Self {
        if std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none() {
            Self::Bold
        } else {
            Self::Plain
        }
    }

    /// A heading in this style.
    pub fn heading(self, text: &str) -> String {
        match self {
            Self::Plain => text.to_owned(),
            Self::Bold => format!("\u{1b}[1m{text}\u{1b}[0m"),
        }
    }
}

/// The whole answer.
pub fn page(response: &MixResponse, style: Style) -> String {
    let mut page = format!("{}\n", wrap(&response.sentence, WIDTH, "").join("\n"));
    page.push_str(&sections_text(&response.sections, style));
    page.push_str(&format!("\n{}\n", style.heading("Mind")));
    for caution in &response.cautions {
        for (i, line) in wrap(&caution.text, WIDTH - 4, "").iter().enumerate() {
            let bullet = if i == 0 { "- " } else { "  " };
            page.push_str(&format!("  {bullet}{line}\n"));
        }
    }
    page
}

/// Headed lines, aligned over all sections.
pub fn sections_text(sections: &[Section], style: Style) -> String {
    let rows = || sections.iter().flat_map(|section| &section.rows);
    let numbered = || rows().filter(|row| !row.number.is_empty());
    let widest = |f: &dyn Fn(&Row) -> usize| numbered().map(f).max().unwrap_or(0);
    let columns = Columns {
        label: widest(&|row| row.label.chars().count()),
        whole: widest(&|row| split(&row.number).0.chars().count()),
        part: widest(&|row| split(&row.number).1.chars().count()),
        unit: widest(&|row| row.unit.chars().count()),
    };
    let mut text = String::new();
    for section in sections {
        text.push_str(&format!("\n{}\n", style.heading(&section.title)));
        for row in &section.rows {
            columns.push(row, &mut text);
        }
    }
    text
}

struct Columns {
    label: usize,
    whole: usize,
    part: usize,
    unit: usize,
}

impl Columns {
    fn push(&self, row: &Row, text: &mut String) {
        if row.number.is_empty() {
            let head = format!("  {}  ", row.label);
            let indent = " ".repeat(head.chars().count());
            let lines = wrap(&row.note, WIDTH - indent.len(), "");
            for (i, line) in lines.iter().enumerate() {
                let lead = if i == 0 { &head } else { &indent };
                text.push_str(&format!("{lead}{line}\n"));
            }
            return;
        }
        let (whole, part) = split(&row.number);
        let head = format!(
            "  {:<label_width$}  {whole:>whole_width$}{part:<part_width$} {:<unit_width$}",
            row.label,
            row.unit,
            label_width = self.label,
            whole_width = self.whole,
            part_width = self.part,
            unit_width = self.unit
        );
        let room = WIDTH.saturating_sub(head.chars().count() + 2).max(20);
        let indent = " ".repeat(head.chars().count() + 2);
        let notes = wrap(&row.note, room, "");
        let first = notes.first().map_or("", String::as_str);
        text.push_str(format!("{head}  {first}").trim_end());
        text.push('\n');
        for line in notes.iter().skip(1) {
            text.push_str(&format!("{indent}{line}\n"));
        }
    }
}

/// `25.0` as `25` and `.0`, so that points line up.
fn split(number: &str) -> (&str, &str) {
    number
        .find('.')
        .map_or((number, ""), |at| number.split_at(at))
}

/// Words in lines of at most `width`; later lines begin with `indent`. A number keeps its unit.
pub fn wrap(text: &str, width: usize, indent: &str) -> Vec<String> {
    const UNITS: [&str; 14] = [
        "kg", "g", "lb", "oz", "L", "ml", "gal", "qt", "mm", "m", "in", "°C", "°F", "%",
    ];
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let bare = word.trim_end_matches(['.', ',', ';', ':', ')']);
        match words.last_mut() {
            Some(number)
                if UNITS.contains(&bare)
                    && number.ends_with(|c: char| c.is_ascii_digit() || "½¼¾".contains(c)) =>
            {
                number.push(' ');
                number.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in words {
        let needed = line.chars().count() + 1 + word.chars().count();
        if !line.trim().is_empty() && needed > width {
            lines.push(std::mem::replace(&mut line, indent.to_owned()));
        }
        if !line.trim().is_empty() {
            line.push(' ');
        }
        line.push_str(&word);
    }
    if !line.trim().is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_stay_within_their_width() {
        let lines = wrap("one two three four five six", 9, "  ");
        assert_eq!(lines, ["one two", "  three", "  four", "  five", "  six"]);
        assert_eq!(wrap("weighs 51.1 lb.", 12, ""), ["weighs", "51.1 lb."]);
        assert!(wrap("", 9, "").is_empty());
    }

    #[test]
    fn points_stand_under_each_other() {
        let row = |label: &str, number: &str| Row {
            label: label.into(),
            number: number.into(),
            unit: "lb".into(),
            note: String::new(),
        };
        let section = Section {
            title: "Goes in".into(),
            rows: vec![row("sugar", "25.0"), row("water and more", "125")],
        };
        assert_eq!(
            sections_text(&[section], Style::Plain),
            "\nGoes in\n  sugar            25.0 lb\n  water and more  125   lb\n"
        );
    }
}
