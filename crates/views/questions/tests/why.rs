//! What is gathered around a missed shot, on the invented database: each kind of evidence reaches the cause that it speaks for.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "this is test code all through, also outside of the functions marked as tests"
)]

mod support;

use questions::{Cause, OutcomeWord, Page, RunRef, ShotFilter, ShotRow, Snapshot, Strength};
use support::Invented;

/// A well-set x86 machine with two controllers, and counts that move with nothing but polls. The only miss is at A2 of controller
/// 0, fired at 1060 s of boot 2; the window is that of the run's settings.
const MACHINE: &str = r#"
    INSERT INTO machine_setting VALUES (2, 1000000000000, '{"x86":true,"machine_check":true,"check_interval_s":1,
        "ignore_ce":false,"cmci_disabled":false,"collector":false,"controllers":[{"controller":0,"name":"One"},{"controller":1}]}');
    INSERT INTO machine_count VALUES (2, 1000000000000, 1000000000000, 0, 100, 10, 0, NULL, NULL, 0),
                                     (2, 1055000000000, 1054000000000, 0, 155, 14, 0, NULL, NULL, 0),
                                     (2, 1061000000000, 1060000000000, 0, 161, 14, 0, NULL, NULL, 0);
"#;

/// The supplies are left out where nothing is to speak for a cause.
const NO_RAILS: &str = "DELETE FROM rail_second";

fn asked(changes: &[&str]) -> Vec<ShotRow> {
    let made = Invented::new();
    changes.iter().for_each(|sql| made.change(sql));
    let db = made.open();
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    run.shots_with_causes(&ShotFilter::default(), &Page::first(100)).unwrap().items
}

/// The causes of the miss.
fn causes(changes: &[&str]) -> Vec<Cause> {
    let shots = asked(changes);
    let missed = shots.iter().find(|s| s.outcome == OutcomeWord::Missed).unwrap();
    missed.causes.clone().unwrap()
}

/// The miss has this cause with this strength, and the evidence holds these words.
fn tells(changes: &[&str], word: &str, strength: Strength, evidence: &str) {
    let causes = causes(changes);
    let cause = causes.iter().find(|c| c.word == word).unwrap_or_else(|| panic!("no {word} in {causes:#?}"));
    assert_eq!(cause.strength, strength, "{causes:#?}");
    let lines: Vec<String> = cause.evidence.iter().map(|e| format!("{}: {}", e.fact, e.value)).collect();
    assert!(lines.iter().any(|line| line.contains(evidence)), "{evidence:?} is not in {lines:#?}");
}

#[test]
fn nothing_is_kept_and_nothing_is_claimed() {
    // The reboot that follows has no look either.
    let causes = causes(&[NO_RAILS]);
    assert_eq!(causes.iter().map(|c| (c.word, c.strength)).collect::<Vec<_>>(), [("no_clue", Strength::NotExcluded)]);
}

#[test]
fn only_misses_and_records_that_stand_alone_are_looked_into() {
    let shots = asked(&[MACHINE]);
    for shot in &shots {
        assert_eq!(shot.causes.is_some(), shot.outcome == OutcomeWord::Missed, "{shot:?}");
    }
    // The record alone tells of the shot: why did EDAC not?
    let alone =
        "UPDATE witness SET source = 'mce_record', bank = 7, status = -8358680633521667952, tsc = 5 WHERE witness = 1";
    let shots = asked(&[MACHINE, alone]);
    let words: Vec<_> = shots[0].causes.as_ref().unwrap().iter().map(|c| (c.word, c.strength)).collect();
    assert_eq!((shots[0].outcome, words), (OutcomeWord::Detected, vec![("not_decoded", Strength::Likely)]));
}

#[test]
fn counts_and_settings_around_the_shot() {
    // 161 - 155 polls from the look before the shot to the one behind it; the look before began at 1060 s.
    tells(
        &[MACHINE],
        "nothing_seen",
        Strength::Likely,
        "MCE +0, THR +0, DFR +0, MCP +6 from the shot to 2.0 s after the shot",
    );
    let interrupt = "UPDATE machine_count SET thr = 15 WHERE at_ns = 1061000000000";
    tells(&[MACHINE, interrupt], "lost_in_kernel", Strength::Likely, "THR +1");
    // A later step is none of this shot's.
    let later = "INSERT INTO machine_count VALUES (2, 1063500000000, 1062500000000, 0, 162, 19, 0, NULL, NULL, 0)";
    tells(&[MACHINE, later], "nothing_seen", Strength::Likely, "THR +0");
    let collected = "UPDATE machine_count SET collected = at_ns / 1061000000000;
                     UPDATE machine_setting SET settings = json_set(settings, '$.collector', json('true'))";
    tells(&[MACHINE, collected], "collector", Strength::Likely, "CEs: +1");
    let offline = "UPDATE machine_count SET corrupted_kb = 4 WHERE at_ns > 1000000000000";
    tells(&[MACHINE, offline], "page_offline", Strength::Possible, "+4 kB");
    // The settings are those at the shot, not later ones.
    let ignored = |at: &str| {
        format!(
            "INSERT INTO machine_setting SELECT boot, {at}, json_set(settings, '$.ignore_ce', json('true')) FROM machine_setting"
        )
    };
    tells(&[MACHINE, &ignored("1059000000000")], "ignore_ce", Strength::Likely, "ignore_ce: 1");
    assert!(causes(&[MACHINE, &ignored("1063000000000")]).iter().all(|c| c.word != "ignore_ce"));
    let mode = "INSERT INTO dimm VALUES (2, 1, 0, '[0,1]', '[]', 'A2', 'None', NULL, NULL, NULL, 0)";
    tells(&[MACHINE, mode], "no_ecc", Strength::Likely, "dimm_edac_mode: None");
}

