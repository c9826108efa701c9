use super::*;
use crate::export::{Which, export_readings};
use larder_domain::{ChannelName, DeviceId, Span, Timestamp};
use larder_store::{Access, EmbeddedStore, Records};
use std::io::{Read, Write};

/// 2026-09-01T05:00:00Z
const NOW: Timestamp = Timestamp(1_788_238_800_000);

fn store() -> (tempfile::TempDir, EmbeddedStore) {
    let folder = tempfile::tempdir().unwrap();
    let store = EmbeddedStore::open(folder.path(), Access::Create).unwrap();
    (folder, store)
}

fn import(store: &EmbeddedStore, bytes: &[u8]) -> Result<Imported, ImportError> {
    import_readings(bytes, "file.csv", store, store, NOW, |_| ())
}

fn export(store: &EmbeddedStore, which: &Which) -> String {
    let mut out = Vec::new();
    export_readings(store, which, &mut out).unwrap();
    String::from_utf8(out).unwrap()
}

fn counts(done: &Imported) -> [u64; 5] {
    [
        done.lines,
        done.new,
        done.replaced,
        done.repeated,
        done.refused,
    ]
}

const FILE: &str = "time,device,channel,unit,value\n\
    2026-08-20T00:00:00Z,sc-north-01,weight,kg,41.237\n\
    2026-08-20T00:15:00.123Z,sc-north-01,weight,g,41240\n\
    2026-08-20T02:00:00+02:00,lg-7,a/weight,,30\n\
    1787184000,lg-7,co2,ppm,412\r\n\
    \n\
    \"2026-08-20T00:30:00Z\",\"sc-north-01\",weight,kg,\"41.2\"\n";

