//! Real hives that nobody feeds: their weights as they were, storms, hands and loose cables included.
//! Holst & Meikle 2018, doi:10.3390/insects9040176, USDA-ARS, CC BY 4.0; see
//! `tests/fixtures/hive_weight/README.md`.

use flate2::read::GzDecoder;
use larder_domain::Timestamp;
use std::collections::BTreeMap;
use std::error::Error;
use std::fs::File;
use std::path::Path;
use std::sync::LazyLock;

/// Where the hives stood, clocks are seven hours behind UTC all year.
pub const CLOCK_MS: i64 = -7 * 3_600_000;
pub const DAY_MS: i64 = 86_400_000;
/// Under this nothing stands on the scale that could be a hive, or its cable is off.
const NO_HIVE_KG: f64 = 5.0;

type Series = Vec<(i64, f64)>;

/// A span of weeks without feeding.
pub struct Stretch {
    hives: Vec<String>,
    first: &'static str,
    last: &'static str,
}

/// Real hives and the weeks in which nobody fed them.
pub struct Herd {
    all: BTreeMap<String, Series>,
    pub spring: Stretch,
    pub autumn: Stretch,
    /// Of another year, on other scales.
    pub may: Stretch,
}

static OWN: LazyLock<Herd> = LazyLock::new(|| {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/fixtures/hive_weight");
    let mut all = BTreeMap::new();
    for name in ["season_2014.csv.gz", "unfed.csv.gz"] {
        read(&folder.join(name), (1, 4), &mut all).expect("the fixture is whole");
    }
    Herd::of(all)
});

/// Takes in a file of `time,...`, with the columns of the hive and its kilograms.
fn read(
    path: &Path,
    (hive, kg): (usize, usize),
    all: &mut BTreeMap<String, Series>,
) -> Result<(), Box<dyn Error>> {
    for row in csv::Reader::from_reader(GzDecoder::new(File::open(path)?)).records() {
        let row = row?;
        let time = Timestamp::parse_rfc3339(&row[0]).ok_or("a time is not RFC 3339")?;
        let series = all.entry(row[hive].to_owned()).or_default();
        series.push((time.0 + CLOCK_MS, row[kg].parse()?));
    }
    Ok(())
}

impl Herd {
    /// The hives of the repository.
    pub fn own() -> &'static Self {
        &OWN
    }

    /// The other hives of the same source, in files of `time_utc,hive,weight_kg`.
    #[allow(dead_code, reason = "tests take what the repository holds")]
    pub fn others(folder: &Path) -> Result<Self, Box<dyn Error>> {
        let mut all = BTreeMap::new();
        for year in ["2014", "2015"] {
            let path = folder.join(format!("weight_az{year}.csv.gz"));
            read(&path, (1, 2), &mut all).map_err(|e| format!("{}: {e}", path.display()))?;
        }
        all.retain(|hive, _| !OWN.all.contains_key(hive));
        let herd = Self::of(all);
        let stretches = [&herd.spring, &herd.autumn, &herd.may];
        if stretches.iter().any(|stretch| stretch.hives.len() < 2) {
            return Err("a season has fewer than two hives that are not in the repository".into());
        }
        Ok(herd)
    }

    fn of(mut all: BTreeMap<String, Series>) -> Self {
        all.values_mut().for_each(|s| s.sort_by_key(|x| x.0));
        let stretch = |first, last| {
            let mut stretch = Stretch {
                hives: Vec::new(),
                first,
                last,
            };
            let (from, until) = stretch.midnights();
            let weighed = |s: &Series| s.iter().any(|x| (from..until).contains(&x.0));
            let hives = all.iter().filter(|(_, series)| weighed(series));
            stretch.hives = hives.map(|(hive, _)| hive.clone()).collect();
            stretch
        };
        Self {
            spring: stretch("2014-04-24", "2014-07-07"),
            autumn: stretch("2014-08-31", "2014-11-16"),
            may: stretch("2015-05-03", "2015-06-01"),
            all,
        }
    }

    /// The hives of a stretch from a day on.
    pub fn hives(&self, stretch: &Stretch, from_day: usize, days: usize) -> Vec<BaseHive> {
        let start = stretch.midnights().0 + from_day as i64 * DAY_MS;
        let end = start + days as i64 * DAY_MS;
        let of = |hive: &String| {
            let series = self.all.get(hive).map_or(&[][..], Vec::as_slice);
            let inside = series.iter().filter(|x| (start..end).contains(&x.0));
            BaseHive {
                samples: inside.map(|x| (x.0 - start, x.1)).collect(),
            }
        };
        stretch.hives.iter().map(of).collect()
    }
}

