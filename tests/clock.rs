//! The injector's clock over a recording with pongs: how exactly shots and latencies are known, what `clock` answers, and what
//! stamps that cannot be get.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::disallowed_methods)]

#[path = "common/mod.rs"]
mod common;
use common::*;
use serde_json::Value;

/// Invented. The injector counts microseconds, and its clock is ten seconds behind the machine's. Ping and pong of its one good
/// exchange need 0.3 and 0.7 ms. Then come stamps that cannot be, and at the end it is reset.
const FEED: &str = r#"{"type":"hello","who":"rig","unit":"us","t_ns":11000000000}
{"type":"pong","n":1,"received":2000300,"t":2000300,"sent_ns":12000000000,"t_ns":12001000000}
{"type":"pong","n":2,"received":2100300,"t":2100300,"t_ns":12101000000}
{"type":"pong","n":3,"received":2200300,"t":2200299,"sent_ns":12200000000,"t_ns":12201000000}
{"type":"pong","n":4,"received":2300300,"t":2302300,"sent_ns":12300000000,"t_ns":12301000000}
{"type":"pong","n":5,"received":2400300,"t":2400300,"sent_ns":12402000000,"t_ns":12401000000}
{"type":"injection","id":"told","at":"LEFT","t":3000000,"t_ns":13100000000}
{"type":"injection","id":"silent","at":"LEFT","t_ns":20000000000}
{"type":"tick","t":10020000,"t_ns":20021000000}
{"type":"tick","t":500,"t_ns":30000000000}
"#;

const WITNESSES: &str = r#"{"source":"mc_event","t_ns":13040000000,"label":"LEFT","severity":"corrected"}
{"source":"mc_event","t_ns":20050000000,"label":"LEFT","severity":"corrected"}
"#;

#[test]
fn a_recorded_pong_makes_latencies_exact_and_says_how_exact() {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name).display().to_string();
    std::fs::write(path("feed"), FEED).unwrap();
    std::fs::write(path("witnesses"), WITNESSES).unwrap();
    let db = path("db");
    let done = flipwitness(&["replay", "--feed", &path("feed"), "--witnesses", &path("witnesses"), "--db", &db]);
    assert_eq!(done.status, 0, "{}", done.stderr);
    for why in [
        "line 3: no ping with `n` 2 waits for an answer",
        "line 4: `received` is 2200300, which is after `t`, 2200299: the clock ran backwards",
        "line 5: `received` and `t` say that the ping was held for 2000000 ns, but ping and pong took only 1000000 ns",
        "line 6: the pong arrived 1000000 ns before its ping was sent",
        "feed file: 4 lines were refused",
    ] {
        assert!(done.stderr.contains(why), "{why} in {}", done.stderr);
    }

    let ask = |question| -> Vec<Value> {
        serde_json::from_str(&flipwitness(&[question, "--json", "--db", &db]).stdout).unwrap()
    };
    let shots = ask("shots");
    let number = |row: &Value, key: &str| row[key].as_i64().unwrap();
    // The round trip of 1 ms, 100 ppm of a second on both sides, and a tick at both ends.
    let told = &shots[0];
    assert!(number(told, "fired_ns") <= 13_000_000_000 && 13_000_000_000 <= number(told, "fired_to_ns"), "{told}");
    assert!((1_200_000..1_203_000).contains(&number(told, "fired_uncertainty_ns")), "{told}");
    assert_eq!(told["latency_uncertainty_ns"], told["fired_uncertainty_ns"]);
    assert!(number(told, "latency_min_ns") <= 40_000_000 && 40_000_000 <= number(told, "latency_ns"), "{told}");
    // Without a time of the injector's the shot counts from its line's arrival.
    assert_eq!((number(&shots[1], "fired_uncertainty_ns"), number(&shots[1], "latency_ns")), (0, 50_000_000));
    assert_eq!(ask("slots")[0]["latency_uncertainty_ns"], told["latency_uncertainty_ns"]);

    let clocks = ask("clock");
    assert_eq!(clocks.len(), 1);
    let of = |key: &str| clocks[0][key].clone();
    assert_eq!([of("ticks"), of("pongs"), of("resets"), of("jumps"), of("contradictions")], [2, 1, 1, 0, 0]);
    assert_eq!((of("how"), of("round_trip_ns")), ("one-way".into(), 1_000_000.into()), "no pong since the reset");
    let table = flipwitness(&["clock", "--db", &db]).stdout;
    assert!(table.contains("Note: injector rig: its counter went back, so it was reset"), "{table}");
    assert!(table.contains("rig: it answers no pings now"), "{table}");
}
