//! Every outcome of a shot and every role of a report, one small story each.
#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

mod common;
use common::*;
use pairing::{Engine, Input, Settings};
use vocabulary::{Blame, LooksLike, Outcome, Role, Severity, ShotKey, Sighted, SlotId, Source};

#[test]
fn a_report_in_the_window_detects_the_shot() {
    let got = run(settings(), vec![shot(1, 0, 1000), Input::Witness(event(1, 0, 1040))]);
    let shot = got.of(1);
    assert_eq!(shot.outcome, Outcome::Detected);
    assert_eq!((shot.report, shot.latency_ns, shot.latency_min_ns), (Some(1), Some(40 * MS), Some(40 * MS)));
    assert!(!shot.misplaced && !shot.misgraded && !shot.late && !shot.shared);
    assert_eq!(got.reports()[0].shot, Some(ShotKey { injection: 1, n: 1 }));
}

#[test]
fn no_report_is_a_miss_and_a_report_outside_is_an_orphan() {
    let got = run(
        settings(),
        vec![Input::Witness(event(1, 0, 900)), shot(1, 0, 1000), Input::Witness(event(2, 0, 6500)), shot(2, 1, 20_000)],
    );
    assert_eq!((got.outcome(1), got.outcome(2)), (Outcome::Missed, Outcome::Missed));
    assert_eq!(got.roles(), [(1, Role::Orphan), (2, Role::Orphan)]);
}

#[test]
fn a_gap_in_the_window_leaves_the_shot_unknowable_unless_it_was_detected() {
    let got = run(
        settings(),
        vec![
            shot(1, 0, 1000),
            shot(2, 1, 1000),
            gap(2000, 2001),
            Input::Witness(event(1, 1, 1500)),
            shot(3, 0, 30_000),
        ],
    );
    assert_eq!(got.outcome(1), Outcome::Unknowable);
    assert_eq!(got.of(1).why.as_deref(), Some("mc_event was not watched: overrun"));
    assert_eq!(got.outcome(2), Outcome::Detected);
    assert_eq!(got.outcome(3), Outcome::Missed);
    // The second would have been unknowable too, had nothing been said of it.
    assert_eq!([1, 2, 3].map(|n| got.of(n).watched), [false, false, true]);
}

#[test]
fn a_gap_of_one_controller_hides_only_its_slots() {
    let Input::Gap(mut blind) = gap(2000, 3000) else { unreachable!() };
    blind.controller = Some(1);
    let inputs = [shot(1, 0, 1000), shot(2, 9, 1000), shot(3, 1, 1000), Input::Witness(event(1, 1, 1030))];
    let got = run(settings(), [vec![Input::Gap(blind)], inputs.into()].concat());
    assert_eq!((got.outcome(1), got.outcome(2)), (Outcome::Missed, Outcome::Unknowable));
    assert_eq!((got.outcome(3), got.of(3).watched), (Outcome::Detected, true));
}

#[test]
fn another_slot_is_blamed() {
    let got = run(settings(), vec![shot(1, 2, 1000), Input::Witness(event(1, 3, 1030))]);
    let shot = got.of(1);
    assert_eq!((shot.outcome, shot.misplaced, shot.blamed), (Outcome::Detected, true, Some(SlotId(3))));
}

#[test]
fn a_report_that_its_own_slot_can_explain_is_never_taken_away() {
    let got = run(settings(), vec![shot(1, 2, 1000), shot(2, 3, 1010), Input::Witness(event(1, 3, 1030))]);
    assert_eq!((got.outcome(1), got.outcome(2)), (Outcome::Missed, Outcome::Detected));
    assert!(!got.of(2).misplaced);
}

#[test]
fn on_a_noisy_slot_chance_explains_a_report_better_than_a_wrong_blame() {
    let mut inputs: Vec<Input> = (0..60).map(|i| Input::Witness(event(i, 3, 1000 + i * 500))).collect();
    inputs.push(shot(1, 2, 28_000));
    let got = run(settings(), inputs);
    assert_eq!(got.outcome(1), Outcome::Missed);
}

#[test]
fn another_severity_is_told() {
    let uncorrected = |id, ms| Input::Witness(Sighted { severity: Severity::Fatal, ..event(id, 0, ms) });
    let got = run(
        settings(),
        vec![
            shot_expecting(1, 0, 1000, Some(Severity::Corrected)),
            uncorrected(1, 1050),
            shot_expecting(2, 0, 20_000, Some(Severity::Uncorrected)),
            uncorrected(2, 20_050),
            shot(3, 0, 40_000),
            uncorrected(3, 40_050),
        ],
    );
    assert!(got.of(1).misgraded && got.of(1).outcome == Outcome::Detected);
    // Fatal and uncorrected are one class: who found the error decides between them.
    assert!(!got.of(2).misgraded);
    assert!(!got.of(3).misgraded);
}

