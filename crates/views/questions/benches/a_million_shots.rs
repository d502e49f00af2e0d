//! How long the questions take over a run of 1,000,000 shots: `cargo bench -p questions`.
//!
//! The database is made once, in a temporary folder, and read through its page cache as the daemon's endpoint does.
#![allow(clippy::unwrap_used, reason = "a benchmark may panic")]

use divan::Bencher;
use questions::{OutcomeWord, Page, ReportFilter, RunRef, ShotFilter, Snapshot};
use rusqlite::Connection;
use std::sync::Mutex;
use tempfile::TempDir;

/// The folder of the database, made by the first benchmark that runs.
static MADE: Mutex<Option<TempDir>> = Mutex::new(None);

fn main() {
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
