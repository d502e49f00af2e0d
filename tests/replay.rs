//! The command line over a recorded capture: the answers a person and a script get, and what bad input gets.
//!
//! The recording in fixtures/replay is invented; every kind of outcome happens in it once. The tables are compared with
//! golden files: set `FLIPWITNESS_BLESS=1` to write them anew, and read the difference before you commit it.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::disallowed_methods)]

#[path = "common/mod.rs"]
mod common;
use common::*;
use serde_json::Value;

fn fixture(name: &str) -> String {
    root().join("fixtures/replay").join(name).display().to_string()
}

/// The recording in a fresh database.
fn replayed(more: &[&str]) -> (tempfile::TempDir, String) {
    let dir = tempfile::tempdir().unwrap();
    let db = dir.path().join("run.db").display().to_string();
    let (feed, witnesses) = (fixture("feed.jsonl"), fixture("witnesses.jsonl"));
    let mut args = vec!["replay", "--feed", &feed, "--witnesses", &witnesses, "--db", &db, "--run", "bench"];
    args.extend(more);
    let done = flipwitness(&args);
    assert_eq!(done.status, 0, "{}", done.stderr);
    (dir, db)
}

#[test]
fn every_outcome_of_the_recording() {
    let (_dir, db) = replayed(&["--deadline", "500ms"]);
    let shots: Vec<Value> = serde_json::from_str(&flipwitness(&["shots", "--json", "--db", &db]).stdout).unwrap();
    let told: Vec<String> = shots
        .iter()
        .map(|s| {
            let flags: Vec<&str> =
                ["misplaced", "misgraded", "late", "shared"].into_iter().filter(|f| s[f] == true).collect();
            let ms = s["latency_ns"].as_i64().map_or("-".into(), |ns| (ns / 1_000_000).to_string());
            format!(
                "{} {} {} {ms} {}",
                s["injection"].as_str().unwrap(),
                s["shot"],
                s["outcome"].as_str().unwrap(),
                flags.join(",")
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            "r01 1 detected 42 ",
            "r02 1 detected 30 ",
            "r03 1 missed - ",
            "r04 1 detected 50 misplaced",
            "r05 1 detected 20 misgraded",
            "r06 1 detected 400 shared",
            "r06 2 detected 300 shared",
            "r06 3 detected 200 shared",
            "r07 1 detected 900 late",
            "r08 1 unknowable - ",
            "r09 1 detected 10 ",
            "r10 1 detected 100 ",
            "r11 1 detected 600 late",
        ]
    );
    let orphans: Vec<Value> = serde_json::from_str(&flipwitness(&["orphans", "--json", "--db", &db]).stdout).unwrap();
    assert_eq!(orphans.len(), 1);
    assert_eq!((&orphans[0]["slot"], &orphans[0]["seen_ns"]), (&"LEFT_B1".into(), &95_000_000_000_i64.into()));
}

#[test]
fn slots_have_the_documented_keys_and_add_up() {
    let (_dir, db) = replayed(&["--deadline", "500ms"]);
    let slots: Vec<Value> = serde_json::from_str(&flipwitness(&["slots", "--json", "--db", &db]).stdout).unwrap();
    assert_eq!(slots.len(), 4);
    for slot in &slots {
        for key in [
            "slot",
            "channel",
            "controller",
            "shots",
            "detected",
            "missed",
            "unknowable",
            "shared",
            "misplaced",
            "misgraded",
            "late",
            "orphans",
            "latency_ns",
            "detection_rate",
        ] {
            assert!(slot.get(key).is_some(), "{key} is missing in {slot}");
        }
        let n = |key: &str| slot[key].as_u64().unwrap();
        assert_eq!(n("detected") + n("missed") + n("unknowable"), n("shots"), "{slot}");
    }
    // 42 ms, rounded up by less than 1/32.
    let p50 = slots[0]["latency_ns"]["p50"].as_i64().unwrap();
    assert!((42_000_000..43_312_500).contains(&p50), "{p50}");
    assert_eq!(slots[1]["detection_rate"], 0.5);
}

#[test]
fn tables_for_people() {
    let (_dir, db) = replayed(&["--deadline", "500ms"]);
    for question in ["slots", "shots", "orphans", "gaps", "rails"] {
        let told = flipwitness(&[question, "--db", &db]);
        assert_eq!(told.status, 0, "{}", told.stderr);
        // The run's first lines hold today's date.
        let table = told.stdout.split_once("\n\n").unwrap().1.to_owned();
        golden(&format!("fixtures/replay/{question}.txt"), &table);
        assert!(told.stdout.lines().all(|line| line.chars().count() <= 100), "a line of {question} is too long");
    }
    let missed = flipwitness(&["shots", "--missed", "--json", "--db", &db]).stdout;
    assert_eq!(serde_json::from_str::<Vec<Value>>(&missed).unwrap().len(), 1);
}

#[test]
fn the_same_recording_gives_the_same_bytes() {
    let (_a, first) = replayed(&[]);
    let (_b, second) = replayed(&[]);
    for question in ["slots", "shots", "orphans"] {
        let ask = |db: &str| flipwitness(&[question, "--json", "--db", db]).stdout;
        assert_eq!(ask(&first), ask(&second));
    }
}

#[test]
fn anybodys_data_without_inventory() {
    let dir = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = dir.path().join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    };
    let feed = file(
        "feed",
        "{\"type\":\"injection\",\"id\":\"1\",\"at\":{\"controller\":0,\"channel\":1,\"slot\":0},\"t_ns\":1000000000}\n\
         {\"type\":\"injection\",\"id\":\"2\",\"at\":\"LEFT\",\"t_ns\":2000000000}\n\
         garbage\n\
         {\"type\":\"injection\",\"id\":\"3\",\"at\":\"LEFT\"}\n\
         {\"type\":\"injection\",\"id\":\"2\",\"at\":\"LEFT\",\"t_ns\":2100000000}\n\
         {\"type\":\"inje",
    );
    // Out of order, and with lines that make no sense in between.
    let witnesses = file(
        "witnesses",
        "{\"source\":\"mc_event\",\"t_ns\":2050000000,\"controller\":3,\"place\":[0,0],\"label\":\"LEFT\",\"severity\":\"corrected\",\"count\":1}\n\
         \n\
         {\"source\":\"radio\",\"t_ns\":1}\n\
         {\"source\":\"mc_event\",\"t_ns\":1050000000,\"controller\":0,\"place\":[1,0],\"severity\":\"corrected\",\"count\":1}\n",
    );
    let db = dir.path().join("run.db").display().to_string();
    let done = flipwitness(&["replay", "--feed", &feed, "--witnesses", &witnesses, "--db", &db]);
    assert_eq!(done.status, 0, "{}", done.stderr);
    for why in [
        "feed file: line 3",
        "feed file: line 4: t_ns is missing",
        "feed file: line 6",
        "witness file: line 3: source is \"radio\"",
    ] {
        assert!(done.stderr.contains(why), "{why} in {}", done.stderr);
    }
    let shots: Vec<Value> = serde_json::from_str(&flipwitness(&["shots", "--json", "--db", &db]).stdout).unwrap();
    let told: Vec<_> = shots.iter().map(|s| (s["slot"].as_str().unwrap(), s["outcome"].as_str().unwrap())).collect();
    assert_eq!(told, [("mc0 1:0", "detected"), ("LEFT", "detected")]);
}