#[test]
fn lines_become_readings_and_twice_is_once() {
    let (_folder, store) = store();
    assert_eq!(
        counts(&import(&store, FILE.as_bytes()).unwrap()),
        [5, 5, 0, 0, 0]
    );
    assert_eq!(
        counts(&import(&store, FILE.as_bytes()).unwrap()),
        [5, 0, 0, 5, 0]
    );
    let corrected = FILE.replace("41.237", "41.3");
    assert_eq!(
        counts(&import(&store, corrected.as_bytes()).unwrap()),
        [5, 0, 1, 4, 0]
    );
    insta::assert_snapshot!(export(&store, &Which::default()), @r"
    time,device,channel,unit,value
    2026-08-20T00:00:00Z,lg-7,a/weight,kg,30
    2026-08-20T00:00:00Z,lg-7,co2,ppm,412
    2026-08-20T00:00:00Z,sc-north-01,weight,kg,41.3
    2026-08-20T00:15:00.123Z,sc-north-01,weight,kg,41.24
    2026-08-20T00:30:00Z,sc-north-01,weight,kg,41.2
    ");
}

#[test]
fn gzip_is_told_by_its_bytes_and_may_have_several_members() {
    let (_folder, store) = store();
    let (first, second) = FILE.split_at(100);
    let mut zipped = Vec::new();
    for part in [first, second] {
        let mut encoder = flate2::write::GzEncoder::new(&mut zipped, flate2::Compression::fast());
        encoder.write_all(part.as_bytes()).unwrap();
        encoder.finish().unwrap();
    }
    assert_eq!(counts(&import(&store, &zipped).unwrap()), [5, 5, 0, 0, 0]);
    // Cut off: what came before stays, and the end is told.
    let error = import(&store, &zipped[..zipped.len() - 20]).unwrap_err();
    assert!(matches!(error, ImportError::Read { .. }), "{error}");
}

#[test]
fn a_byte_order_mark_and_quotes_around_the_header_do_not_matter() {
    let (_folder, store) = store();
    let file =
        "\u{feff}\"time\",device , channel,unit,value\r\n2026-08-20T00:00:00Z,a,weight,kg,1\r\n";
    assert_eq!(
        counts(&import(&store, file.as_bytes()).unwrap()),
        [1, 1, 0, 0, 0]
    );
}

#[test]
fn another_header_is_wrong_use() {
    let (_folder, store) = store();
    for file in [
        "",
        "\n",
        "time,feeder,volume_l,strength\n",
        "2026-08-20T00:00:00Z,a,weight,kg,1\n",
    ] {
        let error = import(&store, file.as_bytes()).unwrap_err();
        let ImportError::Header { expected, .. } = &error else {
            panic!("{error}")
        };
        assert_eq!(*expected, "time,device,channel,unit,value");
    }
}

#[test]
fn every_bad_line_is_quarantined_under_its_number() {
    let (_folder, store) = store();
    let long = format!("2026-08-20T00:00:00Z,a,weight,kg,{}", "1".repeat(70_000));
    let bad: [(&[u8], &str); 16] = [
        (b"2026-08-20T00:00:00Z,a,weight,kg", "4 columns, not 5"),
        (b"2026-08-20T00:00:00Z,a,weight,kg,1,2", "6 columns, not 5"),
        (b"yesterday,a,weight,kg,1", "is not RFC 3339"),
        (b"1970-01-01T00:00:00Z,a,weight,kg,1", "never set"),
        (b"2026-09-01T05:10:01Z,a,weight,kg,1", "ahead of the clock"),
        (b"2026-08-20T00:00:00Z,a b,weight,kg,1", "a device's name"),
        (b"2026-08-20T00:00:00Z,a,_weight,kg,1", "a channel's name"),
        (
            b"2026-08-20T00:00:00Z,a,weight,l,1",
            "does not measure what",
        ),
        (b"2026-08-20T00:00:00Z,a,weight,kg,", "is not a number"),
        (b"2026-08-20T00:00:00Z,a,weight,kg,NaN", "is not a number"),
        (b"2026-08-20T00:00:00Z,a,weight,kg,1e999", "is not a number"),
        (b"2026-08-20T00:00:00Z,a,weight,kg,5000", "is not possible"),
        (b"2026-08-20T00:00:00Z,a,co2,,1", "needs a unit"),
        (b"2026-08-20T00:00:00Z,a,we\xffght,kg,1", "not UTF-8"),
        (b"2026-08-20T00:00:00Z,\"a,weight,kg,1", "quotes"),
        (long.as_bytes(), "longer than 64 KiB"),
    ];
    let mut file = b"time,device,channel,unit,value\n".to_vec();
    for (line, _) in &bad {
        file.extend_from_slice(line);
        file.extend_from_slice(b"\n2026-08-20T00:00:00Z,good,weight,kg,1\n");
    }
    let done = import(&store, &file).unwrap();
    assert_eq!(counts(&done), [32, 1, 0, 15, 16]);
    assert_eq!(done.reasons.values().sum::<u64>(), 16);
    let quarantine = store.quarantined(0, 100).unwrap();
    for (i, ((line, reason), entry)) in bad.iter().zip(&quarantine).enumerate() {
        let refused = &entry.refused;
        assert_eq!(refused.topic, format!("file.csv:{}", 2 + 2 * i));
        assert_eq!(refused.bytes, &line[..line.len().min(65_536)]);
        assert!(refused.reason.contains(reason), "{}", refused.reason);
    }
    assert_eq!(quarantine.len(), 16);
    // Again: nothing new, the same entries count.
    assert_eq!(counts(&import(&store, &file).unwrap()), [32, 0, 0, 16, 16]);
    let again = store.quarantined(0, 100).unwrap();
    assert_eq!(again.len(), 16);
    assert!(again.iter().all(|entry| entry.count == 2));
    // An impossible value counts at its own time, and once.
    let devices = store.devices().unwrap();
    let device = devices.iter().find(|d| d.device.as_str() == "a").unwrap();
    let at = Timestamp::parse_rfc3339("2026-08-20T00:00:00Z").unwrap();
    assert_eq!(
        device.impossible,
        [(ChannelName::new("weight").unwrap(), at)]
    );
    assert_eq!(device.last_seen, None);
}

#[test]
fn a_long_file_streams_and_tells_how_far_it_is() {
    /// Makes lines as they are asked for, so that the file is nowhere in memory.
    struct Endless {
        next: i64,
        last: i64,
        rest: Vec<u8>,
    }
    impl Read for Endless {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            while self.rest.len() < buffer.len() && self.next < self.last {
                let time = Timestamp(1_735_689_600_000 + 1000 * self.next).to_rfc3339();
                let line = format!(
                    "{time},sc-{},weight,kg,{}\n",
                    self.next % 7,
                    self.next % 100
                );
                self.rest.extend_from_slice(line.as_bytes());
                self.next += 1;
            }
            let taken = self.rest.len().min(buffer.len());
            buffer[..taken].copy_from_slice(&self.rest[..taken]);
            self.rest.drain(..taken);
            Ok(taken)
        }
    }
    let (_folder, store) = store();
    let file = Endless {
        next: 0,
        last: 35_000,
        rest: b"time,device,channel,unit,value\n".to_vec(),
    };
    let mut told = Vec::new();
    let done = import_readings(file, "-", &store, &store, NOW, |lines| told.push(lines)).unwrap();
    assert_eq!(counts(&done), [35_000, 35_000, 0, 0, 0]);
    assert_eq!(told, [10_000, 20_000, 30_000, 35_000]);
}

