//! The invented apiary: yards on an island that is on no map, hives of different strength, the
//! feeders of the trade, and who is in trouble.

use super::DemoOptions;
use larder_domain::{
    Apiary, Assignment, ChannelKind, ChannelName, ChannelRef, DeviceId, Feeder, FeederId,
    FeederKind, Geometry, Goal, Hive, HiveId, LevelSensor, Span, Timestamp, Yard, YardId,
};
use larder_sim::Dice;
use larder_sim::colony::Traits;
use larder_sim::weather::Exposure;
use larder_syrup::Strength;
use larder_syrup::feeder::Shape;

/// What one hive is there to show.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Role {
    /// Stops taking syrup while its neighbours go on.
    Stalled,
    /// A hive whose feeder leaks.
    Leaking,
    /// A hive whose level sensor goes silent.
    Silent,
    /// A hive whose scale's battery runs down.
    LowBattery,
    /// Strong colony, small feeder: empty.
    Hungry,
    /// No scale under it.
    WithoutScale,
    /// No sensor in its feeder.
    WithoutLevelSensor,
}

impl Role {
    /// In the order in which hives are chosen for them, with the feeder that shows it best.
    const WANTED: [(Self, FeederKind); 7] = [
        (Self::Stalled, FeederKind::Tray),
        (Self::Leaking, FeederKind::Tray),
        (Self::Silent, FeederKind::Frame),
        (Self::LowBattery, FeederKind::Tray),
        (Self::Hungry, FeederKind::Pail),
        (Self::WithoutScale, FeederKind::Jar),
        (Self::WithoutLevelSensor, FeederKind::Frame),
    ];
}

/// One hive as it is planned.
#[derive(Clone, Debug)]
pub struct HivePlan {
    /// The hive's id.
    pub id: HiveId,
    /// What people call it.
    pub name: String,
    /// Which yard it stands in, from 0.
    pub yard: usize,
    /// The hive's place in the yard, from 0.
    pub place: usize,
    /// The kind of the hive's feeder.
    pub kind: FeederKind,
    /// The feeder's id.
    pub feeder: FeederId,
    /// What is fixed about the colony.
    pub traits: Traits,
    /// What is left in the feeder when the history begins, l.
    pub left_l: f64,
    /// What it is fed.
    pub strength: Strength,
    /// What it is there to show; `None` for a sound hive.
    pub role: Option<Role>,
    /// How its level channel becomes litres, as a ruler gave it.
    pub geometry: Geometry,
}

impl HivePlan {
    /// Id of the hive's scale; `None` where it has none.
    pub fn scale(&self) -> Option<DeviceId> {
        (self.role != Some(Role::WithoutScale)).then(|| device(&format!("scale-{}", self.id)))
    }

    /// Id of the hive's level sensor; `None` where it has none.
    pub fn level(&self) -> Option<DeviceId> {
        (self.role != Some(Role::WithoutLevelSensor)).then(|| device(&format!("level-{}", self.id)))
    }
}

/// One yard as it is planned.
#[derive(Clone, Debug)]
pub struct YardPlan {
    /// The yard's id.
    pub id: YardId,
    /// What people call it.
    pub name: String,
    /// How it lies.
    pub exposure: Exposure,
}

impl YardPlan {
    /// Id of the yard's weather station.
    pub fn station(&self) -> DeviceId {
        device(&format!("sky-{}", self.id))
    }
}

/// Everything that stands.
#[derive(Clone, Debug)]
pub struct Layout {
    /// The yards, in the order of the trip.
    pub yards: Vec<YardPlan>,
    /// The hives, yard by yard.
    pub hives: Vec<HivePlan>,
}

/// The clock of the island: a zone of its longitude.
pub const ZONE: chrono_tz::Tz = chrono_tz::Atlantic::Azores;

/// A scale that nobody has declared.
pub const UNDECLARED: &str = "scale-spare-1";

const YARD_NAMES: [(&str, &str); 10] = [
    ("clover", "Clover bank"),
    ("alder", "Alder corner"),
    ("barn", "Behind the barn"),
    ("hedge", "Long hedge"),
    ("paddock", "Upper paddock"),
    ("ford", "Stone ford"),
    ("heather", "Heather gate"),
    ("pond", "Duck pond"),
    ("gorse", "Gorse field"),
    ("beech", "Beech rise"),
];