#[test]
fn late_is_after_the_deadline_and_inside_the_window() {
    let limits = Settings { deadline_ns: Some(100 * MS), ..settings() };
    let got = run(
        limits,
        vec![shot(1, 0, 1000), Input::Witness(event(1, 0, 1100)), shot(2, 1, 1000), Input::Witness(event(2, 1, 1101))],
    );
    assert!(!got.of(1).late);
    assert!(got.of(2).late && got.outcome(2) == Outcome::Detected);
}

#[test]
fn further_reports_are_echoes_of_the_detected_shot() {
    let got = run(
        settings(),
        vec![
            shot(1, 0, 1000),
            Input::Witness(event(1, 0, 1010)),
            Input::Witness(event(2, 0, 1020)),
            Input::Witness(event(3, 0, 3000)),
            Input::Witness(event(4, 1, 3000)),
            Input::Witness(Sighted { severity: Severity::Uncorrected, ..event(5, 0, 3000) }),
        ],
    );
    assert_eq!(got.roles(), [(1, Role::Match), (2, Role::Echo), (3, Role::Echo), (4, Role::Orphan), (5, Role::Orphan)]);
    assert_eq!(got.reports().iter().filter(|r| r.shot.is_some()).count(), 3);
}

#[test]
fn an_echo_at_the_wrong_slot_is_explained_by_the_misplaced_shot() {
    let got =
        run(settings(), vec![shot(1, 2, 1000), Input::Witness(event(1, 3, 1030)), Input::Witness(event(2, 3, 1035))]);
    assert_eq!(got.roles(), [(1, Role::Match), (2, Role::Echo)]);
}

#[test]
fn a_count_covers_several_shots() {
    let counted = Input::Witness(Sighted { count: 3, ..event(1, 0, 1300) });
    let got = run(settings(), vec![shot(1, 0, 1000), shot(2, 0, 1100), shot(3, 0, 1200), shot(4, 0, 1250), counted]);
    let detected: Vec<_> = got.shots().into_iter().filter(|s| s.outcome == Outcome::Detected).collect();
    assert_eq!(detected.len(), 3);
    assert!(detected.iter().all(|s| s.shared && s.report == Some(1)));
    assert_eq!(got.reports().len(), 1);
}

#[test]
fn reports_of_their_own_go_before_a_share() {
    let counted = Input::Witness(Sighted { count: 2, ..event(1, 0, 1150) });
    let got = run(settings(), vec![shot(1, 0, 1000), shot(2, 0, 1100), counted, Input::Witness(event(2, 0, 1160))]);
    assert_ne!(got.of(1).report, got.of(2).report);
    assert!(got.shots().iter().all(|s| s.outcome == Outcome::Detected && !s.shared));
}

#[test]
fn a_count_of_zero_is_at_least_one() {
    let got = run(settings(), vec![shot(1, 0, 1000), Input::Witness(Sighted { count: 0, ..event(1, 0, 1030) })]);
    assert_eq!(got.outcome(1), Outcome::Detected);
    assert_eq!(got.reports()[0].count, 0);
}

#[test]
fn an_unknown_place_is_compatible_with_every_slot_and_proves_none() {
    let loose = Input::Witness(Sighted { blame: Blame::Anywhere, ..event(1, 0, 1030) });
    let got = run(settings(), vec![shot(1, 5, 1000), loose]);
    assert_eq!(got.outcome(1), Outcome::Detected);
    assert!(!got.of(1).misplaced && got.of(1).blamed.is_none());

    let one_of = |ms| Input::Witness(Sighted { blame: Blame::Among([SlotId(1), SlotId(2)].into()), ..event(1, 1, ms) });
    let got = run(settings(), vec![shot(1, 5, 1000), shot(2, 2, 1000), one_of(1030)]);
    assert_eq!((got.outcome(1), got.outcome(2)), (Outcome::Missed, Outcome::Detected));
}

