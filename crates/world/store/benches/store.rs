//! How fast the store is, against a bare prepared insertion of the same rows into the same schema on the same disk.
//!
//! `cargo bench -p store` prints four things: the rate of [`Store::write`] for detections as they happen (order, shot,
//! two witnesses, report, answer) as a ratio to the bare insertion, orders a second in bulk, and how long one order
//! takes to be durable; and how long a restart takes to read what it needs. Each is in a temporary directory; set `TMPDIR` to measure another disk.

#![allow(clippy::unwrap_used, clippy::print_stdout, clippy::indexing_slicing)]
#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

use rusqlite::{Connection, params};
use std::io::Write;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};
use store::{Record, RunKind, RunStart, Store};
use vocabulary::{
    At, ClockPair, Injection, Layers, Mono, Outcome, ReportAnswer, Role, Severity, ShotAnswer, ShotKey, SlotBook,
    SlotId, Source, Span, Witness,
};

const DETECTIONS: i64 = 100_000;
const ROWS: i64 = DETECTIONS * 5;
const BATCH: usize = 4096;
/// Answers come this many detections after their orders: the window.
const WINDOW: i64 = 500;

fn main() {
    let dir = tempfile::tempdir().unwrap();
    let (mut ratios, mut unsettled) = (Vec::new(), Vec::new());
    for round in 0..3 {
        // Alternating, so that a disk that gets slower or faster does so for both.
        let ours = write_detections(&dir.path().join(format!("ours-{round}.db")), true);
        let bare = bare_insertion(&dir.path().join(format!("bare-{round}.db")), true);
        let ours_open = write_detections(&dir.path().join(format!("ours-open-{round}.db")), false);
        let bare_open = bare_insertion(&dir.path().join(format!("bare-open-{round}.db")), false);
        println!("round {round}: write {:>7.0} rows/s, bare insertion {:>7.0} rows/s", rate(ours), rate(bare));
        ratios.push(bare.as_secs_f64() / ours.as_secs_f64());
        unsettled.push(bare_open.as_secs_f64() / ours_open.as_secs_f64());
    }
    println!("ratio, settled rows (each shot and witness is inserted open and updated): {}", median(&mut ratios));
    println!("ratio, rows that are only inserted:                                      {}", median(&mut unsettled));
    restart(&dir.path().join("ours-0.db"));
    bulk(&dir.path().join("bulk.db"));
    single(&dir.path().join("single.db"));
}

fn rate(took: Duration) -> f64 {
    ROWS as f64 / took.as_secs_f64()
}

fn median(of: &mut [f64]) -> String {
    of.sort_by(f64::total_cmp);
    format!("{:.2}", of[of.len() / 2])
}

fn begun(path: &Path) -> Store {
    let mut store = Store::open(path).unwrap();
    let start = RunStart {
        name: None,
        kind: RunKind::Replay,
        host: None,
        version: "0".into(),
        settings_json: "{}".into(),
        boot_id: "b".into(),
        kernel: "k".into(),
        pair: ClockPair::default(),
    };
    store.begin(&start).unwrap();
    let mut book = SlotBook::learning();
    for n in 0..32 {
        book.resolve(&At::Label(format!("DIMM{n}"))).unwrap();
    }
    let slots: Vec<Record> = book.slots().iter().cloned().map(Record::Slot).collect();
    store.write(&slots).unwrap();
    store
}

fn order(n: i64) -> Record {
    let id = format!("run7-{n:08}");
    let line = line(n);
    let raw = format!(
        r#"{{"type":"injection","id":"{id}","at":"DIMM{}","lines":["{line}"],"hold_us":200,"shots":1,"force":"low"}}"#,
        n % 32
    );
    Record::Injection {
        token: n.cast_unsigned(),
        feed: "bench".into(),
        injector: "injector-7".into(),
        injection: Box::new(Injection {
            id,
            t: None,
            at: At::Label(format!("DIMM{}", n % 32)),
            lines: vec![line],
            hold_us: 200,
            shots: 1,
            spacing_us: 0,
            force: None,
            expect: None,
            note: None,
        }),
        slot: slot(n),
        foreseen: Box::default(),
        arrived: Mono(n * 1_000_000),
        first: Span::new(Mono(n * 1_000_000), Mono(n * 1_000_000 + 500)),
        raw: raw.into(),
    }
}

