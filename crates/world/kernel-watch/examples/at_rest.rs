//! What watching costs while nothing happens: 64 DIMMs, ten rounds a second.
//!
//! `cargo run --release -p kernel-watch --example at_rest -- 20 /dev/shm` measures for twenty seconds each, on a tree of
//! plain files in a tmpfs: the task as the daemon runs it, and beside it two loops that read every counter file at every
//! tick, one through open handles and one that opens them. Prints the share of one core that each used. `/sys` in the place of `/dev/shm` measures the machine's
//! own controllers instead, if it has any.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    unreachable_pub,
    dead_code,
    reason = "a measurement run by hand"
)]

#[path = "../tests/support/tree.rs"]
mod tree;

use kernel_watch::edac::{CountersConfig, EdacTree};
use kernel_watch::{KernelEvent, Start, run_counters};
use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::time::TimeValLike;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tree::FakeEdac;

const TICK: Duration = Duration::from_millis(100);

fn cpu_us() -> i64 {
    let usage = getrusage(UsageWho::RUSAGE_SELF).unwrap();
    usage.user_time().num_microseconds() + usage.system_time().num_microseconds()
}

/// Share of one core, in percent, while `work` ran for so many seconds.
async fn measured(seconds: u64, work: impl Future<Output = ()>) -> f64 {
    let before = cpu_us();
    work.await;
    (cpu_us() - before) as f64 / (seconds as f64 * 1e6) * 100.0
}

async fn task(root: &Path, seconds: u64) {
    let (tx, mut rx) = mpsc::channel::<KernelEvent>(64);
    let (stop, stopped) = watch::channel(false);
    let config = CountersConfig { interval: TICK, start: Start::Fresh };
    let task = tokio::spawn(run_counters(EdacTree::new(root), config, tx, stopped));
    let drain = async { while rx.recv().await.is_some() {} };
    tokio::join!(drain, async {
        tokio::time::sleep(Duration::from_secs(seconds)).await;
        stop.send(true).unwrap();
        task.await.unwrap();
    });
}

fn counter_files(dir: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(dir).unwrap().flatten() {
        let (path, name) = (entry.path(), entry.file_name().into_string().unwrap_or_default());
        if entry.file_type().unwrap().is_dir() {
            counter_files(&path, into);
        } else if name.ends_with("_count") || name == "seconds_since_reset" {
            into.push(path);
        }
    }
}

async fn everything_each_tick(files: &[PathBuf], seconds: u64) {
    let mut ticks = tokio::time::interval(TICK);
    for _ in 0..seconds * 10 {
        ticks.tick().await;
        let sum: u64 = files.iter().filter_map(|f| std::fs::read_to_string(f).ok()?.trim().parse::<u64>().ok()).sum();
        std::hint::black_box(sum);
    }
}

/// A bare loop without any runtime: the same files through handles that stay open.
fn everything_by_open_handles(files: &[PathBuf], seconds: u64) {
    let open: Vec<File> = files.iter().map(|f| File::open(f).unwrap()).collect();
    for _ in 0..seconds * 10 {
        std::thread::sleep(TICK);
        let mut sum = 0;
        for file in &open {
            let mut buffer = [0; 32];
            let n = file.read_at(&mut buffer, 0).unwrap();
            sum += buffer.get(..n).map_or(0, <[u8]>::len);
        }
        std::hint::black_box(sum);
    }
}

#[tokio::main(flavor = "current_thread")]
async fn main() {
    let mut args = std::env::args().skip(1);
    let seconds: u64 = args.next().map_or(20, |s| s.parse().expect("seconds"));
    let place = PathBuf::from(args.next().unwrap_or_else(|| "/dev/shm".to_owned()));
    let scratch = (place != Path::new("/sys")).then(|| tempfile::tempdir_in(&place).unwrap());
    let root = scratch.as_ref().map_or(place.as_path(), |dir| dir.path());
    if scratch.is_some() {
        let fake = FakeEdac::new(root);
        for mc in 0..16_u16 {
            fake.controller(mc, "Some Socket#0 IMC#0", "channel 1 slot 1 ");
            for n in 0..4 {
                let location = format!("channel {} slot {} ", n / 2, n % 2);
                fake.object(mc, &format!("dimm{n}"), &location, &format!("P0_DIMM_{mc}_{n}"));
            }
        }
    }
    let inventory = EdacTree::new(root).inventory().unwrap();
    println!("{} controllers, {} objects, {TICK:?} per round", inventory.controllers.len(), inventory.dimms.len());
    let mut files = Vec::new();
    counter_files(&root.join("devices/system/edac/mc"), &mut files);
    let ours = measured(seconds, task(root, seconds)).await;
    println!("the counter task:                {ours:.3} % of one core");
    let theirs = measured(seconds, everything_each_tick(&files, seconds)).await;
    let bare = measured(seconds, async { everything_by_open_handles(&files, seconds) }).await;
    println!("every file by an open handle:    {bare:.3} % of one core");
    println!("every file opened at every tick: {theirs:.3} % of one core ({} files)", files.len());
}
