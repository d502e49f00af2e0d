//! Who may open what, and what is said otherwise.

use crate::fixture::{begun, place, start};
use rusqlite::Connection;
use std::fs;
use store::{APPLICATION_ID, SCHEMA_VERSION, Store, StoreError, open_read};

#[test]
fn a_new_database_says_whose_it_is_and_syncs_every_commit() {
    let at = place();
    drop(Store::open(&at.db).unwrap());
    let conn = Connection::open(&at.db).unwrap();
    let number = |name: &str| conn.pragma_query_value(None, name, |r| r.get::<_, i64>(0)).unwrap();
    assert_eq!(number("application_id"), APPLICATION_ID);
    assert_eq!(number("user_version"), SCHEMA_VERSION);
    let mode: String = conn.pragma_query_value(None, "journal_mode", |r| r.get(0)).unwrap();
    assert_eq!(mode, "wal");
    // Opening it again changes nothing and needs no migration.
    drop(conn);
    let before = fs::read(&at.db).unwrap();
    drop(Store::open(&at.db).unwrap());
    assert!(before == fs::read(&at.db).unwrap());
}

#[test]
fn a_missing_directory_is_named() {
    let at = place();
    let db = at.dir.path().join("no/such/runs.db");
    let told = Store::open(&db).unwrap_err();
    assert!(matches!(&told, StoreError::NoDirectory { dir } if *dir == at.dir.path().join("no/such")), "{told}");
    assert!(!at.dir.path().join("no").exists());
}

#[test]
fn a_second_daemon_is_told_who_has_it() {
    let at = place();
    let (store, _) = begun(&at.db);
    let told = Store::open(&at.db).unwrap_err();
    let me = std::process::id();
    assert!(matches!(told, StoreError::Locked { by: Some(pid), .. } if pid == me), "{told}");
    assert!(told.to_string().contains(&me.to_string()) && told.passes());
    drop(store);
    Store::open(&at.db).unwrap();
}

#[test]
fn a_lock_file_left_behind_locks_nobody_out() {
    let at = place();
    fs::write(at.dir.path().join("runs.db.lock"), "4194305\nand more than a number\n").unwrap();
    let _store = Store::open(&at.db).unwrap();
    assert_eq!(fs::read_to_string(at.dir.path().join("runs.db.lock")).unwrap(), format!("{}\n", std::process::id()));
}

#[test]
fn a_file_of_somebody_else_is_left_as_it_is() {
    let at = place();
    fs::write(&at.db, "daemon:x:1:1:daemon:/usr/sbin:/bin/false\n".repeat(200)).unwrap();
    let theirs = at.dir.path().join("theirs.db");
    Connection::open(&theirs).unwrap().execute_batch("CREATE TABLE t (x); INSERT INTO t VALUES (1)").unwrap();
    let versioned = at.dir.path().join("versioned.db");
    Connection::open(&versioned).unwrap().execute_batch("PRAGMA user_version = 1").unwrap();
    for file in [&at.db, &theirs, &versioned] {
        let before = fs::read(file).unwrap();
        for told in [Store::open(file).unwrap_err(), open_read(file).unwrap_err()] {
            assert!(matches!(told, StoreError::NotOurs { .. }), "{told}");
            assert!(!told.passes());
        }
        assert!(before == fs::read(file).unwrap());
    }
    let told = Store::open(at.dir.path()).unwrap_err();
    assert!(matches!(told, StoreError::NotOurs { what: "it is a directory", .. }), "{told}");
    let mut names: Vec<_> = fs::read_dir(at.dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["runs.db", "theirs.db", "versioned.db"], "nothing is put beside it");
}

#[test]
fn a_newer_database_is_refused_by_both_sides() {
    let at = place();
    drop(begun(&at.db));
    Connection::open(&at.db).unwrap().pragma_update(None, "user_version", SCHEMA_VERSION + 1).unwrap();
    for told in [Store::open(&at.db).unwrap_err(), open_read(&at.db).unwrap_err()] {
        let newer =
            matches!(told, StoreError::Newer { found, known, .. } if found == known + 1 && known == SCHEMA_VERSION);
        assert!(newer, "{told}");
    }
}

#[test]
fn a_database_of_version_0_is_migrated_and_told_to_readers() {
    // Version 0 is a database that has its owner's mark and no tables yet: what the ladder's first step starts from.
    let at = place();
    Connection::open(&at.db).unwrap().pragma_update(None, "application_id", APPLICATION_ID).unwrap();
    assert!(matches!(open_read(&at.db).unwrap_err(), StoreError::Older { found: 0, .. }));
    let mut store = Store::open(&at.db).unwrap();
    store.begin(&start(None, "b")).unwrap();
    open_read(&at.db).unwrap();
}

#[test]
fn a_foreign_writer_is_waited_for_and_then_told() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    let other = Connection::open(&at.db).unwrap();
    other.execute_batch("BEGIN IMMEDIATE; UPDATE run SET host = 'x'").unwrap();
    let batch = [crate::fixture::order(1, "i", 1, 5)];
    let told = store.write(&batch).unwrap_err();
    assert!(matches!(told, StoreError::Locked { by: None, .. }) && told.passes(), "{told}");
    // The same batch goes through once the other has ended.
    other.execute_batch("ROLLBACK").unwrap();
    assert_eq!(store.write(&batch).unwrap().len(), 1);
}
