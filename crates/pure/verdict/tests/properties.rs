//! What must hold for every run: more clean shots never take a pass away, more misses never give one; and the order of slots is
//! nothing.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

use proptest::prelude::*;
use std::path::Path;
use verdict::judge::judge;
use verdict::plan::{Banks, PlanSlot, Setup, Way, plan};
use verdict::{Criteria, Criterion, Evidence, LatencyCell, Rated, RunState, Share, SlotEvidence, Verdict};

const MS: i64 = 1_000_000;

fn criteria(method: &str, together: bool, confidence: f64) -> Criteria {
    let text = format!(
        "confidence = {confidence}\nslots_together = {together}\nmethod = \"{method}\"\n[detection]\nat_least = 0.9\ngood = 0.98\n\
         [latency]\nquantile = 0.9\nat_most_ms = 250\n[misplaced]\nat_most = 0.1\n[misgraded]\nat_most = 0.1\n[orphans]\n\
         at_most_per_hour = 2\n[cover]\nslots = \"all\"\nshots_per_slot = 20\n"
    );
    Criteria::parse(&text, Path::new("c")).unwrap()
}

/// Detected in time, detected late, missed, with how much doubt about each, orphans, minutes watched, blamed wrongly.
type Counts = (u64, u64, u64, f64, u64, u64, u64);

fn counts() -> impl Strategy<Value = Counts> {
    (0..200_u64, 0..10_u64, 0..20_u64, prop_oneof![Just(0.0), 0.0..0.2_f64], 0..6_u64, 0..600_u64, 0..6_u64)
}

fn slot(name: usize, (fast, late, missed, doubt, orphans, minutes, bad): Counts) -> SlotEvidence {
    let detected = fast + late;
    let (n, d) = (detected as f64, missed as f64);
    SlotEvidence {
        name: format!("S{name}"),
        shots: detected + missed,
        detected,
        missed,
        detected_watched: detected,
        rated: (doubt > 0.0)
            .then_some(Rated { detected: n * (1.0 - doubt) + d * doubt, variance: (n + d) * doubt * (1.0 - doubt) }),
        misplaced: Share { count: bad.min(detected), of: detected },
        misgraded: Share { count: bad.min(detected), of: detected },
        orphans,
        watched_ns: minutes * 60_000_000_000,
        latencies: vec![
            LatencyCell { from_ns: 10 * MS, to_ns: 110 * MS, shots: fast },
            LatencyCell { from_ns: 200 * MS, to_ns: 300 * MS, shots: late },
        ],
        ..SlotEvidence::default()
    }
}

fn run(slots: Vec<SlotEvidence>) -> Evidence {
    Evidence { run: "r".into(), state: RunState::Ended, window_ns: Some(5_000_000_000), slots }
}

/// Adds shots that were detected beyond doubt, in time and rightly.
fn clean(slot: &mut SlotEvidence, more: u64) {
    slot.shots += more;
    slot.detected += more;
    slot.detected_watched += more;
    slot.latencies[0].shots += more;
    slot.misplaced.of += more;
    slot.misgraded.of += more;
    if let Some(rated) = &mut slot.rated {
        rated.detected += more as f64;
    }
}

/// Adds shots that were missed beyond doubt.
fn missed(slot: &mut SlotEvidence, more: u64) {
    slot.shots += more;
    slot.missed += more;
}

fn verdicts(criteria: &Criteria, slots: &[SlotEvidence]) -> Vec<(String, Criterion, Verdict)> {
    let told = judge(criteria, &run(slots.to_vec())).unwrap();
    told.findings().map(|f| (f.slot.clone(), f.criterion, f.verdict)).collect()
}

/// The probabilities of 0, 1, 2 … misses in so many shots, each the sum over all ways, shot by shot.
fn by_number_of_misses(shots: u64, miss: f64) -> Vec<f64> {
    (0..shots).fold(vec![1.0], |before, _| {
        let mut after = vec![0.0; before.len() + 1];
        for (misses, p) in before.iter().enumerate() {
            after[misses] += p * (1.0 - miss);
            after[misses + 1] += p * miss;
        }
        after
    })
}

