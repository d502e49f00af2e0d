//! TCP connections: order, replies, bad lines, ends of streams, reconnection, limits.

use crate::bench::{Bench, injection, reply, soon};
use feed_lines::{FeedLine, Kind, MAX_LINE, Pattern, Patterns, Unit};
use feed_receive::{FeedEvent, FeedSpec, MAX_STREAMS};
use serde_json::json;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};

async fn connect(bench: &Bench) -> (BufReader<OwnedReadHalf>, OwnedWriteHalf) {
    let (read, write) = soon(TcpStream::connect(bench.address.unwrap())).await.unwrap().into_split();
    (BufReader::new(read), write)
}

#[tokio::test]
async fn lines_arrive_stamped_in_order_and_are_answered() {
    let mut bench = Bench::start("tcp:127.0.0.1:0");
    let (mut replies, mut write) = connect(&bench).await;
    let stream = bench.opened().await;

    let before = clocks::mono();
    let hello = "{\"type\":\"hello\",\"who\":\"rig\",\"unit\":\"ms\",\"extra\":1}\r\n\n";
    write.write_all(format!("{hello}{}{{\"type\":\"tick\",\"t\":5}}\n", injection(1)).as_bytes()).await.unwrap();
    let batch = bench.lines().await;
    assert!(before <= batch.arrival && batch.arrival <= clocks::mono());
    assert_eq!((batch.stream, &*batch.feed, batch.ignored), (stream, "tcp:127.0.0.1:0", 0));
    let numbers: Vec<u64> = batch.lines.iter().map(|line| line.number).collect();
    assert_eq!(numbers, [1, 3, 4]);
    assert!(batch.lines.iter().all(|line| &*line.injector == "rig" && line.unit == Unit::Milliseconds));
    assert_eq!(batch.lines[0].raw, hello.trim_end());
    assert_eq!(batch.lines[1].raw, injection(1).trim_end());
    assert_eq!(batch.lines[2].line, FeedLine::Tick { t: 5 });

    let arrival = batch.arrival;
    bench.answer(batch);
    assert_eq!(reply(&mut replies).await, json!({"type":"accepted","id":"1","line":3,"t_ns":arrival.0}));
    drop((replies, write));
    assert_eq!(bench.closed().await, (stream, "the sender closed it".into()));
    assert!(bench.stop().await.is_empty());
}

#[tokio::test]
async fn pings_are_asked_after_a_hello_and_their_pongs_told_with_both_stamps() {
    let spec: FeedSpec = "tcp:127.0.0.1:0".parse().unwrap();
    let mut bench = Bench::start_spec(FeedSpec { ping_every: Some(Duration::from_secs(3600)), ..spec });
    let (mut replies, mut write) = connect(&bench).await;
    bench.opened().await;
    write.write_all(b"{\"type\":\"tick\",\"t\":1}\n").await.unwrap();
    bench.lines().await;
    let before = clocks::mono();
    write.write_all(b"{\"type\":\"hello\",\"who\":\"rig\"}\n").await.unwrap();
    bench.lines().await;
    for n in 1..=5 {
        let ping = reply(&mut replies).await;
        assert_eq!((&ping["type"], &ping["n"]), (&json!("ping"), &json!(n)), "{ping}");
        write.write_all(format!("{{\"type\":\"pong\",\"n\":{n},\"t\":{n}}}\n").as_bytes()).await.unwrap();
        let batch = bench.lines().await;
        let sent = batch.lines[0].sent.unwrap();
        assert!(before <= sent && sent <= batch.arrival, "{before:?} {sent:?} {:?}", batch.arrival);
        assert_eq!(ping["t_ns"], sent.0, "the stamp is the one that the injector was told");
    }
    // A second answer to the same ping is none.
    write.write_all(b"{\"type\":\"pong\",\"n\":5,\"t\":6}\n").await.unwrap();
    assert!(bench.bad().await.why.starts_with("no ping with `n` 5"));
    assert_eq!(reply(&mut replies).await["type"], "rejected");
    drop((replies, write));
    bench.closed().await;
    assert!(bench.stop().await.is_empty());
}

#[tokio::test]
async fn bad_lines_cost_themselves_only() {
    let mut bench = Bench::start("tcp:127.0.0.1:0");
    let (mut replies, mut write) = connect(&bench).await;
    bench.opened().await;
    let mut sent = b"\0\0\xfe\xff\nnonsense\n".to_vec();
    sent.extend(vec![b'x'; MAX_LINE + 100]);
    sent.extend(b"\n{\"type\":\"reset\"}\n{\"type\":\"tick\",\"t\":-1}\n");
    sent.extend(injection(6).bytes());
    write.write_all(&sent).await.unwrap();

    for (line, why) in [
        (1, "the line is not valid UTF-8 from byte 3 on"),
        (2, "not JSON: expected ident, at byte 2"),
        (3, "the line is longer than 65536 bytes"),
        (4, "unknown type \"reset\"; known types are hello, injection, tick, rail, pong, bye"),
        (5, "`t` must be an integer of 0 or more; found -1"),
    ] {
        assert_eq!(reply(&mut replies).await, json!({"type":"rejected","line":line,"why":why}));
    }
    let (mut bad, mut good) = (0, Vec::new());
    while good.is_empty() || bad < 5 {
        match bench.next().await {
            FeedEvent::Bad(told) => bad += told.count,
            FeedEvent::Lines(batch) => good.extend(batch.lines),
            other => panic!("{other:?}"),
        }
    }
    assert_eq!((bad, good.len(), good[0].number), (5, 1, 6));
}

