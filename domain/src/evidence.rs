//! Why a flag is raised: a sentence with places for its numbers, and the numbers. The sentence is put
//! together where it is read, in the reader's units and zone; a chart draws the same numbers.

use crate::identity::ChannelRef;
use crate::time::{Span, Timestamp};
use chrono_tz::Tz;
use larder_syrup::Estimate;
use larder_syrup::units::{DegreesCelsius, Kilograms, Litres, UnitSystem};

/// The reasons for a flag.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Evidence {
    /// The sentence, with `{name}` where the number of that name stands.
    pub template: String,
    /// The numbers, by name.
    pub quantities: Vec<Quantity>,
    /// What was measured by; the most telling one first.
    pub channels: Vec<ChannelRef>,
    /// The time that the numbers speak of; `None`: the moment at which the flag opened.
    pub over: Option<Span>,
}

/// One number of the evidence.
#[derive(Clone, PartialEq, Debug)]
pub struct Quantity {
    /// The quantity's name in the template, `a-z` and `_`.
    pub name: String,
    /// The value, in the unit of `measure`.
    pub value: f64,
    /// The interval that holds the truth nine times in ten, where one is known.
    pub interval: Option<(f64, f64)>,
    /// What it measures.
    pub measure: Measure,
}

/// What a number of the evidence measures, and in which unit it is kept.
#[derive(
    Clone, Copy, PartialEq, Eq, Debug, strum::IntoStaticStr, strum::VariantArray, strum::EnumString,
)]
#[strum(serialize_all = "snake_case")]
pub enum Measure {
    /// A volume of syrup, l.
    Volume,
    /// A mass, kg.
    Mass,
    /// A change of mass, kg, shown with its sign.
    MassChange,
    /// A temperature, Cel.
    Temperature,
    /// A difference of temperatures, K.
    Warmth,
    /// A stretch of time, hours.
    Hours,
    /// A stretch of time, days.
    Days,
    /// A voltage, V.
    Voltage,
    /// A share, 0 to 1.
    Share,
    /// A moment, milliseconds of UTC since 1970.
    Moment,
    /// A bare number: a channel's own value.
    Number,
}

impl Measure {
    /// All measures.
    pub const ALL: &'static [Self] = <Self as strum::VariantArray>::VARIANTS;

    /// The word in stored records and on the wire.
    pub fn name(self) -> &'static str {
        self.into()
    }

    /// Reads the word back.
    pub fn from_name(name: &str) -> Option<Self> {
        name.parse().ok()
    }

    /// The unit in which the value is kept, as in SenML where it has one.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Volume => "l",
            Self::Mass | Self::MassChange => "kg",
            Self::Temperature => "Cel",
            Self::Warmth => "K",
            Self::Hours => "h",
            Self::Days => "d",
            Self::Voltage => "V",
            Self::Share => "/",
            Self::Moment => "ms",
            Self::Number => "",
        }
    }

    fn say(self, value: f64, units: UnitSystem, zone: Tz) -> String {
        match self {
            Self::Volume => units.volume(Litres(value)).to_string(),
            Self::Mass => units.mass(Kilograms(value)).to_string(),
            Self::MassChange if value > 0.0 => format!("+{}", units.mass(Kilograms(value))),
            Self::MassChange => units.mass(Kilograms(value)).to_string(),
            Self::Temperature => units.temperature(DegreesCelsius(value)).to_string(),
            Self::Warmth => match units {
                UnitSystem::Us => format!("{:.1} °F", value * 1.8),
                UnitSystem::Metric => format!("{value:.1} °C"),
            },
            Self::Hours if value < 1.5 => format!("{:.0} min", value * 60.0),
            Self::Hours if value < 9.95 => format!("{} h", short(value, 1)),
            Self::Hours => format!("{value:.0} h"),
            Self::Days => {
                let number = short(value, usize::from(value < 9.95));
                let days = if number == "1" { "day" } else { "days" };
                format!("{number} {days}")
            }
            Self::Voltage => format!("{value:.2} V"),
            Self::Share => format!("{:.0} %", value * 100.0),
            Self::Moment => local(value, zone),
            Self::Number => short(value, 3),
        }
    }
}