/// A report of that number, time, slot, role and count, told by its own event or record.
fn report(number: i64, ms: i64, slot: &str, role: &str, source: &str) -> String {
    let at = 1_060_000_000_000 + ms * 1_000_000;
    let check = if source == "mce_record" {
        "7, -8358680633521667952, 0, 0, 5, 0, 0"
    } else {
        "NULL, NULL, NULL, NULL, NULL, NULL, NULL"
    };
    format!(
        "INSERT INTO witness VALUES ({number}, 2, 2, '{source}', {at}, {at}, {at}, NULL, NULL, NULL, {slot}, 'corrected', 1,
            74565, NULL, 'read error', '', {check}, {number});
         INSERT INTO report (run, report, boot, seen_from_ns, seen_ns, slot, severity, count, role, injection, shot, anchor, witnesses)
         VALUES (2, {number}, 2, {at}, {at}, {slot}, 'corrected', 1, '{role}', NULL, NULL, {number}, 1);"
    )
}

#[test]
fn reports_and_records_around_the_shot() {
    let record = report(50, 30, "NULL", "orphan", "mce_record");
    tells(
        &[MACHINE, &record],
        "not_decoded",
        Strength::Likely,
        "bank 7, told by an interrupt, status 0x8c00004000010090",
    );
    // One that another shot has is no evidence.
    let taken = report(50, 30, "NULL", "match", "mce_record");
    assert!(causes(&[MACHINE, &taken]).iter().all(|c| c.word != "not_decoded"));
    let stray = report(51, 40, "3", "orphan", "mc_event");
    tells(
        &[MACHINE, &stray],
        "elsewhere",
        Strength::Possible,
        "report 51: 1 corrected on B2, 40 ms after the shot, \"read error\"",
    );
    let other = report(52, 20, "2", "match", "mc_event");
    tells(&[MACHINE, &other], "merged", Strength::Possible, "report 52: 1 corrected on B1");
    let early = report(53, -500, "1", "orphan", "mc_event");
    tells(&[MACHINE, &early], "clock", Strength::Possible, "report 53: 1 corrected on this slot, 500 ms before");
    let late = report(54, 2900, "1", "orphan", "mc_event");
    tells(&[MACHINE, &late], "after_window", Strength::Likely, "report 54: 1 corrected on this slot, 2.9 s after");
    // A lone record behind the window that the timer found: its time-stamp counter is 0.
    let polled = report(55, 2900, "NULL", "orphan", "mce_record").replace(", 5, 0, 0, 55)", ", 0, 0, 0, 55)");
    tells(&[MACHINE, &polled], "after_window", Strength::Likely, "found by the kernel's timer");
}

#[test]
fn supplies_around_the_shot() {
    // 1060 s to 1062 s are the seconds that the window of two seconds touches; 1059 s and 1063 s are not.
    tells(
        &[],
        "rail_outside",
        Strength::Possible,
        "VDD of A2: at 1132 mV, below 1140 mV, for 800 ms of the 3.0 s around the window (limits: DDR4: an invented data sheet)",
    );
    tells(&[], "rail_outside", Strength::Possible, "VPP of A2: at 3100 mV, above 2750 mV, for 400 ms of the 3.0 s");
    let rails = |changes: &[&str]| {
        let causes = causes(changes);
        causes.iter().find(|c| c.word == "rail_outside").map(|c| c.evidence.len())
    };
    assert_eq!(rails(&["UPDATE rail_total SET slot = 3"]), None, "those of another slot are none of this shot's");
    assert_eq!(
        rails(&["UPDATE rail_total SET slot = NULL WHERE rail = 0"]),
        Some(2),
        "those of no slot are everybody's"
    );
    assert_eq!(rails(&["DELETE FROM rail_second WHERE at_s BETWEEN 1060 AND 1062"]), None);
    // The newest reading was outside, and nobody knows for how long.
    let newest = "UPDATE rail_second SET outside_ns = 0";
    tells(&[newest], "rail_outside", Strength::Possible, "for how long is not known");
}

#[test]
fn a_controller_that_fell_silent() {
    // After the miss nothing of controller 0 is reported in this boot, and the shots there are missed.
    let silent = "DELETE FROM report WHERE run = 2 AND seen_ns > 1060000000000;
                  UPDATE shot SET outcome = 'missed', report = NULL WHERE run = 2 AND injection > 1 AND outcome IS NOT NULL";
    let shots = asked(&[MACHINE, silent]);
    let first = shots.iter().find(|s| s.injection == "a-2").unwrap();
    let cause = first.causes.as_ref().unwrap().iter().find(|c| c.word == "reporting_stopped").unwrap();
    assert_eq!(cause.strength, Strength::Likely, "{cause:?}");
    assert!(cause.evidence.iter().any(|e| e.value == "7 missed, none detected"), "{cause:?}");
}

#[test]
fn pages_join_and_the_text_fits() {
    let made = Invented::new();
    made.change(MACHINE);
    let db = made.open();
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    let whole = run.shots_with_causes(&ShotFilter::default(), &Page::first(100)).unwrap();
    let (mut joined, mut page) = (Vec::new(), Page::first(4));
    loop {
        let part = run.shots_with_causes(&ShotFilter::default(), &page).unwrap();
        joined.extend(part.items);
        match part.next {
            Some(next) => page.after = Some(next),
            None => break,
        }
    }
    assert_eq!(joined, whole.items);
    let text = questions::why_table(&whole, &run.run_summary().unwrap());
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
    assert!(text.contains("a-2 shot 1 at A2, DQ3 DQ4, 2027-03-04 05:01:00.000 UTC: missed\n  1. likely: "), "{text}");
}
