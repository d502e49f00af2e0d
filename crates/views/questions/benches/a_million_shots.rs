//! How long the questions take over a run of 1,000,000 shots: `cargo bench -p questions`.
//!
//! The database is made once, in a temporary folder, and read through its page cache as the daemon's endpoint does. First the slots
//! are compared with SQLite's window functions over the shots themselves, in turns: medians and their ratio. Then the printed page is
//! made, for its time and its size.
#![allow(clippy::unwrap_used, clippy::print_stdout, clippy::indexing_slicing, reason = "a benchmark may panic")]
#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

use divan::Bencher;
use questions::{OutcomeWord, Page, PaperOrder, ReportFilter, RunRef, ShotFilter, Snapshot};
use rusqlite::Connection;
use std::sync::Mutex;
use std::time::Instant;
use tempfile::TempDir;
use vocabulary::Wall;

/// The folder of the database, made by the first benchmark that runs.
static MADE: Mutex<Option<TempDir>> = Mutex::new(None);

/// What `slots` tells of each slot's shots, by the means of SQL alone.
const BY_SQL: &str = "
    WITH ranked AS (
        SELECT slot, latency_ns, row_number() OVER (PARTITION BY slot ORDER BY latency_ns) AS nth, count(*) OVER (PARTITION BY slot) AS n
        FROM shot WHERE run = 1 AND outcome = 'detected'
    ), quantile AS (
        SELECT slot, min(latency_ns) FILTER (WHERE nth * 100 >= 50 * n) AS p50, min(latency_ns) FILTER (WHERE nth * 100 >= 95 * n) AS p95,
               min(latency_ns) FILTER (WHERE nth * 100 >= 99 * n) AS p99, max(latency_ns) AS most
        FROM ranked GROUP BY slot
    ), counted AS (
        SELECT slot, count(*) AS shots, sum(outcome IS 'detected') AS detected, sum(outcome IS 'missed') AS missed,
               sum(outcome IS 'unknowable') AS unknowable, sum(misplaced) AS misplaced, sum(misgraded) AS misgraded, sum(late) AS late,
               sum(shared) AS shared, avg(detected_p) AS estimate
        FROM shot WHERE run = 1 GROUP BY slot
    )
    SELECT * FROM counted LEFT JOIN quantile USING (slot) ORDER BY slot";

/// In turns, so that a machine that gets slower does so for both.
fn compare() {
    let db = database();
    let (mut ours, mut theirs, mut summary, mut judged) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for _ in 0..5 {
        let began = Instant::now();
        let slots = Snapshot::of(&db, &RunRef::Newest).unwrap().slots().unwrap();
        ours.push(began.elapsed().as_secs_f64() * 1e3);
        let began = Instant::now();
        let run = Snapshot::of(&db, &RunRef::Newest).unwrap().run_summary().unwrap();
        summary.push(began.elapsed().as_secs_f64() * 1e3);
        let began = Instant::now();
        let judgement = judge(&Snapshot::of(&db, &RunRef::Newest).unwrap());
        judged.push(began.elapsed().as_secs_f64() * 1e3);
        let began = Instant::now();
        let mut ask = db.prepare_cached(BY_SQL).unwrap();
        let counts = ask.query_map([], |r| Ok((r.get(2)?, r.get(12)?))).unwrap();
        let counts: Vec<(i64, i64)> = counts.map(Result::unwrap).collect();
        theirs.push(began.elapsed().as_secs_f64() * 1e3);
        // Both tell the same, but for the rounding.
        assert_eq!(slots.len(), counts.len());
        assert_eq!(run.totals.shots, 1_000_000);
        assert_eq!(judgement.slots.iter().map(|slot| slot.shots).sum::<u64>(), 1_000_000);
        for (slot, (detected, p99)) in slots.iter().zip(counts) {
            let told = slot.latency_ns.unwrap().p99;
            assert!(slot.detected == detected && told >= p99 && (told - p99) * 32 < p99, "{slot:?} {p99}");
        }
    }
    let [ours, theirs, summary, judged] = [ours, theirs, summary, judged].map(|mut took| {
        took.sort_by(f64::total_cmp);
        took[took.len() / 2]
    });
    let cells: i64 = db.query_row("SELECT count(*) FROM latency_cell", [], |r| r.get(0)).unwrap();
    println!(
        "slots {ours:.1} ms ({cells} cells), run {summary:.1} ms, verdict {judged:.1} ms, SQLite's window functions {theirs:.0} ms: \
         {:.0} times slots, {:.0} times verdict",
        theirs / ours,
        theirs / judged
    );
}

