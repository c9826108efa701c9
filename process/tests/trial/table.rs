//! The figures, for people.

use super::score::{Judged, PHYSICAL, Score};
use larder_domain::FlagKind;

impl Score {
    pub fn print(&self) {
        self.print_kinds();
        self.print_calibration();
        self.print_calibration_of_kinds();
        self.print_parts();
    }

    pub fn print_kinds(&self) {
        println!("kind          events recall  prec    F1 false/hive-month  delay h: median  90 %");
        for kind in PHYSICAL {
            let Some([recall, precision, f1]) = self.of_kind(kind) else {
                continue;
            };
            let of = |e: &&Judged| e.event.kind == kind;
            let n = self.events.iter().filter(of).count();
            let (median, late) = delays(self.events.iter().filter(of));
            println!(
                "{:13} {n:6} {recall:6.2} {precision:5.2} {f1:5.2} {:16.3} {median:16.1} {late:5.1}",
                kind.name(),
                self.false_per_hive_month(|k| k == kind)
            );
        }
        println!(
            "macro F1 {:.3}, false alarms per hive-month {:.3}, Brier {:.4}, hive-months {:.0}",
            self.macro_f1(),
            self.false_per_hive_month(|_| true),
            self.brier(),
            self.hive_months
        );
    }

    fn print_calibration(&self) {
        println!("probability said: flags, mean, share right");
        let bounds = [0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.01];
        for pair in bounds.windows(2) {
            let within = |p: f64| (pair[0]..pair[1]).contains(&p);
            let claims: Vec<_> = self
                .claims
                .iter()
                .filter(|c| within(c.probability))
                .collect();
            if claims.is_empty() {
                continue;
            }
            let n = claims.len() as f64;
            let mean = claims.iter().map(|c| c.probability).sum::<f64>() / n;
            let right = claims.iter().filter(|c| c.right).count() as f64 / n;
            println!(
                "  {:.2} to {:.2}: {n:4} {mean:.2} {right:.2}",
                pair[0], pair[1]
            );
        }
    }

    fn print_calibration_of_kinds(&self) {
        println!("kind, probability said: flags, share right");
        for kind in PHYSICAL {
            let mine = || self.claims.iter().filter(|c| c.kind == kind);
            let mut said: Vec<i64> = mine()
                .map(|c| (c.probability * 20.0).floor() as i64)
                .collect();
            said.sort_unstable();
            said.dedup();
            for part in said {
                let these: Vec<_> = mine()
                    .filter(|c| (c.probability * 20.0).floor() as i64 == part)
                    .collect();
                let right = these.iter().filter(|c| c.right).count() as f64 / these.len() as f64;
                println!(
                    "  {:13} {:.2}: {:4} {right:.2}",
                    kind.name(),
                    part as f64 / 20.0,
                    these.len()
                );
            }
        }
    }

    fn print_parts(&self) {
        let size = |e: &Judged| e.event.size;
        let uptake = |e: &Judged| e.event.uptake_l_per_day;
        self.print_part(
            "leaking, ml/h",
            FlagKind::Leaking,
            |e| 1000.0 * size(e),
            &[10.0, 20.0, 40.0, 80.0, 160.0],
        );
        self.print_part(
            "leaking, colony's l/day",
            FlagKind::Leaking,
            uptake,
            &[0.2, 0.8],
        );
        self.print_part(
            "leaking of 20 ml/h and more, colony's l/day",
            FlagKind::Leaking,
            |e| if size(e) < 0.02 { f64::NAN } else { uptake(e) },
            &[0.2, 0.8],
        );
        self.print_part("robbed, hours", FlagKind::Robbed, size, &[1.0, 2.0, 3.0]);
        self.print_part("souring, K", FlagKind::Souring, size, &[0.5, 1.0, 1.5]);
        for kind in [
            FlagKind::Leaking,
            FlagKind::Robbed,
            FlagKind::Displaced,
            FlagKind::Stalled,
            FlagKind::Souring,
            FlagKind::SensorFault,
        ] {
            let mut whats: Vec<&str> = self
                .events
                .iter()
                .filter(|e| e.event.kind == kind)
                .map(|e| e.event.what.as_str())
                .collect();
            whats.sort_unstable();
            whats.dedup();
            println!("{}, by what it is or who sees it", kind.name());
            for what in whats {
                self.print_row(what, |e| e.event.kind == kind && e.event.what == what);
            }
        }
    }

    fn print_part(&self, title: &str, kind: FlagKind, of: impl Fn(&Judged) -> f64, bounds: &[f64]) {
        println!("{title}");
        let lows = std::iter::once(f64::MIN).chain(bounds.iter().copied());
        let highs = bounds.iter().copied().chain([f64::MAX]);
        for (low, high) in lows.zip(highs) {
            let name = match (low, high) {
                (low, high) if low < -1e9 => format!("under {high}"),
                (low, high) if high > 1e9 => format!("{low} and more"),
                (low, high) => format!("{low} to {high}"),
            };
            self.print_row(&name, |e| {
                e.event.kind == kind && (low..high).contains(&of(e))
            });
        }
    }

    fn print_row(&self, name: &str, of: impl Fn(&Judged) -> bool) {
        let all: Vec<&Judged> = self.events.iter().filter(|e| of(e)).collect();
        let found = all.iter().filter(|e| e.delay_h.is_some()).count();
        let (median, late) = delays(all.iter().copied());
        println!(
            "  {name:22} {found:4} of {:4}, delay {median:.1} h, 90 % {late:.1} h",
            all.len()
        );
    }

    /// What was missed and what was false, one a line.
    pub fn print_faults(&self, kinds: &str) {
        let wanted = |kind: FlagKind| kinds.split(',').any(|k| k == "all" || k == kind.name());
        for e in self
            .events
            .iter()
            .filter(|e| e.delay_h.is_none() && wanted(e.event.kind))
        {
            let of = &e.event;
            println!(
                "missed {} {} {:?} days {:.1} to {:.1}, size {:.3}, colony {:.2} l/day, {}",
                of.kind.name(),
                e.place,
                of.window,
                of.window.0 as f64 / 288.0,
                of.window.1 as f64 / 288.0,
                of.size,
                of.uptake_l_per_day,
                of.what
            );
        }
        for claim in self.claims.iter().filter(|c| !c.right && wanted(c.kind)) {
            println!("false {} {}", claim.kind.name(), claim.says);
        }
    }
}

fn delays<'a>(events: impl Iterator<Item = &'a Judged>) -> (f64, f64) {
    let mut delays: Vec<f64> = events.filter_map(|e| e.delay_h).collect();
    delays.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let last = delays.len().saturating_sub(1) as f64;
        delays
            .get((share * last).round() as usize)
            .copied()
            .unwrap_or(f64::NAN)
    };
    (at(0.5), at(0.9))
}
