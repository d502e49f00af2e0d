//! What is kept as shots are settled, against a recount of the rows: however they came in.

use crate::fixture::{answer, injection, place, report, seen, start, witness};
use rusqlite::Connection;
use rusqlite::types::Value;
use std::path::Path;
use store::{RECOUNT, Record, Store};
use vocabulary::{Foreseen, Mono, Outcome, Role, ShotKey, SlotId, Source, Span};

const TABLES: [&str; 5] = ["slot_total", "latency_cell", "line_total", "blame_total", "report_total"];

/// Numbers that look random and are the same each time: splitmix64 of Steele, Lea and Flood, "Fast splittable
/// pseudorandom number generators", OOPSLA 2014.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: i64) -> i64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % n.cast_unsigned()).cast_signed()
    }

    fn chance(&mut self, percent: i64) -> bool {
        self.below(100) < percent
    }
}

/// Orders at four slots with up to five shots and up to three lines each; most shots are settled later, some stay open.
fn records(dice: &mut Dice) -> Vec<Record> {
    let mut records = Vec::new();
    let mut open: Vec<ShotKey> = Vec::new();
    let mut reports = 0;
    for number in 1..=60 {
        let shots = 1 + u32::try_from(dice.below(5)).unwrap();
        let mut order = injection(&format!("i{number}"), shots);
        order.lines = (0..3).filter(|_| dice.chance(60)).map(|n| format!("DQ{n}")).collect();
        records.push(Record::Injection {
            token: 0,
            feed: "bench".into(),
            injector: "inj1".into(),
            injection: Box::new(order),
            slot: SlotId(u32::try_from(dice.below(4)).unwrap()),
            foreseen: Box::new(Foreseen {
                seen_ppm: dice.chance(60).then(|| u32::try_from(dice.below(1_000_001)).unwrap()),
                ..Foreseen::default()
            }),
            arrived: Mono(number),
            first: Span::point(Mono(number)),
            raw: "{}".into(),
        });
        open.extend((1..=shots).map(|n| ShotKey { injection: number, n }));
        while open.len() > 12 {
            let key = open.remove(usize::try_from(dice.below(12)).unwrap());
            records.extend(settled(key, &mut reports, dice));
        }
    }
    records
}

fn settled(key: ShotKey, reports: &mut i64, dice: &mut Dice) -> Vec<Record> {
    let outcome = [Outcome::Detected, Outcome::Detected, Outcome::Missed, Outcome::Unknowable];
    let outcome = outcome[usize::try_from(dice.below(4)).unwrap()];
    let mut shot = answer(key, outcome, None);
    let mut records = Vec::new();
    if outcome == Outcome::Detected {
        shot.dangerous = dice.chance(20);
        let power = dice.below(45);
        let latency = dice.below(1 << power);
        shot.latency_ns = dice.chance(95).then_some(latency);
        shot.latency_min_ns = shot.latency_ns.map(|latency| dice.below(latency + 1));
        shot.watched = dice.chance(80);
        (shot.misplaced, shot.misgraded) = (dice.chance(30), dice.chance(20));
        (shot.late, shot.shared) = (dice.chance(20), dice.chance(20));
        shot.blamed = dice.chance(70).then(|| SlotId(u32::try_from(dice.below(4)).unwrap()));
        // An echo now and then, and an orphan.
        for role in [Some(Role::Match), dice.chance(30).then_some(Role::Echo), dice.chance(10).then_some(Role::Orphan)]
        {
            let Some(role) = role else { continue };
            *reports += 1;
            let mut report = report(*reports, &[*reports], Mono(5), (role != Role::Orphan).then_some(key));
            report.role = role;
            report.slot = dice.chance(80).then(|| SlotId(u32::try_from(dice.below(4)).unwrap()));
            records.push(witness(*reports, seen(Source::McEvent, Mono(5))));
            records.push(Record::Report(Box::new(report)));
        }
        shot.report = Some(*reports);
    }
    let p = (outcome != Outcome::Unknowable && dice.chance(90)).then(|| dice.below(1_000_003) as f64 / 1_000_003.0);
    (shot.detected_p, shot.confidence) = (p, p.map(|_| dice.below(101) as f64 / 100.0));
    records.push(Record::Shot(Box::new(shot)));
    records
}