/// The whole printed page, as the command line makes it.
fn page(run: &Snapshot<'_>) -> String {
    let order =
        PaperOrder { database: "million.db", version: "0", made: Wall(1_800_001_000_000_000_000), judged: None };
    evidence::page(&run.paper(&order).unwrap())
}

fn weigh() {
    let db = database();
    let began = Instant::now();
    let bytes = page(&Snapshot::of(&db, &RunRef::Newest).unwrap()).len();
    println!(
        "the page of a million shots: {bytes} bytes, {:.0} ms the first time",
        began.elapsed().as_secs_f64() * 1e3
    );
}

fn main() {
    if std::env::args().all(|arg| arg != "--test" && arg != "--list") {
        compare();
        weigh();
    }
    divan::main();
    // A static is never dropped, and the folder holds half a gigabyte.
    drop(MADE.lock().unwrap().take());
}

fn database() -> Connection {
    let mut made = MADE.lock().unwrap();
    let dir = made.get_or_insert_with(|| {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("million.db");
        drop(store::Store::open(&path).unwrap());
        let db = Connection::open(&path).unwrap();
        db.execute_batch(&format!("BEGIN; {} {} COMMIT;", include_str!("million.sql"), store::RECOUNT)).unwrap();
        dir
    });
    let db = store::open_read(&dir.path().join("million.db")).unwrap();
    db.set_prepared_statement_cache_capacity(64);
    db
}

fn bench<T>(bencher: Bencher<'_, '_>, question: impl Fn(&Snapshot<'_>) -> T + Sync) {
    let db = database();
    bencher.bench_local(|| question(&Snapshot::of(&db, &RunRef::Newest).unwrap()));
}

#[divan::bench(sample_count = 10, sample_size = 1)]
fn slots(bencher: Bencher<'_, '_>) {
    bench(bencher, |run| run.slots().unwrap());
}

/// Counting and judging, by the criteria that are shipped as an example.
fn judge(run: &Snapshot<'_>) -> verdict::Judgement {
    let criteria = include_str!("../../../../docs/criteria.toml");
    let criteria = verdict::Criteria::parse(criteria, std::path::Path::new("criteria.toml")).unwrap();
    run.verdict(&criteria, vocabulary::Wall(0)).unwrap()
}

#[divan::bench(sample_count = 10, sample_size = 1)]
fn verdict(bencher: Bencher<'_, '_>) {
    bench(bencher, judge);
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn printed_page(bencher: Bencher<'_, '_>) {
    bench(bencher, |run| page(run).len());
}

#[divan::bench(sample_count = 10, sample_size = 1)]
fn run_summary(bencher: Bencher<'_, '_>) {
    bench(bencher, |run| run.run_summary().unwrap());
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn first_page_of_shots(bencher: Bencher<'_, '_>) {
    bench(bencher, |run| run.shots(&ShotFilter::default(), &Page::first(500)).unwrap());
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn page_deep_in_shots(bencher: Bencher<'_, '_>) {
    let page = Page { limit: 500, after: Some("900000.1".to_owned()) };
    bench(bencher, move |run| run.shots(&ShotFilter::default(), &page).unwrap());
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn first_page_of_misses(bencher: Bencher<'_, '_>) {
    let filter = ShotFilter { outcome: Some(OutcomeWord::Missed), ..ShotFilter::default() };
    bench(bencher, move |run| run.shots(&filter, &Page::first(500)).unwrap());
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn shots_that_do_not_exist(bencher: Bencher<'_, '_>) {
    let filter = ShotFilter { misgraded: Some(true), ..ShotFilter::default() };
    bench(bencher, move |run| run.shots(&filter, &Page::first(500)).unwrap());
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn all_orphans(bencher: Bencher<'_, '_>) {
    bench(bencher, |run| run.orphans(&ReportFilter::default(), &Page::first(500)).unwrap());
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn newest_reports(bencher: Bencher<'_, '_>) {
    let page = Page { limit: 500, after: Some("999990.0".to_owned()) };
    bench(bencher, move |run| run.reports(&ReportFilter::default(), &page).unwrap());
}
