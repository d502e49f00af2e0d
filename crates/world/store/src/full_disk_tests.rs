//! A full disk, by SQLite's own limit on the size of the file (<https://www.sqlite.org/pragma.html#pragma_max_page_count>).

use crate::{Ack, Record, RunKind, RunStart, Store, StoreError, open_read, quick_check};
use rusqlite::Connection;
use vocabulary::{At, ClockPair, Injection, Mono, SlotId, Span};

fn orders(from: u32, to: u32) -> Vec<Record> {
    let order = |n: u32| Record::Injection {
        token: u64::from(n),
        feed: "f".into(),
        injector: "i".into(),
        injection: Box::new(Injection {
            id: format!("id-{n}"),
            t: None,
            at: At::Label("A1".into()),
            lines: vec!["DQ0".into()],
            hold_us: 100,
            shots: 1,
            spacing_us: 0,
            force: None,
            expect: None,
            note: None,
        }),
        slot: SlotId(0),
        foreseen: Box::default(),
        arrived: Mono(i64::from(n)),
        first: Span::point(Mono(i64::from(n))),
        raw: "x".repeat(200).into(),
    };
    (from..to).map(order).collect()
}

#[test]
fn a_full_disk_loses_nothing_and_is_survived() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("full.db");
    let mut store = Store::open(&path).unwrap();
    let start = RunStart {
        name: None,
        kind: RunKind::Watch,
        host: None,
        version: "0".into(),
        settings_json: "{}".into(),
        boot_id: "b".into(),
        kernel: "k".into(),
        pair: ClockPair::default(),
    };
    store.begin(&start).unwrap();
    store.write(&orders(0, 500)).unwrap();

    let pages: i64 = store.conn.pragma_query_value(None, "page_count", |r| r.get(0)).unwrap();
    let limit = |conn: &Connection, n: i64| {
        conn.pragma_update_and_check(None, "max_page_count", n, |r| r.get::<_, i64>(0)).unwrap()
    };
    assert_eq!(limit(&store.conn, pages + 4), pages + 4);
    let stored = |path| {
        let conn = open_read(path).unwrap();
        conn.query_row("SELECT (SELECT count(*) FROM injection), (SELECT count(*) FROM shot)", [], |r| {
            Ok((r.get::<_, i64>(0)?, r.get::<_, i64>(1)?))
        })
        .unwrap()
    };
    for _ in 0..2 {
        let told = store.write(&orders(500, 900)).unwrap_err();
        assert!(matches!(told, StoreError::Full { .. }) && told.passes(), "{told}");
        assert_eq!(stored(&path), (500, 500));
    }
    // What needs no further page still goes in while the disk is full.
    store.write(&[Record::Watched(Mono(77))]).unwrap();
    let again = store.write(&orders(3, 4)).unwrap();
    assert_eq!(again, [Ack::Injection { token: 3, number: 4, is_new: false }]);

    limit(&store.conn, pages + 100_000);
    assert_eq!(store.write(&orders(500, 900)).unwrap().len(), 400);
    assert_eq!(stored(&path), (900, 900));
    drop(store);
    quick_check(&path).unwrap();
}
