//! What must and must not have been said.

use super::scene::{Life, hours, of_kind};
use larder_domain::{Flag, FlagKind};

/// One odd hive among three ordinary ones.
pub fn four(first: Life) -> [Life; 4] {
    [first, Life::ordinary(), Life::ordinary(), Life::ordinary()]
}

/// The only flag of its kind, opened within `from..until` hours.
pub fn only(flags: &[Flag], kind: FlagKind, from: f64, until: f64) -> &Flag {
    let found = of_kind(flags, kind);
    assert_eq!(found.len(), 1, "{kind:?}: {flags:#?}");
    let opened = hours(found[0].opened_at);
    assert!(
        (from..until).contains(&opened),
        "{kind:?} opened after {opened} h: {}",
        found[0].evidence.plain()
    );
    found[0]
}

/// Fails where any flag is of one of these kinds.
pub fn none(flags: &[Flag], kinds: &[FlagKind]) {
    for &kind in kinds {
        assert!(
            of_kind(flags, kind).is_empty(),
            "{kind:?}: {:?}",
            of_kind(flags, kind)
        );
    }
}
