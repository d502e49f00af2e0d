//! The trace reader on this machine's own kernel: a real ring, a real format file, a probe in the place of `mc_event`.
//!
//! Where tracefs cannot be written, each test says so and returns.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::print_stderr,
    unreachable_pub,
    reason = "a test"
)]

#[path = "support/probe.rs"]
mod probe;

use kernel_bytes::{Format, McEventLayout};
use kernel_watch::trace::{TraceInstance, TraceSetup};
use kernel_watch::{KernelEvent, WatchSource, run_trace};
use probe::{Probe, Shown, flipwitness_probed_function, tracefs};
use std::ffi::CStr;
use std::path::PathBuf;
use tokio::sync::{mpsc, watch};
use vocabulary::{Gap, Layers, Mono, Severity, Witness};

fn fire(count: u16, label: &CStr, address: u64) {
    flipwitness_probed_function(&Shown {
        address,
        syndrome: 0x54,
        msg: c"memory read error".as_ptr(),
        label: label.as_ptr(),
        driver_detail: c"of a test".as_ptr(),
        error_type: 1,
        error_count: count,
        mc_index: 3,
        top_layer: 0,
        middle_layer: 1,
        lower_layer: -1,
        grain_bits: 5,
    });
}

fn setup(probe: &Probe, per_cpu_kib: u64) -> TraceSetup {
    TraceSetup { per_cpu_kib, mc_event: probe.event.clone(), ..TraceSetup::default() }
}

fn name(tag: &str) -> String {
    format!("flipwitness-test-{}-{tag}", std::process::id())
}

/// Runs the reader while `act` runs, then stops it; everything that was sent.
async fn watched(instance: TraceInstance, capacity: usize, act: impl FnOnce() + Send + 'static) -> Vec<KernelEvent> {
    let (tx, mut rx) = mpsc::channel(capacity);
    let (stop, stopped) = watch::channel(false);
    let reader = tokio::spawn(run_trace(instance, tx, stopped));
    let actor = tokio::task::spawn_blocking(act);
    let mut events: Vec<KernelEvent> = Vec::new();
    let collector = async {
        while let Some(event) = rx.recv().await {
            events.push(event);
        }
    };
    tokio::join!(collector, async {
        actor.await.unwrap();
        stop.send(true).unwrap();
        reader.await.unwrap();
    });
    events
}

fn witnesses(events: &[KernelEvent]) -> Vec<Witness> {
    events
        .iter()
        .filter_map(|e| if let KernelEvent::Witnesses(w) = e { Some(w.clone()) } else { None })
        .flatten()
        .collect()
}

fn gaps(events: &[KernelEvent]) -> Vec<Gap> {
    events.iter().filter_map(|e| if let KernelEvent::Gap(g) = e { Some(g.clone()) } else { None }).collect()
}

#[test]
fn the_live_format_file_of_mc_event() {
    let Some(path) = tracefs().map(|root| root.join("events/ras/mc_event/format")).filter(|p| p.exists()) else {
        eprintln!("not tested: this kernel has no ras:mc_event, or tracefs is not readable");
        return;
    };
    let format = Format::parse(&std::fs::read_to_string(path).unwrap()).unwrap();
    assert_eq!(format.name, "mc_event");
    McEventLayout::from_format(&format).unwrap();
}

/// One test, since every probe on the function sees the records of every other test that runs at the same time.
#[tokio::test]
async fn the_real_ring() {
    let probe = match Probe::new("test") {
        Ok(probe) => probe,
        Err(why) => {
            eprintln!("not tested on the real ring: {why}");
            return;
        }
    };
    records_come_out_as_they_went_in(&probe).await;
    what_a_killed_daemon_left_is_read_first(&probe).await;
    an_overrun_is_a_gap_around_what_was_lost(&probe).await;
}

