//! One error is one report, however many witnesses it has; two errors are two. Each story names the kernel's file.
#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

mod common;
use common::*;
use pairing::{Engine, Input};
use vocabulary::{Blame, FoundBy, Layers, Mono, Outcome, Role, Severity, Sighted, SlotId, Source, Span};

const PAGE: u64 = 0x1234_5000;

fn seen(w: Sighted) -> Input {
    Input::Witness(w)
}

/// A driver's event with an address.
fn native(id: i64, ms: i64, address: u64) -> Sighted {
    Sighted { address: Some(address), ..event(id, 0, ms) }
}

/// An event of the driver for firmware's records, one controller for all of memory, which often knows no slot.
fn firmware(id: i64, ms: i64, address: u64) -> Sighted {
    let (layers, blame) = (Layers::UNKNOWN, Blame::Anywhere);
    Sighted { controller: Some(9), layers, blame, found_by: FoundBy::Firmware, ..native(id, ms, address) }
}

/// A record that the kernel makes up from a firmware record: bank 255, status 0x9c0000000000009f, so a count of 0.
fn synthetic(id: i64, ms: i64, address: u64) -> Sighted {
    Sighted { synthetic: true, count: 0, found_by: FoundBy::Firmware, ..record(id, ms, Some(address)) }
}

/// The same three with an uncorrected error: the driver counts one, whatever the record says.
fn uncorrected(w: Sighted) -> Sighted {
    Sighted { severity: Severity::Uncorrected, count: 1, ..w }
}

/// The witnesses of all reports, by anchor.
fn reports(inputs: Vec<Sighted>) -> Vec<Vec<i64>> {
    let got = run(settings(), inputs.into_iter().map(seen).collect());
    assert!(got.spent().is_empty(), "{:?}", got.spent());
    let mut all: Vec<Vec<i64>> = got.reports().iter().map(|r| r.witnesses.clone()).collect();
    all.sort();
    all
}

#[test]
fn firmwares_event_record_and_its_decoded_event_are_one_report() {
    // drivers/acpi/apei/ghes.c, ghes_do_proc(): the report chain (drivers/edac/ghes_edac.c) first, then
    // arch/x86/kernel/cpu/mce/apei.c, whose record drivers/edac/skx_common.c decodes with the count that it has: 0.
    let decoded = Sighted { count: 0, ..native(3, 1004, PAGE | 0x40) };
    let all = vec![firmware(1, 1000, PAGE | 0x40), synthetic(2, 1003, PAGE | 0x40), decoded];
    assert_eq!(reports(all.clone()), [[1, 2, 3]]);
    assert_eq!(reports(all.into_iter().map(uncorrected).collect()), [[1, 2, 3]]);
    // It detects the shot once, and nothing is left over.
    let got = run(
        settings(),
        vec![
            shot(1, 0, 990),
            seen(firmware(1, 1000, PAGE)),
            seen(synthetic(2, 1001, PAGE)),
            seen(native(3, 1001, PAGE)),
        ],
    );
    assert_eq!(got.outcome(1), Outcome::Detected);
    assert_eq!(got.roles(), [(1, Role::Match)]);
}

#[test]
fn firmwares_record_alone_or_with_either_consumer() {
    // arch/x86/kernel/cpu/mce/apei.c: the record is seen whether a driver takes it or not.
    assert_eq!(reports(vec![synthetic(1, 1000, PAGE)]), [[1]]);
    assert_eq!(reports(vec![firmware(1, 1000, PAGE), synthetic(2, 1001, PAGE)]), [[1, 2]]);
    assert_eq!(reports(vec![synthetic(1, 1000, PAGE), Sighted { count: 0, ..native(2, 1785, PAGE) }]), [[2, 1]]);
    // The order of two interrupts is nobody's to know.
    assert_eq!(reports(vec![synthetic(1, 1000, PAGE), firmware(2, 1001, PAGE)]), [[2, 1]]);
    assert_eq!(reports(vec![Sighted { count: 0, ..native(1, 1000, PAGE) }, firmware(2, 1001, PAGE)]), [[1, 2]]);
    let got = run(settings(), vec![shot(1, 0, 990), seen(synthetic(1, 1000, PAGE))]);
    assert_eq!((got.outcome(1), got.reports()[0].count), (Outcome::Detected, 0));
}