impl Stretch {
    /// First and last local midnight, in milliseconds of the hives' own clock.
    pub fn midnights(&self) -> (i64, i64) {
        let at = |date: &str| {
            let text = format!("{date}T00:00:00Z");
            Timestamp::parse_rfc3339(&text).map_or(0, |time| time.0)
        };
        (at(self.first), at(self.last) + DAY_MS)
    }

    pub fn days(&self) -> usize {
        let (first, last) = self.midnights();
        ((last - first) / DAY_MS) as usize
    }
}

/// One hive's weights over some days: milliseconds from their first midnight, kg.
#[derive(Clone)]
pub struct BaseHive {
    pub samples: Series,
}

impl BaseHive {
    pub fn stands(kg: f64) -> bool {
        kg > NO_HIVE_KG
    }

    /// The last weight that is not more than 25 minutes old.
    fn at(&self, ms: i64) -> Option<f64> {
        let next = self.samples.partition_point(|x| x.0 <= ms);
        let last = self.samples.get(next.checked_sub(1)?)?;
        (ms - last.0 < 25 * 60_000 && Self::stands(last.1)).then_some(last.1)
    }

    fn within(&self, (from, until): (i64, i64)) -> &[(i64, f64)] {
        let first = self.samples.partition_point(|x| x.0 < from);
        let next = self.samples.partition_point(|x| x.0 < until);
        &self.samples[first..next]
    }

    /// Mean of a night's span.
    pub fn mean_kg(&self, span: (i64, i64)) -> Option<f64> {
        let night = self.within(span).iter().map(|x| x.1);
        let night: Vec<f64> = night.filter(|&kg| Self::stands(kg)).collect();
        (night.len() >= 6).then(|| night.iter().sum::<f64>() / night.len() as f64)
    }

    /// Whether hands, a storm or a fault moved it in that span.
    pub fn moved(&self, span: (i64, i64)) -> bool {
        let pairs = self.within(span).windows(2);
        let mut steps = pairs.map(|x| x[1].1 - x[0].1);
        steps.any(|kg| kg.abs() > 0.22)
    }

    /// Spans in which its cable was off.
    pub fn cable_off(&self) -> Vec<(i64, i64)> {
        let mut spans: Vec<(i64, i64)> = Vec::new();
        for &(ms, _) in self.samples.iter().filter(|x| x.1 < 0.0) {
            match spans.last_mut() {
                Some(last) if ms - last.1 <= 3_600_000 => last.1 = ms,
                _ => spans.push((ms, ms)),
            }
        }
        spans
    }
}

/// When most hives of a yard grew heavier at once, and by how much within half an hour: rain.
pub fn rain(hives: &[BaseHive], days: usize) -> Vec<(i64, f64)> {
    let quarter = 15 * 60_000;
    let mut found = Vec::new();
    for k in 2..days as i64 * 96 {
        let at = k * quarter;
        let rises = hives.iter().filter_map(|hive| {
            let rise = hive.at(at)? - hive.at(at - 2 * quarter)?;
            Some(rise)
        });
        let mut rises: Vec<f64> = rises.collect();
        rises.sort_by(f64::total_cmp);
        let enough = rises.len() >= 2 && rises[rises.len() / 3] > 0.12;
        if enough && rises[rises.len() / 2] < 1.6 {
            found.push((at, rises[rises.len() / 2]));
        }
    }
    found
}
