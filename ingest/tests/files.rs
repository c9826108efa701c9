//! Files in and out, over a real embedded store.

use larder_domain::{Span, Timestamp};
use larder_ingest::export::{Which, export_readings};
use larder_ingest::import::{ImportError, Imported, import_fills, import_readings};
use larder_store::{Access, EmbeddedStore, Records};
use proptest::prelude::*;
use std::io::Write;

const NOW: Timestamp = Timestamp(1_788_238_800_000); // 2026-09-01T05:00:00Z

fn store() -> (EmbeddedStore, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    (
        EmbeddedStore::open(folder.path(), Access::Create).expect("a new store"),
        folder,
    )
}

fn import(store: &EmbeddedStore, bytes: &[u8]) -> Result<Imported, ImportError> {
    import_readings(bytes, "r.csv", store, store, NOW, |_| ())
}

fn export(store: &EmbeddedStore) -> String {
    let which = Which {
        device: None,
        channel: None,
        span: Span::ALWAYS,
    };
    let mut out = Vec::new();
    export_readings(store, &which, &mut out).expect("the store reads");
    String::from_utf8(out).expect("CSV is text")
}

const GOOD: &str = "time,device,channel,unit,value
2026-08-20T00:00:00Z,sc-1,weight,kg,41.237
2026-08-20T00:05:00.125Z,sc-1,weight,g,41240
2026-08-20T00:05:00Z,sc-1,co2,ppm,412
2026-08-20T00:10:00+02:00,b,a/weight,lb,100
";

#[test]
fn readings_come_back_in_order_and_in_their_own_units() {
    let (store, _folder) = store();
    let done = import(&store, GOOD.as_bytes()).unwrap();
    assert_eq!((done.lines, done.new, done.refused), (4, 4, 0));
    assert_eq!(
        export(&store),
        "time,device,channel,unit,value
2026-08-19T22:10:00Z,b,a/weight,kg,45.359237
2026-08-20T00:05:00Z,sc-1,co2,ppm,412
2026-08-20T00:00:00Z,sc-1,weight,kg,41.237
2026-08-20T00:05:00.125Z,sc-1,weight,kg,41.24
"
    );
}

#[test]
fn importing_twice_changes_nothing_and_an_export_can_be_imported() {
    let (first, _a) = store();
    import(&first, GOOD.as_bytes()).unwrap();
    let again = import(&first, GOOD.as_bytes()).unwrap();
    assert_eq!((again.new, again.replaced, again.repeated), (0, 0, 4));
    let (second, _b) = store();
    let written = export(&first);
    assert_eq!(import(&second, written.as_bytes()).unwrap().new, 4);
    assert_eq!(export(&second), written);
}

#[test]
fn gzip_is_told_by_its_bytes() {
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(GOOD.as_bytes()).unwrap();
    let packed = packed.finish().unwrap();
    let (store, _folder) = store();
    assert_eq!(import(&store, &packed).unwrap().new, 4);
    let cut = &packed[..packed.len() - 12];
    assert!(matches!(import(&store, cut), Err(ImportError::Read { .. })));
}

#[test]
fn bad_lines_are_kept_with_their_place_and_good_ones_come_in() {
    let (store, _folder) = store();
    let file = [
        &b"\xef\xbb\xbftime,device,channel,unit,value\r\n"[..],
        b"2026-08-20T00:00:00Z,sc-1,weight,kg,41\r\n",
        b"\r\n",
        b"yesterday,sc-1,weight,kg,41\r\n",
        b"2026-08-20T00:00:00Z,sc 1,weight,kg,41\r\n",
        b"2026-08-20T00:00:00Z,sc-1,weight,kg,heavy\r\n",
        b"2026-08-20T00:00:00Z,sc-1,weight,l,41\r\n",
        b"2026-08-20T00:00:00Z,sc-1,weight,kg,4100\r\n",
        b"2026-08-20T00:00:00Z,sc-1,weight,kg\r\n",
        b"2026-08-20T00:00:00Z,sc-1,weight,kg,NaN\r\n",
        b"2026-09-02T00:00:00Z,sc-1,weight,kg,41\r\n",
        b"\xff\xfe,sc-1,weight,kg,41\r\n",
        b"2026-08-20T00:01:00Z,\"sc-1\",\"weight\",\"kg\",\"42\"",
    ]
    .concat();
    let done = import(&store, &file).unwrap();
    assert_eq!((done.lines, done.new, done.refused), (11, 2, 9));
    let kept = store.quarantined(0, 100).unwrap();
    assert_eq!(kept.len(), 9);
    assert_eq!(kept[0].refused.topic, "r.csv:4");
    assert_eq!(kept[0].refused.bytes, b"yesterday,sc-1,weight,kg,41");
    assert_eq!(done.reasons.values().sum::<u64>(), 9);
    import(&store, &file).unwrap();
    let (entries, messages) = store.quarantine_size().unwrap();
    assert_eq!(
        (entries, messages),
        (9, 18),
        "the same lines raise the count"
    );
}