/// Without zeros at the end.
fn short(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

fn local(ms: f64, zone: Tz) -> String {
    let at = Timestamp(ms as i64).to_utc().with_timezone(&zone);
    at.format("%a %-d %b %H:%M").to_string()
}

impl Evidence {
    /// A sentence with places for numbers; [`Self::with`] adds them.
    pub fn new(template: impl Into<String>) -> Self {
        Self {
            template: template.into(),
            ..Self::default()
        }
    }

    /// Names a number that the sentence has a place for, or that only a chart shows: one that is known,
    /// such as a threshold or a count.
    pub fn with(self, name: &str, value: f64, measure: Measure) -> Self {
        self.with_quantity(name, value, None, measure)
    }

    /// Adds a number that is only estimated, with its interval where that is finite.
    pub fn with_estimate(self, name: &str, estimate: Estimate, measure: Measure) -> Self {
        let known = estimate.lo.is_finite() && estimate.hi.is_finite();
        let interval = known.then_some((estimate.lo, estimate.hi));
        self.with_quantity(name, estimate.value, interval, measure)
    }

    fn with_quantity(
        mut self,
        name: &str,
        value: f64,
        interval: Option<(f64, f64)>,
        measure: Measure,
    ) -> Self {
        self.quantities.push(Quantity {
            name: name.to_owned(),
            value,
            interval,
            measure,
        });
        self
    }

    /// Puts more words behind the sentence.
    pub fn and(mut self, words: &str) -> Self {
        self.template.push_str(words);
        self
    }

    /// The sentence in a reader's units, moments in `zone`.
    pub fn sentence(&self, units: UnitSystem, zone: Tz) -> String {
        let mut rest = self.template.as_str();
        let mut said = String::with_capacity(rest.len() + 32);
        while let Some((before, place, after)) = next_place(rest) {
            said.push_str(before);
            match self.quantities.iter().find(|known| known.name == place) {
                Some(known) => said.push_str(&known.say(units, zone)),
                None => {
                    said.push('{');
                    said.push_str(place);
                    said.push('}');
                }
            }
            rest = after;
        }
        said + rest
    }

    /// In metric units and UTC: what tests and logs compare.
    pub fn plain(&self) -> String {
        self.sentence(UnitSystem::Metric, Tz::UTC)
    }
}

fn next_place(text: &str) -> Option<(&str, &str, &str)> {
    let (before, rest) = text.split_once('{')?;
    let (place, after) = rest.split_once('}')?;
    Some((before, place, after))
}

impl Quantity {
    fn say(&self, units: UnitSystem, zone: Tz) -> String {
        let say = |value| self.measure.say(value, units, zone);
        let value = say(self.value);
        match self.interval {
            Some((lo, hi)) => format!("{value} [{}]", range(&value, &say(lo), &say(hi))),
            None => value,
        }
    }
}

/// An interval behind a value, without the unit where it is the value's: `50 ml [0–120]`.
fn range(value: &str, lo: &str, hi: &str) -> String {
    let unit = value.rfind(' ').map_or("", |at| &value[at..]);
    let bare = match (lo.strip_suffix(unit), hi.strip_suffix(unit)) {
        (Some(lo), Some(hi)) => (lo, hi),
        _ => (lo, hi),
    };
    let dash = if bare.0.starts_with('-') {
        " to "
    } else {
        "–"
    };
    format!("{}{dash}{}", bare.0, bare.1)
}

/// Words alone.
impl From<&str> for Evidence {
    fn from(sentence: &str) -> Self {
        Self::new(sentence)
    }
}

impl From<String> for Evidence {
    fn from(sentence: String) -> Self {
        Self::new(sentence)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn took() -> Evidence {
        let uncertain = Estimate {
            value: 0.05,
            lo: 0.0,
            hi: 0.12,
        };
        Evidence::new(
            "Took {took} in {hours}; syrup {syrup}, filled {days} ago, last heard {heard}.",
        )
        .with_estimate("took", uncertain, Measure::Volume)
        .with("hours", 28.0, Measure::Hours)
        .with("syrup", 17.2, Measure::Temperature)
        .with("days", 9.0, Measure::Days)
        // 2026-09-01T05:00:00Z.
        .with("heard", 1_788_238_800_000.0, Measure::Moment)
    }

    #[test]
    fn one_sentence_in_everyones_units_and_zone() {
        assert_eq!(
            took().plain(),
            "Took 50 ml [0–120] in 28 h; syrup 17 °C, filled 9 days ago, last heard Tue 1 Sep 05:00."
        );
        assert_eq!(
            took().sentence(UnitSystem::Us, Tz::America__New_York),
            "Took 0.05 qt [0–0.13] in 28 h; syrup 63 °F, filled 9 days ago, last heard Tue 1 Sep 01:00."
        );
    }

    #[test]
    fn an_interval_says_its_unit_once_or_where_it_differs() {
        let say = |measure, value, lo, hi| {
            let estimate = Estimate { value, lo, hi };
            let evidence = Evidence::new("{x}").with_estimate("x", estimate, measure);
            evidence.plain()
        };
        assert_eq!(
            say(Measure::Volume, 0.95, 0.8, 1.1),
            "950 ml [800 ml–1.1 L]"
        );
        assert_eq!(
            say(Measure::Temperature, 5.0, -1.0, 11.0),
            "5 °C [-1 to 11]"
        );
        assert_eq!(say(Measure::Share, 0.5, 0.4, 0.6), "50 % [40–60]");
        let unknown = say(Measure::Volume, 0.95, f64::NAN, f64::NAN);
        assert_eq!(
            unknown, "950 ml",
            "an interval that is not known is not said"
        );
    }

    #[test]
    fn a_place_without_a_number_stays_visible() {
        let evidence = Evidence::new("a {b} c { d").with("x", 1.0, Measure::Number);
        assert_eq!(evidence.plain(), "a {b} c { d");
    }

    #[test]
    fn measures_read_back_and_small_ones_read_well() {
        for &measure in Measure::ALL {
            assert_eq!(Measure::from_name(measure.name()), Some(measure));
        }
        let say = |measure: Measure, value| measure.say(value, UnitSystem::Metric, Tz::UTC);
        assert_eq!(say(Measure::Days, 1.0), "1 day");
        assert_eq!(say(Measure::Days, 2.4), "2.4 days");
        assert_eq!(say(Measure::Hours, 0.25), "15 min");
        assert_eq!(say(Measure::MassChange, 0.14), "+140 g");
        assert_eq!(say(Measure::MassChange, -0.14), "-140 g");
        assert_eq!(say(Measure::Warmth, 1.25), "1.2 °C");
        assert_eq!(say(Measure::Share, 0.5), "50 %");
    }
}
