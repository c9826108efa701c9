//! What to mind while mixing and feeding: once each, in one sentence, where the hand is about to
//! do the thing. Local rules and licensed practice come before anything said here.

use super::{Answer, Vessel};
use crate::physics::Crystallises;
use crate::units::{DegreesCelsius, Kilograms, UnitSystem};

/// As much as most healthy people can lift in the best posture: 23 kg, the load constant of the
/// revised lifting equation (Waters et al. 1993). Reach, height and repetition make it less.
pub const LIFT_LIMIT: Kilograms = Kilograms(23.0);

/// Vessels up to this size get lifted by hand, L.
const HAND_SIZE_L: f64 = 60.0;
/// Water this hot scalds (burn leaflets start their tables here), °C.
const SCALDS_C: f64 = 49.0;
/// Thinner than this it spoils within days in warm weather (common practice).
const THIN_PERCENT: f64 = 58.0;
/// A syrup that is saturated above this deserves a word about crystals, °C.
const CRYSTALS_MATTER_C: f64 = 5.0;

/// Something to mind.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Caution {
    /// Hot water.
    Scald {
        /// How hot.
        water_at: DegreesCelsius,
    },
    /// Boiling makes hydroxymethylfurfural, which harms bees.
    DoNotBoil,
    /// Mains power beside water.
    Electricity,
    /// A bag heavier than one person should lift.
    LiftBag {
        /// What it weighs.
        bag: Kilograms,
    },
    /// A full vessel heavier than one person should lift.
    LiftVessel {
        /// Which; `None`: all of it.
        vessel: Option<Vessel>,
        /// What the syrup in it weighs.
        full: Kilograms,
    },
    /// A vessel that no hands move.
    MoveByMachine {
        /// Which.
        vessel: Vessel,
        /// What the syrup in it weighs.
        full: Kilograms,
    },
    /// The mix ends too cool for its sugar.
    WontDissolve {
        /// Where it ends.
        ends_at: DegreesCelsius,
        /// From here on everything dissolves.
        above: DegreesCelsius,
    },
    /// The syrup can throw crystals.
    Crystals {
        /// The syrup can throw crystals when it is cooler than this.
        below: DegreesCelsius,
        /// Whether the syrup will stand cooler than that.
        for_sure_cooler: bool,
    },
    /// Thin syrup ferments.
    Ferments,
    /// What sugar to use.
    WhiteSugar,
    /// Not with honey supers on.
    HoneySupers,
    /// Robbing.
    Robbing,
    /// Rules come first.
    LocalRules,
}

/// Which part of the work a caution belongs to.
#[derive(Clone, Copy, PartialEq, Eq, Debug, strum::IntoStaticStr)]
#[strum(serialize_all = "snake_case")]
pub enum CautionKind {
    /// Heating and mixing.
    Mixing,
    /// Lifting and carrying.
    Lifting,
    /// Keeping it.
    Keeping,
    /// Feeding it.
    Feeding,
}

impl CautionKind {
    /// The word on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Mixing => "mixing",
            Self::Lifting => "lifting",
            Self::Keeping => "keeping",
            Self::Feeding => "feeding",
        }
    }
}

impl Caution {
    /// The part of the work.
    pub fn kind(self) -> CautionKind {
        match self {
            Self::Scald { .. }
            | Self::DoNotBoil
            | Self::Electricity
            | Self::WontDissolve { .. }
            | Self::WhiteSugar => CautionKind::Mixing,
            Self::LiftBag { .. } | Self::LiftVessel { .. } | Self::MoveByMachine { .. } => {
                CautionKind::Lifting
            }
            Self::Crystals { .. } | Self::Ferments => CautionKind::Keeping,
            Self::HoneySupers | Self::Robbing | Self::LocalRules => CautionKind::Feeding,
        }
    }

    /// The sentence, in someone's units.
    pub fn sentence(self, units: UnitSystem) -> String {
        let limit = units.mass(LIFT_LIMIT);
        match self {
            Self::Scald { water_at } => format!(
                "Water at {} scalds {}: gloves and long sleeves, and nobody carries it alone.",
                units.temperature(water_at),
                scald_time(water_at)
            ),
            Self::DoNotBoil => "Warm the water, not the syrup: boiled, burnt or soured syrup \
                                 makes hydroxymethylfurfural, which harms bees."
                .into(),
            Self::Electricity => "Heaters, pumps and stirrers on mains power stand dry, behind a \
                                  residual-current or ground-fault breaker, wired by someone \
                                  licensed."
                .into(),
            Self::LiftBag { bag } => format!(
                "A {} bag is more than the {limit} that one person should lift at best: take two.",
                units.mass(bag)
            ),
            Self::LiftVessel {
                vessel: Some(vessel),
                full,
            } => format!(
                "A full {} holds {} of syrup, more than the {limit} that one person should lift \
                 at best: fill it less, or lift it together.",
                vessel.words(units),
                units.mass(full)
            ),
            Self::LiftVessel { vessel: None, full } => format!(
                "All of it weighs {}, and one person should lift {limit} at best: mix it where \
                 it stays, pump it, or carry it in smaller vessels.",
                units.mass(full)
            ),
            Self::MoveByMachine { vessel, full } => format!(
                "A full {} holds {} of syrup: fill it where it stays or move it by machine, and \
                 mind what the floor and the truck may carry.",
                vessel.words(units),
                units.mass(full)
            ),
            Self::WontDissolve { ends_at, above } => format!(
                "It ends at {}, too cool for this much sugar: it dissolves from {} up.",
                units.temperature(ends_at),
                units.temperature_to(above, 1)
            ),
            Self::Crystals {
                below,
                for_sure_cooler,
            } => {
                let limit = units.temperature_to(below, 1);
                if for_sure_cooler {
                    format!(
                        "It is saturated at {limit} and will stand cooler: expect crystals, or \
                         mix it a little thinner."
                    )
                } else {
                    format!(
                        "It is saturated at {limit}: in a feeder cooler than that it can throw \
                         crystals."
                    )
                }
            }
            Self::Ferments => "Thin syrup ferments within days in warm weather: mix what they \
                               take in a few days, and throw out what smells or foams."
                .into(),
            Self::WhiteSugar => "White sugar only: brown, raw or icing sugar, molasses and \
                                 sweeteners harm bees."
                .into(),
            Self::HoneySupers => {
                "Not with honey supers on: bees carry syrup up, and it is then no honey.".into()
            }
            Self::Robbing => "Fill towards evening, spill nothing and close every gap, or it \
                              starts robbing."
                .into(),
            Self::LocalRules => "Local rules on feeding come before anything printed here.".into(),
        }
    }
}

