//! The larger parts of the made-up model. The third slot misses, the eighth is blamed on its neighbour, the twelfth reports by itself,
//! the last has no shots.

use super::{Dice, SECOND, after, name, start};
use evidence::model::*;
use vocabulary::Wall;

const SHOTS: i64 = 3600;
const LIMIT: f64 = 0.999;

fn missed_of(n: usize) -> i64 {
    match n {
        2 => 214,
        5 | 20 => 1,
        13 => 2,
        _ => 0,
    }
}

/// Wilson's interval, good enough for made-up numbers, and the exact one-sided bound where nothing was missed.
fn interval(missed: i64, judged: i64) -> Interval {
    let (n, p) = (judged as f64, 1.0 - missed as f64 / judged as f64);
    let ends = |z: f64| {
        let middle = (p + z * z / (2.0 * n)) / (1.0 + z * z / n);
        let half = z / (1.0 + z * z / n) * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
        (middle - half, (middle + half).min(1.0))
    };
    let (low, high) = ends(1.96);
    let at_least = if missed == 0 { 0.05f64.powf(1.0 / n) } else { ends(1.645).0 };
    Interval {
        estimate: p,
        low,
        high: if missed == 0 { 1.0 } else { high },
        confidence: 0.95,
        at_least,
        at_least_confidence: 0.95,
    }
}

pub(crate) fn slot(n: usize, of: usize) -> Slot {
    let idle = n + 1 == of;
    let shots = if idle { 0 } else { SHOTS - i64::try_from(n % 5).unwrap() * 40 };
    let unknowable = if idle { 0 } else { 3 };
    let missed = if idle { 0 } else { missed_of(n) };
    let detected = shots - unknowable - missed;
    let misplaced = if n == 7 { 31 } else { 0 };
    Slot {
        name: name(n),
        inventory: Inventory {
            controller: Some(i64::try_from(n / 8).unwrap()),
            channel: Some(i64::try_from(n / 2 % 4).unwrap()),
            number: Some(i64::try_from(n % 2).unwrap()),
            label: Some(name(n)),
            size_mb: Some(32_768),
            memory: Some("Registered-DDR4".to_owned()),
            devices: Some("x4".to_owned()),
            objects: 2,
            ecc_stated: Some("S4ECD4ED".to_owned()),
            ecc_assumed: Some(if n == 1 { "SEC-DED (72,64)" } else { "x4 symbol code" }.to_owned()),
            ecc_because: (n == 1).then(|| "from the settings; the driver states otherwise".to_owned()),
        },
        counts: SlotCounts {
            shots,
            detected,
            unwatched: if idle { 0 } else { i64::try_from(n % 3).unwrap() },
            missed,
            unknowable,
            open: 0,
            misplaced,
            misgraded: if n == 2 { 4 } else { 0 },
            dangerous: 0,
            dangerous_watched: 0,
            late: if n % 9 == 5 { 2 } else { 0 },
            shared: if idle { 0 } else { i64::try_from(n % 4).unwrap() },
            echoes: if idle { 0 } else { 12 + i64::try_from(n % 7).unwrap() },
            orphans: if n == 11 { 57 } else { i64::from(n == 18) },
            unsure: if n == 11 { 40 } else { i64::try_from(n % 2).unwrap() * i64::from(!idle) },
        },
        detection: (!idle)
            .then(|| interval(missed, detected - if idle { 0 } else { i64::try_from(n % 3).unwrap() } + missed)),
        accidental: (!idle).then_some(if n == 11 { 40.6 } else { 0.0 }),
        blamed_on: if n == 7 { vec![Blamed { slot: name(6), shots: misplaced }] } else { Vec::new() },
    }
}

fn judged(found: &Slot, limit: f64) -> Answer {
    match &found.detection {
        None => Answer::NotEnough,
        Some(i) if i.at_least >= limit => Answer::Met,
        Some(i) if i.high < limit => Answer::NotMet,
        Some(_) => Answer::NotEnough,
    }
}

