//! Broken files.

use crate::fixture::{begun, fill, order, place};
use std::fs;
use store::{Store, StoreError, open_read, quick_check};

/// A database with some hundred pages, closed.
fn filled() -> crate::fixture::Place {
    let at = place();
    let (mut store, _) = begun(&at.db);
    fill(&mut store);
    let batch: Vec<_> = (0..2000).map(|n| order(n, &format!("bulk-{n}"), 1, 50)).collect();
    store.write(&batch).unwrap();
    at
}

#[test]
fn a_truncated_database_is_told_by_both_sides() {
    let at = filled();
    let whole = fs::read(&at.db).unwrap();
    fs::write(&at.db, &whole[..whole.len() / 2]).unwrap();
    for told in [Store::open(&at.db).unwrap_err(), open_read(&at.db).unwrap_err(), quick_check(&at.db).unwrap_err()] {
        assert!(matches!(told, StoreError::Damaged { .. }) && !told.passes(), "{told}");
    }
    assert_eq!(fs::read(&at.db).unwrap(), &whole[..whole.len() / 2], "evidence is left as it is");
}

#[test]
fn a_page_of_garbage_is_found_on_demand() {
    let at = filled();
    quick_check(&at.db).unwrap();
    let mut bytes = fs::read(&at.db).unwrap();
    let middle = bytes.len() / 2 / 4096 * 4096;
    bytes[middle..middle + 4096].fill(0xa5);
    fs::write(&at.db, bytes).unwrap();
    let told = quick_check(&at.db).unwrap_err();
    assert!(matches!(told, StoreError::Damaged { .. }) && !told.to_string().contains('\n'), "{told}");
    // What is not on that page is still there to be asked.
    let conn = open_read(&at.db).unwrap();
    assert_eq!(conn.query_row("SELECT name FROM run", [], |r| r.get::<_, String>(0)).unwrap(), "r");
}

#[test]
fn an_overwritten_header_is_not_taken_for_ours() {
    let at = filled();
    let mut bytes = fs::read(&at.db).unwrap();
    bytes[..100].fill(0);
    fs::write(&at.db, bytes).unwrap();
    assert!(matches!(Store::open(&at.db).unwrap_err(), StoreError::NotOurs { .. }));
}