#[test]
fn a_firmware_copy_of_an_error_that_the_bank_told_of_is_no_second_error() {
    // Bank and firmware both tell: record and event of the bank (arch/x86/kernel/cpu/mce/core.c, skx_common.c), then
    // firmware's two consumers (drivers/acpi/apei/ghes.c), in firmware's time, and the decoded copy.
    let decoded = Sighted { count: 0, ..native(5, 1302, PAGE) };
    let all = vec![
        record(1, 1000, Some(PAGE)),
        native(2, 1001, PAGE),
        firmware(3, 1300, PAGE),
        synthetic(4, 1301, PAGE),
        decoded,
    ];
    assert_eq!(reports(all.clone()), [[2, 1, 3, 4, 5]]);
    assert_eq!(reports(all.into_iter().map(uncorrected).collect()), [[2, 1, 3, 4, 5]]);
    // No driver at all: two records of one error.
    assert_eq!(reports(vec![record(1, 1000, Some(PAGE)), synthetic(2, 1300, PAGE)]), [[1, 2]]);
    // Firmware was first, and the bank's record found nothing of its own kind there.
    let late =
        vec![firmware(1, 1000, PAGE), synthetic(2, 1001, PAGE), record(3, 1400, Some(PAGE)), native(4, 1401, PAGE)];
    assert_eq!(reports(late), [[1, 2, 3, 4]]);
}

#[test]
fn two_errors_on_one_page_stay_two() {
    // Each error is told once in each way (drivers/edac/edac_mc.c, drivers/edac/ghes_edac.c): two of one kind are two errors.
    assert_eq!(reports(vec![native(1, 1000, PAGE), native(2, 1001, PAGE)]), [[1], [2]]);
    assert_eq!(reports(vec![firmware(1, 1000, PAGE), firmware(2, 1001, PAGE)]), [[1], [2]]);
    assert_eq!(reports([native(1, 1000, PAGE), native(2, 1001, PAGE)].map(uncorrected).to_vec()), [[1], [2]]);
    let twice = |shift: i64| {
        let decoded = |id, ms| Sighted { count: 0, ..native(id, ms, PAGE) };
        let (a, b) = (1000, 1000 + shift);
        let first = [firmware(1, a, PAGE), synthetic(2, a + 1, PAGE), decoded(3, a + 2)];
        let second = [firmware(4, b, PAGE), synthetic(5, b + 1, PAGE), decoded(6, b + 2)];
        first.into_iter().chain(second).collect::<Vec<_>>()
    };
    assert_eq!(reports(twice(5)), [[1, 2, 3], [4, 5, 6]]);
    assert_eq!(reports(twice(1500)), [[1, 2, 3], [4, 5, 6]]);
    // Without firmware's own event: two made-up records, each with its event.
    let bare = |id, ms| [synthetic(id, ms, PAGE), native(id + 1, ms + 1, PAGE)].map(uncorrected);
    assert_eq!(reports(bare(1, 1000).into_iter().chain(bare(3, 1500)).collect()), [[2, 1], [4, 3]]);
    // Other syndromes, another page, another class, no address, or further apart than the fuse time.
    let marked = |id, ms, syndrome| Sighted { syndrome: Some(syndrome), ..native(id, ms, PAGE) };
    let copy = Sighted { syndrome: Some(0x51), ..firmware(2, 1001, PAGE) };
    assert_eq!(reports(vec![marked(1, 1000, 0x54), copy.clone()]), [[1], [2]]);
    assert_eq!(reports(vec![marked(1, 1000, 0x51), copy]), [[1, 2]]);
    assert_eq!(reports(vec![native(1, 1000, PAGE), firmware(2, 1001, PAGE + 0x1000)]), [[1], [2]]);
    assert_eq!(reports(vec![native(1, 1000, PAGE), uncorrected(firmware(2, 1001, PAGE))]), [[1], [2]]);
    assert_eq!(reports(vec![event(1, 0, 1000), Sighted { address: None, ..firmware(2, 1001, 0) }]), [[1], [2]]);
    assert_eq!(reports(vec![native(1, 1000, PAGE), firmware(2, 3000, PAGE)]), [[1, 2]]);
    assert_eq!(reports(vec![native(1, 1000, PAGE), firmware(2, 3001, PAGE)]), [[1], [2]]);
    // One controller that names two slots means two errors.
    let here = Sighted { found_by: FoundBy::Firmware, ..native(1, 1000, PAGE) };
    let there = Sighted { blame: Blame::Slot(SlotId(3)), ..native(2, 1001, PAGE) };
    assert_eq!(reports(vec![here, there]), [[1], [2]]);
}

