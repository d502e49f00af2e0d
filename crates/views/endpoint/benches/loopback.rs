//! How long an answer takes over loopback, and how soon a committed witness is visible: `cargo bench -p endpoint`.
//!
//! The database is the one that the questions are measured on, 1,000,000 shots; a client asks one question after the other,
//! each over a connection of its own as `curl` does. The last row is a witness committed by another connection and then
//! asked for: commit and request together.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    reason = "a benchmark prints, and may panic"
)]
#![allow(clippy::disallowed_methods, reason = "measuring needs the clock")]

use questions::RunRef;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::{Duration, Instant};
use tokio::net::TcpListener;
use tokio::sync::watch;

fn main() {
    // `cargo test --benches` only wants to know that it builds.
    if !std::env::args().any(|argument| argument == "--bench") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("million.db");
    drop(store::Store::open(&path).unwrap());
    let db = rusqlite::Connection::open(&path).unwrap();
    let million = include_str!("../../questions/benches/million.sql");
    db.execute_batch(&format!("BEGIN; {million} {} COMMIT;", store::RECOUNT)).unwrap();
    db.pragma_update(None, "synchronous", "FULL").unwrap();

    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    listener.set_nonblocking(true).unwrap();
    let to = listener.local_addr().unwrap();
    let (_health, health) = watch::channel(serde_json::json!({ "ready": true }));
    let (stop, stopped) = watch::channel(false);
    let criteria = include_str!("../../../../docs/criteria.toml");
    let criteria = verdict::Criteria::parse(criteria, std::path::Path::new("criteria.toml")).unwrap();
    let served = endpoint::Served { db: path.clone(), run: RunRef::Newest, criteria: Some(criteria) };
    let server = std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let listener = TcpListener::from_std(listener).unwrap();
            endpoint::serve(listener, served, health, stopped).await.unwrap();
        });
    });

    println!("{:40} {:>10} {:>10} {:>10}", "", "median", "p99", "max");
    for (target, times) in [
        ("/v1/health", 2000),
        ("/v1/reports?after=999990.999990", 2000),
        ("/v1/orphans?limit=10", 500),
        ("/v1/shots", 500),
        ("/v1/run", 30),
        ("/v1/slots", 30),
        ("/v1/verdict", 30),
    ] {
        measure(target, times, || drop(get(to, target)));
    }

    let mut insert = db
        .prepare(
            "INSERT INTO witness (witness, boot, run, source, from_ns, t_ns, known_ns, severity, count)
             VALUES (?1, 1, 1, 'mc_event', ?1, ?1, ?1, 'corrected', 1)",
        )
        .unwrap();
    let mut witness = 2_000_000;
    measure("a commit, and it is in /v1/reports", 1000, || {
        witness += 1;
        insert.execute([witness]).unwrap();
        let answer = get(to, &format!("/v1/reports?after=1000000.{}", witness - 1));
        assert!(answer.contains(&format!("\"witness\":{witness}")), "{answer}");
    });
    stop.send(true).unwrap();
    server.join().unwrap();
}

fn measure(what: &str, times: usize, mut once: impl FnMut()) {
    for _ in 0..times / 10 {
        once();
    }
    let mut took: Vec<Duration> = (0..times)
        .map(|_| {
            let begin = Instant::now();
            once();
            begin.elapsed()
        })
        .collect();
    took.sort();
    let at = |percent: usize| format!("{:.3} ms", took[(times * percent).div_ceil(100) - 1].as_secs_f64() * 1e3);
    println!("{what:40} {:>10} {:>10} {:>10}", at(50), at(99), at(100));
}

fn get(to: SocketAddr, target: &str) -> String {
    let mut stream = TcpStream::connect(to).unwrap();
    write!(stream, "GET {target} HTTP/1.1\r\nHost: {to}\r\nConnection: close\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 200"), "{target}: {answer}");
    answer
}
