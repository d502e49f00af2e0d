//! How long one expectation takes once the slot's code is built: `cargo bench -p ecc`.
#![allow(clippy::expect_used, reason = "a benchmark may stop where it has nothing to measure")]

use divan::{Bencher, black_box, counter::ItemsCount};
use ecc::{Choice, Override, SlotCode, SlotFacts};
use vocabulary::Force;

fn main() {
    divan::main();
}

fn slot(code: &str) -> SlotCode {
    let chosen = Override { code: Choice::named(code).ok(), device_lines: Some(4) };
    SlotCode::of(&SlotFacts::default(), &chosen).expect("a code that is built in")
}

/// Lines that lie far apart, with the sub-channel where the code is for one.
fn lines(code: &str, count: usize) -> Vec<String> {
    let (end, every) = if code.contains("40") { ("_A", 32) } else { ("", 64) };
    (0..count).map(|n| format!("DQ{}{end}", n * 5 % every)).collect()
}

#[divan::bench(args = ["sec-ded", "single-device-double-detect", "hsiao-72-64", "hsiao-40-32", "amd-x4", "amd-x8"], consts = [1, 2, 4, 8, 12, 16])]
fn held_low<const COUNT: usize>(bencher: Bencher<'_, '_>, code: &str) {
    let (slot, lines) = (slot(code), lines(code, COUNT));
    bencher.counter(ItemsCount::new(1usize)).bench(|| slot.expect(black_box(&lines), Some(Force::Low)));
}

#[divan::bench(args = ["sec-ded", "hsiao-72-64", "amd-x4"])]
fn inverted_four(bencher: Bencher<'_, '_>, code: &str) {
    let (slot, lines) = (slot(code), lines(code, 4));
    bencher.counter(ItemsCount::new(1usize)).bench(|| slot.expect(black_box(&lines), Some(Force::Invert)));
}

#[divan::bench]
fn strobe_of_a_byte(bencher: Bencher<'_, '_>) {
    let slot = slot("hsiao-72-64");
    bencher.counter(ItemsCount::new(1usize)).bench(|| slot.expect(black_box(&["DQS3", "DQS12"]), Some(Force::Low)));
}

#[divan::bench]
fn over_the_hold(bencher: Bencher<'_, '_>) {
    let slot = slot("sec-ded");
    let expected = slot.expect(&["DQ3", "DQ4"], Some(Force::Low)).expect("lines that a module has");
    bencher.counter(ItemsCount::new(1usize)).bench(|| expected.shot(black_box(250_000), black_box(1e6)));
}

#[divan::bench]
fn build_a_slot(bencher: Bencher<'_, '_>) {
    bencher.bench(|| slot(black_box("amd-x4")));
}
