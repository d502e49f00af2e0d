//! Batches: what is kept, what is kept once, and what a failed batch leaves.

use crate::fixture::{SECOND, answer, begun, clock, fill, injection, order, place, rail_read, report, seen, witness};
use injector_clock::Exchange;
use rusqlite::Connection;
use store::{Ack, Record};
use vocabulary::{MachineCounts, MachineSample, MachineSettings, Mono, Outcome, ShotKey, SlotId, Source, Span};

fn number(conn: &Connection, sql: &str) -> i64 {
    conn.query_row(sql, [], |r| r.get(0)).unwrap_or_else(|e| panic!("{sql}: {e}"))
}

#[test]
fn an_injection_comes_back_with_its_number_and_its_shots() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    let acks = store.write(&[order(70, "a", 3, 10), order(71, "b", 1, 20), order(72, "a", 3, 10)]).unwrap();
    assert_eq!(
        acks,
        [
            Ack::Injection { token: 70, number: 1, is_new: true },
            Ack::Injection { token: 71, number: 2, is_new: true },
            Ack::Injection { token: 72, number: 1, is_new: false },
        ]
    );
    // Resent after a broken link, in a later batch and changed: the same injection all the same.
    let acks = store.write(&[order(9, "b", 5, 99)]).unwrap();
    assert_eq!(acks, [Ack::Injection { token: 9, number: 2, is_new: false }]);

    let conn = store::open_read(&at.db).unwrap();
    let mut query =
        conn.prepare("SELECT shot, fired_ns, fired_to_ns FROM shot WHERE injection = 1 ORDER BY shot").unwrap();
    let shots: Vec<(i64, i64, i64)> =
        query.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?))).unwrap().map(Result::unwrap).collect();
    let half = SECOND / 2;
    let start = 10 * SECOND;
    assert_eq!(
        shots,
        [
            (1, start, start + 1_000),
            (2, start + half, start + half + 1_000),
            (3, start + 2 * half, start + 2 * half + 1_000)
        ]
    );
    let row = "SELECT feed, injector, id, lines, hold_us, shots, spacing_us, force, expect, note, line FROM injection WHERE injection = 1";
    let texts: Vec<String> = conn
        .query_row(row, [], |r| {
            (0..11).map(|i| r.get_ref(i).map(|v| v.as_str().map_or_else(|_| format!("{v:?}"), str::to_owned))).collect()
        })
        .unwrap();
    assert_eq!(
        texts,
        [
            "bench",
            "inj1",
            "a",
            r#"["DQ5","CB0"]"#,
            "Integer(200)",
            "Integer(3)",
            "Integer(500000)",
            "low",
            "corrected",
            "first \"light\"",
            r#"{"type":"injection","x_lot":7}"#
        ]
    );
}

#[test]
fn the_same_id_of_two_injectors_or_two_runs_is_two_injections() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    let mut other = order(2, "a", 1, 10);
    if let Record::Injection { injector, .. } = &mut other {
        *injector = "inj2".into();
    }
    store.write(&[order(1, "a", 1, 10), other]).unwrap();
    store.begin(&crate::fixture::start(Some("second"), "boot-a")).unwrap();
    store.write(&[order(3, "a", 1, 10)]).unwrap();
    let conn = store::open_read(&at.db).unwrap();
    assert_eq!(number(&conn, "SELECT count(*) FROM injection"), 3);
}

