//! A feed that runs, and the daemon's side of it.

use feed_lines::{FeedLine, Reply};
use feed_receive::{Bad, Batch, Feed, FeedEvent, FeedSpec, StreamId};
use serde_json::Value;
use std::collections::BTreeSet;
use std::future::Future;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncRead, BufReader};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

/// What a test waits for comes, or the test fails.
pub(crate) async fn soon<T>(what: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(60), what).await.expect("nothing came for a minute")
}

pub(crate) struct Bench {
    pub(crate) events: mpsc::Receiver<FeedEvent>,
    pub(crate) address: Option<SocketAddr>,
    stop: watch::Sender<bool>,
    task: JoinHandle<()>,
    known: BTreeSet<(String, String)>,
}

impl Bench {
    pub(crate) fn start(spec: &str) -> Bench {
        Bench::start_spec(spec.parse().unwrap())
    }

    pub(crate) fn start_spec(spec: FeedSpec) -> Bench {
        let feed = Feed::bind(spec).unwrap();
        let (to, events) = mpsc::channel(16);
        let (stop, stopped) = watch::channel(false);
        let address = feed.local_addr();
        Bench { events, address, stop, task: tokio::spawn(feed.run(to, stopped)), known: BTreeSet::new() }
    }

    pub(crate) async fn next(&mut self) -> FeedEvent {
        soon(self.events.recv()).await.expect("the feed has ended")
    }

    pub(crate) async fn opened(&mut self) -> StreamId {
        match self.next().await {
            FeedEvent::Opened { stream, .. } => stream,
            other => panic!("{other:?}"),
        }
    }

    pub(crate) async fn closed(&mut self) -> (StreamId, String) {
        match self.next().await {
            FeedEvent::Closed { stream, why, .. } => (stream, why),
            other => panic!("{other:?}"),
        }
    }

    pub(crate) async fn lines(&mut self) -> Batch {
        match self.next().await {
            FeedEvent::Lines(batch) => batch,
            other => panic!("{other:?}"),
        }
    }

    pub(crate) async fn bad(&mut self) -> Bad {
        match self.next().await {
            FeedEvent::Bad(bad) => bad,
            other => panic!("{other:?}"),
        }
    }

    /// Takes lines, in however many reads they come, until there are `count`.
    pub(crate) async fn some_lines(&mut self, count: usize) -> Vec<String> {
        let mut raw = Vec::new();
        while raw.len() < count {
            raw.extend(self.lines().await.lines.into_iter().map(|line| line.raw));
        }
        raw
    }

    /// Answers as the daemon does once an injection is durable.
    pub(crate) fn answer(&mut self, batch: Batch) {
        for line in batch.lines {
            let FeedLine::Injection(injection) = line.line else { continue };
            let again = !self.known.insert((line.injector.to_string(), injection.id.clone()));
            batch.reply.send(Reply::Accepted { id: injection.id, line: line.number, t_ns: batch.arrival, again });
        }
    }

    /// Says stop, and gives what still came until the feed had ended.
    pub(crate) async fn stop(mut self) -> Vec<FeedEvent> {
        self.stop.send(true).unwrap();
        let mut rest = Vec::new();
        while let Some(event) = soon(self.events.recv()).await {
            rest.push(event);
        }
        soon(self.task).await.unwrap();
        rest
    }
}

/// The next reply as JSON.
pub(crate) async fn reply<R: AsyncRead + Unpin>(from: &mut BufReader<R>) -> Value {
    let mut line = String::new();
    soon(from.read_line(&mut line)).await.unwrap();
    serde_json::from_str(&line).unwrap_or_else(|error| panic!("{line:?}: {error}"))
}

pub(crate) fn injection(id: u32) -> String {
    format!("{{\"type\":\"injection\",\"id\":{id},\"at\":\"A1\",\"lines\":[\"DQ3\"],\"hold_us\":250}}\n")
}
