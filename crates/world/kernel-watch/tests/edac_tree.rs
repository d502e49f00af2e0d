//! The EDAC side on directories that look like `/sys`: inventories, and counters that move, vanish and come back.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, unreachable_pub, reason = "a test")]

#[path = "support/tree.rs"]
mod tree;

use kernel_watch::edac::{CounterWatch, CountersConfig, EdacTree};
use kernel_watch::{KernelEvent, Start, WatchSource, run_counters};
use std::time::Duration;
use tree::FakeEdac;
use vocabulary::{Dimm, Gap, Layer, Layers, Mono, Severity, Witness};

/// A controller with two channels of one slot each.
fn board() -> (tempfile::TempDir, FakeEdac) {
    let dir = tempfile::tempdir().unwrap();
    let fake = FakeEdac::new(dir.path());
    fake.controller(0, "Some Socket#0 IMC#0", "channel 1 slot 1 ");
    fake.object(0, "dimm0", "channel 0 slot 0 ", "A1");
    fake.object(0, "dimm2", "channel 1 slot 0 ", "B1");
    fake.set(0, "seconds_since_reset", 1_000_000);
    (dir, fake)
}

struct Round {
    witnesses: Vec<Witness>,
    gaps: Vec<Gap>,
    inventories: Vec<Vec<Dimm>>,
    remarks: Vec<String>,
    values: usize,
    to: Mono,
}

fn round(watch: &mut CounterWatch) -> Round {
    let mut r = Round { witnesses: vec![], gaps: vec![], inventories: vec![], remarks: vec![], values: 0, to: Mono(0) };
    let events = watch.round();
    assert!(matches!(events.last(), Some(KernelEvent::Progress { source: WatchSource::Counters, .. })));
    for event in events {
        match event {
            KernelEvent::Witnesses(w) => r.witnesses.extend(w),
            KernelEvent::Gap(g) => r.gaps.push(g),
            KernelEvent::Inventory(d) => r.inventories.push(d),
            KernelEvent::Remark { warning: true, text } => r.remarks.push(text),
            KernelEvent::CounterValues(v) => r.values += v.len(),
            KernelEvent::Progress { to, .. } => r.to = to,
            _ => {}
        }
    }
    r
}

#[test]
fn an_inventory_of_dimms() {
    // drivers/edac/edac_mc_sysfs.c; a controller without csrow layer has dimm objects. No csrow nodes are there.
    let (dir, _) = board();
    let inventory = EdacTree::new(dir.path()).inventory().unwrap();
    let c = &inventory.controllers[0];
    assert_eq!((c.index, c.name.as_deref(), c.size_mb, c.objects), (0, Some("Some Socket#0 IMC#0"), Some(65536), 2));
    assert_eq!((c.layer_kinds.as_slice(), c.max_location), (&[Layer::Channel, Layer::Slot][..], Layers([1, 1, -1])));
    let expected = Dimm {
        controller: 0,
        layers: Layers([1, 0, -1]),
        layer_kinds: vec![Layer::Channel, Layer::Slot],
        label: "B1".into(),
        edac_mode: Some("SECDED".into()),
        dev_type: Some("x8".into()),
        mem_type: Some("Registered-DDR4".into()),
        size_mb: Some(16384),
        rank: false,
    };
    assert_eq!(inventory.dimms.len(), 2);
    assert_eq!(inventory.dimms[1], expected);
}

#[test]
fn an_inventory_of_ranks_in_order_of_their_numbers() {
    let dir = tempfile::tempdir().unwrap();
    let fake = FakeEdac::new(dir.path());
    fake.controller(10, "ten", "csrow 3 channel 1 ");
    fake.controller(2, "two", "csrow 3 channel 1 ");
    for n in [10, 2, 0] {
        fake.object(2, &format!("rank{n}"), &format!("csrow {} channel {} ", n % 4, n % 2), "");
    }
    std::fs::create_dir(fake.mc(2).join("csrow0")).unwrap();
    // An object that is just vanishing has lost its files.
    std::fs::create_dir(fake.mc(2).join("rank5")).unwrap();
    let inventory = EdacTree::new(dir.path()).inventory().unwrap();
    assert_eq!(inventory.controllers.iter().map(|c| c.index).collect::<Vec<_>>(), [2, 10]);
    let seen: Vec<_> =
        inventory.dimms.iter().map(|d| (d.controller, d.layers.0[0], d.rank, d.label.as_str())).collect();
    assert_eq!(seen, [(2, 0, true, ""), (2, 2, true, ""), (2, 2, true, "")]);
}

