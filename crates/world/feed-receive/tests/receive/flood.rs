//! Very many lines, and injectors that do not read their replies.

use crate::bench::{Bench, injection, reply, soon};
use feed_receive::FeedEvent;
use serde_json::json;
use std::fmt::Write;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpStream, UnixStream};

#[tokio::test]
async fn every_injection_of_a_flood_is_answered_in_order() {
    const COUNT: u32 = 100_000;
    let mut bench = Bench::start("tcp:127.0.0.1:0");
    let (read, mut write) = soon(TcpStream::connect(bench.address.unwrap())).await.unwrap().into_split();
    let sender = tokio::spawn(async move {
        for first in (0..COUNT).step_by(1000) {
            let lines = (first..first + 1000).fold(String::new(), |mut text, id| {
                write!(text, "{}", injection(id)).unwrap();
                text
            });
            write.write_all(lines.as_bytes()).await.unwrap();
        }
        write
    });
    let reader = tokio::spawn(async move {
        let mut lines = BufReader::new(read).lines();
        for id in 0..COUNT {
            let line = lines.next_line().await.unwrap().unwrap();
            let expected = format!("{{\"type\":\"accepted\",\"id\":\"{id}\",\"line\":{},", id + 1);
            assert!(line.starts_with(&expected), "{line}");
        }
    });
    bench.opened().await;
    let mut seen = 0;
    while seen < COUNT as usize {
        let batch = bench.lines().await;
        seen += batch.lines.len();
        bench.answer(batch);
    }
    let _write = soon(sender).await.unwrap();
    soon(reader).await.unwrap();
}

#[tokio::test]
async fn who_does_not_read_is_closed_and_nobody_else_notices() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("feed");
    let mut bench = Bench::start(&format!("unix:{}", path.display()));
    let mut deaf = soon(UnixStream::connect(&path)).await.unwrap();
    let deaf_stream = bench.opened().await;
    let (read, mut write) = soon(UnixStream::connect(&path)).await.unwrap().into_split();
    let mut replies = BufReader::new(read);
    bench.opened().await;

    // The deaf one sends bad lines until it is thrown out, and never reads.
    let flood = tokio::spawn(async move {
        let lines = "?\n".repeat(5000);
        while deaf.write_all(lines.as_bytes()).await.is_ok() {}
        deaf
    });
    let (mut refused, mut answered) = (0, 0);
    let why = loop {
        match bench.next().await {
            FeedEvent::Bad(bad) => {
                assert_eq!(bad.stream, deaf_stream);
                refused += bad.count;
                // In between the other one gets its answers as ever.
                if refused > answered * 20_000 {
                    write.write_all(injection(1).as_bytes()).await.unwrap();
                    answered += 1;
                }
            }
            FeedEvent::Lines(batch) => {
                bench.answer(batch);
                assert_eq!(reply(&mut replies).await["id"], json!("1"));
            }
            FeedEvent::Closed { stream, why, .. } => {
                assert_eq!(stream, deaf_stream);
                break why;
            }
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(why, "the injector does not read its replies: 65536 were waiting");
    assert!(refused > 65_536 && answered > 3);
    soon(flood).await.unwrap();
    write.write_all(injection(2).as_bytes()).await.unwrap();
    let mut batch = bench.lines().await;
    while !batch.lines.iter().any(|line| line.raw == injection(2).trim_end()) {
        bench.answer(batch);
        batch = bench.lines().await;
    }
    bench.answer(batch);
    while reply(&mut replies).await["id"] != json!("2") {}
}