pub(crate) fn verdict(slots: &[Slot]) -> Verdict {
    let detection: Vec<SlotAnswer> = slots
        .iter()
        .map(|s| SlotAnswer {
            slot: s.name.clone(),
            answer: judged(s, LIMIT),
            estimate: s.detection.map(|i| Quantity::Share(i.estimate)),
            bound: s.detection.map(|i| match judged(s, LIMIT) {
                Answer::NotMet => Bound::AtMost(Quantity::Share(i.high)),
                _ => Bound::AtLeast(Quantity::Share(i.at_least)),
            }),
            against: s.counts.missed,
            of: s.counts.judged(),
            note: (judged(s, LIMIT) == Answer::NotEnough)
                .then(|| "2995 shots without a miss would be enough".to_owned()),
        })
        .collect();
    let misplaced: Vec<SlotAnswer> = slots
        .iter()
        .map(|s| SlotAnswer {
            slot: s.name.clone(),
            answer: if s.counts.misplaced > 0 {
                Answer::NotMet
            } else if s.counts.shots == 0 {
                Answer::NotEnough
            } else {
                Answer::Met
            },
            estimate: None,
            bound: (s.counts.shots > 0).then_some(if s.counts.misplaced > 0 {
                Bound::AtLeast(Quantity::Share(0.0064))
            } else {
                Bound::AtMost(Quantity::Share(0.00084))
            }),
            against: s.counts.misplaced,
            of: s.counts.detected,
            note: None,
        })
        .collect();
    let orphans = SlotAnswer {
        slot: String::new(),
        answer: Answer::NotMet,
        estimate: Some(Quantity::PerHour(4.21)),
        bound: Some(Bound::AtLeast(Quantity::PerHour(3.32))),
        against: 59,
        of: 59,
        note: None,
    };
    Verdict {
        answer: Some(Answer::NotMet),
        reasons: vec![
            format!("{} misses too many shots: 214 of 3517, where at most one in a thousand is allowed.", name(2)),
            format!("{} is reported as {}: 31 shots.", name(7), name(6)),
            format!("{} reports errors that nobody provoked, about four in an hour.", name(11)),
        ],
        criteria_from: Some("invented-criteria.toml".to_owned()),
        criteria_text: Some(
            "[detection]\nat_least = 0.999\nconfidence = 0.95\n\n[misplaced]\nat_most = 0.001\n\n[orphans]\nper_hour_at_most = 1.0\n".to_owned(),
        ),
        plan: Some("Fixed number of shots; the confidence holds for all slots together (Holm).".to_owned()),
        criteria: vec![
            Criterion {
                name: "Detection".to_owned(),
                demand: "at least 99.9 % of the shots at every slot, with 95 % confidence".to_owned(),
                limit: Some(Quantity::Share(LIMIT)),
                judges_detection: true,
                answer: Answer::NotMet,
                slots: detection,
                whole: None,
            },
            Criterion {
                name: "Misplaced".to_owned(),
                demand: "at most 0.1 % of the detected shots at every slot".to_owned(),
                limit: Some(Quantity::Share(0.001)),
                judges_detection: false,
                answer: Answer::NotMet,
                slots: misplaced,
                whole: None,
            },
            Criterion {
                name: "Orphans".to_owned(),
                demand: "at most 1 in an hour on the whole machine".to_owned(),
                limit: Some(Quantity::PerHour(1.0)),
                judges_detection: false,
                answer: Answer::NotMet,
                slots: Vec::new(),
                whole: Some(orphans),
            },
        ],
    }
}

pub(crate) fn latency(slots: &[Slot]) -> Latency {
    let mut dice = Dice(3);
    let curves = slots
        .iter()
        .map(|slot| {
            let shots = slot.counts.detected + slot.counts.missed;
            let reported = if shots > 0 { slot.counts.detected as f64 / shots as f64 } else { 0.0 };
            let median_ms = 20.0 + 60.0 * dice.roll();
            let steps: Vec<Step> = (1..=200)
                .filter(|_| shots > 0)
                .map(|n| {
                    let p = f64::from(n) / 200.5;
                    let at_ms = median_ms * (0.9 * (p / (1.0 - p)).ln()).exp();
                    let half = 1.96 * (p * (1.0 - p) / 300.0).sqrt();
                    let share = f64::from(n) / 200.0 * reported;
                    let (low, high) = ((share - half).max(0.0), (share + half).min(1.0));
                    Step { at_ns: (at_ms * 1e6) as i64, share, low: Some(low), high: Some(high) }
                })
                .collect();
            let at = |share: f64| {
                let ns = steps.iter().find(|s| s.share >= share).map(|s| s.at_ns);
                Quantile {
                    share,
                    ns,
                    low_ns: ns.map(|ns| ns * 93 / 100),
                    high_ns: ns.filter(|_| share < 0.995).map(|ns| ns * 112 / 100),
                }
            };
            Curve {
                name: slot.name.clone(),
                shots,
                missed: slot.counts.missed,
                estimator: Estimator::KaplanMeier,
                confidence: 0.95,
                quantiles: vec![at(0.5), at(0.95), at(0.99)],
                steps,
            }
        })
        .collect();
    Latency {
        each: "slot".to_owned(),
        limit_ns: Some(2 * SECOND),
        limit_share: Some(0.99),
        window_ns: 10 * SECOND,
        curves,
    }
}

