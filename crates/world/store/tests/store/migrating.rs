//! A database of version 1, as its program left it: it is brought to today's version, and the run goes on.

use crate::fixture::{SECOND, answer, order, place, rail_read, report, seen, start, witness};
use rusqlite::Connection;
use std::path::Path;
use store::{APPLICATION_ID, Record, SCHEMA_VERSION, Store, StoreError, open_read};
use vocabulary::{Mono, Outcome, ShotKey, Source};

/// A run of version 1 in which two shots of one injection were detected, one of them unsure and blamed on A2, one was missed,
/// one is unknowable, and one is open.
const STORED: &str = r#"
INSERT INTO run VALUES (1, 'r', 'watch', 'bench-3', '0.1.0', '{"window_ns":5000000000}', 1804136767000000000, NULL);
INSERT INTO boot VALUES (1, 1, 'boot-a', '6.12.0', 1000000000, 30000000000);
INSERT INTO clock_pair VALUES (1, 1000000000, 1804136767000000000);
INSERT INTO slot VALUES (1, 0, 'A1', 'A1', 0, 0, 0, '[0,0]'), (1, 1, 'A2', 'A2', 0, 0, 1, '[0,1]');
INSERT INTO injection VALUES
    (1, 1, 1, 'inj1', 'old', 'bench', 0, 10000000000, '["DQ5"]', 200, 5, 1000000, NULL, NULL, NULL, '{}');
INSERT INTO witness (witness, boot, run, source, from_ns, t_ns, known_ns, severity, count, report) VALUES
    (1, 1, 1, 'mc_event', 10040000000, 10040000000, 10040000000, 'corrected', 1, 1),
    (2, 1, 1, 'mc_event', 11040000000, 11040000000, 11040000000, 'corrected', 1, 2);
INSERT INTO report VALUES
    (1, 1, 1, 10040000000, 10040000000, 0, 'corrected', 1, 'match', 1, 1, 1, 1),
    (1, 2, 1, 11040000000, 11040000000, 1, 'corrected', 1, 'match', 1, 2, 2, 1);
INSERT INTO shot VALUES
    (1, 1, 1, 1, 0, 10000000000, 10000001000, 'detected', 1, 39999000, 40000000, 0, 0, 0, 0, 0, 9.0, 0.99, NULL),
    (1, 2, 1, 1, 0, 11000000000, 11000001000, 'detected', 2, 39999000, 40000000, 1, 0, 1, 0, 1, 0.1, 0.45, NULL),
    (1, 3, 1, 1, 0, 12000000000, 12000001000, 'missed', NULL, NULL, NULL, 0, 0, 0, 0, NULL, 1.0, 0.85, NULL),
    (1, 4, 1, 1, 0, 13000000000, 13000001000, 'unknowable', NULL, NULL, NULL, 0, 0, 0, 0, NULL, NULL, NULL, 'a gap'),
    (1, 5, 1, 1, 0, 14000000000, 14000001000, NULL, NULL, NULL, NULL, 0, 0, 0, 0, NULL, NULL, NULL, NULL);
INSERT INTO rail VALUES
    (1, 1, 'inj1', 'VPP', NULL, 2500.5, 9000000000),
    (2, 1, 'inj1', 'VDD', 0, 1199.5, 10100000000),
    (3, 1, 'inj1', 'VDD', 0, 1201.5, 11200000000),
    (4, 1, 'inj1', 'vdd', 0, 1198.0, 11100000000);
INSERT INTO gap VALUES
    (1, 1, 1, 'counter', 1, 10000000000, 10500000000, 'the driver of mc1 went away'),
    (2, 1, 1, 'feed', NULL, 10000000000, 10500000000, 'the line was down'),
    (3, 1, 1, 'mc_event', 0, 15500000000, 15900000000, 'the ring overran');
"#;

