//! What each kind of feeder is, how it fails, and what to look for: the trade's own knowledge
//! (common practice unless it says otherwise), for pages, flags and the guide.

use crate::apiary::FeederKind;
use crate::results::FlagKind;

/// A way in which a kind of feeder goes wrong.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Failure {
    /// What happens.
    pub what: &'static str,
    /// What its readings look like.
    pub shows_as: &'static str,
    /// The flags that it can raise.
    pub flags: &'static [FlagKind],
    /// What to do on the next visit.
    pub check: &'static str,
}

/// A kind of feeder.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct KindFacts {
    /// The kind.
    pub kind: FeederKind,
    /// What people call it.
    pub words: &'static str,
    /// Usual sizes, litres: least, typical, most.
    pub litres: (f64, f64, f64),
    /// Where it stands and what it displaces.
    pub stands: &'static str,
    /// Filling it means opening the hive.
    pub opens_hive: bool,
    /// Plan area of a usual one, m2, for a first guess until it is measured out; `None`: too
    /// different from maker to maker. From memory.
    pub usual_area_m2: Option<f64>,
    /// Where syrup stays that bees or sensors do not reach.
    pub dead_volume: &'static str,
    /// How its level can be sensed.
    pub sensing: &'static str,
    /// How it goes wrong.
    pub failures: &'static [Failure],
    /// What to mind with it.
    pub cautions: &'static [&'static str],
}

/// What is known about a kind.
pub fn facts(kind: FeederKind) -> &'static KindFacts {
    match kind {
        FeederKind::Frame => &FRAME,
        FeederKind::Pail => &PAIL,
        FeederKind::Jar => &JAR,
        FeederKind::Tray => &TRAY,
        FeederKind::Entrance => &ENTRANCE,
    }
}

const DROWNING: Failure = Failure {
    what: "bees drown where they cannot climb out",
    shows_as: "uptake falls off while neighbours go on; the level may even rise",
    flags: &[FlagKind::Stalled, FlagKind::Souring],
    check: "float, ladder or access screen in place and clean; take drowned bees out",
};
const FERMENTS: Failure = Failure {
    what: "syrup ferments or moulds when it stands longer than they take to empty it",
    shows_as: "uptake stops in warm weather with syrup left",
    flags: &[FlagKind::Stalled, FlagKind::Souring],
    check: "smell and look; throw out what foams or smells, wash before refilling",
};
const ROBBING: Failure = Failure {
    what: "strange bees or wasps get at the syrup",
    shows_as: "the level falls fast by day only, and the hive does not gain",
    flags: &[FlagKind::Robbed],
    check: "gaps, lid and entrance; make the entrance smaller; stop feeding until it is quiet",
};
const VACUUM_LOST: Failure = Failure {
    what: "the vacuum is lost (lid not tight, dented rim, warmth of the sun) and it runs out",
    shows_as: "steady loss by night and by day, faster as it warms, and the hive does not gain",
    flags: &[FlagKind::Leaking, FlagKind::Robbed],
    check: "turn it over beside the hive: it must stop dripping within moments; level the hive",
};
const KNOCKED_OFF: Failure = Failure {
    what: "wind or an animal moves it or knocks it off",
    shows_as: "a sudden step in weight and level, or the sensor reads the lid",
    flags: &[FlagKind::Displaced],
    check: "strap or weight, an empty super round it, and a lid on top",
};
const COLD_ABOVE: Failure = Failure {
    what: "they no longer come up to it in the cold",
    shows_as: "uptake stops below about 10 °C with syrup left, here and in the neighbours",
    flags: &[FlagKind::TooCold],
    check: "feed before it is cold, or move the feed to the cluster",
};

const FRAME: KindFacts = KindFacts {
    kind: FeederKind::Frame,
    words: "in-hive frame feeder",
    litres: (2.0, 4.0, 7.5),
    stands: "hangs in the brood box; one of about 1 or 1.5 US gal takes the place of two frames",
    opens_hive: true,
    usual_area_m2: Some(0.030),
    dead_volume: "under the float or ladder's foot, and in the corners of a sloping floor",
    sensing: "a depth sensor or a narrow distance sensor in the top; a float fools a distance \
              sensor unless it reads the float on purpose",
    failures: &[
        DROWNING,
        Failure {
            what: "comb is built into it, under the lid and on the float",
            shows_as: "it takes less at each fill, and a distance sensor reads too full",
            flags: &[FlagKind::SensorFault],
            check: "scrape it out; keep the gap above it at bee space",
        },
        FERMENTS,
        Failure {
            what: "its walls bulge when it is full",
            shows_as: "the level falls a little without any being taken",
            flags: &[],
            check: "measure it out in the hive, between frames, not on the bench",
        },
    ],
    cautions: &[
        "Filling it opens the brood nest: not in the cold or rain, and not while robbers fly.",
        "Smoke first, pour slowly, and look for the queen before setting frames back.",
    ],
};

