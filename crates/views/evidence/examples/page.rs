//! Writes the page of a made-up run: `cargo run -p evidence --example page -- OUT.html [SLOTS [BINS]]`.
#![allow(clippy::unwrap_used, reason = "an example for those who work on the page")]

#[path = "../tests/invented/mod.rs"]
mod invented;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let out = arguments.next().unwrap_or_else(|| "evidence.html".to_owned());
    let mut number = |or: usize| arguments.next().and_then(|n| n.parse().ok()).unwrap_or(or);
    let (slots, bins) = (number(32), number(400));
    std::fs::write(out, evidence::page(&invented::paper(slots, bins))).unwrap();
}
