//! A serial line, played by a pseudo-terminal: its slave end is the device, its master end the injector.

use crate::bench::{Bench, injection};
use feed_receive::{FeedEvent, FeedSpec};
use nix::pty::{OpenptyResult, openpty};
use nix::unistd::ttyname;
use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::os::fd::OwnedFd;
use std::os::unix::fs::symlink;
use std::path::Path;

/// Plugs a new device in under a name that stays the same. Dropping it pulls it out.
struct Plugged {
    injector: File,
    /// Until the feed opens the device somebody has to, or the injector's bytes would find no device.
    _device: OwnedFd,
}

impl Plugged {
    fn new(name: &Path) -> Plugged {
        let OpenptyResult { master, slave } = openpty(None, None).unwrap();
        let _ = std::fs::remove_file(name);
        symlink(ttyname(&slave).unwrap(), name).unwrap();
        Plugged { injector: File::from(master), _device: slave }
    }
}

/// The next line that the injector gets, read where waiting does not hold the feed up.
async fn replied(master: &File) -> String {
    let from = master.try_clone().unwrap();
    let read = move || {
        let mut line = String::new();
        BufReader::new(from).read_line(&mut line).unwrap();
        line
    };
    crate::bench::soon(tokio::task::spawn_blocking(read)).await.unwrap()
}

#[tokio::test]
async fn noise_lines_and_replies() {
    let dir = tempfile::tempdir().unwrap();
    let name = dir.path().join("tty");
    let mut device = Plugged::new(&name);
    let mut bench = Bench::start(&format!("serial:{}@115200", name.display()));
    bench.opened().await;
    // What a line gives while a board starts up costs one line.
    device.injector.write_all(b"\0\0\xf8\x80\x07").unwrap();
    device.injector.write_all(format!("\n{}", injection(1)).as_bytes()).unwrap();
    assert!(replied(&device.injector).await.starts_with("{\"type\":\"rejected\",\"line\":1,"));
    let (batch, bad) = match (bench.next().await, bench.next().await) {
        (FeedEvent::Lines(batch), FeedEvent::Bad(bad)) | (FeedEvent::Bad(bad), FeedEvent::Lines(batch)) => (batch, bad),
        other => panic!("{other:?}"),
    };
    assert_eq!((bad.number, bad.count, batch.lines[0].number), (1, 1, 2));
    bench.answer(batch);
    let accepted = replied(&device.injector).await;
    // Raw mode: nothing is echoed, and `\n` goes out as `\n`.
    assert!(
        accepted.starts_with("{\"type\":\"accepted\",\"id\":\"1\",\"line\":2,") && accepted.ends_with("}\n"),
        "{accepted}"
    );
    assert!(matches!(&bench.stop().await[..], [FeedEvent::Closed { .. }]));
}

#[tokio::test]
async fn the_bridge_s_timer_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let name = dir.path().join("tty");
    let _device = Plugged::new(&name);
    let tty = std::fs::canonicalize(&name).unwrap();
    let timer = dir.path().join("sys/class/tty").join(tty.file_name().unwrap()).join("device");
    std::fs::create_dir_all(&timer).unwrap();
    std::fs::write(timer.join("latency_timer"), "16\n").unwrap();
    let spec: FeedSpec = format!("serial:{}@115200", name.display()).parse().unwrap();
    let mut bench = Bench::start_spec(FeedSpec { sys: dir.path().join("sys"), ..spec });
    let FeedEvent::Remark(text) = bench.next().await else { panic!("the timer comes first") };
    assert!(text.contains("for up to 16 ms") && text.contains("echo 1 > "), "{text}");
    bench.opened().await;
    bench.stop().await;
}

#[tokio::test]
async fn a_device_that_comes_goes_and_comes_back() {
    let dir = tempfile::tempdir().unwrap();
    let name = dir.path().join("tty");
    let mut bench = Bench::start(&format!("serial:{}@9600", name.display()));
    let FeedEvent::Down { since, why, .. } = bench.next().await else { panic!("it is not there yet") };
    assert!(why.contains("No such file"), "{why}");

    let mut device = Plugged::new(&name);
    let FeedEvent::Gap(gap) = bench.next().await else { panic!("the gap is over") };
    assert_eq!((gap.of.as_str(), gap.span.from, gap.controller), ("feed", since, None));
    assert!(gap.span.to > since);
    let first = bench.opened().await;
    device.injector.write_all(injection(1).as_bytes()).unwrap();
    assert_eq!(bench.some_lines(1).await, [injection(1).trim_end()]);

    // The device vanishes: what was cut off is refused, and the time without it is a gap of its own.
    device.injector.write_all(b"{\"type\":").unwrap();
    std::fs::remove_file(&name).unwrap();
    drop(device);
    let mut events = vec![bench.next().await];
    while !matches!(events.last(), Some(FeedEvent::Down { .. })) {
        events.push(bench.next().await);
    }
    let stream_ended = |event: &FeedEvent| matches!(event, FeedEvent::Closed { stream, .. } if *stream == first);
    assert!(events.iter().any(stream_ended), "{events:?}");

    let mut device = Plugged::new(&name);
    assert!(matches!(bench.next().await, FeedEvent::Gap(_)));
    assert!(bench.opened().await > first);
    device.injector.write_all(injection(2).as_bytes()).unwrap();
    assert_eq!(bench.some_lines(1).await, [injection(2).trim_end()]);
}

#[tokio::test]
async fn a_gap_that_is_open_at_the_end_is_told() {
    let mut bench = Bench::start("serial:/nowhere/at/all@9600");
    assert!(matches!(bench.next().await, FeedEvent::Down { .. }));
    assert!(matches!(&bench.stop().await[..], [FeedEvent::Gap(gap)] if gap.why.contains("/nowhere/at/all")));
}