pub(crate) fn time_line(slots: &[Slot], bins: usize) -> TimeLine {
    let mut dice = Dice(5);
    let bin_ns = 14 * 3600 * SECOND / i64::try_from(bins).unwrap();
    let total: i64 = slots.iter().map(|s| s.counts.detected).sum();
    let reboot = bins * 9 / 14;
    let told: Vec<TimeBin> = (0..bins)
        .map(|n| TimeBin {
            detected: if n == reboot { 40 } else { total / i64::try_from(bins).unwrap() + dice.below(30) },
            missed: i64::from(dice.roll() < 0.1) + if n > bins / 3 && n < bins / 2 { dice.below(7) } else { 0 },
            unknowable: if n == reboot { 96 } else { 0 },
            open: 0,
            orphans: i64::from(dice.roll() < 0.04) + if n > bins * 3 / 4 { dice.below(2) } else { 0 },
        })
        .collect();
    let events = |slot: &Slot| {
        let misses = usize::try_from(slot.counts.missed.min(60)).unwrap();
        SlotEvents {
            slot: slot.name.clone(),
            missed: (0..misses).map(|n| (bins / 3 + n * bins / 400, 1 + i64::from(n < 3))).collect(),
            orphans: (0..usize::try_from(slot.counts.orphans.min(60)).unwrap())
                .map(|n| (bins * 3 / 4 + n * bins / 260, 1))
                .collect(),
        }
    };
    let with_events = slots.iter().filter(|s| s.counts.missed + s.counts.orphans > 0);
    TimeLine {
        from: start(),
        bin_ns,
        bins: told,
        slots: with_events.map(events).collect(),
        slots_left_out: 0,
        gaps: vec![
            Gap {
                from: after(7300),
                to: after(7305),
                source: "mc_event".to_owned(),
                controller: Some(1),
                why: "the kernel's ring overran: 12 events lost".to_owned(),
            },
            Gap {
                from: after(9 * 3600),
                to: after(9 * 3600 + 126),
                source: "daemon".to_owned(),
                controller: None,
                why: "the machine was restarted".to_owned(),
            },
        ],
        gap_count: 2,
        gap_ns: 131 * SECOND,
        excursions: vec![Excursion {
            from: after(20_000),
            to: after(20_220),
            rail: "VDD".to_owned(),
            slot: Some(name(2)),
            worst_mv: 1124.0,
            shots: 17,
        }],
        excursion_count: 1,
    }
}

pub(crate) fn lines(slots: &[Slot]) -> LineGrid {
    let names: Vec<String> = (0..64).map(|n| format!("DQ{n}")).chain((0..8).map(|n| format!("CB{n}"))).collect();
    let rows = slots
        .iter()
        .enumerate()
        .map(|(n, slot)| LineRow {
            slot: slot.name.clone(),
            cells: (0..72)
                .map(|line| {
                    let forced = slot.counts.shots > 0 && (line < 64 || n == 2);
                    let missed = match (n, line) {
                        (2, 20) => 112,
                        (2, 21) => 40,
                        (2, 22) => 2,
                        (2, 8..16) => 3 + i64::from(line % 3),
                        (5 | 20, 33) => 1,
                        (13, 5) => 2,
                        _ => 0,
                    };
                    forced.then_some(LineCell { shots: 112 + i64::from(line % 4), missed })
                })
                .collect(),
        })
        .collect();
    LineGrid { title: None, lines: names, rows }
}