#[test]
fn an_error_that_the_collector_has_eaten_does_not_take_the_next_ones_event() {
    // drivers/ras/cec.c on Intel: the first error on a page is hidden from the drivers, the second is shown. Both records are
    // traced (mce_early_notifier() in arch/x86/kernel/cpu/mce/core.c).
    let all = vec![record(1, 1000, Some(PAGE)), record(2, 1500, Some(PAGE)), native(3, 1501, PAGE)];
    assert_eq!(reports(all), [vec![1], vec![3, 2]]);
    let shots = vec![shot(1, 0, 990), shot(2, 0, 20_000), seen(record(1, 1000, Some(PAGE)))];
    let got = run(
        settings(),
        shots.into_iter().chain([seen(record(2, 20_010, Some(PAGE))), seen(native(3, 20_011, PAGE))]).collect(),
    );
    assert_eq!((got.outcome(1), got.outcome(2)), (Outcome::Detected, Outcome::Detected));
    assert_eq!(got.reports().len(), 2);
}

#[test]
fn a_record_is_traced_before_its_event() {
    // arch/x86/kernel/cpu/mce/core.c, the order of the notifier chain; firmware-guide/acpi/apei/einj.rst: 0.785 s.
    assert_eq!(reports(vec![record(1, 1000, Some(PAGE)), native(2, 1785, PAGE)]), [[2, 1]]);
    // A record well after an event is about the next error.
    assert_eq!(reports(vec![native(1, 1000, PAGE), record(2, 1500, Some(PAGE))]), [[1], [2]]);
    // Batches: all records of the pool, each followed by its event (arch/x86/kernel/cpu/mce/genpool.c).
    let batch: Vec<Sighted> =
        (0..40).flat_map(|n| [record(2 * n, 1000 + n, Some(PAGE)), native(2 * n + 1, 1000 + n, PAGE)]).collect();
    let want: Vec<Vec<i64>> = (0..40).map(|n| vec![2 * n + 1, 2 * n]).collect();
    assert_eq!(reports(batch), want);
}

#[test]
fn a_record_without_a_comparable_address_is_found_by_its_syndrome() {
    // drivers/edac/amd64_edac.c, decode_umc_error(): the record's address is the controller's own, the syndrome is the same.
    let amd = |id, ms, syndrome| Sighted { syndrome: Some(syndrome), ..record(id, ms, None) };
    let decoded = |id, ms, syndrome| Sighted { syndrome: Some(syndrome), ..native(id, ms, PAGE) };
    assert_eq!(reports(vec![amd(1, 1000, 0x51), decoded(2, 1300, 0x51)]), [[2, 1]]);
    assert_eq!(reports(vec![amd(1, 1000, 0x51), decoded(2, 1001, 0x54)]), [[1], [2]]);
    assert_eq!(
        reports(vec![amd(1, 1000, 0x51), amd(2, 1001, 0x54), decoded(3, 1002, 0x51), decoded(4, 1003, 0x54)]),
        [[3, 1], [4, 2]]
    );
    // Without either only what is near belongs together.
    assert_eq!(reports(vec![record(1, 1000, None), native(2, 1050, PAGE)]), [[2, 1]]);
    assert_eq!(reports(vec![record(1, 1000, None), native(2, 1051, PAGE)]), [[1], [2]]);
}

