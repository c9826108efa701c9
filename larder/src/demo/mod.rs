//! The demo: an invented apiary, simulated by a seeded model and told as MQTT messages. It stands
//! apart from the rest of the service so that the service has to make sense of it as of any other
//! apiary: through messages and what the keeper wrote down.

mod devices;
mod instruments;
mod layout;
pub mod publish;
mod story;
mod trips;
mod wire;

use devices::{Battery, Device, Stands};
use instruments::{Instrument, View};
use larder_domain::{Apiary, DeviceId, RecordedFill, Timestamp};
use larder_sim::colony::{Colony, Trouble};
use larder_sim::weather::{Climate, LocalClock, Sky};
use larder_sim::{Dice, Syrup};
use layout::{HivePlan, Layout, Role, UNDECLARED, ZONE};
use std::collections::VecDeque;
use trips::Trips;
use wire::Format;

/// How large the demo is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DemoOptions {
    days: u32,
    yards: usize,
    hives: usize,
    seed: u64,
}

/// A size that the demo does not have.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("--{option} must lie between {least} and {most}, not {given}")]
pub struct BadDemoOption {
    option: &'static str,
    least: u64,
    most: u64,
    given: u64,
}

impl DemoOptions {
    /// Days of history (2 to 366), yards (1 to 40), hives in each yard (1 to 60).
    pub fn new(days: u32, yards: usize, hives: usize, seed: u64) -> Result<Self, BadDemoOption> {
        let within = |option, given: u64, least, most| {
            if (least..=most).contains(&given) {
                Ok(())
            } else {
                Err(BadDemoOption {
                    option,
                    least,
                    most,
                    given,
                })
            }
        };
        within("days", days.into(), 2, 366)?;
        within("yards", yards as u64, 1, 40)?;
        within("hives", hives as u64, 1, 60)?;
        Ok(Self {
            days,
            yards,
            hives,
            seed,
        })
    }
}

/// One message as a device sends it.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct DemoMessage {
    /// When it is sent: the moment of the newest reading in it.
    pub at: Timestamp,
    /// `larder/<device>/readings`.
    pub topic: String,
    /// The bytes.
    pub payload: Vec<u8>,
    /// The content type that an MQTT 5 client would give.
    pub content_type: &'static str,
    /// How many readings are in it.
    pub n_readings: usize,
}

/// How far the model goes at a time.
const STEP_MS: i64 = 60_000;
const STEP_HOURS: f64 = 1.0 / 60.0;
/// In the history, devices upload once an hour: six records.
const RECORDS_A_MESSAGE: usize = 6;
/// When, before the end of the history, the troubles begin.
const HOURS_STALLED: f64 = 66.0;
const HOURS_LEAKING: f64 = 34.0;
const HOURS_SILENT: f64 = 27.0;

/// The simulated apiary. First all of [`Self::history`], then [`Self::next_live`] for ever.
pub struct DemoApiary {
    layout: Layout,
    start: Timestamp,
    history_ends: Timestamp,
    /// The model has run up to here.
    clock: Timestamp,
    climate: Climate,
    trips: Trips,
    colonies: Vec<Colony>,
    keepers_hand: Vec<Dice>,
    devices: Vec<Device>,
    /// Messages made and not yet handed out, in order of time.
    outbox: VecDeque<DemoMessage>,
    fills: Vec<RecordedFill>,
}

impl DemoApiary {
    /// An apiary whose history ends at `now`, to the minute.
    pub fn new(options: DemoOptions, now: Timestamp) -> Self {
        let history_ends = Timestamp(now.0.div_euclid(STEP_MS) * STEP_MS);
        let start = history_ends.plus_ms(-i64::from(options.days) * 86_400_000);
        let layout = Layout::draw(&options);
        let seed = options.seed;
        let mut colonies: Vec<Colony> = layout.hives.iter().map(|h| colony(h, seed)).collect();
        // The undeclared scale stands under a hive like another one.
        colonies.push(colonies[0].clone());
        Self {
            start,
            history_ends,
            clock: start,
            climate: Climate::new(seed, start, f64::from(options.days)),
            trips: Trips::before(local_clock(history_ends).day),
            keepers_hand: layout
                .hives
                .iter()
                .map(|h| Dice::of(seed, &format!("keeper at {}", h.id)))
                .collect(),
            devices: devices(&layout, seed, start, history_ends),
            colonies,
            layout,
            outbox: VecDeque::new(),
            fills: Vec::new(),
        }
    }

    /// The apiary as its keeper declares it.
    pub fn apiary(&self) -> Apiary {
        self.layout.apiary(self.history_ends)
    }

    /// The messages of the history in order of time, made as they are asked for.
    pub fn history(&mut self) -> impl Iterator<Item = DemoMessage> {
        std::iter::from_fn(move || {
            while self.outbox.is_empty() && self.clock < self.history_ends {
                self.step(RECORDS_A_MESSAGE);
                if self.clock >= self.history_ends {
                    self.send_all(1);
                }
            }
            self.outbox.pop_front()
        })
    }

    /// The messages that devices send from the end of the history, or the last call, up to `now`.
    pub fn next_live(&mut self, now: Timestamp) -> Vec<DemoMessage> {
        while self.clock <= now {
            self.step(1);
        }
        let due = self.outbox.partition_point(|message| message.at <= now);
        self.outbox.drain(..due).collect()
    }

    /// What the keeper wrote down since the last call.
    pub fn take_fills(&mut self) -> Vec<RecordedFill> {
        std::mem::take(&mut self.fills)
    }

    /// What to look at, a line for each.
    pub fn story(&self) -> Vec<String> {
        story::tell(&self.layout)
    }

