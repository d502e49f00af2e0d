//! Verdicts on small runs made by hand, with published sample sizes.

use super::*;
use crate::evidence::{LatencyCell, LineEvidence, Rated, Share};
use crate::finding::{Criterion, Value};
use std::path::Path;

const HOUR_NS: u64 = 3_600_000_000_000;

fn criteria(text: &str) -> Criteria {
    Criteria::parse(text, Path::new("c.toml")).unwrap()
}

/// A slot without a background that matters, all shots watched.
fn slot(name: &str, detected: u64, missed: u64) -> SlotEvidence {
    SlotEvidence {
        name: name.into(),
        shots: detected + missed,
        detected,
        missed,
        detected_watched: detected,
        watched_ns: u64::MAX,
        latencies: vec![LatencyCell { from_ns: 1_000_000, to_ns: 2_000_000, shots: detected }],
        misplaced: Share { count: 0, of: detected },
        misgraded: Share { count: 0, of: detected },
        ..SlotEvidence::default()
    }
}

fn run(slots: Vec<SlotEvidence>) -> Evidence {
    Evidence { run: "night 1".into(), state: RunState::Ended, window_ns: Some(5_000_000_000), slots }
}

fn detection(text: &str, slots: Vec<SlotEvidence>) -> Vec<Finding> {
    let told = judge(&criteria(text), &run(slots)).unwrap();
    told.findings().filter(|f| f.criterion == Criterion::Detection).cloned().collect()
}

#[test]
fn published_sizes() {
    // The success-run and binomial tables: shots that show R at the confidence C with 0 and with 1 miss.
    for (r, c, none, one) in [
        (0.90, 0.95, 29, 46),
        (0.95, 0.95, 59, 93),
        (0.99, 0.95, 299, 473),
        (0.99, 0.99, 459, 662),
        (0.999, 0.95, 2995, 4742),
    ] {
        let text = format!("confidence = {c}\n[detection]\nat_least = {r}\n");
        for (misses, n) in [(0, none), (1, one)] {
            let enough = detection(&text, vec![slot("A1", n - misses, misses)]).remove(0);
            assert_eq!(enough.verdict, Verdict::Met, "{r} {c} {n}: {enough:?}");
            assert!(enough.lower.unwrap() >= r && enough.more.is_none());
            let few = detection(&text, vec![slot("A1", n - 1 - misses, misses)]).remove(0);
            assert_eq!(
                (few.verdict, few.more.unwrap().number.value),
                (Verdict::NotEnough, Value::Count(1)),
                "{r} {c} {n}"
            );
        }
    }
}

#[test]
fn sentences_and_questions() {
    let text = "[detection]\nat_least = 0.99\n";
    let met = detection(text, vec![slot("A1", 299, 0)]).remove(0);
    assert_eq!(met.requirement, "at least 99 % of the shots are detected");
    assert_eq!(met.sentence, "299 shots with no miss show that at least 99.003 % are detected.");
    assert_eq!(met.ask.command, "flipwitness shots --run 'night 1' --slot A1 --missed");
    let open = detection(text, vec![slot("A1", 240, 0)]).remove(0);
    assert_eq!(
        open.sentence,
        "240 shots with no miss show 98.75 % so far; 59 more shots without a miss would settle it."
    );
    let failed = detection(text, vec![slot("A1", 90, 10)]).remove(0);
    assert_eq!((failed.verdict, failed.used), (Verdict::NotMet, Some(crate::Bound::Upper)));
    assert!(failed.sentence.starts_with("100 shots with 10 misses show that at most 94.4"), "{}", failed.sentence);
    assert!(failed.more.is_none() && failed.upper.unwrap() < 0.99);
    let nothing = detection(text, vec![slot("A1", 0, 0)]).remove(0);
    assert_eq!((nothing.verdict, nothing.estimate, nothing.lower), (Verdict::NotEnough, None, None));
}