async fn records_come_out_as_they_went_in(probe: &Probe) {
    // The probe's record begins with other fields, so that offsets typed in would fail here.
    assert!(Format::parse(&probe.format()).unwrap().field("__probe_ip").is_some());
    let instance = TraceInstance::open(probe.root(), &name("plain"), &setup(probe, 1024)).unwrap();
    assert!(!instance.taken_over());
    let before = clocks::mono();
    let events = watched(instance, 16, || {
        fire(2, c"A1", 0x1234_5000);
        std::thread::sleep(std::time::Duration::from_millis(50));
        fire(0, c"any memory", 0);
    })
    .await;
    let after = clocks::mono();
    let found = witnesses(&events);
    assert_eq!(found.len(), 2);
    let w = &found[0];
    assert_eq!((w.controller, w.layers, w.severity, w.count), (Some(3), Layers([0, 1, -1]), Severity::Uncorrected, 2));
    assert_eq!((w.address, w.syndrome), (Some(0x1234_5000), Some(0x54)));
    let texts = [&w.label, &w.message, &w.detail].map(|t| t.as_deref().unwrap_or_default());
    assert_eq!(texts, ["A1", "memory read error", "of a test"]);
    assert_eq!((found[1].count, found[1].address), (0, None));
    // The stamps are CLOCK_MONOTONIC, and progress follows them.
    assert!(before < w.span.from && w.span.from < found[1].span.from && found[1].span.from < after);
    let progress: Vec<Mono> = events
        .iter()
        .filter_map(|e| match e {
            KernelEvent::Progress { source: WatchSource::Trace, to } => Some(*to),
            _ => None,
        })
        .collect();
    assert!(progress.is_sorted() && *progress.last().unwrap() > found[1].span.from);
    assert_eq!(gaps(&events), []);
    assert!(!probe.root().join("instances").join(name("plain")).exists(), "the instance is removed at the end");
}

async fn what_a_killed_daemon_left_is_read_first(probe: &Probe) {
    let setup = setup(probe, 1024);
    let first = TraceInstance::open(probe.root(), &name("stale"), &setup).unwrap();
    // Killed: it is neither closed nor dropped.
    std::mem::forget(first);
    fire(1, c"B1", 7);
    let again = TraceInstance::open(probe.root(), &name("stale"), &setup).unwrap();
    assert!(again.taken_over());
    let events = watched(again, 16, || fire(1, c"C1", 8)).await;
    let labels: Vec<_> = witnesses(&events).iter().map(|w| w.label.as_deref().unwrap_or_default().to_owned()).collect();
    assert_eq!(labels, ["B1", "C1"]);
    assert_eq!(gaps(&events), []);

    // One with another clock is emptied, since its stamps mean something else.
    let left: PathBuf = probe.root().join("instances").join(name("stale"));
    std::fs::create_dir(&left).unwrap();
    let other = TraceInstance::open(probe.root(), &name("stale"), &setup).unwrap();
    assert!(!other.taken_over());
    let events = watched(other, 16, || fire(1, c"D1", 9)).await;
    assert_eq!(witnesses(&events).len(), 1);
}

async fn an_overrun_is_a_gap_around_what_was_lost(probe: &Probe) {
    let before = clocks::mono();
    let instance = TraceInstance::open(probe.root(), &name("loss"), &setup(probe, 64)).unwrap();
    // Everything is written before the reader begins, into a ring that has not the room.
    let written = tokio::task::spawn_blocking(|| {
        for i in 0..20_000 {
            fire(1, c"A1", i + 1);
        }
        20_000
    })
    .await
    .unwrap();
    let events = watched(instance, 1024, || {}).await;
    let (found, gaps) = (witnesses(&events), gaps(&events));
    // All were written before the first was read, so that "at most" is exact here.
    let number = |g: &Gap| g.why.split(' ').filter_map(|word| word.parse::<u64>().ok()).nth(1);
    let lost: u64 = gaps.iter().filter_map(number).sum();
    assert!(lost > 0);
    assert_eq!(found.len() as u64 + lost, written);
    // Every number that is missing lies within a gap.
    assert!(gaps.iter().all(|g| g.of == "mc_event" && g.span.from >= before));
    let mut seen: Vec<_> = found.iter().map(|w| (w.address.unwrap(), w.span.from)).collect();
    seen.sort();
    for pair in seen.windows(2) {
        if pair[1].0 != pair[0].0 + 1 {
            let missing = vocabulary::Span::new(pair[0].1, pair[1].1);
            assert!(gaps.iter().any(|g| g.span.overlaps(missing)), "{missing:?} in {gaps:?}");
        }
    }
}