#[test]
fn an_export_imports_to_the_same_store() {
    let (_folder, first) = store();
    let mut file = String::from("time,device,channel,unit,value\n");
    // Awkward numbers and milliseconds, over several of the export's windows.
    let values = [
        "0.1",
        "41.237",
        "-0.30000000000000004",
        "5e-324",
        "123.45678901234567",
        "0",
    ];
    for n in 0..600_i64 {
        let time = Timestamp(1_735_689_600_000 + n * 12_345_678).to_rfc3339();
        let value = values[(n % 6) as usize];
        file.push_str(&format!("{time},d-{},x/y,ppm,{value}\n", n % 3));
        file.push_str(&format!("{time},d-{},temperature,Cel,{value}\n", n % 3));
    }
    // 123.45… Cel is not possible; the rest is.
    assert_eq!(
        counts(&import(&first, file.as_bytes()).unwrap()),
        [1200, 1100, 0, 0, 100]
    );
    let exported = export(&first, &Which::default());
    assert_eq!(exported.lines().count(), 1101);
    let (_folder, second) = store();
    assert_eq!(
        counts(&import(&second, exported.as_bytes()).unwrap()),
        [1100, 1100, 0, 0, 0]
    );
    assert_eq!(export(&second, &Which::default()), exported);
    assert_eq!(
        counts(&import(&first, exported.as_bytes()).unwrap()),
        [1100, 0, 0, 1100, 0]
    );
    let lines: Vec<&str> = exported.lines().skip(1).collect();
    let key = |line: &str| {
        let fields: Vec<&str> = line.split(',').collect();
        let time = Timestamp::parse_rfc3339(fields[0]).unwrap();
        (fields[1].to_owned(), fields[2].to_owned(), time)
    };
    assert!(lines.windows(2).all(|pair| key(pair[0]) < key(pair[1])));
}

#[test]
fn an_export_may_be_a_part() {
    let (_folder, store) = store();
    import(&store, FILE.as_bytes()).unwrap();
    let lines = |which: &Which| export(&store, which).lines().count() - 1;
    let device = Some(DeviceId::new("lg-7").unwrap());
    let channel = Some(ChannelName::new("weight").unwrap());
    let from = Timestamp::parse_rfc3339("2026-08-20T00:15:00.123Z").unwrap();
    let span = Span {
        start: from,
        end: from.plus_ms(1),
    };
    let all = Which::default();
    assert_eq!(lines(&all), 5);
    assert_eq!(
        lines(&Which {
            device,
            ..all.clone()
        }),
        2
    );
    assert_eq!(
        lines(&Which {
            channel,
            ..all.clone()
        }),
        3
    );
    assert_eq!(lines(&Which { span, ..all }), 1);
}

const FILLS: &str = "time,feeder,volume_l,strength\n\
    2026-08-21T17:27:00Z,north-01-f,6.6,1:1\n\
    2026-08-21T17:54:00Z,north-01-f,,2:1\n\
    2026-08-22T17:54:00Z,who-f,5,\n";