#[test]
fn counters_lag_their_event_and_the_rest_is_a_report_of_its_own() {
    // drivers/edac/edac_mc.c, edac_raw_mc_handle_error(): trace, print, then count.
    assert_eq!(reports(vec![event(1, 0, 1000), counter(2, 0, 1100, 1200, 1)]), [[1, 2]]);
    assert_eq!(reports(vec![event(1, 0, 1000), counter(2, 0, 2900, 3000, 1)]), [[1, 2]]);
    let got = run(settings(), vec![seen(Sighted { count: 2, ..event(1, 0, 1000) }), seen(counter(2, 0, 950, 1050, 5))]);
    assert_eq!(got.reports().iter().map(|r| (r.anchor, r.count)).collect::<Vec<_>>(), [(1, 2), (2, 3)]);
    // A step over two events has both explained, and is a witness of the first.
    assert_eq!(
        reports(vec![event(1, 0, 1000), event(2, 0, 1010), counter(3, 0, 950, 1050, 2)]),
        [[1, 3].to_vec(), vec![2]]
    );
}

#[test]
fn an_event_with_a_count_of_0_moves_no_counter() {
    // drivers/edac/skx_common.c passes the record's count, 0 here; drivers/edac/edac_mc.c adds it.
    let zero = Sighted { count: 0, ..event(1, 0, 1000) };
    assert_eq!(reports(vec![zero, counter(2, 0, 950, 1050, 1)]), [[1], [2]]);
}

#[test]
fn a_count_at_the_wrong_slot_is_still_the_events() {
    // drivers/edac/amd64_edac.c, ERR_SYND: the event has no known place, the counter that moves is that of 0:0.
    let placeless = Sighted { blame: Blame::Among([SlotId(0), SlotId(1), SlotId(2)].into()), ..event(1, 0, 1000) };
    let got = run(settings(), vec![shot(1, 2, 990), seen(placeless), seen(counter(2, 0, 950, 1050, 1))]);
    assert_eq!(got.reports().len(), 1);
    assert_eq!(got.reports()[0].witnesses, [1, 2]);
    assert!(got.outcome(1) == Outcome::Detected && !got.of(1).misplaced && got.of(1).blamed.is_none());
    // It proves nothing about a slot of another controller.
    let placeless = Sighted { blame: Blame::Among([SlotId(0), SlotId(1), SlotId(2)].into()), ..event(1, 0, 1000) };
    assert_eq!(run(settings(), vec![shot(1, 9, 990), seen(placeless)]).outcome(1), Outcome::Missed);
}

#[test]
fn a_lost_event_leaves_one_report_of_its_record_and_its_count() {
    // include/trace/events/mce.h and ras_event.h share a ring: the event can be lost where its record was not.
    let got =
        run(settings(), vec![shot(1, 0, 990), seen(record(1, 1000, Some(PAGE))), seen(counter(2, 0, 950, 1050, 1))]);
    assert_eq!(got.reports().len(), 1);
    assert_eq!((got.reports()[0].witnesses.clone(), got.reports()[0].slot), (vec![2, 1], Some(SlotId(0))));
    // The counter says where, the record says when.
    assert_eq!((got.of(1).latency_min_ns, got.of(1).latency_ns), (Some(10 * MS), Some(10 * MS)));
    // A step of more errors than the record tells of keeps its own time.
    let got = run(settings(), vec![seen(record(1, 1000, None)), seen(counter(2, 0, 950, 1050, 3))]);
    assert_eq!((got.reports().len(), got.reports()[0].count), (1, 3));
    assert_eq!(got.reports()[0].span, Span::new(at(950), at(1050)));
    // More records than the step counts: each further one is a report. Other times and classes are other errors.
    let more = vec![record(1, 1000, None), record(2, 1010, None), counter(3, 0, 950, 1050, 1)];
    assert_eq!(reports(more), [vec![2], vec![3, 1]]);
    assert_eq!(reports(vec![record(1, 1100, None), counter(2, 0, 950, 1050, 1)]), [[1], [2]]);
    assert_eq!(reports(vec![uncorrected(record(1, 1000, None)), counter(2, 0, 950, 1050, 1)]), [[1], [2]]);
    // Firmware's copy of the record comes along.
    let copied = vec![record(1, 1000, Some(PAGE)), synthetic(2, 1001, PAGE), counter(3, 0, 950, 1050, 1)];
    assert_eq!(reports(copied), [[3, 1, 2]]);
    // A record that did not wait as long as the step does: the step joins its report.
    let hasty = pairing::Settings { fuse_ns: 100 * MS, ..settings() };
    let got = run(hasty, vec![seen(record(1, 1000, None)), seen(counter(2, 0, 950, 1050, 1))]);
    assert_eq!(got.reports().len(), 1);
    assert_eq!(got.reports()[0].witnesses, [1, 2]);
}