#[test]
fn shots_that_were_not_watched_do_not_count() {
    let mut a1 = slot("A1", 400, 0);
    (a1.detected_watched, a1.unknowable, a1.open, a1.shots) = (200, 7, 3, 410);
    a1.latencies.clear();
    (a1.misplaced, a1.misgraded) = (Share::default(), Share::default());
    let told = judge(&criteria("[detection]\nat_least = 0.99\n"), &run(vec![a1.clone()])).unwrap();
    assert_eq!((told.verdict, told.slots[0].counted), (Verdict::NotEnough, 200));
    assert_eq!(told.refused, Refused { unknowable: 7, unwatched: 200, open: 3, dangerous: 0 });
    assert_eq!(told.cautions.len(), 3, "{:?}", told.cautions);
    assert!(told.cautions[0].starts_with("7 unknowable shots") && told.cautions[1].starts_with("200 detected shots"));

    a1.detected_watched = 0;
    let blind = judge(&criteria("[detection]\nat_least = 0.99\n"), &run(vec![a1])).unwrap();
    assert!(blind.slots[0].blind && blind.cautions.iter().any(|c| c.contains("at A1: see")), "{:?}", blind.cautions);
}

#[test]
fn a_dangerous_detection_is_no_pass_and_no_miss() {
    let text = "[detection]\nat_least = 0.99\n";
    let mut a1 = slot("A1", 309, 0);
    a1.rated = Some(Rated { detected: 309.0, variance: 0.0 });
    a1.dangerous = Share { count: 10, of: 309 };
    let told = judge(&criteria(text), &run(vec![a1.clone()])).unwrap();
    let finding = told.findings().next().unwrap();
    assert_eq!(finding.sentence, "299 shots with no miss show that at least 99.003 % are detected.");
    assert_eq!((told.slots[0].counted, told.refused.dangerous), (309, 10));
    assert!(told.cautions[0].starts_with("10 detected shots were reported as corrected"), "{:?}", told.cautions);
    // One more, and there are too few; all, and nothing is known.
    a1.dangerous.count = 11;
    assert_eq!(detection(text, vec![a1.clone()])[0].verdict, Verdict::NotEnough);
    a1.dangerous.count = 309;
    let nothing = detection(text, vec![a1]).remove(0);
    assert_eq!((nothing.verdict, nothing.estimate), (Verdict::NotEnough, None));
    assert_eq!(nothing.sentence, "All that was watched is dangerous: nothing is known.");
}

#[test]
fn many_slots_together_need_more() {
    let together = "[detection]\nat_least = 0.99\n";
    let alone = "slots_together = false\n[detection]\nat_least = 0.99\n";
    let eight = |n| ["A", "B", "C", "D", "E", "F", "G", "H"].map(|name| slot(name, n, 0)).to_vec();
    let verdicts = |text, n| detection(text, eight(n)).iter().map(|f| f.verdict).collect::<BTreeSet<_>>();
    assert_eq!(verdicts(alone, 299), BTreeSet::from([Verdict::Met]));
    assert_eq!(verdicts(together, 299), BTreeSet::from([Verdict::NotEnough]));
    // ln(0.05/8)/ln 0.99 = 504.98.
    assert_eq!(verdicts(together, 505), BTreeSet::from([Verdict::Met]));
    let of_all = detection(together, eight(299)).remove(0);
    assert!((of_all.confidence - (1.0 - 0.05 / 8.0)).abs() < 1e-12);
    assert_eq!(of_all.more.unwrap().number.value, Value::Count(505 - 299));
    // Stepping down: once seven have passed, the last has all of the 5 %.
    let mut mixed = eight(505);
    mixed[3] = slot("D", 299, 0);
    assert_eq!(detection(together, mixed)[3].verdict, Verdict::Met);
}

#[test]
fn doubt_and_chance_count_against_the_machine() {
    let text = "[detection]\nat_least = 0.99\n";
    let mut a1 = slot("A1", 299, 0);
    a1.rated = Some(Rated { detected: 298.9999, variance: 1e-4 });
    assert_eq!(detection(text, vec![a1.clone()])[0].verdict, Verdict::Met);
    a1.rated = Some(Rated { detected: 297.0, variance: 1.5 });
    let unsure = detection(text, vec![a1.clone()]).remove(0);
    assert_eq!(unsure.verdict, Verdict::NotEnough);
    assert!(unsure.sentence.starts_with("299 shots with at most 5 misses show 96.51 % so far"), "{}", unsure.sentence);
    assert!((unsure.estimate.unwrap() - 297.0 / 299.0).abs() < 1e-12);

    // An hour without an orphan is still up to 3 an hour, of which some fall into windows of 5 s.
    let mut quiet = slot("A1", 299, 0);
    quiet.watched_ns = HOUR_NS;
    let told = detection(text, vec![quiet.clone()]).remove(0);
    assert_eq!((told.verdict, told.more.unwrap().number.value), (Verdict::NotEnough, Value::Count(1)));
    let mut noisy = quiet;
    noisy.orphans = 7200;
    let told = detection(text, vec![noisy]).remove(0);
    assert!(
        told.verdict == Verdict::NotEnough && told.more.is_none() && told.sentence.contains("by themselves"),
        "{told:?}"
    );
}

