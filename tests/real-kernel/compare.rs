//! Holds the database against the list: by the command line's own answers, and by plain SQL.
//!
//! Differences are collected and told all at once, since one of them rarely explains itself.

use std::collections::BTreeMap;
use std::fmt::Debug;
use std::path::Path;
use std::process::Command;

use rusqlite::Connection;
use serde_json::{Value, json};

use super::kernel::Kernel;
use super::list::{Act, Answer, SLOTS, Slot, Step};
use super::play::Played;
use super::watch;

/// One injection of the list.
struct Fired {
    id: &'static str,
    slot: Slot,
    answer: Answer,
}

pub(crate) fn compare(kernel: &Kernel, steps: &[Step], played: &Played) {
    let database = &kernel.results().join("run.db");
    let fired: Vec<Fired> = steps
        .iter()
        .flat_map(|step| &step.acts)
        .filter_map(|act| match act {
            Act::Fire(id, at, answer) => Some(Fired { id, slot: at.slot(), answer: *answer }),
            _ => None,
        })
        .collect();
    let mut differences = Differences(Vec::new());
    let shots = ask(database, "shots");
    compare_shots(&mut differences, &shots, &fired);
    compare_settled(&mut differences, &shots, steps, played);
    compare_orphans(&mut differences, &ask(database, "orphans"), steps);
    compare_slots(&mut differences, &ask(database, "slots"), &fired, steps);
    compare_sql(&mut differences, database, &fired, steps);
    assert!(
        differences.0.is_empty(),
        "{} is not what the list says:\n  {}",
        database.display(),
        differences.0.join("\n  ")
    );
}

struct Differences(Vec<String>);

impl Differences {
    fn expect<T: PartialEq + Debug>(&mut self, what: &str, expected: T, found: T) {
        if expected != found {
            self.0.push(format!("{what}: expected {expected:?}, found {found:?}"));
        }
    }
}

/// Asks the binary under test a question, as an engineer would who was handed the database.
fn ask(database: &Path, question: &str) -> Vec<Value> {
    let output = Command::new(env!("CARGO_BIN_EXE_flipwitness"))
        .args([question, "--json", "--db"])
        .arg(database)
        .output()
        .unwrap();
    let error = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{question}: {}: {error}", output.status);
    serde_json::from_slice(&output.stdout).unwrap_or_else(|why| panic!("{question}: {why}: {error}"))
}

fn compare_shots(differences: &mut Differences, shots: &[Value], fired: &[Fired]) {
    let ids = |mut ids: Vec<String>| {
        ids.sort();
        ids
    };
    differences.expect(
        "the ids of all shots",
        ids(fired.iter().map(|fired| fired.id.to_owned()).collect()),
        ids(shots.iter().map(|shot| shot["injection"].as_str().unwrap_or("?").to_owned()).collect()),
    );
    for Fired { id, slot, answer } in fired {
        let Some(shot) = shots.iter().find(|shot| shot["injection"] == *id) else { continue };
        let detected = answer.outcome == "detected";
        let keys = [
            ("shot", json!(1)),
            ("slot", json!(slot.label())),
            ("outcome", json!(answer.outcome)),
            ("misplaced", json!(answer.misplaced)),
            ("misgraded", json!(answer.misgraded)),
            ("late", json!(false)),
            ("shared", json!(answer.shared)),
            ("blamed_slot", json!(answer.blamed.map(Slot::label))),
        ];
        for (key, expected) in keys {
            differences.expect(&format!("{key} of {id}"), &expected, &shot[key]);
        }
        differences.expect(&format!("whether {id} has a report"), detected, shot["report"].is_u64());
        differences.expect(&format!("whether {id} has a latency"), detected, shot["latency_ns"].is_u64());
        if let Some(latency) = shot["latency_ns"].as_u64() {
            let limit = u64::try_from(answer.latency_at_most.as_nanos()).unwrap();
            if latency > limit {
                differences.0.push(format!("latency of {id}: at most {limit} ns expected, found {latency}"));
            }
        }
    }
    let reports = |outcome: &str| -> Vec<_> {
        let of = |shot: &&Value| shot["outcome"] == outcome && shot["shared"] == false;
        shots.iter().filter(of).map(|shot| shot["report"].to_string()).collect()
    };
    let mut alone = reports("detected");
    let all = alone.len();
    alone.sort();
    alone.dedup();
    differences.expect("different reports of shots that share none", all, alone.len());
}

/// A restart may add answers, but never change one.
fn compare_settled(differences: &mut Differences, shots: &[Value], steps: &[Step], played: &Played) {
    // The step of the kill is alone, so every earlier window had closed by then.
    let kill = steps.iter().position(|step| step.acts.iter().any(|act| matches!(act, Act::KillDaemon)));
    let earlier = steps[..kill.unwrap()].iter().flat_map(|step| &step.acts);
    differences.expect(
        "shots that had their answer when the daemon was killed",
        earlier.filter(|act| matches!(act, Act::Fire(..))).count(),
        played.settled_before_kill.len(),
    );
    for before in &played.settled_before_kill {
        let after = shots.iter().find(|shot| shot["injection"] == before["injection"]);
        differences.expect(
            &format!("what was stored of {} before the daemon was killed", before["injection"]),
            Some(before),
            after,
        );
    }
}

