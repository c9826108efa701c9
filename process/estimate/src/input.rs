//! What the processing stage is given. Every slice is in order of time with each time once.

use larder_domain::{
    ChannelRef, DeviceId, Feeder, Geometry, Hive, LevelSensor, RecordedFill, Sample, Span,
    Timestamp, Yard,
};

/// One yard, all that is known about it.
#[derive(Clone, Debug)]
pub struct YardInput<'a> {
    /// The yard.
    pub yard: &'a Yard,
    /// What to estimate: the local days that lie in it, wholly or in part. Readings may reach back
    /// before it, as context.
    pub span: Span,
    /// The clock: nothing is known beyond it, and silence is judged against it.
    pub now: Timestamp,
    /// The yard's weather station; all empty where there is none.
    pub weather: Weather<'a>,
    /// The hives that stood here.
    pub hives: Vec<HiveInput<'a>>,
    /// Every device that stands here (scales, level sensors, weather, loggers).
    pub devices: Vec<DeviceInput<'a>>,
}

/// A weather station's channels.
#[derive(Clone, Copy, Debug, Default)]
pub struct Weather<'a> {
    /// Air temperature, Cel.
    pub temperature: &'a [Sample],
    /// Relative humidity, %RH.
    pub humidity: &'a [Sample],
    /// Rain since the report before, mm.
    pub rain: &'a [Sample],
    /// Wind speed, m/s.
    pub wind: &'a [Sample],
    /// Global irradiance, W/m2.
    pub irradiance: &'a [Sample],
}

/// One hive.
#[derive(Clone, Debug)]
pub struct HiveInput<'a> {
    /// The hive.
    pub hive: &'a Hive,
    /// Weight on its scale, kg; empty where it has none.
    pub weight: &'a [Sample],
    /// Temperature at the scale, Cel; empty where not measured.
    pub scale_temperature: &'a [Sample],
    /// The hive's feeders.
    pub feeders: Vec<FeederInput<'a>>,
}

/// One feeder.
#[derive(Clone, Debug)]
pub struct FeederInput<'a> {
    /// The feeder.
    pub feeder: &'a Feeder,
    /// The feeder's level sensors, each with the time in which it watched; empty where it has none.
    pub levels: Vec<LevelInput<'a>>,
    /// What the keeper wrote down, in order of time.
    pub recorded: &'a [RecordedFill],
}

/// One level sensor on a feeder.
#[derive(Clone, Copy, Debug)]
pub struct LevelInput<'a> {
    /// The sensor: its channel, and how its values become litres.
    pub sensor: &'a LevelSensor,
    /// The sensor's values in the unit of its channel.
    pub samples: &'a [Sample],
    /// Temperature of the syrup, Cel; empty where not measured.
    pub syrup_temperature: &'a [Sample],
}

impl<'a> LevelInput<'a> {
    /// How its values become litres.
    pub fn geometry(&self) -> &'a Geometry {
        &self.sensor.geometry
    }

    /// The channel that it reports on.
    pub fn source(&self) -> &'a ChannelRef {
        &self.sensor.assignment.source
    }
}

/// One device, for its health.
#[derive(Clone, Debug)]
pub struct DeviceInput<'a> {
    /// The device.
    pub device: &'a DeviceId,
    /// The moments at which it measured anything, in order.
    pub reported_at: &'a [Timestamp],
    /// Battery, V; empty where not reported.
    pub battery: &'a [Sample],
    /// Moments at which values of it were refused as impossible, in order.
    pub impossible: &'a [Timestamp],
    /// What it said last with a clock that is off by years; `None`: nothing.
    pub clock_off: Option<ClockOff>,
}

/// A time long past that a device gave to what it had just measured.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ClockOff {
    /// What its clock said.
    pub said: Timestamp,
    /// When it reported, by our clock.
    pub received_at: Timestamp,
}