#[test]
fn a_line_without_end_does_not_fill_the_memory() {
    let mut file = b"time,device,channel,unit,value\n".to_vec();
    file.extend(std::iter::repeat_n(b'x', 5_000_000));
    file.extend_from_slice(b"\n2026-08-20T00:00:00Z,sc-1,weight,kg,41\n");
    let (store, _folder) = store();
    let done = import(&store, &file).unwrap();
    assert_eq!((done.lines, done.new, done.refused), (2, 1, 1));
    let kept = store.quarantined(0, 1).unwrap();
    assert!(kept[0].refused.bytes.len() < 70_000);
}

#[test]
fn another_header_is_no_file_of_readings() {
    let (store, _folder) = store();
    for file in ["", "a,b,c\n1,2,3\n", "time,feeder,volume_l,strength\n"] {
        let error = import(&store, file.as_bytes()).unwrap_err();
        assert!(
            error.to_string().contains("time,device,channel,unit,value"),
            "{error}"
        );
    }
}

#[test]
fn fills_may_lack_volume_and_strength() {
    let (store, _folder) = store();
    let file = "time,feeder,volume_l,strength
2026-08-20T00:00:00Z,f-1,7.5,2:1
2026-08-21T00:00:00Z,f-1,,
2026-08-22T00:00:00Z,f-1,-1,2:1
2026-08-22T00:00:00Z,f-1,1,0:1
2027-08-22T00:00:00Z,f-1,1,1:1
2026-08-22T00:00:00Z,f 1,1,1:1
";
    let done = import_fills(file.as_bytes(), "f.csv", &store, NOW).unwrap();
    assert_eq!((done.lines, done.new, done.refused), (6, 2, 4));
    let fills = store.recorded_fills(None, Span::ALWAYS).unwrap();
    assert_eq!(fills[0].volume_l, Some(7.5));
    assert_eq!((fills[1].volume_l, fills[1].strength), (None, None));
    let again = import_fills(file.as_bytes(), "f.csv", &store, NOW).unwrap();
    assert_eq!((again.new, again.repeated), (0, 2));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever bytes come, every line is either taken in or kept; nothing panics.
    #[test]
    fn every_line_is_taken_in_or_kept(lines in prop::collection::vec("[^\r\n]{0,60}", 0..20)) {
        let (store, _folder) = store();
        let file = format!("time,device,channel,unit,value\n{}\n", lines.join("\n"));
        let done = import(&store, file.as_bytes()).unwrap();
        let expected = lines.iter().filter(|l| !l.bytes().all(|b| b.is_ascii_whitespace())).count();
        prop_assert_eq!(done.lines, expected as u64);
        prop_assert_eq!(done.new + done.repeated + done.replaced + done.refused, done.lines);
    }

    /// Values come back bit for bit, times to the millisecond.
    #[test]
    fn an_export_loses_nothing(values in prop::collection::vec((0i64..2_000_000_000_000, -1e6f64..1e6), 1..50)) {
        let (first, _a) = store();
        let mut file = "time,device,channel,unit,value\n".to_owned();
        for (ms, value) in &values {
            let time = Timestamp((*ms).clamp(Timestamp::YEAR_2000.0, NOW.0)).to_rfc3339();
            file.push_str(&format!("{time},d,x,u,{value}\n"));
        }
        import(&first, file.as_bytes()).unwrap();
        let (second, _b) = store();
        let written = export(&first);
        import(&second, written.as_bytes()).unwrap();
        prop_assert_eq!(export(&second), written);
    }
}
