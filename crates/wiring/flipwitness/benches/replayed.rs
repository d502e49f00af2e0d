//! `flipwitness replay` of a recording into a database, against the bare insertion of the rows that it leaves, in one run on one
//! disk: `cargo bench -p flipwitness --bench replayed [-- SHOTS]`. Set `TMPDIR` to measure another disk.
//!
//! The recording is drawn from a seed: shots at 20 a second over 32 DIMMs, latency lognormal with median 40 ms and 99th percentile
//! 900 ms, 1 % misses, 2 % unprovoked reports. The bare insertion puts the very rows into an empty database of the same schema, with
//! prepared statements, as they are in the end and each once. Both commit durably, the bare one every 4096 rows.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    reason = "a measurement run by hand"
)]

use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, params_from_iter};
use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

const ROWS_IN_A_COMMIT: usize = 4096;

fn main() {
    let shots = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(200_000);
    let dir = tempfile::tempdir().unwrap();
    record(shots, dir.path());
    let mut ratios = Vec::new();
    for round in 0..3 {
        let (replayed, bare) =
            (dir.path().join(format!("replayed-{round}.db")), dir.path().join(format!("bare-{round}.db")));
        let ours = replay(dir.path(), &replayed);
        let (theirs, rows) = insert_bare(&replayed, &bare);
        let ratio = ours.as_secs_f64() / theirs.as_secs_f64();
        println!(
            "round {round}: replay of {shots} shots {:.2} s, bare insertion of its {rows} rows {:.2} s, ratio {ratio:.2}",
            ours.as_secs_f64(),
            theirs.as_secs_f64()
        );
        ratios.push(ratio);
        std::fs::remove_file(replayed).unwrap();
        std::fs::remove_file(bare).unwrap();
    }
    ratios.sort_by(f64::total_cmp);
    println!("median: replay takes {:.2} times as long as the bare insertion", ratios[1]);
}

fn replay(recording: &Path, db: &Path) -> Duration {
    let began = Instant::now();
    let done = Command::new(env!("CARGO_BIN_EXE_flipwitness"))
        .args(["replay", "--run", "bench", "--feed"])
        .arg(recording.join("feed.jsonl"))
        .arg("--witnesses")
        .arg(recording.join("witnesses.jsonl"))
        .arg("--db")
        .arg(db)
        .output()
        .unwrap();
    let took = began.elapsed();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    took
}

/// All rows of one database into an empty one, table by table; only the insertions are timed.
fn insert_bare(from: &Path, to: &Path) -> (Duration, usize) {
    let from = Connection::open_with_flags(from, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    drop(store::Store::open(to).unwrap());
    let mut to = Connection::open(to).unwrap();
    to.execute_batch("PRAGMA synchronous = FULL; PRAGMA foreign_keys = OFF; PRAGMA cache_size = -8192").unwrap();
    let tables: Vec<String> = from
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let (mut took, mut all) = (Duration::ZERO, 0);
    for table in tables {
        let mut ask = from.prepare(&format!("SELECT * FROM {table}")).unwrap();
        let columns = ask.column_count();
        let rows: Vec<Vec<Value>> = ask
            .query_map([], |row| (0..columns).map(|n| row.get(n)).collect())
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        let insertion = format!("INSERT INTO {table} VALUES ({})", vec!["?"; columns].join(", "));
        let began = Instant::now();
        for batch in rows.chunks(ROWS_IN_A_COMMIT) {
            let tx = to.transaction().unwrap();
            {
                let mut insert = tx.prepare_cached(&insertion).unwrap();
                for row in batch {
                    insert.execute(params_from_iter(row)).unwrap();
                }
            }
            tx.commit().unwrap();
        }
        took += began.elapsed();
        all += rows.len();
    }
    (took, all)
}

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
struct Random(u64);

impl Random {
    /// Uniform in (0, 1).
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64 + f64::EPSILON / 4.0
    }

    fn below(&mut self, n: u32) -> u32 {
        (self.unit() * f64::from(n)) as u32
    }

    /// Standard normal, by Box and Muller.
    fn normal(&mut self) -> f64 {
        (-2.0 * self.unit().ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// Writes the recording that is replayed.
fn record(shots: usize, folder: &Path) {
    let (mut random, mut t) = (Random(1), 10.0);
    // ln(900 ms / 40 ms) over the 99th percentile of the standard normal.
    let sigma = (900.0_f64 / 40.0).ln() / 2.326_347_9;
    let mut feed = std::io::BufWriter::new(std::fs::File::create(folder.join("feed.jsonl")).unwrap());
    writeln!(feed, r#"{{"type":"hello","who":"bench","unit":"us","t_ns":500000000}}"#).unwrap();
    let mut reports = Vec::new();
    for n in 0..shots {
        t -= random.unit().ln() / 20.0;
        let (slot, line, ns) = (random.below(32), random.below(64), (t * 1e9) as u64);
        let at = format!(r#"{{"controller":0,"channel":{},"slot":{}}}"#, slot / 2, slot % 2);
        let rest = format!(r#""lines":["DQ{line}"],"hold_us":1000,"t_ns":{ns}"#);
        writeln!(feed, r#"{{"type":"injection","id":"i{n:07}","at":{at},{rest}}}"#).unwrap();
        if random.unit() > 0.01 {
            reports.push((t + 0.040 * (sigma * random.normal()).exp(), slot));
        }
    }
    for _ in 0..shots / 50 {
        reports.push((10.0 + random.unit() * (t - 10.0), random.below(32)));
    }
    feed.flush().unwrap();
    reports.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut said = std::io::BufWriter::new(std::fs::File::create(folder.join("witnesses.jsonl")).unwrap());
    for slot in 0..32 {
        let place = format!(r#""controller":0,"place":[{},{}],"layers":["channel","slot"]"#, slot / 2, slot % 2);
        writeln!(said, r#"{{"source":"dimm",{place},"label":"S{slot:02}","size_mb":16384}}"#).unwrap();
    }
    writeln!(said, r#"{{"source":"clock","t_ns":0,"wall_ns":1802692800000000000}}"#).unwrap();
    for (at, slot) in reports {
        let place = format!(r#""controller":0,"place":[{},{}],"label":"S{slot:02}""#, slot / 2, slot % 2);
        let ns = (at * 1e9) as u64;
        writeln!(said, r#"{{"source":"mc_event","t_ns":{ns},{place},"severity":"corrected","count":1}}"#).unwrap();
    }
    said.flush().unwrap();
}
