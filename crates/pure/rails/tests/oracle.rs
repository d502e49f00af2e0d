//! The sums of the state machine against a plain count over all readings, with restarts and with rows told at any time.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

use proptest::prelude::*;
use rails::{Generation, Left, Rails, Second, Settings, Totals};
use std::collections::BTreeMap;
use std::sync::Arc;
use vocabulary::Mono;

const SECOND: i64 = 1_000_000_000;

/// One reading, and what happens after it.
#[derive(Clone, Debug)]
struct Step {
    at: i64,
    millivolts: i64,
    told: bool,
    restarted: bool,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    // Mostly a tenth of a second on, sometimes to the same instant, back, over the end of seconds, or after a silence.
    let ahead = prop_oneof![
        6 => 0..300_000_000_i64,
        1 => Just(0),
        1 => -700_000_000..0_i64,
        1 => (0..4_i64).prop_map(|s| s * SECOND),
        1 => 0..9 * SECOND,
    ];
    let step = (ahead, prop_oneof![Just(1200), Just(1100), Just(1139), Just(1140), Just(1300)], any::<bool>(), 0..6_u8);
    (-3 * SECOND..3 * SECOND, prop::collection::vec(step, 1..60)).prop_map(|(mut at, steps)| {
        let mut made = Vec::new();
        for (ahead, millivolts, told, restarted) in steps {
            at += ahead;
            made.push(Step { at, millivolts, told, restarted: restarted == 0 });
        }
        made
    })
}

fn is_outside(millivolts: i64) -> bool {
    !(1140..=1260).contains(&millivolts)
}

/// Everything from all readings at once: which part of which second each of them holds.
fn plainly(steps: &[Step], hold_ns: i64) -> (Totals, BTreeMap<i64, Second>) {
    let mut kept: Vec<&Step> = Vec::new();
    for step in steps {
        if kept.last().is_none_or(|last| step.at >= last.at) {
            kept.push(step);
        }
    }
    let held: Vec<(i64, i64, &Step)> =
        kept.windows(2).map(|w| (w[0].at, w[1].at.min(w[0].at + hold_ns), w[0])).collect();
    let overlap = |s: i64, (from, to, _): &(i64, i64, &Step)| ((s + 1) * SECOND).min(*to) - (s * SECOND).max(*from);
    let mut seconds = BTreeMap::new();
    let second = |at: i64| at.div_euclid(SECOND);
    for s in second(kept[0].at)..=second(kept[kept.len() - 1].at) {
        let read: Vec<_> = kept.iter().filter(|k| second(k.at) == s).collect();
        let parts: Vec<_> = held.iter().filter(|h| overlap(s, h) > 0).collect();
        let values = || read.iter().map(|k| k.millivolts).chain(parts.iter().map(|p| p.2.millivolts));
        let Some(min) = values().min() else { continue };
        seconds.insert(
            s,
            Second {
                at_s: s,
                readings: read.len() as u64,
                sum_uv: read.iter().map(|k| k.millivolts * 1000).sum(),
                min_uv: min * 1000,
                max_uv: values().max().unwrap() * 1000,
                covered_ns: parts.iter().map(|p| overlap(s, p)).sum(),
                outside: read.iter().filter(|k| is_outside(k.millivolts)).count() as u64,
                outside_ns: parts.iter().filter(|p| is_outside(p.2.millivolts)).map(|p| overlap(s, p)).sum(),
            },
        );
    }
    // Readings outside, one behind the other without a silence, are one excursion.
    let mut excursions: Vec<(i64, i64)> = Vec::new();
    for (n, step) in kept.iter().enumerate().filter(|(_, k)| is_outside(k.millivolts)) {
        let end = held.get(n).map_or(step.at, |h| h.1);
        match excursions.last_mut() {
            Some(open) if n > 0 && is_outside(kept[n - 1].millivolts) && open.1 == step.at => open.1 = end,
            _ => excursions.push((step.at, end)),
        }
    }
    let last = kept[kept.len() - 1];
    let values = || steps.iter().map(|s| s.millivolts * 1000);
    let totals = Totals {
        readings: kept.len() as u64,
        late: (steps.len() - kept.len()) as u64,
        sum_uv: kept.iter().map(|k| k.millivolts * 1000).sum(),
        min_uv: values().min().unwrap(),
        max_uv: values().max().unwrap(),
        covered_ns: held.iter().map(|h| h.1 - h.0).sum(),
        outside: kept.iter().filter(|k| is_outside(k.millivolts)).count() as u64,
        outside_ns: held.iter().filter(|h| is_outside(h.2.millivolts)).map(|h| h.1 - h.0).sum(),
        excursions: excursions.len() as u64,
        longest_ns: excursions.iter().map(|e| e.1 - e.0).max().unwrap_or(0),
        excursion_ns: excursions.last().filter(|_| is_outside(last.millivolts)).map_or(0, |e| e.1 - e.0),
        first_outside: kept.iter().find(|k| is_outside(k.millivolts)).map(|k| Mono(k.at)),
        first: Mono(kept[0].at),
        last: rails::Last { at: Mono(last.at), uv: last.millivolts * 1000, outside: is_outside(last.millivolts) },
    };
    (totals, seconds)
}

/// What a database would hold: a row that is told again stands in the place of the one before.
#[derive(Default)]
struct Disk {
    left: Option<Left>,
    seconds: BTreeMap<i64, Second>,
}

impl Disk {
    fn write(&mut self, rails: &mut Rails) {
        for told in rails.tell() {
            self.seconds.extend(told.seconds.iter().map(|s| (s.at_s, *s)));
            self.left = Some(Left { key: told.key, totals: told.totals, open: told.seconds.last().copied() });
        }
    }
}

proptest! {
    #[test]
    fn sums_are_those_of_a_plain_count(steps in steps(), hold_ns in prop_oneof![Just(2 * SECOND), 1..5 * SECOND]) {
        let settings = Settings { generation: Some(Generation::Ddr4), hold_ns, ..Settings::default() };
        let bench: Arc<str> = "bench".into();
        let mut rails = Rails::new(settings.clone());
        let mut disk = Disk::default();
        for step in &steps {
            rails.read(&bench, "VDD", None, Mono(step.at), step.millivolts as f64).unwrap();
            if step.told || step.restarted {
                disk.write(&mut rails);
            }
            if step.restarted {
                rails = Rails::new(settings.clone());
                rails.restore(disk.left.clone().into_iter().collect());
            }
        }
        disk.write(&mut rails);
        let (expected, expected_seconds) = plainly(&steps, hold_ns);
        prop_assert_eq!(disk.left.unwrap().totals, expected);
        prop_assert_eq!(disk.seconds, expected_seconds);
    }
}