pub(crate) fn misses(slots: &[Slot]) -> Misses {
    let seen = |fact: &str, value: &str| Seen { fact: fact.to_owned(), value: value.to_owned() };
    let merged = Cause {
        word: "merged".to_owned(),
        strength: "likely".to_owned(),
        what: "The hardware keeps one record until it is read: this error came while an earlier one was still in its bank.".to_owned(),
        seen: vec![seen("report before", "3.1 ms earlier, at the same slot, corrected"), seen("row THR of /proc/interrupts", "one interrupt between both shots")],
    };
    let polling = Cause {
        word: "polling".to_owned(),
        strength: "cannot be excluded".to_owned(),
        what: "The kernel polls this machine's banks: what is overwritten between two looks is never seen.".to_owned(),
        seen: vec![seen("check_interval", "300 s")],
    };
    let total = slots.iter().map(|s| s.counts.missed).sum();
    let first = (0..50)
        .map(|n| Miss {
            injection: format!("inv-{:05}", 1200 + n * 3),
            shot: 1 + n % 4,
            slot: name(if n == 7 { 5 } else { 2 }),
            lines: if n % 5 == 0 { vec!["DQ20".to_owned(), "DQ21".to_owned()] } else { vec!["DQ20".to_owned()] },
            fired: Some(Wall(after(17_000).0 + n * 71_304_000_000)),
            confidence: Some(if n % 9 == 0 { 0.86 } else { 0.9987 }),
            causes: vec![merged.clone(), polling.clone()],
        })
        .collect();
    Misses {
        total,
        looked_into: total,
        by_cause: vec![
            CauseCount { word: "merged".to_owned(), what: merged.what.clone(), shots: total - 12 },
            CauseCount {
                word: "nothing_seen".to_owned(),
                what: "Nothing at all was seen on the machine.".to_owned(),
                shots: 12,
            },
        ],
        first,
        all: "flipwitness shots --run 7 --missed --why".to_owned(),
    }
}

pub(crate) fn orphans(slots: &[Slot]) -> Orphans {
    let by_slot = slots
        .iter()
        .filter(|s| s.counts.orphans > 0)
        .map(|s| OrphanRate {
            slot: s.name.clone(),
            orphans: s.counts.orphans,
            watched_ns: 14 * 3600 * SECOND - 131 * SECOND,
            per_hour: Some(s.counts.orphans as f64 / 13.964),
            low: Some(if s.counts.orphans > 1 { 3.09 } else { 0.0018 }),
            high: Some(if s.counts.orphans > 1 { 5.29 } else { 0.399 }),
            confidence: 0.95,
        })
        .collect();
    let first = (0..50)
        .map(|n| Orphan {
            report: 4000 + n * 97,
            seen: Some(after(38_000 + n * 190)),
            slot: (n != 3).then(|| name(11)),
            severity: "corrected".to_owned(),
            count: if n == 9 { 0 } else { 1 },
            source: if n % 6 == 0 { "counter" } else { "mc_event" }.to_owned(),
            message: Some("memory read error".to_owned()),
            address: (n % 6 != 0).then(|| format!("0x{:x}", 0x3_4f10_0000i64 + n * 64)),
            syndrome: (n % 6 != 0).then(|| "0x9b".to_owned()),
        })
        .collect();
    let total = slots.iter().map(|s| s.counts.orphans).sum::<i64>() + 1;
    Orphans { total, without_place: 1, by_slot, first, all: "flipwitness orphans --run 7".to_owned() }
}

pub(crate) fn rails() -> Vec<Rail> {
    let mut dice = Dice(9);
    let mut rail = |name_of: &str, slot: Option<usize>, middle: f64, low: f64, high: f64, dip: f64| {
        let bins: Vec<RailBin> = (0..180i64)
            .filter(|n| !(116..=118).contains(n))
            .map(|n| {
                let mean_mv = middle + 6.0 * dice.roll() - 3.0;
                let dip = if n == 71 { dip } else { 0.0 };
                RailBin {
                    from: after(n * 280),
                    to: after((n + 1) * 280),
                    least_mv: mean_mv - 8.0 - 3.0 * dice.roll() - dip,
                    mean_mv: mean_mv - dip / 4.0,
                    most_mv: mean_mv + 8.0 + 3.0 * dice.roll(),
                }
            })
            .collect();
        Rail {
            name: name_of.to_owned(),
            slot: slot.map(name),
            low_mv: Some(low),
            high_mv: Some(high),
            limits_from: Some("JESD79-4, recommended DC operating conditions".to_owned()),
            readings: 50_400,
            least_mv: bins.iter().map(|b| b.least_mv).fold(f64::INFINITY, f64::min),
            mean_mv: middle,
            most_mv: bins.iter().map(|b| b.most_mv).fold(0.0, f64::max),
            outside_ns: Some(if dip > 0.0 { 220 * SECOND } else { 0 }),
            bins,
        }
    };
    vec![
        rail("VDD", Some(2), 1203.0, 1140.0, 1260.0, 68.0),
        rail("VPP", None, 2511.0, 2375.0, 2750.0, 0.0),
        rail("VTT", None, 601.0, 568.0, 632.0, 0.0),
    ]
}