#[test]
fn questions_that_have_no_answer_say_so_in_one_line() {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name).display().to_string();
    let one_line = |args: &[&str], status: i32, words: &str| {
        let told = flipwitness(args);
        assert_eq!(told.status, status, "{args:?}: {}", told.stderr);
        assert!(told.stderr.contains(words), "{args:?}: {}", told.stderr);
        assert_eq!(told.stderr.trim_end().lines().count(), 1, "{}", told.stderr);
        assert_eq!(told.stdout, "");
    };
    one_line(&["slots", "--db", &path("nothing.db")], 66, "no database here");
    std::fs::write(
        path("text.db"),
        "this is a text that is longer than a database header of one hundred bytes, so that it can be read as one",
    )
    .unwrap();
    one_line(&["slots", "--db", &path("text.db")], 70, "text.db");
    let (_kept, db) = replayed(&[]);
    one_line(&["slots", "--db", &db, "--run", "other"], 65, "no run is named \"other\"; the database has: bench");
    one_line(&["shots", "--db", &db, "--slot", "Z"], 65, "no slot of the run is named \"Z\"");
    one_line(
        &[
            "replay",
            "--feed",
            &fixture("feed.jsonl"),
            "--witnesses",
            &fixture("witnesses.jsonl"),
            "--db",
            &db,
            "--run",
            "bench",
        ],
        1,
        "has a run named \"bench\" already",
    );
    one_line(
        &["replay", "--feed", &path("no"), "--witnesses", &path("no"), "--db", &db],
        66,
        "cannot read the feed file",
    );
    let newer = path("newer.db");
    std::fs::copy(&db, &newer).unwrap();
    rusqlite::Connection::open(&newer).unwrap().pragma_update(None, "user_version", 99).unwrap();
    one_line(&["slots", "--db", &newer], 76, "schema version 99");
    one_line(&["watch", "--db", &newer, "--listen", "127.0.0.1:0"], 76, "schema version 99");
    assert_eq!(flipwitness(&["slots", "--colour"]).status, 64);
    std::fs::write(path("bad.toml"), "[pairing]\nwindow = 3\n").unwrap();
    let told = flipwitness(&["watch", "--config", &path("bad.toml"), "--db", &path("x.db")]);
    assert_eq!(told.status, 78, "{}", told.stderr);
    assert!(told.stderr.contains("unknown field `window`"));
}
