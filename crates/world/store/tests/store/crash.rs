//! The daemon killed in the middle of writing, and files that it may not write.
//!
//! Both need another process: it is this test program, told by the environment to play the part.

use crate::fixture::{begun, order, place, start};
use std::io::{BufRead, BufReader};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::{env, fs};
use store::{Ack, Store, StoreError, open_read, quick_check};

const DATABASE: &str = "STORE_TEST_DATABASE";

fn part(program: &Path, test: &str, database: &Path) -> Command {
    let mut command = Command::new(program);
    command.args(["--exact", test, "--nocapture", "--test-threads=1"]).env(DATABASE, database);
    command
}

fn my_part() -> Option<PathBuf> {
    env::var_os(DATABASE).map(PathBuf::from)
}

/// Plays a daemon that writes without end and says what was acknowledged.
#[test]
fn part_of_a_writer() {
    let Some(db) = my_part() else { return };
    let mut store = Store::open(&db).unwrap();
    store.begin(&start(Some("r"), "boot-a")).unwrap();
    let me = std::process::id();
    for round in 0_u64.. {
        let batch: Vec<_> = (0..20).map(|n| order(n, &format!("{me}-{round}-{n}"), 2, 10)).collect();
        for Ack::Injection { number, .. } in store.write(&batch).unwrap() {
            println!("\nacknowledged {number}");
        }
    }
}

#[test]
fn what_was_acknowledged_survives_kill_9() {
    let at = place();
    let mut highest = 0;
    for round in 0..3 {
        let mut child = part(&env::current_exe().unwrap(), "crash::part_of_a_writer", &at.db)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        // Each round dies a little later in its work.
        for _ in 0..300 + 170 * round {
            let line = lines.by_ref().find(|l| l.starts_with("acknowledged")).unwrap();
            highest = line.split(' ').nth(1).unwrap().parse::<i64>().unwrap();
        }
        child.kill().unwrap();
        child.wait().unwrap();
        // What it still said before it died counts as well.
        for line in lines.filter(|l| l.starts_with("acknowledged")) {
            highest = line.split(' ').nth(1).unwrap().parse::<i64>().unwrap();
        }
        let conn = open_read(&at.db).unwrap();
        let count = |sql: &str| conn.query_row(sql, [highest], |r| r.get::<_, i64>(0)).unwrap();
        assert_eq!(count("SELECT count(*) FROM injection WHERE injection <= ?1"), highest);
        assert_eq!(count("SELECT count(*) FROM shot WHERE injection <= ?1"), 2 * highest);
        assert_eq!(count("SELECT count(*) % 20 + 0 * ?1 FROM injection"), 0, "whole batches only");
        let first: String = conn.query_row("SELECT id FROM injection WHERE injection = 1", [], |r| r.get(0)).unwrap();
        drop(conn);
        quick_check(&at.db).unwrap();
        // The dead writer's lock is gone with it, the run goes on, and an order sent again is the same one.
        let mut store = Store::open(&at.db).unwrap();
        assert!(store.begin(&start(Some("r"), "boot-a")).unwrap().continued.unwrap().same_boot);
        let again = store.write(&[order(1, &first, 2, 10)]).unwrap();
        assert_eq!(again, [Ack::Injection { token: 1, number: 1, is_new: false }]);
    }
}

/// Plays somebody without the right to write: once the file, once its directory.
#[test]
fn part_of_somebody_without_rights() {
    let Some(db) = my_part() else { return };
    let told = Store::open(&db).unwrap_err();
    assert!(matches!(&told, StoreError::ReadOnly { path } if *path == db), "{told}");
    let conn = open_read(&db).unwrap();
    assert_eq!(conn.query_row("SELECT name FROM run", [], |r| r.get::<_, String>(0)).unwrap(), "r");
}

#[test]
fn a_read_only_file_is_told_and_can_still_be_asked() {
    let at = place();
    drop(begun(&at.db));
    let set = |path: &Path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    // Root is stopped by no permission, so root lets nobody play the part, from a place where nobody can run it.
    let program = at.dir.path().join("program");
    fs::copy(env::current_exe().unwrap(), &program).unwrap();
    set(&program, 0o755);
    let root = fs::metadata("/proc/self").is_ok_and(|m| m.uid() == 0);
    for (dir, file, daemon) in
        [(0o755, 0o444, true), (0o777, 0o444, false), (0o555, 0o666, false), (0o555, 0o444, false)]
    {
        let running = daemon.then(|| begun(&at.db));
        set(&at.db, file);
        set(at.dir.path(), dir);
        let mut command = part(&program, "crash::part_of_somebody_without_rights", &at.db);
        if root {
            command.uid(65_534).gid(65_534);
        }
        let output = command.output().unwrap();
        set(at.dir.path(), 0o755);
        set(&at.db, 0o644);
        drop(running);
        let text = String::from_utf8_lossy(&output.stdout);
        assert!(output.status.success() && text.contains("1 passed"), "{dir:o} {file:o} {daemon}: {text}");
    }
}
