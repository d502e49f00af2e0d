//! `flipwitness evidence`: the page of a recording, of a rehearsal and of an invented run, its numbers against the program's other
//! answers, and what bad input gets.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

#[path = "../crates/views/evidence/tests/checker/mod.rs"]
#[allow(dead_code, reason = "shared with the page's own tests, which ask it more")]
mod checker;
#[path = "common/mod.rs"]
mod common;
use common::{Told, flipwitness, root};
use serde_json::Value;
use std::path::Path;

/// The recording of fixtures/replay in a fresh database.
fn replayed() -> (tempfile::TempDir, String) {
    let dir = tempfile::tempdir().unwrap();
    let db = dir.path().join("runs.db").display().to_string();
    let fixture = |name: &str| root().join("fixtures/replay").join(name).display().to_string();
    let (feed, witnesses) = (fixture("feed.jsonl"), fixture("witnesses.jsonl"));
    let args =
        ["replay", "--feed", &feed, "--witnesses", &witnesses, "--db", &db, "--run", "bench", "--deadline", "500ms"];
    let done = flipwitness(&args);
    assert_eq!(done.status, 0, "{}", done.stderr);
    (dir, db)
}

/// The invented database of the questions' tests: a run that goes on, and one without shots.
fn invented() -> (tempfile::TempDir, String) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("runs.db");
    drop(store::Store::open(&path).unwrap());
    let sql = std::fs::read_to_string(root().join("crates/views/questions/tests/invented.sql")).unwrap();
    let db = rusqlite::Connection::open(&path).unwrap();
    db.execute_batch(&format!("BEGIN; {sql}; {} COMMIT;", store::RECOUNT)).unwrap();
    (dir, path.display().to_string())
}

fn page(db: &str, more: &[&str]) -> String {
    let told = flipwitness(&[&["evidence", "--db", db], more].concat());
    assert_eq!((told.status, told.stderr.as_str()), (0, ""));
    told.stdout
}

/// Without markup, with plain blanks.
fn plain(html: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for c in html.chars() {
        match c {
            '<' => inside = true,
            '>' => inside = false,
            c if !inside => out.push(if c == '\u{202f}' || c == '\u{a0}' { ' ' } else { c }),
            _ => {}
        }
    }
    out
}

/// The rows of the table with this caption, its head first.
fn table(html: &str, caption: &str) -> Vec<Vec<String>> {
    let from = html.find(&format!("<caption>{caption}")).unwrap_or_else(|| panic!("no table {caption}"));
    let table = html[from..].split("</table>").next().unwrap();
    let cells = |row: &str| -> Vec<String> {
        let row = row.replace("<td", "\u{1}<td").replace("<th ", "\u{1}<th ");
        row.split('\u{1}').skip(1).map(|cell| plain(cell).trim().to_owned()).collect()
    };
    table.split("<tr").skip(1).map(|row| cells(&format!("<tr{row}"))).collect()
}

/// The counts on the page are those of `slots --json`.
fn compare_counts(html: &str, db: &str, run: &str) {
    let slots: Vec<Value> =
        serde_json::from_str(&flipwitness(&["slots", "--json", "--db", db, "--run", run]).stdout).unwrap();
    let told = table(html, "All counts");
    assert_eq!(told.len(), slots.len() + 1);
    for (row, slot) in told[1..].iter().zip(&slots) {
        assert_eq!(row[0], slot["slot"].as_str().unwrap());
        for (name, cell) in told[0].iter().zip(row).skip(1) {
            let is = match name.as_str() {
                "unwatched" => slot["detected"].as_i64().unwrap() - slot["watched"].as_i64().unwrap(),
                "by chance" => continue,
                name => slot[name].as_i64().unwrap_or_else(|| panic!("{name}")),
            };
            assert_eq!(*cell, is.to_string(), "{name} of {}", row[0]);
        }
    }
    let detection = table(html, "Detection");
    for (row, slot) in detection[1..].iter().zip(&slots) {
        assert_eq!(row[2], slot["missed"].to_string());
        let judged = slot["watched"].as_i64().unwrap() + slot["missed"].as_i64().unwrap();
        assert_eq!(row[3], (judged - slot["dangerous"].as_i64().unwrap()).to_string());
    }
}

fn sound(html: &str) {
    let faults = checker::check(html.trim_end());
    assert!(faults.is_empty(), "{faults:#?}");
    for word in ["http:", "https:", "<script", "<link", "<img", "javascript"] {
        assert!(!html.contains(word), "{word}");
    }
    // A pattern of the page itself is the only thing that its style may point at.
    assert!(html.split("url(").skip(1).all(|rest| rest.starts_with('#')));
}

#[test]
fn the_page_of_a_recording() {
    let (_dir, db) = replayed();
    let html = page(&db, &[]);
    sound(&html);
    compare_counts(&html, &db, "bench");
    let text = plain(&html);
    assert!(text.contains("A replay.") && !text.contains("So far."), "{text:.900}");
    assert!(text.contains("No verdict: no criteria were given"));
    assert!(text.contains(&format!("flipwitness slots --db {db} --run bench --json")));
    assert!(table(&html, "Missed shots")[1..].iter().any(|row| row[2].starts_with("r03")));
    assert!(table(&html, "Orphans by slot")[1..].iter().any(|row| row[0] == "LEFT_B1"));
}

/// The page without the dates of its making.
fn undated(html: &str) -> String {
    let at = html.find(" made this page, ").unwrap();
    let (before, after) = html.split_at(at);
    format!("{before}{}", after.split_once(" UTC").unwrap().1)
}