const PAIL: KindFacts = KindFacts {
    kind: FeederKind::Pail,
    words: "inverted pail",
    litres: (1.6, 3.8, 10.3),
    stands: "over the hole in the inner cover or lid, in an empty super; fine holes or a mesh \
             hold the syrup by vacuum",
    opens_hive: false,
    usual_area_m2: None,
    dead_volume: "in the rim below the holes, about a finger's breadth",
    sensing: "a load cell under it or the hive's own scale; a level sensor inside must stand \
              the vacuum and reads from above, where the floor now is",
    failures: &[
        VACUUM_LOST,
        KNOCKED_OFF,
        Failure {
            what: "the holes clog with crystals or propolis",
            shows_as: "uptake stops while neighbours go on, whatever the weather",
            flags: &[FlagKind::Stalled],
            check: "brush the holes; warm the syrup or mix it thinner",
        },
        COLD_ABOVE,
        ROBBING,
    ],
    cautions: &[
        "Let it drip out over a bucket before setting it on, so that nothing runs into the hive.",
        "Hives must stand level and the super round it be closed, or it becomes a robbers' table.",
    ],
};

const JAR: KindFacts = KindFacts {
    kind: FeederKind::Jar,
    words: "inverted jar",
    litres: (0.5, 0.95, 3.0),
    stands: "over the hole in the inner cover or a holed board, in an empty super",
    opens_hive: false,
    usual_area_m2: None,
    dead_volume: "in the rim below the holes",
    sensing: "the hive's own scale; through the glass the level is seen without opening",
    failures: &[VACUUM_LOST, KNOCKED_OFF, COLD_ABOVE, ROBBING],
    cautions: &[
        "Glass breaks: carry jars in a crate and never set a cracked one on.",
        "Small jars empty in a day or two in a strong colony: plan the next trip before filling.",
    ],
};

const TRAY: KindFacts = KindFacts {
    kind: FeederKind::Tray,
    words: "hive-top tray",
    litres: (8.0, 10.0, 15.2),
    stands: "under the lid over the whole hive; up to about 4 US gal; bees come up through a \
             screened way",
    opens_hive: false,
    usual_area_m2: Some(0.174),
    dead_volume: "where the floor sags or the hive tilts: a millimetre of level is 0.17 L",
    sensing: "a distance sensor in the lid: the surface is large, so a millimetre matters; keep \
              the hive level and know the air's temperature",
    failures: &[
        DROWNING,
        FERMENTS,
        ROBBING,
        Failure {
            what: "comb is built in the way up",
            shows_as: "uptake falls off over weeks in a strong colony",
            flags: &[FlagKind::Stalled],
            check: "scrape the way up clean; set the access screen back without a gap",
        },
        Failure {
            what: "a seam leaks into the hive or out of it",
            shows_as: "steady loss by night; inside, the bees take some of it up",
            flags: &[FlagKind::Leaking],
            check: "fill it with water on the bench; seal or replace it",
        },
        COLD_ABOVE,
    ],
    cautions: &[
        "A full one weighs up to 20 kg (44 lb): fill it on the hive, do not lift it full.",
        "Give thin syrup in amounts that they take in a few days: a large warm tray ferments.",
    ],
};

const ENTRANCE: KindFacts = KindFacts {
    kind: FeederKind::Entrance,
    words: "entrance feeder",
    litres: (0.5, 0.95, 0.95),
    stands: "in the entrance, a jar in a tray",
    opens_hive: false,
    usual_area_m2: None,
    dead_volume: "in the tray under the jar",
    sensing: "by eye; the scale carries it only if it hangs on the hive",
    failures: &[
        ROBBING,
        KNOCKED_OFF,
        Failure {
            what: "it is out in the cold and the sun",
            shows_as: "nothing taken in the cold, drips in the heat of the day",
            flags: &[FlagKind::TooCold, FlagKind::Leaking],
            check: "use it in warm weather only, on strong colonies",
        },
    ],
    cautions: &[
        "It invites robbers more than any other kind: not for weak colonies or in a dearth.",
    ],
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_is_described_and_its_sizes_are_in_order() {
        for &kind in FeederKind::ALL {
            let facts = facts(kind);
            assert_eq!(facts.kind, kind);
            let (least, typical, most) = facts.litres;
            assert!(
                0.0 < least && least <= typical && typical <= most,
                "{kind:?}"
            );
            assert!(!facts.failures.is_empty() && !facts.cautions.is_empty());
        }
    }
}
