//! What is said of kinds of feeders against pages of the trade.

#[path = "../../syrup/tests/checks/mod.rs"]
mod checks;

use larder_domain::FeederKind;
use larder_domain::feeder_kind::facts;

/// Sizes as sold, where a page of the trade was read (common practice: a plausible band).
#[test]
fn usual_sizes_are_those_sold() {
    let rows = checks::rows(include_str!("../../tests/checks/feeder_types.csv"));
    for (id, kind) in [
        ("pail", FeederKind::Pail),
        ("tray", FeederKind::Tray),
        ("frame", FeederKind::Frame),
        ("entrance", FeederKind::Entrance),
    ] {
        let row = rows.iter().find(|row| row.id() == id).expect("a row");
        let (least, typical, most) = facts(kind).litres;
        assert!((typical - row.number("typical_L")).abs() < 0.5, "{id}");
        assert!((least - row.number("low_L")).abs() < 0.5, "{id}");
        assert!((most - row.number("high_L")).abs() < 0.5, "{id}");
    }
}