#[test]
fn no_controller_is_said_with_what_to_try() {
    let dir = tempfile::tempdir().unwrap();
    for made in ["nothing", "devices/system/edac/mc/power"] {
        std::fs::create_dir_all(dir.path().join(made)).unwrap();
        let error = EdacTree::new(dir.path()).inventory().unwrap_err();
        assert_eq!(error.to_string(), "no memory controller is registered: nothing can be reported");
        for word in ["driver", "CONFIG_EDAC", "firmware", "virtual machines"] {
            assert!(error.advice().contains(word), "{word}");
        }
    }
    let mut watch = CounterWatch::new(EdacTree::new(dir.path()), Start::Fresh);
    assert!(
        round(&mut watch).remarks[0].starts_with("no memory controller is registered: nothing can be reported; load")
    );
    watch.look_again();
    assert!(round(&mut watch).remarks.is_empty(), "said once");
    // Then the driver is loaded.
    FakeEdac::new(dir.path()).controller(0, "late", "channel 0 slot 0 ");
    FakeEdac::new(dir.path()).object(0, "dimm0", "channel 0 slot 0 ", "A1");
    watch.look_again();
    assert_eq!(round(&mut watch).inventories.len(), 1);
}

#[test]
fn a_counter_step_is_a_witness() {
    let (dir, fake) = board();
    fake.set(0, "ce_count", 7);
    fake.set(0, "dimm0/dimm_ce_count", 7);
    let before = clocks::mono();
    let mut watch = CounterWatch::new(EdacTree::new(dir.path()), Start::Fresh);
    let first = round(&mut watch);
    assert_eq!((first.witnesses.len(), first.inventories.len(), first.values), (0, 1, 6));
    assert!(first.to >= before);
    fake.set(0, "ce_count", 12);
    fake.set(0, "dimm2/dimm_ce_count", 5);
    let second = round(&mut watch);
    assert_eq!(second.witnesses.len(), 1);
    let w = &second.witnesses[0];
    assert_eq!((w.controller, w.layers, w.label.as_deref()), (Some(0), Layers([1, 0, -1]), Some("B1")));
    assert_eq!((w.severity, w.count), (Severity::Corrected, 5));
    assert!(w.span.from >= first.to && w.span.from <= second.to && w.span.to >= second.to);
    assert_eq!(second.values, 6);
    assert_eq!(round(&mut watch).values, 0);
    fake.set(0, "ue_count", 1);
    fake.set(0, "ue_noinfo_count", 1);
    let w = &round(&mut watch).witnesses[0];
    assert_eq!(
        (w.controller, w.layers, w.severity, &w.label),
        (Some(0), Layers::UNKNOWN, Severity::Uncorrected, &None)
    );
}

#[test]
fn a_file_caught_empty_is_read_again_and_nothing_is_lost() {
    let (dir, fake) = board();
    let mut watch = CounterWatch::new(EdacTree::new(dir.path()), Start::Fresh);
    let first = round(&mut watch);
    std::fs::write(fake.mc(0).join("ce_count"), "").unwrap();
    let second = round(&mut watch);
    assert!(second.witnesses.is_empty() && second.gaps.is_empty());
    assert!(second.to <= first.to.plus(1_000_000_000) && second.to < clocks::mono());
    fake.set(0, "ce_count", 1);
    fake.set(0, "dimm0/dimm_ce_count", 1);
    let third = round(&mut watch);
    assert_eq!(third.witnesses.len(), 1);
    assert!(third.witnesses[0].span.from >= second.to);
}

#[test]
fn a_relabelled_object_is_told_and_its_steps_carry_the_new_label() {
    let (dir, fake) = board();
    let mut watch = CounterWatch::new(EdacTree::new(dir.path()), Start::Fresh);
    round(&mut watch);
    watch.look_again();
    assert!(round(&mut watch).inventories.is_empty(), "nothing changed");
    fake.set(0, "dimm0/dimm_label", "LEFT");
    watch.look_again();
    let told = round(&mut watch).inventories;
    assert_eq!(told[0][0].label, "LEFT");
    fake.set(0, "ce_count", 1);
    fake.set(0, "dimm0/dimm_ce_count", 1);
    assert_eq!(round(&mut watch).witnesses[0].label.as_deref(), Some("LEFT"));
}