#[test]
fn an_answer_is_given_once() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    fill(&mut store);
    let key = ShotKey { injection: 1, n: 2 };
    let late = seen(Source::McEvent, Mono(30 * SECOND));
    store
        .write(&[
            // Settled as missed; a second answer changes nothing.
            Record::Shot(Box::new(answer(key, Outcome::Detected, Some(1)))),
            // Report 2 is there, with witness 3; witness 4 does not become part of it.
            witness(4, late),
            Record::Report(Box::new(report(2, &[4], Mono(30 * SECOND), Some(key)))),
            // Witness 1 is there, and stays what it was.
            witness(1, seen(Source::Counter, Mono(31 * SECOND))),
        ])
        .unwrap();
    let conn = store::open_read(&at.db).unwrap();
    assert_eq!(number(&conn, "SELECT count(*) FROM shot WHERE outcome = 'missed' AND shot = 2"), 1);
    assert_eq!(number(&conn, "SELECT anchor FROM report WHERE report = 2"), 3);
    assert_eq!(number(&conn, "SELECT count(*) FROM report WHERE report = 2 AND role = 'orphan'"), 1);
    assert_eq!(number(&conn, "SELECT count(*) FROM witness WHERE witness = 4 AND report IS NULL"), 1);
    assert_eq!(
        number(&conn, "SELECT count(*) FROM witness WHERE witness = 1 AND source = 'mc_event' AND report = 1"),
        1
    );
    assert_eq!(number(&conn, "SELECT count(*) FROM witness WHERE witness = 2 AND report = 1"), 1);
}

#[test]
fn the_totals_of_a_slot_are_those_of_its_shots() {
    let at = place();
    let (mut store, begun) = begun(&at.db);
    fill(&mut store);
    let key = |n| ShotKey { injection: 1, n };
    let mut unsure = answer(key(4), Outcome::Detected, Some(1));
    (unsure.detected_p, unsure.confidence, unsure.misplaced, unsure.shared) = (Some(0.75), Some(0.5), true, true);
    let mut guessed = answer(key(5), Outcome::Missed, None);
    (guessed.detected_p, guessed.confidence) = (Some(0.25), Some(0.0));
    // The third has an answer already, and so have the first two when the batch comes again.
    let batch = [unsure, guessed, answer(key(3), Outcome::Detected, Some(1))].map(|a| Record::Shot(Box::new(a)));
    store.write(&batch).unwrap();
    store.write(&batch).unwrap();
    store.write(&[order(9, "i-9", 2, 50)]).unwrap();
    // Of an earlier boot, as they are closed by a reboot.
    store.begin(&crate::fixture::start(Some("r"), "boot-b")).unwrap();
    store.close_earlier_boots(begun.run, begun.boot + 1).unwrap();
    let conn = store::open_read(&at.db).unwrap();
    let kept = "SELECT json_array(run, slot, injections, shots, detected, missed, unknowable, misplaced, misgraded, late, shared, rated,
                                  rated_ppb, unsure, guessed) FROM slot_total ORDER BY run, slot";
    let counted = "SELECT json_array(run, slot, count(DISTINCT injection), count(*), sum(outcome IS 'detected'), sum(outcome IS 'missed'),
                                     sum(outcome IS 'unknowable'), sum(misplaced), sum(misgraded), sum(late), sum(shared),
                                     count(detected_p), CAST(total(detected_p) * 1e9 AS INTEGER), sum(coalesce(confidence < 0.9, 0)),
                                     sum(coalesce(confidence < 0.5, 0)))
                   FROM shot GROUP BY run, slot ORDER BY run, slot";
    let rows = |sql| -> Vec<String> {
        conn.prepare(sql).unwrap().query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect()
    };
    assert_eq!(rows(kept), rows(counted));
    let reports = "SELECT json_array(run, role, slot, reports) FROM report_total ORDER BY run, role";
    assert_eq!(rows(reports), [r#"[1,"match",0,1]"#, r#"[1,"orphan",0,1]"#]);
    assert_eq!(rows(kept), ["[1,0,2,7,2,2,3,1,0,0,1,4,2000000000,2,1]"]);
}

#[test]
fn every_key_of_a_filled_database_leads_somewhere() {
    // The writer does not check keys row by row; this does.
    let at = place();
    let (mut store, _) = begun(&at.db);
    fill(&mut store);
    let conn = store::open_read(&at.db).unwrap();
    let mut query = conn.prepare("PRAGMA foreign_key_check").unwrap();
    let broken: Vec<String> = query.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect();
    assert_eq!(broken, [] as [&str; 0]);
    store::quick_check(&at.db).unwrap();
}

#[test]
fn a_batch_is_stored_whole_or_not_at_all() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    // A hand-made trigger stands for whatever SQLite can refuse in the middle of a batch.
    let other = Connection::open(&at.db).unwrap();
    other.execute_batch("CREATE TRIGGER no BEFORE INSERT ON gap BEGIN SELECT RAISE(ABORT, 'refused'); END").unwrap();
    let gap = vocabulary::Gap { span: Span::point(Mono(1)), of: "feed".into(), controller: None, why: "down".into() };
    let batch = [order(1, "a", 2, 10), Record::Gap(gap), order(2, "b", 1, 11)];
    let told = store.write(&batch).unwrap_err();
    assert!(matches!(told, store::StoreError::Refused { .. }) && told.to_string().contains("refused"), "{told}");
    assert_eq!(number(&other, "SELECT (SELECT count(*) FROM injection) + (SELECT count(*) FROM shot)"), 0);
    other.execute_batch("DROP TRIGGER no").unwrap();
    assert_eq!(store.write(&batch).unwrap().len(), 2);
    assert_eq!(number(&other, "SELECT count(*) FROM shot"), 3);
}