/// The lines of a DDR4 module with check bits, in no order: as hard as it gets for what is kept of each line.
fn line(n: i64) -> String {
    match n / 32 * 7919 % 72 {
        n @ ..64 => format!("DQ{n}"),
        n => format!("CB{}", n - 64),
    }
}

/// From a millisecond to a second, each power of two as often as any other: harder than real ones for what is kept of latencies.
fn latency(n: i64) -> i64 {
    let least = (1 << 20) << (n / 32 * 104_729 % 10);
    least + n * 15_485_863 % least
}

fn slot(n: i64) -> SlotId {
    SlotId(u32::try_from(n % 32).unwrap())
}

fn seen(n: i64, source: Source) -> Witness {
    let at = Mono(n * 1_000_000 + latency(n));
    let mut w = Witness::new(source, Span::point(at), Severity::Corrected);
    w.controller = Some(0);
    w.layers = Layers::from_slice(&[1, 0]);
    w.label = Some("DIMM7".into());
    w.address = Some(0x1_2345_6780);
    w.syndrome = Some(0x44);
    w.message = Some("memory read error".into());
    w.detail = Some("".into());
    w
}

/// The two witnesses of detection `n` have these numbers.
fn numbers(n: i64) -> [i64; 2] {
    [2 * n + 1, 2 * n + 2]
}

/// The records of all detections, in the order in which they would come.
fn detections(settled: bool) -> Vec<Record> {
    let mut records = Vec::new();
    for n in 0..DETECTIONS + WINDOW {
        if n < DETECTIONS {
            records.push(order(n));
            for (id, source) in numbers(n).into_iter().zip([Source::McEvent, Source::Counter]) {
                let witness = Arc::new(seen(n, source));
                records.push(Record::Witness { id, known: witness.span.to, witness, slot: Some(slot(n)) });
            }
        }
        let old = n - WINDOW;
        if old >= 0 {
            let key = ShotKey { injection: old + 1, n: 1 };
            records.push(Record::Report(Box::new(ReportAnswer {
                report: old + 1,
                anchor: numbers(old)[0],
                witnesses: if settled { numbers(old).to_vec() } else { Vec::new() },
                span: Span::point(Mono(old * 1_000_000 + latency(old))),
                slot: Some(slot(old)),
                severity: Severity::Corrected,
                count: 1,
                role: Role::Match,
                shot: Some(key),
                looks_like: None,
            })));
            if settled {
                records.push(Record::Shot(Box::new(ShotAnswer {
                    key,
                    outcome: Outcome::Detected,
                    report: Some(old + 1),
                    latency_min_ns: Some(latency(old) - 500),
                    latency_ns: Some(latency(old)),
                    misplaced: false,
                    misgraded: false,
                    dangerous: false,
                    late: false,
                    shared: false,
                    watched: true,
                    blamed: Some(slot(old)),
                    margin: None,
                    confidence: None,
                    detected_p: Some(0.99),
                    why: None,
                })));
            }
        }
    }
    records
}

fn write_detections(path: &Path, settled: bool) -> Duration {
    let mut store = begun(path);
    let records = detections(settled);
    let began = Instant::now();
    for batch in records.chunks(BATCH) {
        store.write(batch).unwrap();
    }
    began.elapsed()
}

