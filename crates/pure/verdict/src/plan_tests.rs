//! Plans for criteria and machines made by hand, with published sizes and times.

use super::*;
use std::path::Path;

fn criteria(text: &str) -> Criteria {
    Criteria::parse(text, Path::new("c.toml")).unwrap()
}

fn setup(places: &[(&str, u16, u16)]) -> Setup {
    let slot = |(name, controller, channel): &(&str, u16, u16)| PlanSlot {
        name: (*name).to_owned(),
        controller: Some(*controller),
        channel: Some(*channel),
    };
    Setup {
        slots: places.iter().map(slot).collect(),
        way: Way::Interrupt,
        banks: Banks::Channel,
        at_once: None,
        window_ms: None,
        advised_ms: None,
        orphans_per_hour: 0.0,
    }
}

#[test]
fn published_sizes_and_times() {
    // The success-run and binomial tables: 0 and 1 allowed misses; 299 shots 16 s apart are 79.73 minutes.
    for (r, c, none, one) in [
        (0.90, 0.95, 29, 46),
        (0.95, 0.95, 59, 93),
        (0.99, 0.95, 299, 473),
        (0.99, 0.99, 459, 662),
        (0.999, 0.95, 2995, 4742),
    ] {
        let told =
            plan(&criteria(&format!("confidence = {c}\n[detection]\nat_least = {r}\n")), &setup(&[("A1", 0, 0)]))
                .unwrap();
        assert_eq!([0, 1].map(|i| told.rows[i].shots_per_slot), [none, one], "{r} {c}");
        assert_eq!((told.shots_per_slot, told.decided_by), (none, Criterion::Detection));
        if none == 299 {
            assert!((told.hours * 60.0 - 79.73).abs() < 0.01, "{}", told.hours);
            assert_eq!(told.sentence, "299 shots at each of 1 slot, 299 in all: 79.7 minutes.");
        }
    }
}

#[test]
fn the_row_to_take_is_the_first_that_a_good_machine_passes() {
    let text = "[detection]\nat_least = 0.99\ngood = 0.999\n";
    let told = plan(&criteria(text), &setup(&[("A1", 0, 0)])).unwrap();
    // Binomial: 0.999^299 = 0.7415; 473 with at most one: 0.9180; 628 with at most two: 0.9743.
    let passes: Vec<f64> = told.rows.iter().map(|row| row.passes_if_good.unwrap()).collect();
    for (told, is) in passes.iter().zip([0.7415, 0.9180, 0.9743]) {
        assert!((told - is).abs() < 1e-3, "{passes:?}");
    }
    assert_eq!(told.rows.iter().map(|row| row.recommended).collect::<Vec<_>>(), [false, false, true, false]);
    assert_eq!(told.shots_per_slot, 628);
    for row in &told.rows {
        assert!(row.slot_fails_at_limit >= 0.95, "{row:?}");
    }
    // Several slots must all pass, each at its part of the level.
    let many = plan(&criteria(text), &setup(&[("A1", 0, 0), ("B1", 0, 1), ("C1", 0, 2), ("D1", 0, 3)])).unwrap();
    assert!((many.confidence_per_slot - 0.9875).abs() < 1e-12);
    let taken = many.rows.iter().find(|row| row.recommended).unwrap();
    assert!(taken.passes_if_good.unwrap() >= 0.95 && taken.shots_per_slot > 628, "{taken:?}");
    assert!((taken.slot_passes_if_good.unwrap().powi(4) - taken.passes_if_good.unwrap()).abs() < 1e-12);
    // Too close to be told apart with any number within reach.
    let close = plan(&criteria("[detection]\nat_least = 0.9\ngood = 0.901\n"), &setup(&[("A1", 0, 0)])).unwrap();
    assert!(
        close.rows.iter().all(|row| !row.recommended) && close.notes.iter().any(|n| n.contains("too close")),
        "{close:?}"
    );
}

