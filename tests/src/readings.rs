//! The readings file: `time,device,channel,unit,value`.

use std::collections::BTreeMap;

/// (device, channel, time) and (unit, value); the value by its bits, so that equal is equal.
pub type Readings = BTreeMap<(String, String, String), (String, u64)>;

/// Reads it.
///
/// # Panics
/// When it is not such a file, or an identity is in it twice.
pub fn parse(csv: &str) -> Readings {
    let mut lines = csv.lines();
    assert_eq!(lines.next(), Some("time,device,channel,unit,value"));
    let mut readings = Readings::new();
    for line in lines {
        let fields: Vec<&str> = line.split(',').collect();
        let [time, device, channel, unit, value] = fields[..] else {
            panic!("not a reading: {line}");
        };
        let value: f64 = value
            .parse()
            .unwrap_or_else(|_| panic!("not a number: {line}"));
        let identity = (device.to_owned(), channel.to_owned(), time.to_owned());
        let before = readings.insert(identity, (unit.to_owned(), value.to_bits()));
        assert!(before.is_none(), "twice: {line}");
    }
    readings
}

/// The newest time of every series: (device, channel, time).
pub fn newest(readings: &Readings) -> Vec<(String, String, String)> {
    let mut newest = BTreeMap::new();
    for (device, channel, time) in readings.keys() {
        newest.insert((device, channel), time);
    }
    newest
        .into_iter()
        .map(|((device, channel), time)| (device.clone(), channel.clone(), time.clone()))
        .collect()
}

/// Fails with the first differences between what should be there and what is.
///
/// # Panics
/// When the two differ.
pub fn assert_same(expected: &Readings, found: &Readings) {
    let missing: Vec<_> = expected
        .iter()
        .filter(|(k, v)| found.get(k) != Some(v))
        .take(5)
        .collect();
    let extra: Vec<_> = found
        .keys()
        .filter(|k| !expected.contains_key(k))
        .take(5)
        .collect();
    assert!(
        missing.is_empty() && extra.is_empty(),
        "{} expected, {} found; missing or changed {missing:?} …; not expected {extra:?} …",
        expected.len(),
        found.len()
    );
}