#[test]
fn a_counter_step_after_its_event_is_the_same_error() {
    let got = run(
        settings(),
        vec![shot(1, 0, 1000), Input::Witness(event(1, 0, 1030)), Input::Witness(counter(2, 0, 1000, 1100, 1))],
    );
    assert_eq!(got.reports().len(), 1);
    assert_eq!(got.reports()[0].witnesses, [1, 2]);
    // The read came between the event and the counter's move: the step is seen one read later.
    let got = run(
        settings(),
        vec![shot(1, 0, 1000), Input::Witness(event(1, 0, 1099)), Input::Witness(counter(2, 0, 1100, 1200, 1))],
    );
    assert_eq!(got.reports().len(), 1);
}

#[test]
fn what_the_counters_hold_beyond_the_events_is_a_report_of_its_own() {
    let got = run(
        settings(),
        vec![
            shot(1, 0, 1000),
            Input::Witness(event(1, 0, 1010)),
            shot(2, 0, 1020),
            Input::Witness(counter(2, 0, 1000, 1100, 3)),
        ],
    );
    assert_eq!((got.outcome(1), got.outcome(2)), (Outcome::Detected, Outcome::Detected));
    let by_counter = got.reports().into_iter().find(|r| r.anchor == 2).unwrap().clone();
    assert_eq!(by_counter.count, 2);
    let latency = |n| (got.of(n).latency_min_ns.unwrap(), got.of(n).latency_ns.unwrap());
    assert_eq!(latency(1), (10 * MS, 10 * MS));
    assert_eq!(latency(2), (0, 80 * MS));
}

#[test]
fn a_no_info_counter_is_moved_by_events_without_a_place() {
    let loose = Sighted { blame: Blame::Among([SlotId(0), SlotId(1)].into()), ..event(1, 0, 1030) };
    let step = Sighted { blame: Blame::Anywhere, ..counter(2, 0, 1000, 1100, 1) };
    let got = run(settings(), vec![shot(1, 0, 1000), Input::Witness(loose), Input::Witness(step)]);
    assert_eq!(got.reports().len(), 1);
}

#[test]
fn a_machine_check_record_and_its_event_are_one_report() {
    let known = Some(0x12345040);
    let decoded = Sighted { address: known, ..event(2, 0, 1790) };
    let got = run(settings(), vec![shot(1, 0, 1000), Input::Witness(record(1, 1005, known)), Input::Witness(decoded)]);
    assert_eq!(got.reports().len(), 1);
    assert_eq!(got.reports()[0].witnesses, [2, 1]);
    // Another page is another error.
    let other = Sighted { address: Some(0x99999040), ..event(2, 0, 1790) };
    let got = run(settings(), vec![Input::Witness(record(1, 1005, known)), Input::Witness(other)]);
    assert_eq!(got.reports().len(), 2);
}

#[test]
fn a_machine_check_record_alone_is_a_report_without_a_place() {
    let got = run(settings(), vec![shot(1, 4, 1000), Input::Witness(record(1, 1900, Some(0x12345040)))]);
    assert_eq!(got.outcome(1), Outcome::Detected);
    assert_eq!(got.of(1).latency_ns, Some(900 * MS));
    assert!(!got.of(1).misplaced);
}

#[test]
fn close_shots_on_one_slot_each_get_their_report() {
    let mut inputs = Vec::new();
    for i in 0..20 {
        inputs.push(shot(i, 0, 1000 + 200 * i));
        inputs.push(Input::Witness(event(i, 0, 1030 + 200 * i + (i % 3) * 10)));
    }
    let got = run(settings(), inputs);
    for i in 0..20 {
        let report = got.reports().into_iter().find(|r| Some(r.report) == got.of(i).report).unwrap();
        assert_eq!(report.anchor, i, "shot {i}");
    }
}

#[test]
fn an_injection_told_of_late_still_gets_its_report() {
    let Input::Shot(mut late) = shot(1, 0, 1000) else { unreachable!() };
    late.0.known = at(1800);
    let got = run(settings(), vec![Input::Witness(event(1, 0, 1030)), Input::Shot(late)]);
    assert_eq!(got.outcome(1), Outcome::Detected);
}

#[test]
fn an_injection_told_of_too_late_is_unknowable_not_missed() {
    let Input::Shot(mut late) = shot(1, 0, 1000) else { unreachable!() };
    late.0.known = at(9_000);
    let got = run(settings(), vec![Input::Witness(event(1, 0, 1030)), Input::Shot(late)]);
    assert_eq!(got.outcome(1), Outcome::Unknowable);
    assert_eq!(got.of(1).why.as_deref(), Some("the injection was told of 8.0 s after it was fired"));
}

