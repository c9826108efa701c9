//! `larder report flags`: what is or was wrong, and how often that was right.

use super::Chosen;
use crate::output::{Cell, Table};
use anyhow::Result;
use chrono_tz::Tz;
use larder_domain::{Flag, FlagKind, KeptFlag, Span, Timestamp, Verdict};
use larder_store::Records;
use larder_syrup::units::UnitSystem;

/// One row for each flag.
pub(super) fn list(chosen: &Chosen<'_>, records: &dyn Records, withdrawn: bool) -> Result<Table> {
    let mut table = Table::new(&[
        "kind",
        "yard",
        "hive",
        "feeder",
        "device",
        "opened_at",
        "closed_at",
        "severity",
        "probability",
        "evidence",
        "state",
        "known_at",
        "acknowledged_by",
        "snoozed_until",
        "verdict",
        "notes",
        "id",
    ]);
    let units = records.setting("units")?;
    let units = units.and_then(|word| UnitSystem::parse(&word).ok());
    for kept in wanted(chosen, records)? {
        if !withdrawn && !kept.stands() {
            continue;
        }
        let (flag, care) = (&kept.flag, &kept.care);
        let evidence = flag
            .evidence
            .sentence(units.unwrap_or_default(), zone_of(chosen, flag));
        let notes = care.notes.iter().map(|note| note.text.as_str());
        let notes = notes.collect::<Vec<_>>().join(" | ");
        let snoozed = care.snoozed.as_ref().map(|(until, _)| until.to_rfc3339());
        let acknowledged = care.acknowledged.as_ref().map(|said| match &said.who {
            nobody if nobody.is_empty() => "someone",
            who => who.as_str(),
        });
        table.push(vec![
            Cell::Text(flag.kind.name().to_owned()),
            Cell::text(flag.yard.as_ref()),
            Cell::text(flag.hive.as_ref()),
            Cell::text(flag.feeder.as_ref()),
            Cell::text(flag.device.as_ref()),
            Cell::Text(flag.opened_at.to_rfc3339()),
            Cell::text(flag.closed_at.map(Timestamp::to_rfc3339)),
            Cell::Text(flag.severity.name().to_owned()),
            Cell::Number(flag.probability, 3),
            Cell::Text(evidence),
            Cell::Text(kept.state().name().to_owned()),
            Cell::text(kept.known_at.map(Timestamp::to_rfc3339)),
            Cell::text(acknowledged),
            Cell::text(snoozed),
            Cell::text(care.verdict.as_ref().map(|(verdict, _)| verdict.name())),
            Cell::text((!notes.is_empty()).then_some(notes)),
            Cell::Text(kept.id.to_string()),
        ]);
    }
    Ok(table)
}

/// One row for each kind: how many, and how many of them were right. Delays in hours: from when the
/// condition held to when Larder knew of it, and to when someone acknowledged it; medians of those
/// that were known live.
pub(super) fn review(chosen: &Chosen<'_>, records: &dyn Records) -> Result<Table> {
    let mut table = Table::new(&[
        "kind",
        "flags",
        "open",
        "withdrawn",
        "right",
        "wrong",
        "unknown",
        "median_delay_h",
        "median_answer_h",
    ]);
    let flags = wanted(chosen, records)?;
    for &kind in FlagKind::ALL {
        let of_kind: Vec<_> = flags.iter().filter(|kept| kept.flag.kind == kind).collect();
        if of_kind.is_empty() {
            continue;
        }
        let count = |which: &dyn Fn(&KeptFlag) -> bool| {
            Cell::Number(of_kind.iter().filter(|kept| which(kept)).count() as f64, 0)
        };
        let said = |wanted: Verdict| {
            move |kept: &KeptFlag| {
                kept.care
                    .verdict
                    .as_ref()
                    .is_some_and(|(v, _)| *v == wanted)
            }
        };
        let hours = |later: &dyn Fn(&KeptFlag) -> Option<Timestamp>| {
            let known = of_kind.iter().filter(|kept| kept.known_at.is_some());
            let delays = known
                .filter_map(|kept| Some(later(kept)?.hours_since(kept.flag.opened_at).max(0.0)));
            Cell::number(median(delays.collect()), 1)
        };
        table.push(vec![
            Cell::Text(kind.name().to_owned()),
            count(&|_| true),
            count(&KeptFlag::is_open),
            count(&|kept| !kept.stands()),
            count(&said(Verdict::Right)),
            count(&said(Verdict::Wrong)),
            count(&|kept| kept.care.verdict.is_none()),
            hours(&|kept| kept.known_at),
            hours(&|kept| Some(kept.care.acknowledged.as_ref()?.at)),
        ]);
    }
    Ok(table)
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    match n {
        0 => None,
        _ if n % 2 == 1 => Some(values[n / 2]),
        _ => Some((values[n / 2 - 1] + values[n / 2]) / 2.0),
    }
}

fn wanted(chosen: &Chosen<'_>, records: &dyn Records) -> Result<Vec<KeptFlag>> {
    let mut flags = records.flags(chosen.selection.yard.as_ref(), Span::ALWAYS)?;
    flags.retain(|kept| {
        let of_hive = chosen.selection.hive.is_none() || kept.flag.hive == chosen.selection.hive;
        of_hive && lies_on_dates(chosen, &kept.flag)
    });
    Ok(flags)
}

/// A flag belongs to the dates on which it was open at all.
fn lies_on_dates(chosen: &Chosen<'_>, flag: &Flag) -> bool {
    let zone = zone_of(chosen, flag);
    let opened = flag.opened_at.local_date(zone);
    let closed = flag.closed_at.map(|at| at.local_date(zone));
    let (from, to) = (chosen.selection.from, chosen.selection.to);
    to.is_none_or(|to| opened <= to)
        && from.is_none_or(|from| closed.is_none_or(|closed| from <= closed))
}

fn zone_of(chosen: &Chosen<'_>, flag: &Flag) -> Tz {
    let yard = flag.yard.as_ref();
    yard.and_then(|yard| chosen.apiary.yard(yard))
        .map_or(Tz::UTC, |yard| yard.timezone)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_of_an_even_number_lies_between() {
        assert_eq!(median(vec![]), None);
        assert_eq!(median(vec![3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(vec![4.0, 1.0, 2.0, 3.0]), Some(2.5));
    }
}
