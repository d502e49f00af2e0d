//! The socket file: its mode, who may take it over, and that it goes away.

use crate::bench::{Bench, injection, reply, soon};
use feed_receive::{Feed, FeedSpec};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use tokio::io::{AsyncWriteExt, BufReader};
use tokio::net::UnixStream;

fn spec(path: &Path) -> String {
    format!("unix:{}", path.display())
}

#[tokio::test]
async fn a_local_sender_is_served_and_the_file_goes_away() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("feed");
    let mut bench = Bench::start(&spec(&path));
    assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o7777, 0o660);
    let (read, mut write) = soon(UnixStream::connect(&path)).await.unwrap().into_split();
    bench.opened().await;
    write.write_all(injection(1).as_bytes()).await.unwrap();
    let batch = bench.lines().await;
    bench.answer(batch);
    assert_eq!(reply(&mut BufReader::new(read)).await["type"], "accepted");
    bench.stop().await;
    assert!(!path.exists());
}

#[tokio::test]
async fn a_stale_socket_is_taken_over_and_a_live_one_is_not() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("feed");
    // A listener of the standard library leaves its file behind, as a killed daemon does.
    drop(std::os::unix::net::UnixListener::bind(&path).unwrap());
    assert!(path.exists());
    let bench = Bench::start(&spec(&path));

    let second = Feed::bind(spec(&path).parse().unwrap()).unwrap_err().to_string();
    assert!(second.contains("another process listens on"), "{second}");
    assert!(soon(UnixStream::connect(&path)).await.is_ok());
    bench.stop().await;

    // A file that somebody else has put there since is left alone.
    let bench = Bench::start(&spec(&path));
    std::fs::remove_file(&path).unwrap();
    std::fs::write(&path, "precious").unwrap();
    bench.stop().await;
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "precious");
    let text: FeedSpec = spec(&path).parse().unwrap();
    assert!(Feed::bind(text).unwrap_err().to_string().contains("is not a socket"));
}

#[tokio::test]
async fn a_folder_that_is_not_there_is_an_error() {
    let error = Feed::bind("unix:/nowhere/at/all/feed".parse().unwrap()).unwrap_err().to_string();
    assert!(error.contains("cannot listen on /nowhere/at/all/feed"), "{error}");
}