#[test]
fn many_shots_of_one_order_each_get_their_report() {
    // Planned ahead in one order, closer together than the window is long, and reported by a slow poller in part.
    let mut inputs = Vec::new();
    for i in 0..200 {
        let Input::Shot(mut planned) = shot(i, 0, 1000 + 100 * i) else { unreachable!() };
        planned.0.known = at(500);
        inputs.push(Input::Shot(planned));
        if i % 10 != 7 {
            inputs.push(Input::Witness(event(i, 0, 1020 + 100 * i)));
        }
    }
    let got = run(settings(), inputs);
    for i in 0..200 {
        let want = if i % 10 == 7 { Outcome::Missed } else { Outcome::Detected };
        assert_eq!(got.outcome(i), want, "shot {i}: {:?}", got.of(i));
    }
}

#[test]
fn records_without_a_place_are_enough_for_a_crowd() {
    // No driver decodes: machine-check records are all there is, for more shots of one slot than its stories hold.
    let shots = (0..40).map(|i| shot(i, 0, 1000 + 200 * i));
    let records = (0..40).map(|i| Input::Witness(record(i, 1030 + 200 * i, None)));
    let got = run(settings(), shots.chain(records).collect());
    let detected = got.shots().iter().filter(|s| s.outcome == Outcome::Detected).count();
    assert!(detected >= 38, "{detected} of 40");
}

#[test]
fn a_crowd_of_shots_waits_for_a_slow_poller() {
    // A hundred shots within the window, and all reports only after the last of them.
    let shots = (0..100).map(|i| shot(i, 0, 1000 + 20 * i));
    let reports = (0..100).map(|i| Input::Witness(event(i, 0, 3500 + i)));
    let got = run(settings(), shots.chain(reports).collect());
    let detected = got.shots().iter().filter(|s| s.outcome == Outcome::Detected).count();
    assert!(detected >= 95, "{detected} of 100");
    // Nobody could tell which report is whose, and the answers say so.
    assert!(got.shots().iter().all(|s| s.confidence.is_some_and(|c| c < 0.5)));
}

#[test]
fn a_crowd_of_candidates_gets_an_answer_and_no_confidence() {
    // Everything at one slot within two seconds: each of 600 reports could be each of 600 shots'.
    let shots = (0..600).map(|i| {
        let Input::Shot(mut order) = shot(i, 0, 0) else { unreachable!() };
        order.0.fired = vocabulary::Span::point(vocabulary::Mono(1_000 * MS + i * 400_000));
        order.0.known = order.0.fired.from;
        Input::Shot(order)
    });
    let reports = (0..600).map(|i| {
        let at = vocabulary::Mono(1_050 * MS + i * 400_000);
        Input::Witness(Sighted { known: at, span: vocabulary::Span::point(at), ..event(i, 0, 0) })
    });
    let got = run(settings(), shots.chain(reports).collect());
    assert_eq!(got.shots().len(), 600);
    let detected = got.shots().iter().filter(|s| s.outcome == Outcome::Detected).count();
    assert!(detected > 580, "{detected} of 600");
    assert!(got.shots().iter().filter(|s| s.confidence.is_some_and(|c| c < 0.5)).count() > 580);
}

#[test]
fn a_source_whose_time_goes_backwards_is_taken_as_it_says() {
    // Known in this order; the second and third were seen before the first.
    let back = |id, seen_ms, known_ms| Input::Witness(Sighted { known: at(known_ms), ..event(id, 0, seen_ms) });
    let got = run(
        settings(),
        vec![shot(1, 0, 1000), back(1, 1900, 1900), back(2, 400, 1910), back(3, 1040, 1920), shot(2, 0, 20_000)],
    );
    assert_eq!((got.outcome(1), got.outcome(2)), (Outcome::Detected, Outcome::Missed));
    // What was seen before the shot was fired is nobody's.
    assert!(got.roles().contains(&(2, Role::Orphan)));
    assert_eq!(got.reports().len(), 3);
}