#[tokio::test]
async fn the_last_line_of_a_stream() {
    let mut bench = Bench::start("tcp:127.0.0.1:0");
    // A whole object without a line end counts, and its answer comes although the sender has closed its half.
    let (mut replies, mut write) = connect(&bench).await;
    bench.opened().await;
    write.write_all(injection(1).trim_end().as_bytes()).await.unwrap();
    write.shutdown().await.unwrap();
    let batch = bench.lines().await;
    bench.closed().await;
    bench.answer(batch);
    assert_eq!(reply(&mut replies).await["id"], "1");
    let mut rest = Vec::new();
    soon(replies.read_to_end(&mut rest)).await.unwrap();
    assert!(rest.is_empty());

    // Half an object does not, and is refused, also to a sender that has closed its half.
    let (mut replies, mut write) = connect(&bench).await;
    bench.opened().await;
    write.write_all(&injection(2).as_bytes()[..30]).await.unwrap();
    write.shutdown().await.unwrap();
    let why = "the stream ended inside this line";
    assert_eq!(reply(&mut replies).await, json!({"type":"rejected","line":1,"why":why}));
    assert_eq!(bench.bad().await.why, why);
}

#[tokio::test]
async fn a_broken_link_and_the_same_injection_again() {
    let mut bench = Bench::start("tcp:127.0.0.1:0");
    let hello = "{\"type\":\"hello\",\"who\":\"rig\"}\n";
    let mut streams = Vec::new();
    for again in [false, true] {
        let (mut replies, mut write) = connect(&bench).await;
        streams.push(bench.opened().await);
        write.write_all(format!("{hello}{}", injection(7)).as_bytes()).await.unwrap();
        let mut batch = bench.lines().await;
        while !batch.lines.iter().any(|line| matches!(line.line, FeedLine::Injection(_))) {
            batch = bench.lines().await;
        }
        bench.answer(batch);
        if again {
            let told = reply(&mut replies).await;
            assert_eq!((&told["id"], &told["line"], &told["again"]), (&json!("7"), &json!(2), &json!(true)));
        }
        drop((replies, write));
        bench.closed().await;
    }
    assert!(streams[0] < streams[1]);
}

#[tokio::test]
async fn text_through_patterns() {
    let spec: FeedSpec = "tcp:127.0.0.1:0".parse().unwrap();
    let pattern =
        Pattern::new(Kind::Injection, r"^(?<who>\w+) fires (?<id>\d+) at (?<at>\w+) \[(?<lines>.*)\]").unwrap();
    let spec = FeedSpec { name: "old rig".into(), patterns: Patterns(vec![pattern]), unit: Unit::Milliseconds, ..spec };
    let mut bench = Bench::start_spec(spec);
    let (mut replies, mut write) = connect(&bench).await;
    bench.opened().await;
    write.write_all(b"ready.\nrig9 fires 12 at B2 [DQ1, CB0]\nrig9 fires 13 at B2 [DQ99]\n").await.unwrap();
    let batch = bench.lines().await;
    let line = &batch.lines[0];
    assert_eq!((&*line.injector, line.unit, line.number, batch.ignored), ("rig9", Unit::Milliseconds, 2, 1));
    assert!(matches!(&line.line, FeedLine::Injection(i) if i.id == "12" && i.lines == ["DQ1", "CB0"]));
    assert!(reply(&mut replies).await["why"].as_str().unwrap().contains("DQ99"));
}

#[tokio::test]
async fn one_connection_too_many_is_told_so() {
    let mut bench = Bench::start("tcp:127.0.0.1:0");
    let mut open = Vec::new();
    for _ in 0..MAX_STREAMS {
        open.push(connect(&bench).await);
        bench.opened().await;
    }
    let (mut replies, _write) = connect(&bench).await;
    let told = reply(&mut replies).await;
    assert_eq!((&told["type"], &told["line"]), (&json!("rejected"), &json!(0)));
    let mut rest = Vec::new();
    soon(replies.read_to_end(&mut rest)).await.unwrap();

    drop(open.pop());
    bench.closed().await;
    // The place is free once the task of the closed connection has ended, which is a little after it says so.
    let (mut replies, mut write) = loop {
        let (mut replies, mut write) = connect(&bench).await;
        write.write_all(b"?\n").await.unwrap();
        if reply(&mut replies).await["line"] == json!(1) {
            break (replies, write);
        }
    };
    bench.opened().await;
    write.write_all(b"?\n").await.unwrap();
    assert_eq!(reply(&mut replies).await["line"], json!(2));
}

#[tokio::test]
async fn stop_ends_every_stream_and_says_so() {
    let mut bench = Bench::start("tcp:127.0.0.1:0");
    let (mut replies, mut write) = connect(&bench).await;
    bench.opened().await;
    write.write_all(injection(1).as_bytes()).await.unwrap();
    let batch = bench.lines().await;
    // What was answered before the end still reaches the sender.
    bench.answer(batch);
    let rest = bench.stop().await;
    assert!(matches!(&rest[..], [FeedEvent::Closed { why, .. }] if why == "the daemon is stopping"), "{rest:?}");
    assert_eq!(reply(&mut replies).await["id"], "1");
    let mut end = Vec::new();
    soon(replies.read_to_end(&mut end)).await.unwrap();
    assert!(end.is_empty());
}

#[tokio::test]
async fn an_address_in_use_is_an_error() {
    let bench = Bench::start("tcp:127.0.0.1:0");
    let spec: FeedSpec = format!("tcp:{}", bench.address.unwrap()).parse().unwrap();
    let error = feed_receive::Feed::bind(spec).unwrap_err().to_string();
    assert!(error.contains("cannot listen on 127.0.0.1:"), "{error}");
}