proptest! {
    /// With sure pairs and no background, against probabilities that are added up shot by shot.
    #[test]
    fn detection_and_plan_are_what_adding_up_says(shots in 1..300_u64, missed in 0..12_u64, percent in 50..99_u64) {
        let missed = missed.min(shots);
        let at_least = percent as f64 / 100.0;
        let text = format!("confidence = 0.9\n[detection]\nat_least = {at_least}\ngood = 0.995\n");
        let criteria = Criteria::parse(&text, Path::new("c")).unwrap();
        let mut one = slot(0, (shots - missed, 0, missed, 0.0, 0, 60, 0));
        one.name = "A1".into();
        let evidence = Evidence { run: "r".into(), state: RunState::Ended, window_ns: None, slots: vec![one] };
        let p = by_number_of_misses(shots, 1.0 - at_least);
        let up_to: f64 = p[..=missed as usize].iter().sum();
        let from: f64 = p[missed as usize..].iter().sum();
        // Where rounding decides, either answer is right.
        prop_assume!((up_to - 0.1).abs() > 1e-9 && (from - 0.1).abs() > 1e-9);
        let is = if from <= 0.1 { Verdict::NotMet } else if up_to <= 0.1 { Verdict::Met } else { Verdict::NotEnough };
        prop_assert_eq!(judge(&criteria, &evidence).unwrap().verdict, is);

        let machine = Setup {
            slots: vec![PlanSlot { name: "A1".into(), controller: None, channel: None }],
            way: Way::Interrupt,
            banks: Banks::Channel,
            at_once: None,
            window_ms: None,
            advised_ms: None,
            orphans_per_hour: 0.0,
        };
        for row in plan(&criteria, &machine).unwrap().rows {
            let upto = |shots: u64, miss: f64| by_number_of_misses(shots, miss)[..=row.allowed_misses as usize].iter().sum::<f64>();
            prop_assert!(upto(row.shots_per_slot, 1.0 - at_least) <= 0.1 + 1e-9, "{:?}", row);
            prop_assert!(row.shots_per_slot <= row.allowed_misses + 1 || upto(row.shots_per_slot - 1, 1.0 - at_least) > 0.1 - 1e-9, "{:?}", row);
            prop_assert!((upto(row.shots_per_slot, 0.005) - row.passes_if_good.unwrap()).abs() < 1e-9, "{:?}", row);
        }
    }

    #[test]
    fn clean_shots_never_hurt(
        all in proptest::collection::vec(counts(), 1..6),
        at in any::<prop::sample::Index>(),
        more in 1..300_u64,
        together: bool,
        sequential: bool,
    ) {
        let criteria = criteria(if sequential { "sequential" } else { "fixed" }, together, 0.9);
        let mut slots: Vec<_> = all.into_iter().enumerate().map(|(i, counts)| slot(i, counts)).collect();
        let before = verdicts(&criteria, &slots);
        clean(at.get_mut(&mut slots), more);
        for (before, after) in before.iter().zip(verdicts(&criteria, &slots)) {
            prop_assert!(before.2 != Verdict::Met || after.2 == Verdict::Met, "{:?} {:?}", before, after);
            prop_assert!(after.2 != Verdict::NotMet || before.2 == Verdict::NotMet, "{:?} {:?}", before, after);
        }
    }

    #[test]
    fn misses_never_help(
        all in proptest::collection::vec(counts(), 1..6),
        at in any::<prop::sample::Index>(),
        more in 1..30_u64,
        together: bool,
        sequential: bool,
    ) {
        let criteria = criteria(if sequential { "sequential" } else { "fixed" }, together, 0.9);
        let mut slots: Vec<_> = all.into_iter().enumerate().map(|(i, counts)| slot(i, counts)).collect();
        let before = verdicts(&criteria, &slots);
        missed(at.get_mut(&mut slots), more);
        let after = verdicts(&criteria, &slots);
        // A missed shot is a watched shot: it covers its slot, and says nothing about other criteria.
        for (before, after) in before.iter().zip(after).filter(|(b, _)| matches!(b.1, Criterion::Detection | Criterion::Latency)) {
            prop_assert!(before.2 != Verdict::NotMet || after.2 == Verdict::NotMet, "{:?} {:?}", before, after);
            prop_assert!(after.2 != Verdict::Met || before.2 == Verdict::Met, "{:?} {:?}", before, after);
        }
    }

    #[test]
    fn what_would_settle_it_settles_it(counts in counts(), together: bool, sequential: bool) {
        let criteria = criteria(if sequential { "sequential" } else { "fixed" }, together, 0.95);
        let slots = [slot(0, counts), slot(1, (50, 0, 0, 0.0, 0, 60, 0))];
        let told = judge(&criteria, &run(slots.to_vec())).unwrap();
        for finding in told.findings().filter(|f| f.slot == "S0") {
            let Some(more) = &finding.more else { continue };
            let verdict::Value::Count(n) = more.number.value else { continue };
            let mut slots = slots.clone();
            clean(&mut slots[0], n);
            let after = verdicts(&criteria, &slots);
            let after = after.iter().find(|(slot, criterion, _)| slot == "S0" && *criterion == finding.criterion).unwrap();
            prop_assert_eq!(after.2, Verdict::Met, "{} {:?}", more.text, finding);
        }
    }

    #[test]
    fn findings_agree_with_themselves(all in proptest::collection::vec(counts(), 1..6), together: bool) {
        let criteria = criteria("fixed", together, 0.95);
        let slots: Vec<_> = all.into_iter().enumerate().map(|(i, counts)| slot(i, counts)).collect();
        let told = judge(&criteria, &run(slots.clone())).unwrap();
        for finding in told.findings().filter(|f| f.used.is_some()) {
            if let (Some(lower), Some(upper)) = (finding.lower, finding.upper) {
                prop_assert!(lower <= upper, "{:?}", finding);
            }
            let more_is_better = finding.criterion == Criterion::Detection;
            let (met, not_met) = if more_is_better {
                (finding.lower.is_some_and(|x| x >= finding.limit - 1e-9), finding.upper.is_some_and(|x| x <= finding.limit + 1e-9))
            } else {
                (finding.upper.is_some_and(|x| x <= finding.limit + 1e-9), finding.lower.is_some_and(|x| x >= finding.limit - 1e-9))
            };
            prop_assert!(finding.verdict != Verdict::Met || met, "{:?}", finding);
            prop_assert!(finding.verdict != Verdict::NotMet || not_met, "{:?}", finding);
            prop_assert!(finding.more.is_none() || finding.verdict == Verdict::NotEnough);
        }
        // The order in which slots are named changes nothing.
        let mut turned = slots;
        turned.reverse();
        let mut a: Vec<_> = told.findings().map(|f| serde_json::to_string(f).unwrap()).collect();
        let mut b: Vec<_> = judge(&criteria, &run(turned)).unwrap().findings().map(|f| serde_json::to_string(f).unwrap()).collect();
        a.sort();
        b.sort();
        prop_assert_eq!(a, b);
    }
}
