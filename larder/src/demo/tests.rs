use super::*;
use larder_domain::Geometry;
use larder_syrup::Strength;
use std::collections::BTreeMap;

const NOW: Timestamp = Timestamp(1_790_000_123_456);

fn demo(days: u32, yards: usize, hives: usize, seed: u64) -> DemoApiary {
    DemoApiary::new(DemoOptions::new(days, yards, hives, seed).unwrap(), NOW)
}

/// Everything that can be seen from outside.
fn told(seed: u64) -> (Vec<DemoMessage>, Vec<DemoMessage>, Vec<RecordedFill>) {
    let mut demo = demo(7, 2, 4, seed);
    let history: Vec<_> = demo.history().collect();
    let live = demo.next_live(NOW.plus_ms(3 * 3_600_000));
    (history, live, demo.take_fills())
}

#[test]
fn the_same_seed_tells_the_same_story_byte_for_byte() {
    assert_eq!(told(5), told(5));
    assert_ne!(told(5).0, told(6).0);
}

#[test]
fn history_ends_now_and_live_goes_on_without_a_gap_or_a_step_back() {
    let (history, live, _) = told(5);
    assert!(history.iter().all(|m| m.at <= NOW));
    assert!(history.last().unwrap().at > NOW.plus_ms(-11 * 60_000));
    assert!(live.iter().all(|m| m.at > NOW.plus_ms(-60_000)));
    assert!(live.windows(2).all(|pair| pair[0].at <= pair[1].at));
    // Two yards of four hives: 2 stations, two devices at each hive but for the one without a
    // scale and the one without a level sensor, the spare scale, and one that fell silent. Each
    // reports six times an hour but for what the radio loses.
    let expected = 3 * 6 * (2 + 2 * 8 - 2 + 1 - 1);
    let n = live.len();
    assert!(
        (expected * 9 / 10..=expected + 16).contains(&n),
        "{n} {expected}"
    );
}

#[test]
fn asking_often_or_seldom_gives_the_same_messages() {
    let until = NOW.plus_ms(3_600_000);
    let mut often = demo(2, 1, 3, 1);
    let mut seldom = demo(2, 1, 3, 1);
    often.history().for_each(drop);
    seldom.history().for_each(drop);
    let mut pieces = Vec::new();
    for second in 0..=3600 {
        let live = often.next_live(NOW.plus_ms(second * 1000));
        assert!(live.iter().all(|m| m.at <= NOW.plus_ms(second * 1000)));
        pieces.extend(live);
    }
    assert_eq!(
        pieces.iter().collect::<std::collections::BTreeSet<_>>(),
        seldom.next_live(until).iter().collect()
    );
}

/// Per hive: what its colony took, l a day of its syrup, over the whole history.
fn uptake_l_per_day(demo: &DemoApiary, days: f64) -> Vec<(&HivePlan, f64)> {
    let litre_kg = |strength: Strength| Syrup::of_litres(1.0, strength).mass_kg();
    (demo.layout.hives.iter().zip(&demo.colonies))
        .map(|(hive, colony)| {
            let litres = colony.ledger.taken_kg / litre_kg(hive.strength);
            (hive, litres / days)
        })
        .collect()
}

#[test]
fn colonies_take_what_colonies_take() {
    // Common practice, as beekeepers report it: 0.1 to 0.8 l a day by weak colonies, 1.8 to 3.8
    // by strong ones fed on demand; 7.5 to 15 l over a whole autumn. Three weeks with a cold spell,
    // fed every sixth day, stay under twice the usual autumn.
    for seed in 1..=2 {
        let mut demo = demo(21, 3, 8, seed);
        demo.history().for_each(drop);
        for (hive, rate) in uptake_l_per_day(&demo, 21.0) {
            assert!(
                (0.03..1.3).contains(&rate),
                "seed {seed} {}: {rate}",
                hive.id
            );
        }
        let gross = demo.colonies.iter().map(Colony::gross_kg);
        for kg in gross {
            assert!((22.0..65.0).contains(&kg), "seed {seed}: {kg} kg");
        }
    }
}

#[test]
fn every_gram_of_syrup_is_accounted_for() {
    let mut demo = demo(21, 3, 8, 1);
    let before: Vec<f64> = demo.colonies.iter().map(|c| c.syrup.mass_kg()).collect();
    demo.history().for_each(drop);
    for ((hive, colony), before) in demo.layout.hives.iter().zip(&demo.colonies).zip(before) {
        let l = colony.ledger;
        let left = before + l.filled_kg - l.taken_kg - l.leaked_kg;
        assert!((left - colony.syrup.mass_kg()).abs() < 1e-9, "{}", hive.id);
        assert_eq!(
            l.leaked_kg > 0.3,
            hive.role == Some(Role::Leaking),
            "{}",
            hive.id
        );
    }
}