#[test]
fn fills_are_recorded_once() {
    let (_folder, store) = store();
    let file = larder_wire::apiary::ApiaryFile::parse(
        r#"
        [[yard]]
        id = "north"
        timezone = "UTC"
        [[hive]]
        id = "north-01"
        yard = "north"
        scale = "sc-1"
        [[feeder]]
        id = "north-01-f"
        hive = "north-01"
        kind = "jar"
        capacity_l = 8
        sensor = { device = "lc-1", channel = "feeder_weight" }
        "#,
    )
    .unwrap();
    let apiary =
        larder_wire::apiary::apply(&larder_domain::Apiary::default(), &file, false).unwrap();
    store.set_apiary(&apiary).unwrap();
    let import = |text: &str| import_fills(text.as_bytes(), "fills.csv", &store, NOW).unwrap();
    let done = import(FILLS);
    assert_eq!(counts(&done), [3, 3, 0, 0, 0]);
    assert_eq!(done.unknown_feeders, ["who-f"]);
    assert_eq!(counts(&import(FILLS)), [3, 0, 0, 3, 0]);
    assert_eq!(counts(&import(&FILLS.replace("6.6", "7"))), [3, 0, 1, 2, 0]);
    let fills = store.recorded_fills(None, Span::ALWAYS).unwrap();
    assert_eq!(fills.len(), 3);
    assert_eq!(fills[1].volume_l, None);
    // What they change is noted, so that it is estimated again.
    let (changes, _) = store.changes(100).unwrap();
    let touched: Vec<String> = changes.iter().map(|c| c.series.to_string()).collect();
    assert_eq!(touched, ["lc-1 feeder_weight", "sc-1 weight"]);
    assert!(changes.iter().all(|c| c.span.contains(fills[0].time)));
}

#[test]
fn fills_that_are_none() {
    let (_folder, store) = store();
    for (line, reason) in [
        ("2026-08-21T17:27:00Z,f,6.6", "3 columns, not 4"),
        ("2026-08-21,f,6.6,1:1", "is not RFC 3339"),
        ("2026-10-21T17:27:00Z,f,6.6,1:1", "still to come"),
        ("1999-08-21T17:27:00Z,f,6.6,1:1", "before the year 2000"),
        ("2026-08-21T17:27:00Z,f f,6.6,1:1", "a feeder's id"),
        ("2026-08-21T17:27:00Z,f,much,1:1", "is not a number"),
        ("2026-08-21T17:27:00Z,f,0,1:1", "more than 0"),
        ("2026-08-21T17:27:00Z,f,-2,1:1", "more than 0"),
        ("2026-08-21T17:27:00Z,f,2001,1:1", "at most 2000"),
        ("2026-08-21T17:27:00Z,f,6,thick", "thick"),
    ] {
        let file = format!("time,feeder,volume_l,strength\n{line}\n");
        let done = import_fills(file.as_bytes(), "fills.csv", &store, NOW).unwrap();
        assert_eq!(done.refused, 1, "{line}");
        let entry = store.quarantined(0, 100).unwrap().pop().unwrap();
        assert!(
            entry.refused.reason.contains(reason),
            "{line}: {}",
            entry.refused.reason
        );
    }
    assert!(store.recorded_fills(None, Span::ALWAYS).unwrap().is_empty());
}

#[test]
fn a_second_unit_of_an_unknown_channel_is_refused_with_both_units() {
    let (_folder, store) = store();
    let file = "time,device,channel,unit,value\n\
        2026-08-20T00:00:00Z,lg-7,level,V,3.9\n\
        2026-08-20T00:15:00Z,lg-7,level,kg,3.9\n\
        2026-08-20T00:30:00Z,lg-7,level,V,3.8\n";
    let done = import(&store, file.as_bytes()).unwrap();
    assert_eq!(counts(&done), [3, 2, 0, 0, 1]);
    let kept = store.quarantined(0, 9).unwrap();
    assert_eq!(
        kept[0].refused.bytes,
        b"2026-08-20T00:15:00Z,lg-7,level,kg,3.9"
    );
    assert_eq!(kept[0].refused.topic, "file.csv");
    let reason = &kept[0].refused.reason;
    assert!(
        reason.contains("kept in V") && reason.contains("is in kg"),
        "{reason}"
    );
}
