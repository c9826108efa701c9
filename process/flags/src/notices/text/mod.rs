//! A notice in words: what, where, since when, why, and what to do.

use super::plan::Event;
use crate::texts::{self, FlagTexts, how_sure, when_to_act};
use chrono::NaiveDate;
use chrono_tz::Tz;
use larder_domain::names::one_line;
use larder_domain::{KeptFlag, Timestamp};
use larder_syrup::units::UnitSystem;

/// A flag with what people call its place.
#[derive(Clone, Debug)]
pub struct Spoken<'a> {
    /// The flag.
    pub kept: &'a KeptFlag,
    /// What is told of it.
    pub event: Event,
    /// The yard's name; `None`: it stands nowhere.
    pub yard: Option<&'a str>,
    /// The hive's name.
    pub hive: Option<&'a str>,
    /// The yard's zone.
    pub zone: Tz,
}

/// A notice ready to be sent.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Letter {
    /// One line.
    pub subject: String,
    /// Plain text, lines of any length.
    pub body: String,
}

/// Puts a notice into words. `told`, by opening time, is not empty. `page`: where the pages are.
pub fn letter(
    told: &[Spoken<'_>],
    digest: Option<NaiveDate>,
    units: UnitSystem,
    page: Option<&str>,
) -> Letter {
    let mut sorted: Vec<_> = told.iter().collect();
    sorted.sort_by_key(|one| {
        let open = one.event == Event::Opened;
        (
            !open,
            std::cmp::Reverse(one.kept.flag.severity),
            one.kept.flag.opened_at,
        )
    });
    let parts: Vec<String> = sorted.iter().map(|one| part(one, units)).collect();
    let mut body = parts.join("\n");
    if let Some(page) = page {
        let page = page.trim_end_matches('/');
        body.push_str(&format!("\nLook, acknowledge or snooze: {page}/\n"));
    }
    body.push_str(&format!("\n-- \n{FOOT}\n"));
    Letter {
        subject: subject(&sorted, digest),
        body,
    }
}

/// At the foot of every notice.
const FOOT: &str = "Larder sends this because you are listed under People and notices. Estimates can be wrong: look before you act, and follow your local rules.";

fn subject(sorted: &[&Spoken<'_>], digest: Option<NaiveDate>) -> String {
    let count = match sorted {
        [one] => format!("{} {}", place(one), state(one)),
        many => format!("{} things to see to: {}", many.len(), places(many)),
    };
    match digest {
        Some(date) => format!("{}: {count}", date.format("%a %-d %b")),
        None => count,
    }
}

/// The first few places, each once.
fn places(sorted: &[&Spoken<'_>]) -> String {
    let mut names: Vec<String> = Vec::new();
    for one in sorted {
        let name = place(one);
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let more = names.len().saturating_sub(3);
    names.truncate(3);
    let listed = names.join(", ");
    match more {
        0 => listed,
        more => format!("{listed} and {more} more"),
    }
}

fn place(one: &Spoken<'_>) -> String {
    texts::place(&one.kept.flag, one.yard, one.hive)
}

fn state(one: &Spoken<'_>) -> String {
    let said = FlagTexts::of(one.kept.flag.kind).one;
    match one.event {
        Event::Opened => said.to_owned(),
        Event::Closed => format!("is well again: no longer \"{said}\""),
        Event::Withdrawn => "is well after all".to_owned(),
    }
}

fn part(one: &Spoken<'_>, units: UnitSystem) -> String {
    let flag = &one.kept.flag;
    let texts = FlagTexts::of(flag.kind);
    let at = |time: Timestamp| {
        let local = time.to_utc().with_timezone(&one.zone);
        local.format("%a %-d %b %H:%M").to_string()
    };
    // An instrument of the yard, or the yard, is already named after it.
    let yard = match (one.yard, one.hive) {
        (Some(yard), Some(_)) => format!(" in {}", one_line(yard)),
        _ => String::new(),
    };
    let head = format!("{}{yard} {}", place(one), state(one));
    match one.event {
        Event::Opened => {
            let caution = texts
                .caution
                .map_or_else(String::new, |caution| format!("  Take care: {caution}\n"));
            format!(
                "{head}\n  When to act: {}\n  Since: {}\n  Why: {} ({})\n  What to do: {}\n{caution}",
                when_to_act(flag.severity),
                at(flag.opened_at),
                flag.evidence.sentence(units, one.zone),
                how_sure(flag.probability),
                texts.act
            )
        }
        Event::Closed => format!(
            "{head}\n  Over since: {}\n",
            flag.closed_at.map_or_else(String::new, at)
        ),
        Event::Withdrawn => format!(
            "{head}\n  Larder said on {} that it {}. Data that came later shows that this was wrong; nothing needs doing.\n",
            at(flag.opened_at),
            texts.one
        ),
    }
}

#[cfg(test)]
mod tests;
