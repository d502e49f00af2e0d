//! `flipwitness shots --missed --why`: the misses of a rehearsal and of a recording get their true causes, in words and in JSON.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

#[path = "common/mod.rs"]
mod common;
use common::{Told, flipwitness};
use serde_json::Value;
use std::path::Path;

fn ask(db: &str, more: &[&str]) -> Told {
    let told = flipwitness(&[&["shots", "--missed", "--why", "--db", db], more].concat());
    assert_eq!((told.status, told.stderr.as_str()), (0, ""));
    told
}

fn words(shot: &Value) -> Vec<&str> {
    shot["causes"].as_array().unwrap().iter().map(|cause| cause["cause"].as_str().unwrap()).collect()
}

#[test]
fn a_rehearsals_misses_have_their_causes() {
    let dir = tempfile::tempdir().unwrap();
    let db = dir.path().join("runs.db").display().to_string();
    let done = flipwitness(&["rehearse", "--seconds", "4", "--db", &db, "--listen", "127.0.0.1:0"]);
    assert_eq!(done.status, 0, "{}", done.stderr);
    let shots: Vec<Value> = serde_json::from_str(&ask(&db, &["--json"]).stdout).unwrap();
    // The first miss of a rehearsal is always one that the simulated collector took.
    let cause = &shots[0]["causes"][0];
    assert_eq!((cause["cause"].as_str(), cause["source"].as_str()), (Some("collector"), Some("drivers/ras/cec.c")));
    let evidence = cause["evidence"][0].clone();
    assert_eq!(evidence["fact"], "/sys/kernel/debug/ras/cec/array, CEs");
    assert!(evidence["value"].as_str().unwrap().starts_with('+'), "{evidence}");
    let text = ask(&db, &[]).stdout;
    assert!(
        text.contains("The kernel's collector of corrected errors") && text.contains("see drivers/ras/cec.c"),
        "{text}"
    );
    // Without the word nothing is looked into.
    let plain = flipwitness(&["shots", "--missed", "--json", "--db", &db]).stdout;
    assert!(!plain.contains("causes"), "{plain}");
}

/// A machine that is set to leave corrected errors alone from some moment on, and what came before and after.
const WITNESSES: &str = r#"
{"source":"dimm","controller":0,"place":[0,0],"layers":["channel","slot"],"label":"A1","edac_mode":"SECDED"}
{"source":"dimm","controller":0,"place":[1,0],"layers":["channel","slot"],"label":"B1","edac_mode":"SECDED"}
{"source":"machine","t_ns":500000000,"mce":0,"mcp":10,"thr":3,"dfr":0,"settings":{"x86":true,"machine_check":true,"check_interval_s":1,"ignore_ce":false,"cmci_disabled":false,"collector":false,"controllers":[{"controller":0,"name":"Some IMC#0"}]}}
{"source":"mc_event","t_ns":1020000000,"controller":0,"place":[0,0],"label":"A1","severity":"corrected"}
{"source":"machine","t_ns":1500000000,"from_ns":500000000,"mce":0,"mcp":11,"thr":4,"dfr":0}
{"source":"machine","t_ns":22500000000,"from_ns":21500000000,"mce":0,"mcp":32,"thr":5,"dfr":0}
{"source":"machine","t_ns":40500000000,"from_ns":39500000000,"mce":0,"mcp":50,"thr":5,"dfr":0,"settings":{"x86":true,"machine_check":true,"check_interval_s":1,"ignore_ce":true,"cmci_disabled":false,"collector":false,"controllers":[{"controller":0,"name":"Some IMC#0"}]}}
{"source":"mc_event","t_ns":67000000000,"controller":0,"place":[1,0],"label":"B1","severity":"corrected","message":"memory scrubbing error"}
"#;

const FEED: &str = r#"
{"type":"injection","id":"seen","at":"A1","lines":["DQ1"],"hold_us":200,"t_ns":1000000000}
{"type":"injection","id":"nothing","at":"A1","lines":["DQ1"],"force":"low","hold_us":200,"t_ns":11000000000}
{"type":"injection","id":"lost","at":"A1","lines":["DQ1"],"hold_us":200,"t_ns":21000000000}
{"type":"injection","id":"ignored","at":"A1","lines":["DQ1"],"hold_us":200,"t_ns":41000000000}
{"type":"injection","id":"late","at":"B1","lines":["DQ1"],"hold_us":200,"t_ns":61000000000}
"#;

#[test]
fn a_recordings_misses_have_their_causes() {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name).display().to_string();
    std::fs::write(Path::new(&path("witnesses")), WITNESSES).unwrap();
    std::fs::write(Path::new(&path("feed")), FEED).unwrap();
    let db = path("db");
    let done = flipwitness(&["replay", "--feed", &path("feed"), "--witnesses", &path("witnesses"), "--db", &db]);
    assert_eq!((done.status, done.stderr.as_str()), (0, ""));

    let shots: Vec<Value> = serde_json::from_str(&ask(&db, &["--json"]).stdout).unwrap();
    let told: Vec<_> = shots.iter().map(|s| (s["injection"].as_str().unwrap(), words(s)[0])).collect();
    let expected =
        [("nothing", "nothing_seen"), ("lost", "lost_in_kernel"), ("ignored", "ignore_ce"), ("late", "ignore_ce")];
    assert_eq!(told, expected, "{shots:#?}");
    assert!(shots.iter().take(3).all(|s| s["causes"][0]["strength"] == "likely"), "{shots:#?}");
    assert!(words(&shots[3]).contains(&"after_window"), "{:#?}", shots[3]);
    let text = ask(&db, &[]).stdout;
    assert!(text.contains("patrol scrubber") && text.contains("MCE +0, THR +1, DFR +0"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
}