#[test]
fn equal_times_in_any_order_give_equal_reports() {
    let all = vec![
        record(1, 1000, Some(PAGE)),
        native(2, 1000, PAGE),
        firmware(3, 1000, PAGE),
        synthetic(4, 1000, PAGE),
        Sighted { count: 0, ..native(5, 1000, PAGE) },
        counter(6, 0, 900, 1000, 1),
    ];
    let want = reports(all.clone());
    assert_eq!(want.concat().len(), all.len());
    for turn in 1..all.len() {
        let mut turned = all.clone();
        turned.rotate_left(turn);
        assert_eq!(reports(turned), want);
    }
}

#[test]
fn odd_counts_places_and_times_get_an_answer() {
    let mut all = Vec::new();
    let times = [i64::MIN, -1, 0, 1_000 * MS, 500 * MS, i64::MAX / 2, 1, i64::MAX - 1];
    for (n, t) in (0i64..).zip(times) {
        for (m, count) in (0i64..).zip([0, 1, 65_535, u32::MAX]) {
            let id = 100 * n + 10 * m;
            let odd = |w: Sighted| {
                let span = if w.source == Source::Counter {
                    Span { from: Mono(t.saturating_sub(S)), to: Mono(t) }
                } else {
                    Span::point(Mono(t))
                };
                Sighted { known: Mono(t), span, count, ..w }
            };
            all.push(odd(event(id, 0, 0)));
            all.push(odd(Sighted {
                controller: None,
                layers: Layers([-7, i16::MAX, i16::MIN]),
                blame: Blame::Anywhere,
                ..native(id + 1, 0, u64::MAX)
            }));
            all.push(odd(Sighted { blame: Blame::Among([].into()), ..firmware(id + 2, 0, u64::MAX) }));
            all.push(odd(record(id + 3, 0, Some(u64::MAX))));
            all.push(odd(synthetic(id + 4, 0, u64::MAX)));
            all.push(odd(counter(id + 5, 0, 0, 0, 0)));
            all.push(odd(Sighted { controller: None, blame: Blame::Anywhere, ..counter(id + 6, 0, 0, 0, 0) }));
        }
    }
    let mut ids: Vec<i64> = all.iter().map(|w| w.id).collect();
    let got = run(settings(), all.into_iter().map(seen).chain([shot(1, 0, 1000)]).collect());
    let mut told: Vec<i64> = got.reports().iter().flat_map(|r| r.witnesses.clone()).chain(got.spent()).collect();
    told.sort_unstable();
    ids.sort_unstable();
    assert_eq!(told, ids);
    assert_eq!(got.shots().len(), 1);
}

#[test]
fn a_flood_without_any_event_is_told_as_it_comes() {
    // No driver, ten thousand records in a tenth of a second: those beyond the fuse's room do not wait.
    let mut engine = Engine::new(settings(), 1);
    for n in 0..10_000 {
        engine.push(seen(Sighted {
            span: Span::point(Mono(n * 10_000)),
            known: Mono(n * 10_000),
            ..record(n, 0, Some(PAGE))
        }));
    }
    let mut answers = Vec::new();
    engine.advance(at(100), &mut answers);
    assert_eq!(engine.sizes().1, 10_000 - 4096);
    engine.finish(&mut answers);
    let got = Answers(answers);
    assert_eq!(got.reports().len(), 10_000);
    assert!(got.reports().iter().all(|r| r.witnesses.len() == 1));
}
