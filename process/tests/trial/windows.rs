//! Runs of steps in which something holds, and means of the day before a step: how truth is put into words.

/// From a step up to another one, which it does not hold.
pub type Window = (usize, usize);

/// The steps at which something holds, in runs.
pub fn windows(n: usize, holds: impl Fn(usize) -> bool) -> Vec<Window> {
    let mut found: Vec<Window> = Vec::new();
    for k in (0..n).filter(|&k| holds(k)) {
        match found.last_mut() {
            Some(last) if last.1 == k => last.1 = k + 1,
            _ => found.push((k, k + 1)),
        }
    }
    found
}

/// Runs with less than `gap` between them are one.
pub fn joined(found: Vec<Window>, gap: usize) -> Vec<Window> {
    let mut all: Vec<Window> = Vec::new();
    for window in found {
        match all.last_mut() {
            Some(last) if window.0 < last.1 + gap => last.1 = window.1,
            _ => all.push(window),
        }
    }
    all
}

/// Mean of the day before each step, a day being so many steps.
pub fn day_mean<T>(steps: &[T], steps_a_day: usize, of: impl Fn(&T) -> f64) -> Vec<f64> {
    let mut sum = 0.0;
    (0..steps.len())
        .map(|k| {
            sum += of(&steps[k]);
            if k >= steps_a_day {
                sum -= of(&steps[k - steps_a_day]);
            }
            sum / (k + 1).min(steps_a_day) as f64
        })
        .collect()
}