#[test]
fn the_troubles_show_at_the_end_of_the_history() {
    for seed in 1..=2 {
        let mut demo = demo(21, 3, 8, seed);
        demo.history().for_each(drop);
        let left = |role| {
            let i = demo
                .layout
                .hives
                .iter()
                .position(|h| h.role == Some(role))
                .unwrap();
            demo.colonies[i].litres() / demo.layout.hives[i].traits.capacity_l
        };
        assert!(
            left(Role::Stalled) > 0.25,
            "seed {seed}: it has syrup to refuse"
        );
        assert!(
            left(Role::Leaking) > 0.03,
            "seed {seed}: it has syrup to lose"
        );
        assert!(left(Role::Hungry) < 0.02, "seed {seed}: it is empty");
        let full = demo
            .layout
            .hives
            .iter()
            .zip(&demo.colonies)
            .filter(|(_, c)| c.litres() > 0.2)
            .count();
        assert!(
            full >= 12,
            "seed {seed}: most feeders still hold something, {full}"
        );
    }
}

#[test]
fn some_fills_are_written_down_some_without_volume_and_some_not_at_all() {
    let mut demo = demo(21, 3, 8, 1);
    demo.history().for_each(drop);
    let fills = demo.take_fills();
    let without_volume = fills.iter().filter(|f| f.volume_l.is_none()).count();
    let poured_kg: f64 = demo.colonies.iter().map(|c| c.ledger.filled_kg).sum();
    let noted_kg: f64 = fills
        .iter()
        .map(|f| Syrup::of_litres(f.volume_l.unwrap_or(0.0), f.strength.unwrap()).mass_kg())
        .sum();
    assert!(
        fills.len() > 40 && without_volume >= 3,
        "{} {without_volume}",
        fills.len()
    );
    assert!(noted_kg < 0.95 * poured_kg && noted_kg > 0.6 * poured_kg);
    let mut by_feeder = BTreeMap::new();
    for fill in &fills {
        assert!(by_feeder.insert((&fill.feeder, fill.time), ()).is_none());
    }
}

#[test]
fn every_message_is_read_with_its_content_type_and_without() {
    use larder_ingest::decode::{DecodeConfig, Message, decode};
    let mut demo = demo(3, 3, 8, 1);
    let config = DecodeConfig::default();
    let mut n_attributes = 0;
    for message in demo.history() {
        for content_type in [None, Some(message.content_type.to_owned())] {
            let message = Message {
                topic: message.topic.clone(),
                cut_from: None,
                payload: message.payload.clone(),
                content_type,
                retained: false,
                received_at: message.at,
            };
            let decoded = decode(&message, &config, message.received_at);
            assert_eq!(decoded.refused, []);
            n_attributes += decoded.attributes.len();
            assert!(decoded.readings.iter().all(|r| r.channel.kind().is_some()));
            assert_eq!(
                decoded
                    .readings
                    .last()
                    .map(|r| r.time <= message.received_at),
                Some(true)
            );
        }
    }
    assert!(n_attributes > 100, "{n_attributes}");
}

#[test]
fn every_declared_device_but_no_other_is_in_the_apiary() {
    let demo = demo(2, 3, 8, 1);
    let apiary = demo.apiary();
    let declared: std::collections::BTreeSet<String> = apiary
        .yards()
        .filter_map(|y| y.weather.clone())
        .chain(
            apiary
                .hives()
                .flat_map(|h| h.scales.iter().map(|a| a.source.device.clone())),
        )
        .chain(
            apiary
                .feeders()
                .flat_map(|f| f.sensors.iter().map(|s| s.assignment.source.device.clone())),
        )
        .map(|d| d.to_string())
        .collect();
    let mut simulated: std::collections::BTreeSet<String> =
        demo.devices.iter().map(|d| d.id.to_string()).collect();
    assert!(simulated.remove(UNDECLARED));
    assert_eq!(declared, simulated);
    let seen_by = |wanted: fn(&Geometry) -> bool| {
        apiary
            .feeders()
            .flat_map(|f| &f.sensors)
            .any(|s| wanted(&s.geometry))
    };
    assert!(seen_by(|g| matches!(g, Geometry::Distance { .. })));
    assert!(seen_by(|g| matches!(g, Geometry::Depth { .. })));
    assert!(seen_by(|g| matches!(g, Geometry::Volume)));
    assert!(seen_by(|g| matches!(g, Geometry::FeederWeight)));
}

#[test]
fn sizes_that_the_demo_does_not_have_are_refused_with_a_sentence() {
    let error = DemoOptions::new(21, 0, 8, 1).unwrap_err().to_string();
    assert_eq!(error, "--yards must lie between 1 and 40, not 0");
    assert!(DemoOptions::new(1, 1, 1, 1).is_err() && DemoOptions::new(21, 3, 61, 1).is_err());
}