const KINDS: [FeederKind; 5] = [
    FeederKind::Tray,
    FeederKind::Frame,
    FeederKind::Pail,
    FeederKind::Tray,
    FeederKind::Jar,
];

impl Layout {
    /// Draws the apiary.
    pub fn draw(options: &DemoOptions) -> Self {
        let yards: Vec<YardPlan> = (0..options.yards).map(|i| plan_yard(options, i)).collect();
        let mut hives: Vec<HivePlan> = (0..options.yards)
            .flat_map(|yard| (0..options.hives).map(move |place| (yard, place)))
            .map(|(yard, place)| plan_hive(options, &yards[yard], yard, place))
            .collect();
        give_out_roles(&mut hives, options.yards);
        Self { yards, hives }
    }

    /// As the keeper would declare it: the measurements of a ruler, not the truth.
    pub fn apiary(&self, history_ends: Timestamp) -> Apiary {
        let target_date = history_ends.local_date(ZONE) + chrono::Duration::days(21);
        let yards = self.yards.iter().enumerate().map(|(i, y)| Yard {
            id: y.id.clone(),
            name: y.name.clone(),
            timezone: ZONE,
            // Open ocean, some kilometres apart.
            position: Some((46.9 + 0.03 * i as f64, -30.4 + 0.05 * (i % 3) as f64)),
            weather: Some(y.station()),
        });
        let hives = self.hives.iter().map(|h| Hive {
            id: h.id.clone(),
            name: h.name.clone(),
            yard: self.yards[h.yard].id.clone(),
            moves: Vec::new(),
            scales: h
                .scale()
                .map(|d| always(d, ChannelKind::Weight))
                .into_iter()
                .collect(),
            goal: Some(Goal::WinterStores),
            target_weight_kg: Some(
                (h.traits.tare_kg + h.traits.bees_kg + h.traits.stores_kg + 14.0).round(),
            ),
            target_date: Some(target_date),
            supers_on: false,
        });
        let feeders = self.hives.iter().map(|h| Feeder {
            id: h.feeder.clone(),
            hive: h.id.clone(),
            kind: h.kind,
            capacity_l: h.traits.capacity_l,
            on_scale: true,
            sensors: h
                .level()
                .map(|d| LevelSensor {
                    assignment: always(d, h.geometry.channel_kind()),
                    geometry: h.geometry.clone(),
                })
                .into_iter()
                .collect(),
        });
        Apiary::new(
            yards.collect(),
            hives.collect(),
            feeders.collect(),
            Vec::new(),
        )
        .expect("ids are numbered, so they are distinct, and every hive names a yard of the list")
    }
}

fn plan_yard(options: &DemoOptions, i: usize) -> YardPlan {
    let (id, name) = YARD_NAMES.get(i).map_or_else(
        || (format!("yard-{}", i + 1), format!("Yard {}", i + 1)),
        |(id, name)| ((*id).to_owned(), (*name).to_owned()),
    );
    let mut dice = Dice::of(options.seed, &format!("yard {id}"));
    YardPlan {
        id: YardId::new(&id).expect("letters, digits and hyphens"),
        name,
        exposure: Exposure {
            warmer_k: dice.between(-0.8, 0.8),
            frost_hollow_k: dice.between(0.5, 3.5),
            windy: dice.between(0.6, 1.2),
        },
    }
}

fn plan_hive(options: &DemoOptions, yard: &YardPlan, yard_no: usize, place: usize) -> HivePlan {
    let id = format!("{}-{}", yard.id, place + 1);
    let mut dice = Dice::of(options.seed, &format!("hive {id}"));
    let kind = KINDS[(place + 2 * yard_no) % KINDS.len()];
    // Litres a day of a weak colony to a strong one; each gets the feeder that suits it.
    let (least, most) = match kind {
        FeederKind::Tray => (0.5, 1.1),
        FeederKind::Frame => (0.3, 0.6),
        FeederKind::Pail => (0.25, 0.5),
        FeederKind::Jar | FeederKind::Entrance => (0.08, 0.2),
    };
    let appetite = dice.between(least, most);
    let (capacity_l, geometry) = vessel(kind);
    HivePlan {
        name: format!("{} {}", yard.name, place + 1),
        feeder: FeederId::new(&format!("{id}-f")).expect("letters, digits and hyphens"),
        id: HiveId::new(&id).expect("letters, digits and hyphens"),
        yard: yard_no,
        place,
        kind,
        traits: Traits {
            appetite_l_per_day: appetite,
            bees_kg: 0.8 + 1.8 * appetite + dice.between(0.0, 0.4),
            tare_kg: dice.between(17.0, 22.0),
            stores_kg: dice.between(6.0, 13.0),
            warmth_k: dice.between(3.5, 7.0),
            capacity_l,
        },
        left_l: capacity_l * dice.between(0.25, 0.7),
        strength: if yard_no % 3 == 2 {
            Strength::by_mass(5.0, 3.0)
        } else {
            Strength::by_mass(2.0, 1.0)
        }
        .expect("parts are above zero"),
        role: None,
        geometry,
    }
}