/// How long until it scalds (children's hospital burn leaflet).
fn scald_time(water_at: DegreesCelsius) -> &'static str {
    match water_at.0 {
        t if t >= 66.0 => "in a second and a half or less",
        t if t >= 60.0 => "in less than five seconds",
        t if t >= 57.0 => "in ten seconds",
        t if t >= 54.0 => "in half a minute",
        _ => "within minutes",
    }
}

pub(super) fn for_answer(answer: &Answer, stands_at: Option<DegreesCelsius>) -> Vec<Caution> {
    let mut cautions = vec![Caution::WhiteSugar];
    mixing(answer, &mut cautions);
    lifting(answer, &mut cautions);
    keeping(answer, stands_at, &mut cautions);
    cautions.extend([Caution::HoneySupers, Caution::Robbing, Caution::LocalRules]);
    cautions
}

fn mixing(answer: &Answer, cautions: &mut Vec<Caution>) {
    if let Some(warmth) = &answer.warmth {
        let hottest = warmth.hot_at;
        if hottest.0 >= SCALDS_C {
            cautions.push(Caution::Scald { water_at: hottest });
        }
        if let (Some(false), Crystallises::Below(above)) = (answer.dissolves, answer.crystallises) {
            let ends_at = warmth.ends_at;
            cautions.push(Caution::WontDissolve { ends_at, above });
        }
    }
    cautions.push(Caution::DoNotBoil);
    let is_large = answer.made.volume(DegreesCelsius(20.0)).0 > HAND_SIZE_L;
    if is_large || answer.warmth.is_some_and(|w| w.hot_at.0 >= SCALDS_C) {
        cautions.push(Caution::Electricity);
    }
}

fn lifting(answer: &Answer, cautions: &mut Vec<Caution>) {
    let heaviest = answer.bags.iter().map(|b| b.bag.0).fold(0.0, f64::max);
    if heaviest > LIFT_LIMIT.0 {
        cautions.push(Caution::LiftBag {
            bag: Kilograms(heaviest),
        });
    }
    let loads = answer.plan.iter().flat_map(|plan| &plan.loads);
    let vessels: Vec<(Vessel, Kilograms)> = loads
        .filter_map(|load| Some((load.vessel?, load.recipe.mass())))
        .collect();
    if vessels.is_empty() {
        let full = answer.made.mass();
        if full > LIFT_LIMIT {
            cautions.push(Caution::LiftVessel { vessel: None, full });
        }
    }
    for (vessel, full) in vessels {
        let caution = if vessel.holds.0 > HAND_SIZE_L {
            Caution::MoveByMachine { vessel, full }
        } else if full > LIFT_LIMIT {
            let vessel = Some(vessel);
            Caution::LiftVessel { vessel, full }
        } else {
            continue;
        };
        let is_known = |known: &Caution| same_vessel(known, &caution);
        if !cautions.iter().any(is_known) {
            cautions.push(caution);
        }
    }
}

fn same_vessel(a: &Caution, b: &Caution) -> bool {
    let size = |caution: &Caution| match caution {
        Caution::LiftVessel {
            vessel: Some(vessel),
            ..
        }
        | Caution::MoveByMachine { vessel, .. } => Some(vessel.holds.0),
        _ => None,
    };
    size(a).is_some() && size(a) == size(b)
}

fn keeping(answer: &Answer, stands_at: Option<DegreesCelsius>, cautions: &mut Vec<Caution>) {
    if let Crystallises::Below(below) = answer.crystallises {
        let for_sure_cooler = stands_at.is_some_and(|t| t < below);
        let may = stands_at.is_none() && below.0 > CRYSTALS_MATTER_C;
        if for_sure_cooler || may {
            cautions.push(Caution::Crystals {
                below,
                for_sure_cooler,
            });
        }
    }
    if answer.made.mass_fraction().value() * 100.0 < THIN_PERCENT {
        cautions.push(Caution::Ferments);
    }
}