fn version_1(db: &Path) {
    let conn = Connection::open(db).unwrap();
    conn.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(())).unwrap();
    conn.execute_batch(include_str!("../../src/schema.sql")).unwrap();
    conn.pragma_update(None, "application_id", APPLICATION_ID).unwrap();
    conn.pragma_update(None, "user_version", 1).unwrap();
    conn.execute_batch(STORED).unwrap();
}

fn rows<const N: usize>(conn: &Connection, sql: &str) -> Vec<[i64; N]> {
    let mut query = conn.prepare(sql).unwrap();
    let read = |r: &rusqlite::Row<'_>| {
        let mut row = [0; N];
        for (i, cell) in row.iter_mut().enumerate() {
            *cell = r.get(i)?;
        }
        Ok(row)
    };
    query.query_map([], read).unwrap().map(Result::unwrap).collect()
}

/// What the database keeps of a slot: shots, detected, missed, unknowable, misplaced, late, rated, unsure, guessed.
type Totals = [i64; 9];

fn totals(conn: &Connection, slot: i64) -> (Totals, i64) {
    let sql = "SELECT shots, detected, missed, unknowable, misplaced, late, rated, unsure, guessed, rated_ppb
               FROM slot_total WHERE slot = ?1";
    let read = |r: &rusqlite::Row<'_>| {
        let mut counts = [0; 9];
        for (i, count) in counts.iter_mut().enumerate() {
            *count = r.get(i)?;
        }
        Ok((counts, r.get(9)?))
    };
    conn.query_row(sql, [slot], read).unwrap()
}

