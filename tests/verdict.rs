//! `verdict` and `plan` from the command line, over the recording in fixtures/replay: what a person, a script and a pipeline get.
//!
//! The criteria are invented. What is judged how is tested in crate `verdict`; here it is that the right counts reach it, and that
//! every answer has its exit status.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::disallowed_methods)]

#[path = "common/mod.rs"]
mod common;
use common::*;
use serde_json::Value;
use std::time::{SystemTime, UNIX_EPOCH};

/// A replayed recording in a directory of its own.
struct Run {
    dir: tempfile::TempDir,
}

impl Run {
    fn new() -> Run {
        let text = |name: &str| std::fs::read_to_string(root().join("fixtures/replay").join(name)).unwrap();
        Run::of(&text("feed.jsonl"), &text("witnesses.jsonl"))
    }

    fn of(feed: &str, witnesses: &str) -> Run {
        let run = Run { dir: tempfile::tempdir().unwrap() };
        let (feed, witnesses) = (run.file("feed", feed), run.file("witnesses", witnesses));
        let args = ["replay", "--feed", &feed, "--witnesses", &witnesses, "--db", &run.db(), "--run", "bench"];
        let done = flipwitness(&args);
        assert_eq!(done.status, 0, "{}", done.stderr);
        run
    }

    fn path(&self, name: &str) -> String {
        self.dir.path().join(name).display().to_string()
    }

    fn file(&self, name: &str, text: &str) -> String {
        std::fs::write(self.path(name), text).unwrap();
        self.path(name)
    }

    fn db(&self) -> String {
        self.path("run.db")
    }

    fn change(&self, sql: &str) {
        rusqlite::Connection::open(self.db()).unwrap().execute_batch(sql).unwrap();
    }

    fn judged(&self, criteria: &str, more: &[&str]) -> Told {
        let (criteria, db) = (self.file("criteria.toml", criteria), self.db());
        let mut args = vec!["verdict", "--db", &db, "--criteria", &criteria];
        args.extend(more);
        flipwitness(&args)
    }

    fn json(&self, criteria: &str) -> Value {
        serde_json::from_str(&self.judged(criteria, &["--json"]).stdout).unwrap()
    }
}

/// So little is asked that every slot shows it: the one with a single shot, and the one with a miss among two.
const MET: &str = "confidence = 0.6\nslots_together = false\n[detection]\nat_least = 0.05\n[cover]\nslots = \"all\"\nlines = [\"DQ5\"]\n";
/// One of three shots at LEFT_B1 was blamed on another slot, which refutes one in a thousand at once.
const NOT_MET: &str = "slots_together = false\n[misplaced]\nat_most = 0.001\n";
const NOT_ENOUGH: &str = "[detection]\nat_least = 0.99\n";