fn kept(conn: &Connection) -> Vec<Vec<Vec<Value>>> {
    let rows = |table: &str| {
        let mut query = conn.prepare(&format!("SELECT * FROM {table} ORDER BY 1, 2, 3, 4")).unwrap();
        let width = query.column_count();
        let rows = query.query_map([], |r| (0..width).map(|i| r.get(i)).collect()).unwrap();
        rows.map(Result::unwrap).collect()
    };
    TABLES.map(rows).into()
}

/// Writes the records in batches of random length, now and then twice and now and then from a store that was opened anew; ends
/// with a reboot. Answers what is kept.
fn stored(db: &Path, records: &[Record], longest: i64, dice: &mut Dice) -> Vec<Vec<Vec<Value>>> {
    let mut store = Store::open(db).unwrap();
    let mut begun = store.begin(&start(Some("r"), "boot-a")).unwrap();
    let slots: Vec<Record> = crate::fixture::book().slots().iter().cloned().map(Record::Slot).collect();
    store.write(&slots).unwrap();
    let mut rest = records;
    while !rest.is_empty() {
        let (batch, after) = rest.split_at(rest.len().min(usize::try_from(1 + dice.below(longest)).unwrap()));
        store.write(batch).unwrap();
        if dice.chance(20) {
            store.write(batch).unwrap();
        }
        if dice.chance(20) {
            drop(store);
            store = Store::open(db).unwrap();
            begun = store.begin(&start(Some("r"), "boot-a")).unwrap();
        }
        rest = after;
    }
    let run = begun.run;
    begun = store.begin(&start(Some("r"), "boot-b")).unwrap();
    assert!(store.close_earlier_boots(run, begun.boot).unwrap() > 0);
    kept(&store::open_read(db).unwrap())
}

#[test]
fn what_is_kept_is_what_a_recount_gives_in_any_batches() {
    for seed in 0..4 {
        let mut dice = Dice(seed);
        let records = records(&mut dice);
        let (one, other) = (place(), place());
        let small = stored(&one.db, &records, 12, &mut dice);
        let large = stored(&other.db, &records, 200, &mut dice);
        assert!(small.iter().all(|rows| rows.len() > 1), "a comparison of nothing proves nothing: {small:?}");
        assert_eq!(small, large);
        let conn = Connection::open(&one.db).unwrap();
        conn.execute_batch(&format!("BEGIN; {RECOUNT} COMMIT;")).unwrap();
        for (table, (is, counted)) in TABLES.iter().zip(small.iter().zip(kept(&conn))) {
            assert_eq!(is, &counted, "{table}, seed {seed}");
        }
    }
}

#[test]
fn the_recount_rounds_latencies_as_the_program_does() {
    let at = place();
    drop(Store::open(&at.db).unwrap());
    let conn = Connection::open(&at.db).unwrap();
    conn.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
    // Each power of two and its neighbours, the largest numbers, and those below 0.
    let mut ends: Vec<i64> = (0..63).flat_map(|power| [-1, 0, 1].map(|by| (1_i64 << power) + by)).collect();
    ends.extend([-7, i64::MAX, i64::MAX - 1, 12_345_678_901_234_567, 39 << 20, (39 << 20) + 1]);
    let mut put = conn
        .prepare(
            "INSERT INTO shot (injection, shot, run, boot, slot, fired_ns, fired_to_ns, outcome, latency_min_ns, latency_ns, watched)
             VALUES (?1, 1, 1, 1, ?1, 0, 0, 'detected', ?2, ?2, 1)",
        )
        .unwrap();
    for (slot, latency) in (0_i64..).zip(&ends) {
        put.execute([slot, *latency]).unwrap();
    }
    conn.execute_batch(RECOUNT).unwrap();
    let mut ask = conn.prepare("SELECT to_ns, from_ns FROM latency_cell ORDER BY slot").unwrap();
    let told: Vec<(i64, i64)> =
        ask.query_map([], |r| Ok((r.get(0)?, r.get(1)?))).unwrap().map(Result::unwrap).collect();
    let rule = |latency: &i64| vocabulary::LatencyCell::of(*latency, *latency);
    assert_eq!(told, ends.iter().map(rule).map(|cell| (cell.to_ns, cell.from_ns)).collect::<Vec<_>>());
}