#[test]
fn banks_are_shot_at_side_by_side() {
    let text = "slots_together = false\n[detection]\nat_least = 0.99\n";
    let four = [("A1", 0, 0), ("A2", 0, 0), ("B1", 0, 1), ("C1", 1, 0)];
    let minutes = |edit: fn(&mut Setup)| {
        let mut setup = setup(&four);
        edit(&mut setup);
        let told = plan(&criteria(text), &setup).unwrap();
        assert_eq!(told.shots, 4 * 299);
        (told.hours * 60.0 * 100.0).round() / 100.0
    };
    // A1 and A2 share a bank: twice 79.73 minutes, and all else meanwhile.
    assert_eq!(minutes(|_| ()), 159.47);
    assert_eq!(minutes(|s| s.banks = Banks::Controller), 239.2);
    assert_eq!(minutes(|s| s.banks = Banks::Machine), 318.93);
    assert_eq!(minutes(|s| s.at_once = Some(1)), 318.93);
    assert_eq!(minutes(|s| s.at_once = Some(9)), 159.47);
    assert_eq!(minutes(|s| s.advised_ms = Some(32_000)), 159.47);
    assert_eq!(minutes(|s| s.way = Way::EdacPolling { every_ms: 1000 }), 19.93);
    // Without their places, all slots are taken to share a bank.
    assert_eq!(minutes(|s| s.slots.iter_mut().for_each(|slot| (slot.controller, slot.channel) = (None, None))), 318.93);
    let told = plan(&criteria(text), &setup(&four)).unwrap();
    let banks: Vec<_> = told.banks.iter().map(|b| (b.name.as_str(), b.slots.join(" "), b.spacing_ms)).collect();
    assert_eq!(
        banks,
        [
            ("mc0 channel 0", "A1 A2".to_owned(), 16_000),
            ("mc0 channel 1", "B1".to_owned(), 16_000),
            ("mc1 channel 0", "C1".to_owned(), 16_000)
        ]
    );
    assert!(told.spacing_reason.starts_with("at least 16 s between") && told.spacing_reason.contains("threshold.c"));
}

#[test]
fn every_criterion_needs_something() {
    let text = "[latency]\nquantile = 0.95\nat_most_ms = 250\n[misplaced]\nat_most = 0.001\n[orphans]\nat_most_per_hour = 1\n\
        [cover]\nslots = [\"A1\"]\nlines = [\"DQ0-DQ63\", \"CB0-CB7\"]\nshots_per_line = 2\n";
    let told = plan(&criteria(text), &setup(&[("A1", 0, 0), ("B1", 0, 1)])).unwrap();
    let needs: Vec<_> = told.needs.iter().map(|n| (n.criterion, n.shots_per_slot)).collect();
    use Criterion::{CoverLines, CoverSlot, Latency, Misplaced, Orphans};
    let is =
        [(Latency, Some(59)), (Misplaced, Some(2995)), (CoverSlot, Some(1)), (CoverLines, Some(144)), (Orphans, None)];
    assert_eq!(needs, is);
    assert_eq!(
        (told.slots.as_slice(), told.shots_per_slot, told.decided_by),
        (["A1".to_owned()].as_slice(), 2995, Misplaced)
    );
    let lines = told.lines.unwrap();
    assert_eq!((lines.lines.as_str(), lines.count, lines.shots_per_line), ("DQ0-DQ63, CB0-CB7", 72, 41));
    // Garwood 1936: no event is at most 2.9957.
    let quiet = plan(&criteria("[orphans]\nat_most_per_hour = 0.5\n"), &setup(&[("A1", 0, 0)])).unwrap();
    assert!((quiet.hours - 2.0 * 2.995_732).abs() < 1e-5 && quiet.shots_per_slot == 0 && quiet.decided_by == Orphans);
}

