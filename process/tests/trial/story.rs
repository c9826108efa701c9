//! One yard's weeks, lived and measured: the truth beside what a keeper and the instruments would hand
//! over.

use super::colony::{Colony, Frame};
use super::devices::{Device, level, scale, weather};
use super::plan::{HivePlan, YardPlan};
use super::sky::{PER_DAY, Season, Sky, skies};
use super::troubles::{Fate, Going};
use larder_domain::{RecordedFill, Sample};
use larder_sim::Dice;

/// One hive's truth and its instruments.
pub struct Lived {
    pub frames: Vec<Frame>,
    pub past: Vec<(Going, usize)>,
    pub fills: Vec<RecordedFill>,
    pub scale: Option<Device>,
    pub level: Option<Device>,
}

/// One yard's.
pub struct Told {
    pub plan: YardPlan,
    pub skies: Vec<Sky>,
    pub hives: Vec<Lived>,
    pub station: Option<Device>,
    /// The station's other channels: humidity, rain, wind, irradiance.
    pub weather: [Vec<Sample>; 4],
}

impl Told {
    pub fn of(plan: YardPlan) -> Self {
        let skies = skies(&plan.when, plan.seed);
        let visits = visits(&plan, &skies);
        let hives = (0..plan.hives.len())
            .map(|i| live(&plan, i, &skies, &visits))
            .collect();
        let (station, weather) = weather(&plan, &skies);
        Self {
            plan,
            skies,
            hives,
            station,
            weather,
        }
    }

    pub fn devices(&self) -> impl Iterator<Item = &Device> {
        let of_hives = self.hives.iter().flat_map(|h| [&h.scale, &h.level]);
        of_hives.flatten().chain(&self.station)
    }

    pub fn feeder(hive: usize, plan: &YardPlan) -> String {
        format!("{}-{hive}-f", plan.name)
    }
}

/// Steps at which the keeper comes: every five to nine days, by day and not in the rain.
fn visits(plan: &YardPlan, skies: &[Sky]) -> Vec<usize> {
    let mut dice = Dice::of(plan.seed, "keeper");
    let gap = dice.whole(5, 9);
    let mut visits = Vec::new();
    let mut day = dice.whole(0, 2);
    while day < plan.when.days {
        let midnight = day * PER_DAY;
        let wanted = dice.between(9.0, 17.0);
        let dry = (midnight..midnight + PER_DAY)
            .find(|&step| plan.when.local_hour(step) >= wanted && skies[step].rain_mm <= 0.0);
        visits.extend(dry);
        day += (gap + dice.whole(0, 2)).saturating_sub(1).max(3);
    }
    visits
}

fn live(plan: &YardPlan, index: usize, skies: &[Sky], visits: &[usize]) -> Lived {
    let hive = &plan.hives[index];
    let seed = plan.seed;
    let mut colony = Colony::new(hive.traits, Dice::of(seed, &format!("colony {index}")));
    let mut dice = Dice::of(seed, &format!("hand {index}"));
    let turn = (seed as usize).wrapping_mul(3) + 2 * index;
    let mut fate = Fate::draw(
        plan.when.days,
        turn,
        Dice::of(seed, &format!("fate {index}")),
    );
    // One hive after the other.
    let mine: Vec<usize> = visits.iter().map(|v| v + 2 * index).collect();
    let (mut frames, mut fills) = (Vec::with_capacity(skies.len()), Vec::new());
    let mut hands = vec![0.0; skies.len()];
    for (step, sky) in skies.iter().enumerate() {
        let mut effects = fate.effects(step, plan.when.local_hour(step), sky, &mut colony);
        if mine.binary_search(&step).is_ok() {
            fate.visited(step, &mut dice);
            effects.off = false;
            fills.extend(visit(plan, index, step, &mut colony, &mut dice));
            let reach = step..(step + dice.whole(1, 3)).min(skies.len());
            hands[reach]
                .iter_mut()
                .for_each(|kg| *kg = dice.between(-8.0, 4.0));
        }
        effects.nectar_kg_per_day = nectar(plan, hive, step);
        frames.push(colony.step(sky, &effects));
    }
    fate.finish(skies.len());
    Lived {
        scale: scale(plan, index, &frames, skies, &hands),
        level: level(plan, index, &frames, skies),
        past: fate.past,
        frames,
        fills,
    }
}

/// Flowers open and fade over a day or so.
fn nectar(plan: &YardPlan, hive: &HivePlan, step: usize) -> f64 {
    let background = match plan.when.season {
        Season::Spring => 0.12,
        Season::Autumn => 0.04,
    };
    let of_flow = |&(from, until, kg): &(usize, usize, f64)| {
        let inside = step.saturating_sub(from).min(until.saturating_sub(step));
        kg * (inside as f64 / PER_DAY as f64).min(1.0)
    };
    hive.luck * plan.flows.iter().map(of_flow).fold(background, f64::max)
}

/// Pours; gives back what is written down of it.
fn visit(
    plan: &YardPlan,
    index: usize,
    step: usize,
    colony: &mut Colony,
    dice: &mut Dice,
) -> Option<RecordedFill> {
    let hive = &plan.hives[index];
    if dice.chance(0.03) {
        colony.add_kg(dice.between(3.0, 9.0));
    }
    let flows = plan.flows.iter().any(|f| (f.0..f.1).contains(&step));
    if dice.chance(0.05) || flows && dice.chance(0.6) {
        return None;
    }
    if colony.fermenting() && dice.chance(0.7) {
        colony.tip_out();
    }
    let t = hive.traits;
    let wanted = t.appetite_l_per_day * dice.between(5.0, 12.0);
    let room = dice.between(0.85, 0.97) * t.capacity_l - colony.litres();
    let litres = (wanted.min(room) * 10.0).floor() / 10.0;
    if litres < 0.2 {
        return None;
    }
    colony.pour(litres * (1.0 + dice.normal(0.02)), dice.between(12.0, 30.0));
    let noted = plan
        .when
        .time(step)
        .plus_ms((dice.between(-12.0, 12.0) * 60_000.0) as i64);
    let (written, measured) = (dice.chance(0.85), dice.chance(0.85));
    written.then(|| RecordedFill {
        feeder: larder_domain::FeederId::new(&Told::feeder(index, plan)).expect("a name"),
        time: noted,
        volume_l: measured.then_some(litres),
        strength: Some(t.strength),
    })
}