#[test]
fn sequential() {
    // Wald's lines for 0.001 against 0.01 with 0.05 each: accepted without a miss at 326.
    let text = "method = \"sequential\"\n[detection]\nat_least = 0.99\ngood = 0.999\n";
    assert_eq!(detection(text, vec![slot("A1", 326, 0)])[0].verdict, Verdict::Met);
    let open = detection(text, vec![slot("A1", 325, 0)]).remove(0);
    assert_eq!((open.verdict, open.more.unwrap().number.value), (Verdict::NotEnough, Value::Count(1)));
    // Rejected from 1.274 + 0.003915 n misses on: two in a few shots.
    assert_eq!(detection(text, vec![slot("A1", 50, 2)])[0].verdict, Verdict::NotMet);
    assert_eq!(detection(text, vec![slot("A1", 50, 1)])[0].verdict, Verdict::NotEnough);
    assert_eq!(detection(text, vec![slot("A1", 0, 0)])[0].verdict, Verdict::NotEnough);
}

#[test]
fn wrong_reports_and_orphans() {
    let text = "[misplaced]\nat_most = 0.05\n[misgraded]\nat_most = 0.05\n[dangerous]\nat_most = 0.05\n[orphans]\nat_most_per_hour = 1\n";
    let mut a1 = slot("A1", 59, 0);
    (a1.watched_ns, a1.orphans) = (3 * HOUR_NS, 0);
    a1.misgraded.count = 10;
    let told = judge(&criteria(text), &run(vec![a1])).unwrap();
    let all: Vec<_> = told.findings().map(|f| (f.criterion, f.verdict)).collect();
    use Criterion::{Dangerous, Misgraded, Misplaced, Orphans};
    // 59 without one is 5 % at 95 %; 3 hours without an orphan are at most 0.9986 an hour (Garwood 1936: 2.9957 events).
    assert_eq!(
        all,
        [
            (Misplaced, Verdict::Met),
            (Misgraded, Verdict::NotMet),
            (Dangerous, Verdict::NotEnough),
            (Orphans, Verdict::Met)
        ]
    );
    assert_eq!(told.verdict, Verdict::NotMet);
    assert_eq!(told.sentence, "not met: 1 of 1 slot (A1).");
    let orphans = told.findings().find(|f| f.criterion == Orphans).unwrap();
    assert_eq!(orphans.sentence, "0 unprovoked reports in 3 watched hours: at most 0.999 an hour.");
    // 5 orphans: 1.9701 at least at one side of 95 % (Garwood), so that half an hour shows more than one an hour.
    let mut bad = slot("A1", 1, 0);
    (bad.watched_ns, bad.orphans) = (HOUR_NS, 5);
    let told = judge(&criteria(text), &run(vec![bad])).unwrap();
    assert_eq!(told.findings().find(|f| f.criterion == Orphans).unwrap().verdict, Verdict::NotMet);
}

#[test]
fn coverage() {
    let text = "[cover]\nslots = [\"A1\", \"B1\"]\nshots_per_slot = 3\nlines = [\"DQ0-DQ3\"]\nshots_per_line = 2\n";
    let mut a1 = slot("A1", 8, 0);
    let line = |n: u32, shots| LineEvidence { line: format!("dq{n}"), shots, detected: shots };
    a1.lines = (0..4).map(|n| line(n, 2)).collect();
    let mut b1 = slot("B1", 2, 0);
    b1.lines = vec![line(1, 2), line(3, 1)];
    let told = judge(&criteria(text), &run(vec![a1.clone(), b1, slot("C1", 1, 0), slot("D1", 0, 0)])).unwrap();
    let verdicts: Vec<_> = told.slots.iter().map(|s| (s.slot.as_str(), s.verdict, s.findings.len())).collect();
    assert_eq!(verdicts, [("A1", Verdict::Met, 2), ("B1", Verdict::NotEnough, 2)]);
    // Nothing is asked of C1, although it has shots.
    let left: Vec<_> = told.not_judged.iter().map(|slot| (slot.slot.as_str(), slot.shots)).collect();
    assert_eq!(left, [("C1", 1), ("D1", 0)]);
    let lines = &told.slots[1].findings[1];
    assert_eq!(lines.sentence, "1 of 4 lines; missing: DQ0, DQ2-DQ3; 5 more shots would settle it.");
}