#[test]
fn numbers_that_no_column_holds_are_kept_at_its_end() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    let mut huge = injection("huge", 3);
    (huge.hold_us, huge.spacing_us) = (u64::MAX, u64::MAX);
    let record = Record::Injection {
        token: 0,
        feed: "f".into(),
        injector: "i".into(),
        injection: Box::new(huge),
        slot: SlotId(0),
        foreseen: Box::default(),
        arrived: Mono(i64::MAX),
        first: Span::point(Mono(5)),
        raw: "{}".into(),
    };
    store.write(&[record]).unwrap();
    let conn = store::open_read(&at.db).unwrap();
    assert_eq!(number(&conn, "SELECT hold_us FROM injection"), i64::MAX);
    assert_eq!(number(&conn, "SELECT max(fired_ns) FROM shot"), i64::MAX);
    // And nothing overflows on the way back.
    let back = store.restore(1, 1, 1).unwrap();
    assert_eq!(back.shots.last().unwrap().shot.hold_ns, i64::MAX);
}

#[test]
fn looks_at_the_machine_are_kept_once_and_settings_where_they_changed() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    let settings = MachineSettings { ignore_ce: Some(true), ..MachineSettings::default() };
    let counts = |thr| MachineCounts { thr: Some(thr), ..MachineCounts::default() };
    let look = |from, at, thr, settings: Option<&MachineSettings>| {
        let settings = settings.map(|s| Box::new(s.clone()));
        Record::Machine(MachineSample { from: Mono(from), at: Mono(at), counts: counts(thr), settings })
    };
    let looks = [look(5, 5, 1, Some(&settings)), look(5, 9, 2, None)];
    store.write(&looks).unwrap();
    store.write(&looks).unwrap();
    let conn = store::open_read(&at.db).unwrap();
    let row = "SELECT count(*) || ' ' || min(from_ns) || ' ' || max(at_ns) || ' ' || sum(thr) || ' ' || count(mce) FROM machine_count";
    assert_eq!(conn.query_row(row, [], |r| r.get::<_, String>(0)).unwrap(), "2 5 9 3 0");
    let kept = "SELECT at_ns || ' ' || settings FROM machine_setting";
    assert_eq!(conn.query_row(kept, [], |r| r.get::<_, String>(0)).unwrap(), r#"5 {"x86":false,"ignore_ce":true}"#);
}