#[test]
fn the_same_database_gives_the_same_page_to_a_file_or_to_stdout() {
    let (dir, db) = replayed();
    let file = dir.path().join("page.html").display().to_string();
    assert_eq!(page(&db, &["--out", &file]), "");
    let written = std::fs::read_to_string(&file).unwrap();
    assert_eq!(undated(written.trim_end()), undated(page(&db, &["--out", "-"]).trim_end()));
}

const CRITERIA: &str = "[detection]\nat_least = 0.4\n\n[misplaced]\nat_most = 0.9\n";

#[test]
fn the_verdict_on_the_page_is_the_verdict() {
    let (dir, db) = replayed();
    let file = dir.path().join("criteria.toml").display().to_string();
    std::fs::write(&file, CRITERIA).unwrap();
    let html = page(&db, &["--criteria", &file, "--run", "bench"]);
    sound(&html);
    let told = flipwitness(&["verdict", "--db", &db, "--criteria", &file, "--json"]);
    let verdict: Value = serde_json::from_str(&told.stdout).unwrap();
    let words = match verdict["verdict"].as_str().unwrap() {
        "met" => "met",
        "not_met" => "not met",
        _ => "not enough evidence",
    };
    let text = plain(&html);
    assert!(
        text.contains("The criteria are: ") && text.contains(&verdict["sentence"].as_str().unwrap()[1..]),
        "{verdict}"
    );
    assert!(text.split("The criteria are: ").nth(1).unwrap().trim_start().contains(words), "{words}");
    assert!(text.contains("at_least = 0.4") && text.contains(&format!("--criteria {file} --json")));
    let by_slot = table(&html, "Verdict by slot");
    assert_eq!(by_slot.len() - 1, verdict["slots"].as_array().unwrap().len());
}

#[test]
fn every_command_on_the_page_can_be_typed() {
    let (dir, db) = replayed();
    let file = dir.path().join("criteria.toml").display().to_string();
    std::fs::write(&file, CRITERIA).unwrap();
    let html = page(&db, &["--criteria", &file]);
    let commands: Vec<&str> =
        html.split("<pre>flipwitness ").skip(1).map(|rest| rest.split("</pre>").next().unwrap()).collect();
    let questions: Vec<&str> = commands.iter().map(|command| command.split(' ').next().unwrap()).collect();
    for question in ["verdict", "slots", "gaps", "shots", "orphans", "rails"] {
        assert!(questions.contains(&question), "{question}: {questions:?}");
    }
    for command in commands {
        let words: Vec<&str> = command.split(' ').collect();
        let told = flipwitness(&words);
        let answers = if words[0] == "verdict" { 0..=2 } else { 0..=0 };
        assert!(answers.contains(&told.status) && !told.stdout.is_empty(), "{command}: {}", told.stderr);
    }
}

#[test]
fn a_run_that_goes_on_and_a_run_without_shots() {
    let (_dir, db) = invented();
    let html = page(&db, &[]);
    sound(&html);
    compare_counts(&html, &db, "burn-in-7");
    assert!(plain(&html).contains("So far.") && !html.contains("[invented]"));
    let html = page(&db, &["--run", "trial"]);
    sound(&html);
    compare_counts(&html, &db, "trial");
    let text = plain(&html);
    assert!(text.contains("[invented]") && text.contains("not estimable"), "{text:.900}");
    assert!(text.contains("Nothing happened: there are neither shots nor reports."));
}

#[test]
fn a_rehearsal_says_that_it_is_invented() {
    let dir = tempfile::tempdir().unwrap();
    let db = dir.path().join("runs.db").display().to_string();
    let done = flipwitness(&["rehearse", "--seconds", "4", "--db", &db, "--listen", "127.0.0.1:0"]);
    assert_eq!(done.status, 0, "{}", done.stderr);
    let html = page(&db, &[]);
    sound(&html);
    let text = plain(&html);
    assert!(text.contains("[invented]") && text.contains("A simulated machine.") && !text.contains("So far."));
    assert!(html.len() < 2_000_000 && text.contains("simulated-injector"));
}

#[test]
fn bad_input_gets_a_reason_and_a_status() {
    let (dir, db) = replayed();
    let missing = dir.path().join("none.toml").display().to_string();
    let wrong = dir.path().join("wrong.toml").display().to_string();
    std::fs::write(&wrong, "[cover]\nslots = [\"NOWHERE\"]\n").unwrap();
    let nowhere = dir.path().join("no/such/page.html").display().to_string();
    let none = dir.path().join("none.db").display().to_string();
    let ask = |more: &[&str]| -> Told { flipwitness(&[&["evidence"], more].concat()) };
    for (told, status, why) in [
        (ask(&["--db", &db, "--run", "other"]), 65, "the database has: bench"),
        (ask(&["--db", &none]), 66, "none.db"),
        (ask(&["--db", &db, "--criteria", &missing]), 66, "cannot read the criteria"),
        (ask(&["--db", &db, "--criteria", &wrong]), 65, "NOWHERE"),
        (ask(&["--db", &db, "--json"]), 64, "--json"),
    ] {
        assert_eq!(told.status, status, "{}", told.stderr);
        assert!(told.stderr.contains(why) && told.stdout.is_empty(), "{}", told.stderr);
    }
    let told = ask(&["--db", &db, "--out", &nowhere]);
    assert!(told.status != 0 && told.stderr.contains("cannot write the page"), "{}", told.stderr);
    assert!(!Path::new(&nowhere).exists());
}
