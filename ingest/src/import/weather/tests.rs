use super::*;
use chrono_tz::America::New_York;
use larder_domain::{ChannelRef, Span};
use larder_store::{Access, EmbeddedStore};

const NOW: Timestamp = Timestamp(1_788_238_800_000);

/// January 2010 at New York Central Park, the first days, unchanged but cut: GHCN-Daily, station
/// USW00094728, NOAA National Centers for Environmental Information (public domain).
const DLY: &str = "\
USW00094728201001TMAX   44  0   11  0  -56  0
USW00094728201001TMIN    6  0  -83  0  -83  0
USW00094728201001PRCP    8  0    5  0    0T 0
USW00094728201001SNWD    0  0    0  0    0  0
";

fn import(
    text: &str,
) -> (
    tempfile::TempDir,
    EmbeddedStore,
    Result<Imported, ImportError>,
) {
    let folder = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
    let station = WeatherStation {
        device: DeviceId::new("wx-north").unwrap(),
        zone: New_York,
    };
    let done = import_weather(text.as_bytes(), "w", &station, &store, &store, NOW, |_| ());
    (folder, store, done)
}

fn values(store: &EmbeddedStore, channel: &str) -> Vec<String> {
    let series = ChannelRef {
        device: DeviceId::new("wx-north").unwrap(),
        channel: ChannelName::new(channel).unwrap(),
    };
    let samples = store.range(&series, Span::ALWAYS).unwrap();
    samples
        .iter()
        .map(|s| format!("{} {}", s.time.to_rfc3339(), s.value))
        .collect()
}

#[test]
fn daily_records_fall_into_their_local_day() {
    let (_folder, store, done) = import(DLY);
    let done = done.unwrap();
    assert_eq!((done.lines, done.new, done.refused), (4, 9, 0));
    assert_eq!(
        values(&store, "temperature"),
        [
            "2010-01-01T11:00:00Z 0.6",
            "2010-01-01T20:00:00Z 4.4",
            "2010-01-02T11:00:00Z -8.3",
            "2010-01-02T20:00:00Z 1.1",
            "2010-01-03T11:00:00Z -8.3",
            "2010-01-03T20:00:00Z -5.6",
        ]
    );
    assert_eq!(
        values(&store, "rain"),
        [
            "2010-01-02T04:59:59Z 0.8",
            "2010-01-03T04:59:59Z 0.5",
            "2010-01-04T04:59:59Z 0",
        ]
    );
}

#[test]
fn the_csv_by_station_says_the_same() {
    for header in [
        "",
        "ID,DATE,ELEMENT,DATA_VALUE,M_FLAG,Q_FLAG,S_FLAG,OBS_TIME\n",
    ] {
        let text = format!(
            "{header}USW00094728,20100101,TMAX,44,,,0,2400\nUSW00094728,20100101,PRCP,8,,,0,2400\n\
             USW00094728,20100102,TMAX,999,,G,0,2400\nUSW00094728,20100102,WT16,1,,,0,\n\
             USW00094728,20100102,TMIN,-9999,,,0,\n"
        );
        let (_folder, store, done) = import(&text);
        let done = done.unwrap();
        assert_eq!((done.lines, done.new, done.refused), (5, 2, 1));
        assert_eq!(values(&store, "temperature"), ["2010-01-01T20:00:00Z 4.4"]);
        let entry = store.quarantined(0, 9).unwrap().pop().unwrap();
        assert!(
            entry
                .refused
                .reason
                .contains("marks the value as failed (G)")
        );
    }
}

#[test]
fn isd_lite_is_hourly_in_utc() {
    let text = "2010 01 01 05    11   -22 10130   320    36     8     0 -9999\n\
                2010 01 01 06 -9999 -9999 10127   310 -9999     8    -1     5\n";
    let (_folder, store, done) = import(text);
    assert_eq!(done.unwrap().new, 5);
    assert_eq!(values(&store, "temperature"), ["2010-01-01T05:00:00Z 1.1"]);
    assert_eq!(values(&store, "wind"), ["2010-01-01T05:00:00Z 3.6"]);
    assert_eq!(
        values(&store, "rain"),
        ["2010-01-01T05:00:00Z 0", "2010-01-01T06:00:00Z 0"]
    );
    assert_eq!(values(&store, "humidity").len(), 1);
}

#[test]
fn other_files_are_wrong_use_and_other_lines_are_quarantined() {
    for text in ["", "time,device,channel,unit,value\n", "hello\n", "1 2 3\n"] {
        let (_folder, _store, done) = import(text);
        assert!(matches!(done, Err(ImportError::Header { .. })), "{text:?}");
    }
    let (_folder, store, done) = import(&format!("{DLY}nonsense\nUSW00094728201001TMAX   x4  0\n"));
    let done = done.unwrap();
    assert_eq!((done.lines, done.new, done.refused), (6, 9, 2));
    assert_eq!(store.quarantined(0, 9).unwrap().len(), 2);
}

/// The whole file lies outside the project; this looks at it where it is there, and is not the only
/// proof of anything.
#[test]
fn five_years_of_a_real_station() {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../shared/data/weather/USW00094728_2010-2014.dly"
    );
    let Ok(text) = std::fs::read_to_string(path) else {
        println!("not run: the shared weather data are not here");
        return;
    };
    let (_folder, store, done) = import(&text);
    let done = done.unwrap();
    assert_eq!(done.lines, 794);
    // 1,826 days of rain, two temperatures and a mean wind, less what is missing or marked.
    assert!(done.new > 7_000 && done.new <= 4 * 1826, "{done:?}");
    // NOAA's own sum for 2011 at this station is 72.81 in (1,849 mm), from memory.
    let year = |y: i32| format!("{y}-");
    let rain: f64 = values(&store, "rain")
        .iter()
        .filter(|line| line.starts_with(&year(2011)))
        .map(|line| line.rsplit(' ').next().unwrap().parse::<f64>().unwrap())
        .sum();
    assert!((rain - 1849.0).abs() < 15.0, "{rain}");
}
