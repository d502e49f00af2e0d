//! Records per second on one core: whole `McEvent` values, witnesses of them, and the bare walk beside it.
//!
//! Run with `cargo bench -p kernel-bytes`; divan prints items (records) per second. The pages are as the ring hands
//! them out: 20 to 30 records each, with strings of the usual lengths.

#![allow(clippy::unwrap_used, reason = "a measurement run by hand")]

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use kernel_bytes::build::{self, PageWriter, mc_event_record};
use kernel_bytes::{Events, Format, Interner, McEvent, McEventLayout, Page, PageLayout};
use vocabulary::Mono;

const RECORDS: usize = 100_000;

fn main() {
    divan::main();
}

fn input() -> (Format, PageLayout, Vec<Vec<u8>>) {
    let format = Format::parse(build::MC_EVENT_FORMAT).unwrap();
    let layout = PageLayout::parse(build::HEADER_PAGE, build::HEADER_EVENT).unwrap();
    let mut writer = PageWriter::new(&layout);
    for i in 0..RECORDS {
        let label = format!("CPU_SrcID#0_MC#{}_Chan#{}_DIMM#{}", i % 4, i % 3, i % 2);
        let record = mc_event_record(
            &format,
            &McEvent {
                t: Mono(0),
                error_type: 0,
                msg: b"memory read error",
                label: label.as_bytes(),
                error_count: 1,
                mc_index: (i % 4) as u8,
                top_layer: (i % 3) as i8,
                middle_layer: (i % 2) as i8,
                lower_layer: -1,
                address: 0x1234_5000 + i as u64,
                grain_bits: 5,
                syndrome: 0,
                driver_detail: b" err_code:0x0001:0x0090 ProcessorSocketId:0x0",
            },
        );
        assert!(writer.push(Mono(1_000_000 + 900 * i as i64), &record));
    }
    let pages = writer.take();
    (format, layout, pages)
}

#[divan::bench]
fn bare_walk(bencher: Bencher<'_, '_>) {
    let (_, layout, pages) = input();
    bencher.counter(ItemsCount::new(RECORDS)).bench(|| {
        let mut bytes = 0;
        for page in &pages {
            for record in Page::open(&layout, page).unwrap() {
                bytes += record.unwrap().payload.len();
            }
        }
        bytes
    });
}

#[divan::bench]
fn whole_mc_events(bencher: Bencher<'_, '_>) {
    let (format, layout, pages) = input();
    let events = McEventLayout::from_format(&format).unwrap();
    bencher.counter(ItemsCount::new(RECORDS)).bench(|| {
        for page in &pages {
            for record in Page::open(&layout, page).unwrap() {
                let record = record.unwrap();
                black_box(events.decode(record.payload, record.t).unwrap());
            }
        }
    });
}

#[divan::bench]
fn witnesses(bencher: Bencher<'_, '_>) {
    let (format, layout, pages) = input();
    let events = Events::from_formats(Some(&format), None).unwrap();
    let mut interner = Interner::new();
    bencher.counter(ItemsCount::new(RECORDS)).bench_local(|| {
        for page in &pages {
            for record in Page::open(&layout, page).unwrap() {
                let record = record.unwrap();
                black_box(events.witness(record.payload, record.t, &mut interner).unwrap());
            }
        }
    });
}