#[test]
fn runs_that_are_not_whole() {
    let text = "[detection]\nat_least = 0.99\n[orphans]\nat_most_per_hour = 1\n";
    let empty = judge(&criteria(text), &run(Vec::new())).unwrap();
    assert_eq!(
        (empty.verdict, empty.sentence.as_str()),
        (Verdict::NotEnough, "not enough evidence: the run knows no slot.")
    );
    let no_shots = judge(&criteria(text), &run(vec![slot("A1", 0, 0), slot("B1", 0, 0)])).unwrap();
    assert_eq!((no_shots.verdict, no_shots.slots.len()), (Verdict::NotEnough, 2));

    let mut going = run(vec![slot("A1", 300, 0)]);
    going.state = RunState::Running;
    let told = judge(&criteria("[detection]\nat_least = 0.99\n"), &going).unwrap();
    assert!(told.so_far && told.sentence == "So far: met: all criteria at 1 slot.", "{}", told.sentence);
    assert_eq!(told.cautions.len(), 2);
    going.state = RunState::CutOff;
    let told = judge(&criteria("[detection]\nat_least = 0.99\n"), &going).unwrap();
    assert!(!told.so_far && told.cautions[0].contains("cut off"));
    going.window_ns = None;
    let told = judge(&criteria("[latency]\nquantile = 0.9\nat_most_ms = 99999\n"), &going).unwrap();
    assert!(told.cautions[1].contains("keeps no window"), "{:?}", told.cautions);
}

#[test]
fn what_does_not_fit() {
    let refused = |text: &str, evidence: &Evidence| judge(&criteria(text), evidence).unwrap_err().to_string();
    let two = run(vec![slot("A1", 1, 0), slot("B1", 1, 0)]);
    assert_eq!(
        refused("[cover]\nslots = [\"A1\", \"Z9\"]\n", &two),
        "cover.slots: the run has no slot \"Z9\"; it has A1, B1"
    );
    assert!(refused("[cover]\nslots = [\"A1\"]\n", &run(Vec::new())).ends_with("it has none at all"));
    assert_eq!(
        refused("[latency]\nquantile = 0.9\nat_most_ms = 5001\n", &two),
        "latency.at_most_ms: 5001 ms is longer than the run's window, 5000 ms: nothing waited so long"
    );
    let any = "[detection]\nat_least = 0.9\n";
    assert!(refused(any, &run(vec![slot("A1", 1, 0), slot("A1", 1, 0)])).contains("two slots \"A1\""));
    let break_it: [fn(&mut SlotEvidence); 6] = [
        |s| s.shots += 1,
        |s| s.detected_watched += 1,
        |s| s.misplaced = Share { count: 2, of: 1 },
        |s| s.latencies[0].shots += 1,
        |s| s.latencies[0].from_ns = 3_000_000,
        |s| s.rated = Some(Rated { detected: f64::NAN, variance: 0.0 }),
    ];
    for edit in break_it {
        let mut a1 = slot("A1", 10, 2);
        edit(&mut a1);
        assert!(refused(any, &run(vec![a1.clone()])).contains("cannot be true"), "{a1:?}");
    }
    let bad = Criteria { confidence: 2.0, ..criteria(any) };
    assert!(judge(&bad, &two).unwrap_err().to_string().starts_with("criteria: confidence: "));
}

#[test]
fn counts_at_the_ends_are_answered() {
    let text = "[detection]\nat_least = 0.999999\n[latency]\nquantile = 0.999\nat_most_ms = 10\n[misplaced]\nat_most = 0.000001\n";
    for n in [1, 1_000_000_000] {
        for missed in [0, 1, n] {
            let told = judge(&criteria(text), &run(vec![slot("A1", n - missed.min(n), missed.min(n))])).unwrap();
            for finding in told.findings() {
                let numbers = [finding.estimate, finding.lower, finding.upper];
                assert!(numbers.iter().flatten().all(|x| x.is_finite() && *x >= 0.0), "{finding:?}");
            }
        }
    }
}
