//! Questions while the daemon writes, and where nothing can be written.

use crate::fixture::{begun, fill, order, place};
use std::fs;
use store::{StoreError, open_read};

fn shots(conn: &rusqlite::Connection) -> i64 {
    conn.query_row("SELECT count(*) FROM shot", [], |r| r.get(0)).unwrap()
}

#[test]
fn a_question_sees_one_moment_and_never_stops_the_writer() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    fill(&mut store);
    let conn = open_read(&at.db).unwrap();
    let tx = conn.unchecked_transaction().unwrap();
    assert_eq!(shots(&tx), 5);
    store.write(&[order(2, "i-2", 2, 30)]).unwrap();
    assert_eq!(shots(&tx), 5, "an open transaction stays at its moment");
    drop(tx);
    assert_eq!(shots(&conn), 7);
    assert!(conn.execute("DELETE FROM shot", []).is_err(), "questions cannot change anything");
}

#[test]
fn nothing_is_made_by_asking() {
    let at = place();
    assert!(matches!(open_read(&at.db).unwrap_err(), StoreError::NoDatabase { .. }));
    assert!(!at.db.exists());
    fs::write(&at.db, b"").unwrap();
    let told = open_read(&at.db).unwrap_err();
    assert!(matches!(told, StoreError::NoDatabase { .. }), "{told}");
    assert_eq!(fs::read_dir(at.dir.path()).unwrap().count(), 1);
}

#[test]
fn a_copy_is_read_where_no_file_can_be_made_beside_it() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    fill(&mut store);
    drop(store);
    // Signs that mean something in a URI, since the copy is opened by one.
    let copy = at.dir.path().join("a copy?mode=rw&x=%41#1.db");
    fs::copy(&at.db, &copy).unwrap();
    // A link that leads nowhere in the place of the shared-memory file stands for a file system on which none can be
    // made; it does so for root as well, whom permissions do not stop.
    let mut shm = copy.clone().into_os_string();
    shm.push("-shm");
    std::os::unix::fs::symlink("/nowhere/at/all", shm).unwrap();
    assert_eq!(shots(&open_read(&copy).unwrap()), 5);

    // With a log beside it, the file alone is not the whole database: that is told instead of an answer with a hole.
    let mut log = copy.clone().into_os_string();
    log.push("-wal");
    fs::write(log, vec![7; 4152]).unwrap();
    let told = open_read(&copy).unwrap_err();
    assert!(matches!(told, StoreError::Io { .. }), "{told:?}");
}