/// Capacity and geometry of a feeder of the kind: sizes usual in the trade (from memory).
fn vessel(kind: FeederKind) -> (f64, Geometry) {
    let straight = |area_m2| Shape::straight(area_m2).expect("the area is above zero");
    let narrow_below = [(0.0, 0.0), (0.04, 0.6), (0.20, 4.0)];
    match kind {
        FeederKind::Tray => {
            let shape = straight(0.12);
            (
                9.0,
                Geometry::Distance {
                    mount_m: 0.14,
                    shape,
                },
            )
        }
        FeederKind::Frame => {
            let shape = Shape::table(&narrow_below).expect("the table grows");
            (4.0, Geometry::Depth { shape })
        }
        FeederKind::Pail => (4.0, Geometry::FeederWeight),
        FeederKind::Jar | FeederKind::Entrance => (2.0, Geometry::Volume),
    }
}

/// Spreads the troubles over the yards, so that every troubled hive has sound neighbours. At
/// least one hive stays sound.
fn give_out_roles(hives: &mut [HivePlan], yards: usize) {
    let n_roles = Role::WANTED.len().min(hives.len() - 1);
    for (i, (role, kind)) in Role::WANTED.into_iter().take(n_roles).enumerate() {
        let yard = i % yards;
        let fits = |h: &HivePlan| h.role.is_none() && h.kind == kind;
        let chosen = hives
            .iter()
            .position(|h| fits(h) && h.yard == yard && h.place > 0)
            .or_else(|| hives.iter().position(fits))
            .or_else(|| hives.iter().position(|h| h.role.is_none()));
        let Some(hive) = chosen.map(|at| &mut hives[at]) else {
            return;
        };
        hive.role = Some(role);
        match role {
            Role::Hungry => hive.traits.appetite_l_per_day = 1.9,
            Role::Leaking => hive.traits.appetite_l_per_day = 0.6,
            _ => {}
        }
    }
}

fn always(device: DeviceId, kind: ChannelKind) -> Assignment {
    Assignment {
        source: ChannelRef {
            device,
            channel: ChannelName::new(kind.name()).expect("a known channel's name is a name"),
        },
        during: Span::ALWAYS,
    }
}

fn device(id: &str) -> DeviceId {
    DeviceId::new(id).expect("letters, digits and hyphens, shorter than 64")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn layout(yards: usize, hives: usize) -> Layout {
        Layout::draw(&DemoOptions::new(21, yards, hives, 1).unwrap())
    }

    #[test]
    fn every_role_is_played_once_and_every_yard_keeps_sound_hives() {
        let layout = layout(3, 8);
        for (role, _) in Role::WANTED {
            let n = layout.hives.iter().filter(|h| h.role == Some(role)).count();
            assert_eq!(n, 1, "{role:?}");
        }
        for yard in 0..3 {
            let sound = |h: &&HivePlan| h.yard == yard && h.role.is_none();
            assert!(layout.hives.iter().filter(sound).count() >= 4);
        }
    }

    #[test]
    fn every_kind_of_feeder_stands_in_every_yard() {
        let layout = layout(3, 8);
        for yard in 0..3 {
            for kind in KINDS {
                assert!(
                    layout
                        .hives
                        .iter()
                        .any(|h| h.yard == yard && h.kind == kind)
                );
            }
        }
    }

    #[test]
    fn any_size_fits_together() {
        for (yards, hives) in [(1, 1), (1, 2), (2, 3), (14, 1), (12, 30)] {
            let apiary = layout(yards, hives).apiary(Timestamp(1_790_000_000_000));
            assert_eq!(apiary.hives().count(), yards * hives);
            assert_eq!(apiary.yards().count(), yards);
        }
    }
}