fn compare_orphans(differences: &mut Differences, orphans: &[Value], steps: &[Step]) {
    let mut expected: Vec<_> = steps
        .iter()
        .flat_map(|step| &step.orphans)
        .map(|(slot, severity, count)| json!([slot.label(), severity, count]).to_string())
        .collect();
    let mut found: Vec<_> =
        orphans.iter().map(|orphan| json!([orphan["slot"], orphan["severity"], orphan["count"]]).to_string()).collect();
    expected.sort();
    found.sort();
    differences.expect("all orphans", expected, found);
}

fn compare_slots(differences: &mut Differences, slots: &[Value], fired: &[Fired], steps: &[Step]) {
    let mut labels: Vec<_> = slots.iter().map(|slot| slot["slot"].as_str().unwrap_or("?").to_owned()).collect();
    labels.sort();
    differences.expect("all slots", SLOTS.iter().map(|slot| slot.label()).collect(), labels);
    for slot in SLOTS {
        let Some(found) = slots.iter().find(|found| found["slot"] == slot.label()) else { continue };
        let here: Vec<_> = fired.iter().filter(|fired| fired.slot == slot).map(|fired| fired.answer).collect();
        let count = |holds: fn(&Answer) -> bool| here.iter().filter(|answer| holds(answer)).count();
        let detected = count(|answer| answer.outcome == "detected");
        let missed = count(|answer| answer.outcome == "missed");
        let orphans = steps.iter().flat_map(|step| &step.orphans).filter(|orphan| orphan.0 == slot).count();
        let keys = [
            ("controller", json!(slot.controller)),
            ("channel", json!(slot.channel)),
            ("shots", json!(here.len())),
            ("detected", json!(detected)),
            ("missed", json!(missed)),
            ("unknowable", json!(count(|answer| answer.outcome == "unknowable"))),
            ("shared", json!(count(|answer| answer.shared))),
            ("misplaced", json!(count(|answer| answer.misplaced))),
            ("misgraded", json!(count(|answer| answer.misgraded))),
            ("late", json!(0)),
            ("orphans", json!(orphans)),
        ];
        for (key, expected) in keys {
            differences.expect(&format!("{key} of {}", slot.label()), &expected, &found[key]);
        }
        let rate = detected as f64 / (detected + missed) as f64;
        let told = found["detection_rate"].as_f64().unwrap_or(f64::NAN);
        if (rate - told).abs() > 1e-6 {
            differences.0.push(format!("detection_rate of {}: expected {rate}, found {told}", slot.label()));
        }
    }
}

/// What somebody finds with an SQLite client and no knowledge of the program.
fn compare_sql(differences: &mut Differences, database: &Path, fired: &[Fired], steps: &[Step]) {
    let database = Connection::open(database).unwrap();
    let mut number = |what: &str, expected: usize, sql: &str| {
        let found: i64 = database.query_row(sql, [], |row| row.get(0)).unwrap_or_else(|error| panic!("{sql}: {error}"));
        differences.expect(what, i64::try_from(expected).unwrap(), found);
    };
    let acts = || steps.iter().flat_map(|step| &step.acts);
    let of_driver = acts().filter(|act| matches!(act, Act::Report(..))).count();
    let machine_checks = acts().filter(|act| matches!(act, Act::MachineCheck)).count();
    let echoes: usize = steps.iter().map(|step| step.echoes).sum();
    let orphans: usize = steps.iter().map(|step| step.orphans.len()).sum();

    number("runs", 1, "SELECT count(*) FROM run");
    number("runs of the name given", 1, &format!("SELECT count(*) FROM run WHERE name = '{}'", watch::RUN));
    number("boots", 1, "SELECT count(*) FROM boot");
    number("injections", fired.len(), "SELECT count(*) FROM injection");
    number("trace events of the driver's reports", of_driver, "SELECT count(*) FROM witness WHERE source = 'mc_event'");
    number("machine-check records", machine_checks, "SELECT count(*) FROM witness WHERE source = 'mce_record'");
    // Each error was also seen by the counters, so this says that those were told to be the same errors.
    number("reports", of_driver + machine_checks, "SELECT count(*) FROM report");
    number("echoes", echoes, "SELECT count(*) FROM reports_told WHERE role = 'echo'");
    number("orphans", orphans, "SELECT count(*) FROM orphans_told");
    number(
        "reports that a shot explains",
        of_driver + machine_checks - echoes - orphans,
        "SELECT count(*) FROM reports_told WHERE role = 'match'",
    );

    let mut outcomes = BTreeMap::new();
    for fired in fired {
        *outcomes.entry(fired.answer.outcome).or_insert(0) += 1;
    }
    for outcome in ["detected", "missed", "unknowable", "open"] {
        let expected = outcomes.get(outcome).copied().unwrap_or(0);
        let sql = format!("SELECT count(*) FROM shots_told WHERE outcome = '{outcome}'");
        number(&format!("shots that are {outcome}"), expected, &sql);
    }

    // Sources may each tell a gap of their own, so it is only asked whether there is one.
    for act in acts() {
        match act {
            Act::TakeAway(controller) => number(
                &format!("a gap of controller {controller} alone"),
                1,
                &format!("SELECT count(*) > 0 FROM gap WHERE controller = {controller} AND to_ns > from_ns"),
            ),
            Act::KillDaemon => number(
                "a gap of the whole machine, as long as the daemon was away",
                1,
                "SELECT count(*) > 0 FROM gap WHERE controller IS NULL AND to_ns - from_ns > 1000000000",
            ),
            _ => {}
        }
    }
}