#[test]
fn a_rail_is_told_again_and_stands_in_its_own_place() {
    let at = place();
    let (mut store, run) = begun(&at.db);
    let settings = rails::Settings { generation: Some(rails::Generation::Ddr4), ..rails::Settings::default() };
    let mut live = rails::Rails::new(settings.clone());
    let first = rail_read(&mut live, &[(8_200, 1200.0), (8_900, 1130.0), (9_400, 1131.0)]);
    store.write(&first).unwrap();
    store.write(&first).unwrap();
    // A restart in the middle of the second 9: what comes then joins what was told.
    let mut again = rails::Rails::new(settings);
    again.restore(store.rails(run.boot).unwrap());
    for rails in [&mut live, &mut again] {
        let rest = rail_read(rails, &[(9_600, 1200.0), (13_000, 1201.0)]);
        store.write(&rest).unwrap();
        let conn = store::open_read(&at.db).unwrap();
        let mut query =
            conn.prepare("SELECT at_s, readings, min_uv, covered_ns, outside, outside_ns FROM rail_second").unwrap();
        let rows: Vec<[i64; 6]> = query
            .query_map([], |r| Ok([r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?]))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        assert_eq!(
            rows,
            [
                [8, 2, 1_130_000, 800_000_000, 1, 100_000_000],
                [9, 2, 1_130_000, 1_000_000_000, 1, 600_000_000],
                [10, 0, 1_200_000, 1_000_000_000, 0, 0],
                [11, 0, 1_200_000, 600_000_000, 0, 0],
                [13, 1, 1_201_000, 0, 0, 0],
            ]
        );
        let view: (f64, f64, f64, i64, String) = conn
            .query_row("SELECT min_limit_mv, mean_mv, outside_s, excursions, limits_from FROM rails_told", [], |r| {
                Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?))
            })
            .unwrap();
        assert_eq!((view.0, view.1, view.2, view.3), (1140.0, 1172.4, 0.7, 1));
        assert!(view.4.contains("data sheet"));
    }
}

#[test]
fn what_the_clock_knows_is_one_row_and_its_exchanges_are_all_kept() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    for pongs in 1..=3 {
        let of = |injector: &str| Record::InjectorClock { injector: injector.into(), summary: Box::new(clock(pongs)) };
        let sent = Mono(SECOND * i64::try_from(pongs).unwrap());
        let exchange = Exchange { sent, received: 81, ticks: 82, arrived: sent.plus(3_000_000) };
        store.write(&[Record::Exchange { injector: "rig".into(), exchange }, of("rig"), of("other")]).unwrap();
    }
    let conn = store::open_read(&at.db).unwrap();
    let all = |sql: &str| -> Vec<(String, i64, i64)> {
        let mut query = conn.prepare(sql).unwrap();
        query.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?))).unwrap().map(Result::unwrap).collect()
    };
    let kept = all("SELECT injector, pongs, drift_ppb FROM injector_clock ORDER BY injector");
    assert_eq!(kept, [("other".into(), 3, -21_500), ("rig".into(), 3, -21_500)]);
    let sent = all("SELECT injector, sent_ns, arrived_ns - sent_ns FROM exchange ORDER BY exchange");
    assert_eq!(sent.len(), 3);
    assert_eq!(sent[2], ("rig".into(), 3 * SECOND, 3_000_000));
}

#[test]
fn the_widest_latency_of_a_slot_is_kept() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    store.write(&[order(1, "a", 2, 10), order(2, "b", 1, 20)]).unwrap();
    let shot = |injection, n, least, most| {
        let mut shot = answer(ShotKey { injection, n }, Outcome::Detected, Some(n.into()));
        (shot.latency_min_ns, shot.latency_ns) = (Some(least), Some(most));
        Record::Shot(Box::new(shot))
    };
    store.write(&[shot(1, 1, 90, 100), shot(1, 2, 40, 100)]).unwrap();
    // A later answer about the same shot changes nothing.
    store.write(&[shot(2, 1, 95, 100), shot(1, 1, 0, 100)]).unwrap();
    let conn = store::open_read(&at.db).unwrap();
    let widths: (i64, i64) = conn
        .query_row("SELECT count(latency_width_ns), max(latency_width_ns) FROM slot_total", [], |r| {
            Ok((r.get(0)?, r.get(1)?))
        })
        .unwrap();
    assert_eq!(widths, (1, 60));
}