#[test]
fn the_same_lines_give_the_same_syndrome() {
    // Two kinds of forcing on one slot, each with a syndrome of its own; then both close together, reported in reverse.
    let forced = |i, ms, kind| {
        let Input::Shot(mut order) = shot(i, 0, ms) else { unreachable!() };
        order.0.forced = kind;
        Input::Shot(order)
    };
    let told = |i, ms, syndrome| Input::Witness(Sighted { syndrome: Some(syndrome), ..event(i, 0, ms) });
    let mut inputs = Vec::new();
    for i in 0..40 {
        let kind = 1 + (i % 2) as u64;
        inputs.push(forced(i, 1_000 + 20_000 * i, kind));
        inputs.push(told(i, 1_000 + 20_000 * i + 40 + i, 0xb0 + kind));
    }
    inputs.extend([
        forced(100, 900_000, 1),
        forced(101, 900_010, 2),
        told(101, 900_050, 0xb2),
        told(100, 900_055, 0xb1),
    ]);
    // A report that only chance explains: no lines ever gave its syndrome here.
    inputs.extend([forced(102, 950_000, 1), told(102, 950_300, 0x17), told(103, 950_900, 0xb1)]);
    let got = run(settings(), inputs);
    let anchor = |n| got.reports().into_iter().find(|r| Some(r.report) == got.of(n).report).map(|r| r.anchor);
    assert_eq!((anchor(100), anchor(101), anchor(102)), (Some(100), Some(101), Some(103)));
    assert!(got.of(100).confidence.unwrap() > 0.9 && got.of(101).confidence.unwrap() > 0.9);
}

#[test]
fn odd_counts_and_times_get_an_answer() {
    let huge = Input::Witness(Sighted { count: 65_535, ..event(1, 0, 1030) });
    let empty = Input::Witness(Sighted { count: 0, source: Source::Counter, ..event(2, 0, 1030) });
    let early = Input::Witness(event(3, 0, -5_000));
    let got = run(settings(), vec![early, shot(1, 0, 1000), huge, empty, shot(2, 0, i64::MAX / MS)]);
    assert_eq!(got.outcome(1), Outcome::Detected);
    assert_eq!(got.shots().len(), 2);
}

/// A slot on which the same lines were forced ten times, each reported with the same syndrome, and once more without a report.
fn forced_ten_times() -> Vec<Input> {
    let mut inputs = Vec::new();
    for i in 0..11 {
        let Input::Shot(mut order) = shot(i, 0, 1000 + 20_000 * i) else { unreachable!() };
        order.0.forced = 7;
        inputs.push(Input::Shot(order));
        if i < 10 {
            inputs.push(Input::Witness(Sighted { syndrome: Some(0xb5), ..event(i, 0, 1040 + 20_000 * i) }));
        }
    }
    inputs
}

#[test]
fn an_orphan_is_told_by_its_fingerprint() {
    let missed = ShotKey { injection: 10, n: 1 };
    for (slot, syndrome, want) in [
        // Long after the window of the shot that was missed, with the syndrome that its lines give: a late report.
        (0, Some(0xb5), Some(LooksLike::LateReport { shot: Some(missed) })),
        // A syndrome that those lines never gave: the module fails on its own.
        (0, Some(0x17), Some(LooksLike::UnknownFingerprint)),
        (0, None, None),
        // Drivers say 0 where there is none.
        (0, Some(0), None),
        // Nothing was ever forced there.
        (3, Some(0xb5), None),
    ] {
        let mut inputs = forced_ten_times();
        inputs.push(Input::Witness(Sighted { syndrome, ..event(99, slot, 240_000) }));
        let got = run(settings(), inputs);
        assert_eq!(got.outcome(10), Outcome::Missed);
        let reports = got.reports();
        let orphan = reports.iter().find(|r| r.anchor == 99).unwrap();
        assert_eq!((orphan.role, orphan.looks_like), (Role::Orphan, want), "slot {slot}, syndrome {syndrome:x?}");
        assert!(reports.iter().all(|r| r.anchor == 99 || r.looks_like.is_none()));
    }
}

#[test]
fn a_late_report_is_told_after_a_restart_too_and_names_its_shot_once() {
    let mut engine = engine(settings());
    for input in forced_ten_times() {
        engine.push(input);
    }
    let mut answers = Vec::new();
    engine.advance(at(230_000), &mut answers);
    engine = Engine::resume(settings(), &engine.checkpoint()).unwrap();
    for id in [98, 99] {
        engine.push(Input::Witness(Sighted { syndrome: Some(0xb5), ..event(id, 0, 240_000 + id) }));
    }
    engine.finish(&mut answers);
    let got = Answers(answers);
    let told = |id| got.reports().into_iter().find(|r| r.anchor == id).unwrap().looks_like;
    let of = |shot| Some(LooksLike::LateReport { shot });
    assert_eq!((told(98), told(99)), (of(Some(ShotKey { injection: 10, n: 1 })), of(None)));
}