#[test]
fn a_database_of_version_1_is_migrated_and_its_run_goes_on() {
    let at = place();
    version_1(&at.db);
    assert!(matches!(open_read(&at.db).unwrap_err(), StoreError::Older { found: 1, known: SCHEMA_VERSION, .. }));

    let mut store = Store::open(&at.db).unwrap();
    let begun = store.begin(&start(Some("r"), "boot-a")).unwrap();
    let continued = begun.continued.unwrap();
    assert_eq!((begun.run, begun.boot, continued.same_boot, continued.slots.len()), (1, 1, true, 2));
    assert_eq!(store.checkpoint(begun.boot).unwrap(), None);
    let back = store.restore(begun.run, begun.boot, SECOND).unwrap();
    assert_eq!((back.shots.len(), back.numbers.next_witness, back.numbers.next_report), (1 + 1, 3, 3));

    let conn = open_read(&at.db).unwrap();
    assert_eq!(totals(&conn, 0), ([5, 2, 1, 1, 1, 1, 0, 2, 1], 0), "the old shots are counted");
    // The gap of the other controller hides nothing; the one of this controller reaches into the window of the second shot.
    let watched = rows(&conn, "SELECT coalesce(watched, -1) FROM shot ORDER BY shot");
    assert_eq!(watched, [[1], [0], [1], [0], [-1]]);
    let cells = rows(&conn, "SELECT slot, from_ns, to_ns, shots, watched FROM latency_cell");
    assert_eq!(cells, [[0, 38 << 20, 39 << 20, 2, 1]]);
    let lines = "SELECT slot, line = 'DQ5', shots, detected, missed, unknowable, watched FROM line_total";
    assert_eq!(rows(&conn, lines), [[0, 1, 5, 2, 1, 1, 1]]);
    assert_eq!(rows(&conn, "SELECT slot, blamed_slot, shots FROM blame_total"), [[0, 1, 1]]);
    let slot = "SELECT watched, watched_misplaced, watched_rated, latency_least_ns, latency_most_ns FROM slot_total";
    assert_eq!(rows(&conn, slot), [[1, 0, 0, 40_000_000, 40_000_000]]);
    // The open shot is settled, and a new one comes and is settled.
    let key = |injection, n| ShotKey { injection, n };
    let mut missed = answer(key(1, 5), Outcome::Missed, None);
    (missed.detected_p, missed.confidence) = (Some(0.25), Some(0.75));
    let detected = answer(key(2, 1), Outcome::Detected, Some(3));
    store
        .write(&[
            Record::Shot(Box::new(missed)),
            order(1, "new", 1, 40),
            witness(3, seen(Source::McEvent, Mono(41 * SECOND))),
            Record::Report(Box::new(report(3, &[3], Mono(41 * SECOND), Some(key(2, 1))))),
            Record::Shot(Box::new(detected)),
        ])
        .unwrap();
    assert_eq!(totals(&conn, 0), ([6, 3, 2, 1, 1, 1, 2, 3, 1], 1_250_000_000));
    let counted: (i64, i64) = conn
        .query_row("SELECT (SELECT injections FROM slot_total), sum(reports) FROM report_total", [], |r| {
            Ok((r.get(0)?, r.get(1)?))
        })
        .unwrap();
    assert_eq!(counted, (2, 3));
    let told: Vec<Option<f64>> = conn
        .prepare("SELECT detected_p FROM shot ORDER BY injection, shot")
        .unwrap()
        .query_map([], |r| r.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    assert_eq!(told, [None, None, None, None, Some(0.25), Some(1.0)]);
    let view: (i64, f64, f64) = conn
        .query_row("SELECT shots, detection_rate, detection_estimate FROM detection WHERE slot = 'A1'", [], |r| {
            Ok((r.get(0)?, r.get(1)?, r.get(2)?))
        })
        .unwrap();
    assert_eq!(view, (6, 0.6, 0.625));
    store::quick_check(&at.db).unwrap();
}

#[test]
fn supply_readings_that_were_kept_one_by_one_are_summed_up_and_go_on() {
    let at = place();
    version_1(&at.db);
    let mut store = Store::open(&at.db).unwrap();
    let boot = store.begin(&start(Some("r"), "boot-a")).unwrap().boot;
    let left = store.rails(boot).unwrap();
    let told: Vec<_> = left
        .iter()
        .map(|l| {
            (&*l.key.name, l.totals.readings, l.totals.sum_uv, l.totals.min_uv, l.totals.last.uv, l.totals.last.at)
        })
        .collect();
    assert_eq!(
        told,
        [
            ("VPP", 1, 2_500_500, 2_500_500, 2_500_500, Mono(9_000_000_000)),
            ("VDD", 3, 3_599_000, 1_198_000, 1_201_500, Mono(11_200_000_000)),
        ]
    );
    let open = left[1].open.unwrap();
    assert_eq!((open.at_s, open.readings, open.sum_uv, open.max_uv), (11, 2, 2_399_500, 1_201_500));
    let mut rails = rails::Rails::new(rails::Settings::default());
    rails.restore(left);
    store.write(&rail_read(&mut rails, &[(11_700, 1200.0)])).unwrap();
    let vdd = &store.rails(boot).unwrap()[1];
    assert_eq!((vdd.totals.readings, vdd.totals.covered_ns, vdd.open.unwrap().readings), (4, 500_000_000, 3));
    // The readings themselves stay.
    let conn = open_read(&at.db).unwrap();
    assert_eq!(conn.query_row("SELECT count(*) FROM rail", [], |r| r.get::<_, i64>(0)).unwrap(), 4);
}

#[test]
fn a_migrated_database_has_the_schema_of_a_new_one() {
    let at = place();
    let old = at.dir.path().join("old.db");
    version_1(&old);
    drop((Store::open(&at.db).unwrap(), Store::open(&old).unwrap()));
    let schema = |db: &Path| -> Vec<(String, String)> {
        let conn = open_read(db).unwrap();
        let mut query = conn.prepare("SELECT name, coalesce(sql, '') FROM sqlite_schema ORDER BY name").unwrap();
        query.query_map([], |r| Ok((r.get(0)?, r.get(1)?))).unwrap().map(Result::unwrap).collect()
    };
    assert_eq!(schema(&old), schema(&at.db));
}
