//! Old syrup thrown out and fresh poured in on one visit: weight and level tell only the difference,
//! the syrup's thermometer tells the shares. By hand: 1.2 l of 24 Cel onto 4.1 l of 14 Cel mix to
//! `(1.2 * 24 + 4.1 * 14) / 5.3 = 16.3` Cel; syrup of 24 Cel alone shows 24.

mod common;

use common::{START, Story};
use larder_domain::{Sample, Timestamp};
use larder_process::process_yard;

const FILL_DAY: i64 = 4;

/// The two fills, with the thermometer at `celsius` behind the second.
fn second_fill_litres(celsius: f64) -> f64 {
    let story = Story {
        days: 8,
        appetite: vec![0.005; 8],
        fills: vec![(1, 4.5), (FILL_DAY as usize, 1.2)],
        seed: 17,
    };
    let told = story.tell();
    let visit = START.plus_ms((FILL_DAY * 24 + 11) * 3_600_000);
    let warm: Vec<Sample> = (0..8 * 48)
        .map(|half_hour| START.plus_ms(half_hour * 1_800_000 + 60_000))
        .map(|time| Sample {
            time,
            value: temperature(time, visit, celsius),
        })
        .collect();
    let mut input = told.input_at(told.end());
    input.hives[0].feeders[0].levels[0].syrup_temperature = &warm;
    let output = process_yard(&input);
    let fill = output
        .fills
        .iter()
        .find(|fill| fill.time.hours_since(visit).abs() < 1.0)
        .expect("both witnesses saw it");
    fill.volume_l.expect("it was measured").value
}

/// 14 Cel, and what was poured cools to that with a time constant of five hours.
fn temperature(time: Timestamp, visit: Timestamp, celsius: f64) -> f64 {
    let hours = time.hours_since(visit);
    if hours < 0.0 {
        14.0
    } else {
        14.0 + (celsius - 14.0) * (-hours / 5.0).exp()
    }
}

#[test]
fn a_mixture_is_a_fill_onto_the_old() {
    let litres = second_fill_litres(16.3);
    assert!((litres - 1.2).abs() < 0.1, "{litres}");
}

#[test]
fn fresh_warmth_throughout_is_a_feeder_filled_anew() {
    let litres = second_fill_litres(24.0);
    assert!((litres - 5.3).abs() < 0.3, "{litres}");
}