/// The same rows as they are in the end, each inserted once, with the same number of commits.
fn bare_insertion(path: &Path, settled: bool) -> Duration {
    drop(begun(path));
    let mut conn = Connection::open(path).unwrap();
    conn.execute_batch("PRAGMA synchronous = FULL; PRAGMA foreign_keys = OFF; PRAGMA cache_size = -8192").unwrap();
    let per_batch = DETECTIONS.div_euclid((detections(settled).len() / BATCH) as i64).max(1);
    let texts: Vec<(String, String, String)> = (0..DETECTIONS)
        .map(|n| {
            let Record::Injection { injection, raw, .. } = order(n) else { unreachable!() };
            (injection.id, raw.to_string(), format!(r#"["{}"]"#, line(n)))
        })
        .collect();
    let began = Instant::now();
    let mut from = 0;
    while from < DETECTIONS {
        let tx = conn.transaction().unwrap();
        {
            let mut injection = tx
                .prepare_cached(
                    "INSERT INTO injection (boot, run, injector, id, feed, slot, arrived_ns, lines, hold_us, shots, spacing_us, line)
                     VALUES (1, 1, 'injector-7', ?1, 'bench', ?2, ?3, ?5, 200, 1, 0, ?4)",
                )
                .unwrap();
            let mut shot = tx
                .prepare_cached(
                    "INSERT INTO shot (injection, shot, run, boot, slot, fired_ns, fired_to_ns, outcome, report, latency_min_ns, latency_ns, blamed_slot)
                     VALUES (?1, 1, 1, 1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?2)",
                )
                .unwrap();
            let mut witness = tx
                .prepare_cached(
                    "INSERT INTO witness (witness, boot, run, source, from_ns, t_ns, known_ns, controller, place, label, slot, severity, count, address, syndrome, message, detail, report)
                     VALUES (?1, 1, 1, ?2, ?3, ?3, ?3, 0, '[1,0]', 'DIMM7', ?4, 'corrected', 1, 4886718336, 68, 'memory read error', '', ?5)",
                )
                .unwrap();
            let mut report = tx
                .prepare_cached(
                    "INSERT INTO report (run, report, boot, seen_from_ns, seen_ns, slot, severity, count, role, injection, shot, anchor, witnesses)
                     VALUES (1, ?1, 1, ?2, ?2, ?3, 'corrected', 1, 'match', ?1, 1, ?4, 2)",
                )
                .unwrap();
            for n in from..(from + per_batch).min(DETECTIONS) {
                let (id, raw, lines) = &texts[n as usize];
                let (at, slot, took) = (n * 1_000_000, n % 32, latency(n));
                injection.execute(params![id, slot, at, raw, lines]).unwrap();
                let told = settled.then_some(n + 1);
                let outcome = settled.then_some("detected");
                let latency = settled.then_some(took);
                shot.execute(params![n + 1, slot, at, at + 500, outcome, told, latency.map(|l| l - 500), latency])
                    .unwrap();
                for (id, source) in numbers(n).into_iter().zip(["mc_event", "counter"]) {
                    witness.execute(params![id, source, at + took, slot, told]).unwrap();
                }
                report.execute(params![n + 1, at + took, slot, numbers(n)[0]]).unwrap();
            }
        }
        tx.commit().unwrap();
        from += per_batch;
    }
    began.elapsed()
}

/// A restart reads the boot once from end to end, which is rare, instead of keeping an index with every row.
fn restart(path: &Path) {
    let mut store = begun(path);
    store.write(&[Record::Watched(Mono(DETECTIONS * 1_000_000))]).unwrap();
    let began = Instant::now();
    let back = store.restore(1, 1, 1_000_000_000).unwrap();
    let took = began.elapsed();
    println!(
        "restart after {DETECTIONS} detections: {took:.1?} for {} shots and {} witnesses",
        back.shots.len(),
        back.witnesses.len()
    );
}

fn bulk(path: &Path) {
    let mut store = begun(path);
    let orders: Vec<Record> = (0..500_000).map(order).collect();
    let began = Instant::now();
    let mut acknowledged = 0;
    for batch in orders.chunks(BATCH) {
        acknowledged += store.write(batch).unwrap().len();
    }
    let rate = acknowledged as f64 / began.elapsed().as_secs_f64();
    println!("orders in bulk, {BATCH} at a time, each durable before its acknowledgement: {rate:.0} a second");
}

/// In turns with what any program pays for the same promise: one page appended to a file, and its data synced.
fn single(path: &Path) {
    let mut store = begun(path);
    let mut file = std::fs::File::create(path.with_extension("page")).unwrap();
    let (mut ours, mut bare) = (Vec::new(), Vec::new());
    for n in 0..3_000 {
        let batch = [order(n)];
        let began = Instant::now();
        store.write(&batch).unwrap();
        ours.push(began.elapsed().as_secs_f64() * 1e3);
        let began = Instant::now();
        file.write_all(&[0; 4096]).unwrap();
        file.sync_data().unwrap();
        bare.push(began.elapsed().as_secs_f64() * 1e3);
    }
    for (what, took) in [("one order, durable", &mut ours), ("one page, synced", &mut bare)] {
        took.sort_by(f64::total_cmp);
        println!("{what}: median {:.3} ms, p99 {:.3} ms", took[took.len() / 2], took[took.len() * 99 / 100]);
    }
}
