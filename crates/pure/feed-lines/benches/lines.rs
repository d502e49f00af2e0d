//! How many lines a second: `cargo bench -p feed-lines`.

use divan::{Bencher, black_box, counter::ItemsCount};
use feed_lines::{Kind, LineSplitter, Pattern, Reply, parse};
use vocabulary::Mono;

fn main() {
    divan::main();
}

const INJECTION: &str = r#"{"type":"injection","id":"b1-000017","t":4200000,"at":"DIMM_A1","lines":["DQ3","CB1"],"hold_us":250,"force":"low"}"#;

#[divan::bench]
fn parse_injection(bencher: Bencher<'_, '_>) {
    bencher.counter(ItemsCount::new(1usize)).bench(|| parse(black_box(INJECTION)));
}

#[divan::bench]
fn parse_tick(bencher: Bencher<'_, '_>) {
    bencher.counter(ItemsCount::new(1usize)).bench(|| parse(black_box(r#"{"type":"tick","t":4180233}"#)));
}

#[divan::bench]
fn split_and_parse_16_kib(bencher: Bencher<'_, '_>) {
    let chunk = format!("{INJECTION}\n").repeat(16 * 1024 / (INJECTION.len() + 1));
    bencher.counter(ItemsCount::new(chunk.lines().count())).bench(|| {
        let mut lines = Vec::new();
        LineSplitter::new().push(black_box(chunk.as_bytes()), &mut lines);
        lines.into_iter().filter_map(|framed| parse(&framed.line.ok()?).ok()).count()
    });
}

#[divan::bench]
fn read_printed_text(bencher: Bencher<'_, '_>) {
    let regex = r"^\[(?<t>\d+)\] (?<who>\w+): force (?<force>\w+) on (?<lines>[\w, ]+) at (?<at>\w+) for (?<hold_us>\d+) us, no\. (?<id>\d+)";
    let Ok(pattern) = Pattern::new(Kind::Injection, regex) else { return };
    let line = "[4180] rig9: force low on DQ3, DQ4 at DIMM_A1 for 250 us, no. 17";
    bencher.counter(ItemsCount::new(1usize)).bench(|| pattern.read(black_box(line)));
}

#[divan::bench]
fn write_reply(bencher: Bencher<'_, '_>) {
    let reply = Reply::Accepted { id: "b1-000017".into(), line: 17, t_ns: Mono(812_345_678_901), again: false };
    let mut out = Vec::with_capacity(256);
    bencher.counter(ItemsCount::new(1usize)).bench_local(|| {
        out.clear();
        black_box(&reply).write_line(&mut out);
        out.len()
    });
}
