//! Files that grow, are replaced, are not there yet; and FIFOs.

use crate::bench::{Bench, injection, soon};
use feed_receive::FeedEvent;
use nix::sys::stat::Mode;
use nix::unistd::mkfifo;
use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::Path;

fn append(path: &Path, text: &str) {
    OpenOptions::new().append(true).create(true).open(path).unwrap().write_all(text.as_bytes()).unwrap();
}

#[tokio::test]
async fn a_file_is_read_and_followed() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("orders");
    append(&path, &format!("{}{}{}", injection(1), injection(2), &injection(3)[..20]));
    let mut bench = Bench::start(&format!("file:{}", path.display()));
    bench.opened().await;
    assert_eq!(bench.some_lines(2).await, [injection(1).trim_end(), injection(2).trim_end()]);
    append(&path, &format!("{}{}", &injection(3)[20..], injection(4)));
    assert_eq!(bench.some_lines(2).await, [injection(3).trim_end(), injection(4).trim_end()]);

    // Another file under the same name is another stream, from its beginning.
    let other = dir.path().join("other");
    append(&other, &injection(9));
    std::fs::rename(&other, &path).unwrap();
    assert!(bench.closed().await.1.contains("replaced"));
    bench.opened().await;
    assert_eq!(bench.some_lines(1).await, [injection(9).trim_end()]);

    // And so is one that was cut short; half a line of the old one is lost with it, and told.
    append(&path, "{\"type\"");
    append(&path, &" ".repeat(200));
    drop(File::create(&path).unwrap());
    let mut events = vec![bench.next().await];
    while !matches!(events.last(), Some(FeedEvent::Opened { .. })) {
        events.push(bench.next().await);
    }
    assert!(events.iter().any(|event| matches!(event, FeedEvent::Closed { .. })), "{events:?}");
    append(&path, &injection(10));
    assert_eq!(bench.some_lines(1).await, [injection(10).trim_end()]);
}

#[tokio::test]
async fn a_file_that_is_not_there_yet() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("orders");
    let mut bench = Bench::start(&format!("file:{}", path.display()));
    assert!(matches!(bench.next().await, FeedEvent::Down { .. }));
    append(&path, &injection(1));
    assert!(matches!(bench.next().await, FeedEvent::Gap(gap) if gap.of == "feed"));
    bench.opened().await;
    assert_eq!(bench.some_lines(1).await, [injection(1).trim_end()]);
}

#[tokio::test]
async fn a_fifo_takes_one_writer_after_the_other() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("fifo");
    mkfifo(&path, Mode::from_bits_truncate(0o600)).unwrap();
    let mut bench = Bench::start(&format!("file:{}", path.display()));
    for (id, ending) in [(1, ""), (2, "{\"half")] {
        let path = path.clone();
        let write = move || {
            OpenOptions::new()
                .write(true)
                .open(path)
                .unwrap()
                .write_all(format!("{}{ending}", injection(id)).as_bytes())
        };
        soon(tokio::task::spawn_blocking(write)).await.unwrap().unwrap();
        bench.opened().await;
        assert_eq!(bench.some_lines(1).await, [injection(id).trim_end()]);
        if !ending.is_empty() {
            let bad = bench.bad().await;
            assert_eq!((bad.number, bad.why.as_str()), (2, "the stream ended inside this line"));
        }
        assert_eq!(bench.closed().await.1, "the sender closed it");
    }
}