/// Every element is closed in its order, and no character is one that XML forbids.
fn well_formed(xml: &str) {
    assert!(xml.starts_with("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"), "{xml}");
    assert!(!xml.chars().any(|c| c.is_control() && !"\n\t".contains(c)), "{xml}");
    let mut open: Vec<&str> = Vec::new();
    for tag in xml.split('<').skip(2).map(|part| part.split_once('>').unwrap().0) {
        let name = tag.split([' ', '/']).find(|word| !word.is_empty()).unwrap();
        assert_eq!(tag.matches('"').count() % 2, 0, "{tag}");
        match (tag.starts_with('/'), tag.ends_with('/')) {
            (true, _) => assert_eq!(open.pop(), Some(name), "{xml}"),
            (false, false) => open.push(name),
            (false, true) => {}
        }
    }
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn the_answer_is_the_exit_status() {
    let run = Run::new();
    for (criteria, status, first) in [
        (MET, 0, "Verdict: met: all criteria at 4 slots."),
        (NOT_MET, 1, "Verdict: not met: 1 of 4 slots (LEFT_B1)."),
        (NOT_ENOUGH, 2, "Verdict: not enough evidence: 4 of 4 slots (LEFT_A1, LEFT_A2, LEFT_B1, LEFT_B2)."),
    ] {
        let told = run.judged(criteria, &[]);
        assert_eq!((told.status, told.stderr.as_str()), (status, ""), "{}", told.stdout);
        assert_eq!(told.stdout.lines().next(), Some(first), "{}", told.stdout);
        assert!(told.stdout.lines().all(|line| line.chars().count() <= 100), "{}", told.stdout);
        assert!(told.stdout.contains("Mind: 1 unknowable shot do"), "{}", told.stdout);
    }
}

#[test]
fn the_table_for_people() {
    let told = Run::new().judged(
        "slots_together = false\nplatform = \"invented\"\n[detection]\nat_least = 0.99\n[latency]\nquantile = 0.5\nat_most_ms = 500\n\
         [misplaced]\nat_most = 0.1\n[misgraded]\nat_most = 0.1\n[dangerous]\nat_most = 0.1\n[orphans]\nat_most_per_hour = 1\n\
         [cover]\nshots_per_slot = 6\nlines = [\"DQ0-DQ7\"]\n",
        &[],
    );
    assert_eq!(told.status, 1, "{}", told.stderr);
    // The run's first lines hold today's date.
    let (verdict, rest) = told.stdout.split_once('\n').unwrap();
    let table = format!("{verdict}\n\n{}", rest.split_once("\n\n").unwrap().1);
    golden("fixtures/replay/verdict.txt", &table);
}

#[test]
fn numbers_and_the_shots_behind_them() {
    let run = Run::new();
    let told = run.json(NOT_MET);
    assert_eq!(
        (&told["verdict"], &told["state"], &told["so_far"]),
        (&"not_met".into(), &"ended".into(), &false.into())
    );
    assert_eq!(told["refused"], serde_json::json!({ "unknowable": 1, "unwatched": 0, "open": 0, "dangerous": 0 }));
    let names: Vec<&str> = told["slots"].as_array().unwrap().iter().map(|s| s["slot"].as_str().unwrap()).collect();
    assert_eq!(names, ["LEFT_A1", "LEFT_A2", "LEFT_B1", "LEFT_B2"]);
    let with_miss = &told["slots"][1];
    assert_eq!([&with_miss["shots"], &with_miss["counted"], &with_miss["missed"]], [3, 2, 1]);
    let finding = &told["slots"][2]["findings"][0];
    assert_eq!((&finding["criterion"], &finding["used"]), (&"misplaced".into(), &"lower".into()));
    // One of three, exact and one-sided at 95 % (Clopper and Pearson 1934): 1 - 0.95^(1/3).
    let lower = finding["lower"].as_f64().unwrap();
    assert!((lower - (1.0 - 0.95_f64.cbrt())).abs() < 1e-9, "{lower}");

    // The command that it tells shows the shots behind it.
    let command = finding["ask"]["command"].as_str().unwrap();
    let mut args: Vec<&str> = command.split(' ').skip(1).collect();
    let db = run.db();
    args.extend(["--db", &db, "--json"]);
    let shots: Vec<Value> = serde_json::from_str(&flipwitness(&args).stdout).unwrap();
    assert_eq!(shots.iter().map(|s| s["injection"].as_str().unwrap()).collect::<Vec<_>>(), ["r04"]);

    let orphans = run.json("[orphans]\nat_most_per_hour = 1\n");
    let of_b1 = &orphans["slots"][2]["findings"][0];
    let command = of_b1["ask"]["command"].as_str().unwrap();
    let mut args: Vec<&str> = command.split(' ').skip(1).collect();
    args.extend(["--db", &db, "--json"]);
    let reports: Vec<Value> = serde_json::from_str(&flipwitness(&args).stdout).unwrap();
    assert_eq!(reports.len(), 1, "{command}");
    args[4] = "LEFT_A1";
    assert_eq!(flipwitness(&args).stdout, "[\n]\n");
}

#[test]
fn a_pipeline_reads_junit() {
    let run = Run::new();
    let path = run.path("verdict.xml");
    let told = run.judged(NOT_MET, &["--junit", &path]);
    assert!(told.status == 1 && told.stdout.starts_with("Verdict: not met"), "{}", told.stdout);
    let xml = std::fs::read_to_string(&path).unwrap();
    well_formed(&xml);
    assert_eq!((xml.matches("<testcase ").count(), xml.matches("<failure ").count()), (4, 1), "{xml}");
    assert_eq!(xml.matches("<skipped ").count(), 3, "{xml}");

    let alone = run.judged(NOT_MET, &["--junit", "-"]);
    assert_eq!((alone.status, &alone.stdout), (1, &xml));
    let both = run.judged(NOT_MET, &["--junit", "-", "--json"]);
    assert_eq!((both.status, both.stdout.as_str()), (64, ""));
    let nowhere = run.judged(NOT_MET, &["--junit", &run.path("no/such/directory.xml")]);
    assert!(nowhere.status == 66 && nowhere.stdout.is_empty(), "{} {}", nowhere.status, nowhere.stderr);
}

#[test]
fn criteria_come_from_a_file_or_from_the_configuration() {
    let run = Run::new();
    let criteria = run.file("platform.toml", MET);
    let config = run.file("config.toml", &format!("[criteria]\nfile = {criteria:?}\n"));
    assert_eq!(flipwitness(&["verdict", "--db", &run.db(), "--config", &config]).status, 0);
    // What is named on the command line goes before.
    assert_eq!(run.judged(NOT_MET, &["--config", &config]).status, 1);
    let plan = flipwitness(&["plan", "--db", &run.db(), "--config", &config]);
    assert_eq!(plan.status, 0, "{}", plan.stderr);

    let none = run.file("none.toml", "");
    let told = flipwitness(&["verdict", "--db", &run.db(), "--config", &none]);
    assert!(told.status == 64 && told.stderr.contains("there are no criteria"), "{} {}", told.status, told.stderr);
    let lost = run.file("lost.toml", "[criteria]\nfile = \"/nonexistent/platform.toml\"\n");
    let told = flipwitness(&["verdict", "--db", &run.db(), "--config", &lost]);
    assert!(told.status == 78 && told.stderr.contains("/nonexistent/platform.toml"), "{}", told.stderr);
    // The daemon does not start without what it is to judge by.
    let told = flipwitness(&["watch", "--db", &run.path("other.db"), "--config", &lost, "--listen", "127.0.0.1:0"]);
    assert!(told.status == 78 && told.stderr.contains("/nonexistent/platform.toml"), "{}", told.stderr);
}

#[test]
fn bad_criteria_get_a_reason_and_no_verdict() {
    let run = Run::new();
    for (criteria, status, why) in [
        ("[detection]\nat_least = 0.99\ngood = 0.9\n", 78, "criteria.toml:3: detection.good:"),
        ("[detection]\nat_least = 1.0\n", 78, "criteria.toml:2: detection.at_least:"),
        ("[detection]\nat_least = 0.9\nat_most = 1\n", 78, "at_most"),
        ("[detection\n", 78, "criteria.toml"),
        ("[latency]\nquantile = 0.95\nat_most_ms = 60000\n", 78, "60000 ms is longer than the run's window, 5000 ms"),
        (
            "[detection]\nat_least = 0.9\n[cover]\nslots = [\"LEFT_A1\", \"RIGHT_A1\"]\n",
            65,
            "the run has no slot \"RIGHT_A1\"; it has LEFT_A1, LEFT_A2, LEFT_B1, LEFT_B2",
        ),
    ] {
        let told = run.judged(criteria, &[]);
        assert_eq!((told.status, told.stdout.as_str()), (status, ""), "{criteria}: {}", told.stderr);
        assert!(told.stderr.contains(why), "{criteria}: {}", told.stderr);
    }
    let told = flipwitness(&["verdict", "--db", &run.db(), "--criteria", &run.path("absent.toml")]);
    assert!(told.status == 66 && told.stderr.contains("cannot read the criteria from"), "{}", told.stderr);
    let told = run.judged(MET, &["--run", "other"]);
    assert!(told.status == 65 && told.stderr.contains("no run is named \"other\""), "{}", told.stderr);
}

#[test]
fn a_run_without_shots_shows_nothing() {
    let hello = "{\"type\":\"hello\",\"who\":\"bench\",\"t_ns\":1000000000}\n";
    let witnesses = std::fs::read_to_string(root().join("fixtures/replay/witnesses.jsonl")).unwrap();
    let dimms: String =
        witnesses.lines().filter(|line| line.contains("\"dimm\"")).map(|line| format!("{line}\n")).collect();
    for (witnesses, slots) in [(dimms.as_str(), 4), ("", 0)] {
        let run = Run::of(hello, witnesses);
        let told = run.judged(NOT_MET, &[]);
        assert_eq!(told.status, 2, "{} {}", told.stdout, told.stderr);
        assert!(told.stdout.starts_with("Verdict: not enough evidence: "), "{}", told.stdout);
        let json = run.json(NOT_MET);
        assert_eq!(json["slots"].as_array().unwrap().len(), slots);
        well_formed(&run.judged(NOT_MET, &["--junit", "-"]).stdout);
    }
}

#[test]
fn a_run_that_goes_on_and_one_that_was_cut_off() {
    let run = Run::new();
    run.change("UPDATE run SET ended_wall_ns = NULL");
    // The recording's dates are years from now.
    let cut = run.judged(NOT_MET, &[]);
    assert!(
        cut.status == 1 && cut.stdout.contains("Mind: The run has no end and nobody is watching"),
        "{}",
        cut.stdout
    );
    assert_eq!(run.json(NOT_MET)["state"], "cut_off");

    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_nanos();
    run.change(&format!(
        "UPDATE clock_pair SET wall_ns = {now} - (SELECT watched_ns FROM boot WHERE boot.boot = clock_pair.boot) + mono_ns"
    ));
    let going = run.judged(NOT_MET, &[]);
    assert!(going.stdout.starts_with("Verdict: So far: not met: 1 of 4 slots"), "{}", going.stdout);
    assert!(going.status == 1 && going.stdout.contains("Asking again and again"), "{}", going.stdout);
    let json = run.json(NOT_MET);
    assert_eq!((&json["state"], &json["so_far"]), (&"running".into(), &true.into()));
}

#[test]
fn a_plan_from_a_run_and_from_flags() {
    let run = Run::new();
    let criteria =
        run.file("criteria.toml", "[detection]\nat_least = 0.99\ngood = 0.999\n[cover]\nlines = [\"DQ0-DQ63\"]\n");
    let plan = |more: &[&str]| {
        let mut args = vec!["plan", "--criteria", &criteria];
        args.extend(more);
        flipwitness(&args)
    };
    let json = |more: &[&str]| -> Value { serde_json::from_str(&plan(&[more, &["--json"]].concat()).stdout).unwrap() };
    let db = run.db();
    let of_run = json(&["--db", &db]);
    assert_eq!(of_run["slots"], serde_json::json!(["LEFT_A1", "LEFT_A2", "LEFT_B1", "LEFT_B2"]));
    assert_eq!(of_run["banks"].as_array().unwrap().len(), 2, "{of_run}");
    assert_eq!(of_run["setup"]["window_ms"], 5000);
    // One orphan of one slot in the two minutes of the recording.
    let background = of_run["setup"]["orphans_per_hour"].as_f64().unwrap();
    assert!((25.0..40.0).contains(&background), "{background}");

    let slots = "A1=0:0,A2=0:0,B1=0:1";
    let of_flags =
        json(&["--slots", slots, "--found-by", "polling=1", "--at-once", "1", "--window", "1s", "--spacing", "3s"]);
    assert_eq!(of_flags["setup"]["way"], serde_json::json!({ "polling": { "every_s": 1 } }));
    assert_eq!((&of_flags["setup"]["advised_ms"], &of_flags["setup"]["at_once"]), (&3000.into(), &1.into()));
    assert_eq!(of_flags["banks"][0]["slots"], serde_json::json!(["A1", "A2"]));
    let rows = of_flags["rows"].as_array().unwrap();
    assert_eq!(rows.iter().filter(|row| row["recommended"] == true).count(), 1, "{of_flags}");

    // A flag goes before the run.
    assert_eq!(json(&["--db", &db, "--slots", "2"])["slots"], serde_json::json!(["slot 1", "slot 2"]));
    let table = plan(&["--slots", slots]);
    assert_eq!(table.status, 0, "{}", table.stderr);
    golden("fixtures/replay/plan.txt", &table.stdout);
    assert!(table.stdout.lines().all(|line| line.chars().count() <= 100), "{}", table.stdout);

    for (more, status, why) in [
        (vec![], 64, "--slots"),
        (vec!["--slots", "0"], 64, "from 1 to 4096"),
        (vec!["--slots", "2", "--run", "bench"], 64, "--db"),
        (vec!["--slots", "2", "--banks", "socket"], 64, "channel, controller or machine"),
        (vec!["--slots", "2", "--orphans-per-hour=-1"], 64, "orphans_per_hour"),
        (vec!["--db", &db, "--run", "other"], 65, "no run is named"),
    ] {
        let told = plan(&more);
        assert_eq!((told.status, told.stdout.as_str()), (status, ""), "{more:?}: {}", told.stderr);
        assert!(told.stderr.contains(why), "{more:?}: {}", told.stderr);
    }
    let other = run.file("other.toml", "[detection]\nat_least = 0.99\n[cover]\nslots = [\"Z9\"]\n");
    let told = flipwitness(&["plan", "--criteria", &other, "--slots", slots]);
    assert!(told.status == 65 && told.stderr.contains("no slot \"Z9\""), "{} {}", told.status, told.stderr);
}

#[test]
fn the_example_that_is_shipped_can_be_used() {
    let example = root().join("docs/criteria.toml").display().to_string();
    let run = Run::new();
    let told = flipwitness(&["verdict", "--db", &run.db(), "--criteria", &example]);
    assert_eq!((told.status, told.stderr.as_str()), (2, ""), "{}", told.stdout);
    let told = flipwitness(&["plan", "--db", &run.db(), "--criteria", &example, "--orphans-per-hour", "0"]);
    assert_eq!((told.status, told.stderr.as_str()), (0, ""), "{}", told.stdout);
}