#[test]
fn a_controller_that_goes_is_a_gap_until_it_is_back() {
    let (dir, fake) = board();
    fake.set(0, "ce_count", 7);
    fake.set(0, "dimm0/dimm_ce_count", 7);
    let mut watch = CounterWatch::new(EdacTree::new(dir.path()), Start::Fresh);
    round(&mut watch);
    std::fs::remove_dir_all(fake.mc(0)).unwrap();
    watch.look_again();
    let second = round(&mut watch);
    assert_eq!(second.remarks.len(), 1);
    std::thread::sleep(Duration::from_millis(1010));
    let third = round(&mut watch);
    assert_eq!((third.gaps.len(), third.gaps[0].controller, third.gaps[0].of.as_str()), (1, Some(0), "counter"));
    assert!(third.gaps[0].span.from == second.to && third.to <= third.gaps[0].span.to);
    // Loaded again: it counts from zero and has counted three.
    fake.controller(0, "Some Socket#0 IMC#0", "channel 1 slot 1 ");
    fake.object(0, "dimm0", "channel 0 slot 0 ", "A1");
    fake.object(0, "dimm2", "channel 1 slot 0 ", "B1");
    fake.set(0, "ce_count", 3);
    fake.set(0, "dimm0/dimm_ce_count", 3);
    watch.look_again();
    let mut back = round(&mut watch);
    let again = round(&mut watch);
    back.gaps.extend(again.gaps);
    back.witnesses.extend(again.witnesses);
    assert_eq!(back.inventories.len(), 1);
    assert_eq!(back.witnesses.iter().map(|w| w.count).collect::<Vec<_>>(), [3]);
    assert!(back.gaps.iter().any(|g| g.span.from == second.to && g.span.to >= again.to));
}

#[test]
fn a_reset_is_a_gap_and_never_a_negative_count() {
    let (dir, fake) = board();
    fake.set(0, "ce_count", 900);
    fake.set(0, "dimm0/dimm_ce_count", 900);
    let mut watch = CounterWatch::new(EdacTree::new(dir.path()), Start::Fresh);
    round(&mut watch);
    for (file, value) in
        [("ce_count", 2), ("dimm0/dimm_ce_count", 0), ("dimm2/dimm_ce_count", 2), ("seconds_since_reset", 0)]
    {
        fake.set(0, file, value);
    }
    let mut told = round(&mut watch);
    let more = round(&mut watch);
    told.witnesses.extend(more.witnesses);
    told.gaps.extend(more.gaps);
    let counts: Vec<_> = told.witnesses.iter().map(|w| (w.label.as_deref(), w.count)).collect();
    assert_eq!(counts, [(Some("B1"), 2)]);
    assert_eq!(told.gaps.len(), 1);
}

#[tokio::test]
async fn the_task_ends_with_the_last_values() {
    let (dir, fake) = board();
    let (tx, mut rx) = tokio::sync::mpsc::channel::<KernelEvent>(8);
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let config = CountersConfig { interval: Duration::from_millis(5), start: Start::Fresh };
    let task = tokio::spawn(run_counters(EdacTree::new(dir.path()), config, tx, stopped));
    let mut events = Vec::new();
    while let Some(event) = rx.recv().await {
        if events.is_empty() {
            fake.set(0, "ce_count", 4);
            fake.set(0, "dimm0/dimm_ce_count", 4);
        }
        if let KernelEvent::Witnesses(w) = &event {
            assert_eq!(w[0].count, 4);
            stop.send(true).unwrap();
        }
        events.push(event);
    }
    task.await.unwrap();
    let [.., KernelEvent::CounterValues(values), KernelEvent::Progress { source: WatchSource::Counters, to }] =
        &events[..]
    else {
        panic!("the last messages are the values and the progress");
    };
    assert!(values.iter().any(|v| v.layers == Layers([0, 0, -1]) && v.value == 4 && v.read >= *to));
}
