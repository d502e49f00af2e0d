//! A burst through the real ring: how many records go in, how many come out, and what is told of the rest.
//!
//! `cargo run --release -p kernel-watch --example burst -- 500000 65536` writes 500,000 records of a probe that stands in
//! for `ras:mc_event` as fast as one thread can, into rings of 65,536 KiB per CPU, while the reader runs. As root, with
//! tracefs mounted. A small second number shows the honest gap; a third argument, `later`, writes everything before the
//! reader begins, so that the ring must hold it all.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    unreachable_pub,
    dead_code,
    reason = "a measurement run by hand"
)]

#[path = "../tests/support/probe.rs"]
mod probe;

use kernel_watch::trace::{TraceInstance, TraceSetup};
use kernel_watch::{KernelEvent, run_trace};
use probe::{Probe, Shown, flipwitness_probed_function};
use tokio::sync::{mpsc, watch};

fn burst(events: u64) {
    for address in 1..=events {
        flipwitness_probed_function(&Shown {
            address,
            syndrome: 0,
            msg: c"memory read error".as_ptr(),
            label: c"CPU_SrcID#0_MC#0_Chan#0_DIMM#1".as_ptr(),
            driver_detail: c" err_code:0x0001:0x0090".as_ptr(),
            error_type: 0,
            error_count: 1,
            mc_index: 0,
            top_layer: 0,
            middle_layer: 1,
            lower_layer: -1,
            grain_bits: 5,
        });
    }
}

#[tokio::main(flavor = "current_thread")]
async fn main() {
    let later = std::env::args().any(|a| a == "later");
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    let (events, kib) = (numbers.first().copied().unwrap_or(500_000), numbers.get(1).copied().unwrap_or(65_536));
    let probe = Probe::new("burst").unwrap();
    let setup =
        TraceSetup { per_cpu_kib: kib, total_mib: 4096, mc_event: probe.event.clone(), ..TraceSetup::default() };
    let instance = TraceInstance::open(probe.root(), "flipwitness-burst", &setup).unwrap();
    let (tx, mut rx) = mpsc::channel::<KernelEvent>(64);
    let (stop, stopped) = watch::channel(false);
    let began = clocks::mono();
    if later {
        burst(events);
    }
    let reader = tokio::spawn(run_trace(instance, tx, stopped));
    let writer = tokio::task::spawn_blocking(move || {
        if !later {
            burst(events);
        }
        clocks::elapsed_since(began)
    });
    let (mut received, mut gaps) = (0_u64, Vec::new());
    let collect = async {
        while let Some(event) = rx.recv().await {
            match event {
                KernelEvent::Witnesses(w) => received += w.len() as u64,
                KernelEvent::Gap(gap) => gaps.push(gap),
                _ => {}
            }
        }
    };
    let (written_in, ()) = tokio::join!(
        async {
            let written_in = writer.await.unwrap();
            stop.send(true).unwrap();
            reader.await.unwrap();
            written_in
        },
        collect
    );
    let all_in = clocks::elapsed_since(began);
    println!("{events} records written in {written_in:?}, ring of {kib} KiB per CPU");
    println!("{received} records received by {all_in:?}, {} not", events - received);
    println!("{} gaps", gaps.len());
    for gap in gaps.iter().take(5) {
        println!("  {:.3} ms: {}", gap.span.to.since(gap.span.from) as f64 / 1e6, gap.why);
    }
}