#[test]
fn sequential() {
    let text = "method = \"sequential\"\n[detection]\nat_least = 0.99\ngood = 0.999\n";
    let told = plan(&criteria(text), &setup(&[("A1", 0, 0)])).unwrap();
    let test = told.sequential.unwrap();
    assert_eq!(test.accepts_after[0], 326);
    // Wald's approximations of the errors hold: about 5 % each, and the average lies beyond the earliest end.
    assert!(test.accepts_if_good.unwrap() > 0.94 && test.accepts_at_limit.unwrap() < 0.06, "{test:?}");
    let average = test.shots_if_good.unwrap();
    assert!(average > 326.0 && average < 628.0, "{average}");
    assert_eq!(told.shots_per_slot, average.ceil() as u64);
}

#[test]
fn a_plan_is_what_the_verdict_asks_for() {
    use crate::{Evidence, RunState, SlotEvidence, Verdict};
    let text = "[detection]\nat_least = 0.99\n[latency]\nquantile = 0.95\nat_most_ms = 250\n";
    for orphans_per_hour in [0.0, 20.0] {
        let mut setup = setup(&[("A1", 0, 0), ("B1", 0, 1)]);
        (setup.window_ms, setup.orphans_per_hour) = (Some(5000), orphans_per_hour);
        let told = plan(&criteria(text), &setup).unwrap();
        let verdict = |shots: u64| {
            let slot = |name: &str| SlotEvidence {
                name: name.into(),
                shots,
                detected: shots,
                detected_watched: shots,
                watched_ns: (told.hours * 3.6e12) as u64,
                orphans: (orphans_per_hour * told.hours).ceil() as u64,
                latencies: vec![crate::LatencyCell { from_ns: 0, to_ns: 1, shots }],
                ..SlotEvidence::default()
            };
            let slots = vec![slot("A1"), slot("B1")];
            let evidence = Evidence { run: "r".into(), state: RunState::Ended, window_ns: Some(5_000_000_000), slots };
            crate::judge::judge(&criteria(text), &evidence).unwrap().verdict
        };
        assert_eq!(verdict(told.shots_per_slot), Verdict::Met, "{told:?}");
        assert_eq!(verdict(told.shots_per_slot - 2), Verdict::NotEnough, "{told:?}");
    }
}

#[test]
fn what_a_plan_warns_of() {
    let text = "[detection]\nat_least = 0.99\n[latency]\nquantile = 0.95\nat_most_ms = 250\n";
    let mut slow = setup(&[("A1", 0, 0)]);
    (slow.way, slow.window_ms) = (Way::Polling { every_s: 300 }, Some(5000));
    let told = plan(&criteria(text), &slow).unwrap();
    assert_eq!(told.banks[0].spacing_ms, 301_000);
    let says = |what: &str| told.notes.iter().any(|note| note.contains(what));
    assert!(says("check_interval") && says("the window is 5000 ms") && says("poll more often"), "{:?}", told.notes);

    let one = setup(&[("A1", 0, 0)]);
    assert_eq!(plan(&criteria(text), &setup(&[])).unwrap_err(), PlanError::NoSlot);
    let named = "[cover]\nslots = [\"Z9\"]\n";
    assert_eq!(plan(&criteria(named), &one).unwrap_err(), PlanError::UnknownSlot("Z9".into()));
    let loud = Setup { orphans_per_hour: f64::NAN, ..one.clone() };
    assert_eq!(plan(&criteria(text), &loud).unwrap_err(), PlanError::Background);
    // A module that reports all the time proves nothing.
    let loud = Setup { orphans_per_hour: 1e6, window_ms: Some(5000), ..one.clone() };
    assert_eq!(plan(&criteria(text), &loud).unwrap_err(), PlanError::OutOfReach("detection"));
    let never = "[misplaced]\nat_most = 0.00000000000001\n";
    assert_eq!(plan(&criteria(never), &one).unwrap_err(), PlanError::OutOfReach("misplaced"));
}