    fn step(&mut self, pack: usize) {
        let clock = local_clock(self.clock);
        let (at, climate) = (self.clock, &mut self.climate);
        let skies: Vec<Sky> = (self.layout.yards.iter())
            .map(|yard| climate.sky(yard.exposure, at, clock))
            .collect();
        for (i, hive) in self.layout.hives.iter().enumerate() {
            let (colony, hand) = (&mut self.colonies[i], &mut self.keepers_hand[i]);
            self.fills
                .extend(self.trips.visit(hive, colony, at, clock, hand));
            let trouble = trouble(hive, self.history_ends.hours_since(at));
            colony.step(STEP_HOURS, &skies[hive.yard], trouble);
        }
        if let Some(undeclared) = self.colonies.last_mut() {
            undeclared.step(STEP_HOURS, &skies[0], Trouble::default());
        }
        self.measure(clock, &skies);
        self.send_all(pack);
        self.clock = self.clock.plus_ms(STEP_MS);
    }

    fn measure(&mut self, clock: LocalClock, skies: &[Sky]) {
        let days = self.clock.hours_since(self.start) / 24.0;
        for device in &mut self.devices {
            let Stands { yard, hive } = device.stands;
            device.rain(skies[yard].rain_mm_per_h * STEP_HOURS);
            let Some(at) = device.measures_at(self.clock, STEP_MS) else {
                continue;
            };
            let plan = hive.and_then(|hive| self.layout.hives.get(hive));
            let view = View {
                colony: hive.map(|hive| &self.colonies[hive]),
                sky: skies[yard],
                rain_mm: 0.0,
                hands_on: plan.is_some_and(|plan| self.trips.hands_on(plan, clock)),
            };
            device.measure(at, days, view);
        }
    }

    /// Every device that holds `pack` records sends them.
    fn send_all(&mut self, pack: usize) {
        let mut sent: Vec<DemoMessage> = (self.devices.iter_mut())
            .filter_map(|device| {
                let (at, payload, n_readings) = device.send(pack)?;
                Some(DemoMessage {
                    at,
                    topic: format!("larder/{}/readings", device.id),
                    payload,
                    content_type: device.format.content_type(),
                    n_readings,
                })
            })
            .collect();
        sent.sort_by_key(|message| message.at);
        self.outbox.extend(sent);
    }
}

fn local_clock(at: Timestamp) -> LocalClock {
    use chrono::{Datelike, Timelike};
    let local = at.to_utc().with_timezone(&ZONE);
    LocalClock {
        day: i64::from(local.num_days_from_ce()),
        hour: f64::from(local.num_seconds_from_midnight()) / 3600.0,
    }
}

fn colony(hive: &HivePlan, seed: u64) -> Colony {
    let left = Syrup::of_litres(hive.left_l, hive.strength);
    let dice = Dice::of(seed, &format!("colony {}", hive.id));
    Colony::new(hive.traits, left, dice)
}

fn trouble(hive: &HivePlan, hours_to_end: f64) -> Trouble {
    Trouble {
        stalled: hive.role == Some(Role::Stalled) && hours_to_end < HOURS_STALLED,
        leaking: hive.role == Some(Role::Leaking) && hours_to_end < HOURS_LEAKING,
    }
}

fn devices(layout: &Layout, seed: u64, start: Timestamp, ends: Timestamp) -> Vec<Device> {
    let mut devices = Vec::new();
    let mut add = |id: DeviceId, stands: Stands, make: &dyn Fn(&mut Dice) -> Instrument| {
        let mut dice = Dice::of(seed, &format!("device {id}"));
        let instrument = make(&mut dice);
        let format = Format::ALL[devices.len() % Format::ALL.len()];
        let format = if stands.hive.is_none() {
            Format::SenmlJson
        } else {
            format
        };
        devices.push(Device::new(id, stands, format, instrument, dice));
    };
    for (yard, plan) in layout.yards.iter().enumerate() {
        add(plan.station(), Stands { yard, hive: None }, &|_| {
            Instrument::Station
        });
    }
    for (i, hive) in layout.hives.iter().enumerate() {
        let stands = Stands {
            yard: hive.yard,
            hive: Some(i),
        };
        if let Some(scale) = hive.scale() {
            add(scale, stands, &Instrument::scale);
        }
        if let Some(level) = hive.level() {
            add(level, stands, &|dice| {
                Instrument::level(hive.geometry.clone(), dice)
            });
        }
    }
    let spare = Stands {
        yard: 0,
        hive: Some(layout.hives.len()),
    };
    let id = DeviceId::new(UNDECLARED).expect("letters, digits and hyphens");
    add(id, spare, &Instrument::scale);
    let days = ends.hours_since(start) / 24.0;
    devices
        .into_iter()
        .map(|device| with_its_trouble(device, layout, days, ends))
        .collect()
}

fn with_its_trouble(device: Device, layout: &Layout, days: f64, ends: Timestamp) -> Device {
    let Some(hive) = device.stands.hive.and_then(|hive| layout.hives.get(hive)) else {
        return device;
    };
    match hive.role {
        Some(Role::Silent) if hive.level().as_ref() == Some(&device.id) => {
            device.silent_from(ends.plus_ms((-HOURS_SILENT * 3_600_000.0) as i64))
        }
        Some(Role::LowBattery) if hive.scale().as_ref() == Some(&device.id) => {
            // Falls through 3.50 V two days before the end.
            let per_day = 0.02;
            device.with_battery(Battery {
                volts_at_start: 3.50 + per_day * (days - 2.0),
                per_day,
            })
        }
        _ => device,
    }
}

#[cfg(test)]
mod held_out;
#[cfg(test)]
mod tests;
