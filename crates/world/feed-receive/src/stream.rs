//! Reads one stream from its beginning to its end: one connection, one opening of a device, one reading of a file.

use crate::lines::Lines;
use crate::output::{Output, Stopped};
use crate::pings::{Pace, Pings};
use crate::reply::{self, REPLY_QUEUE, Replies, ReplySender};
use crate::{FeedEvent, FeedSpec, StreamId};
use std::future::Future;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite};
use tokio::sync::Notify;
use vocabulary::Mono;

/// One read takes at most this much, which bounds a batch and with it what the daemon's queue can hold.
pub(crate) const READ_BYTES: usize = 16 * 1024;

/// How long the last replies may take once the daemon is stopping.
const LAST_REPLIES: Duration = Duration::from_secs(1);

/// Where the bytes of a stream come from.
pub(crate) trait Bytes: Send {
    /// The next bytes and when they came; none at the end of the stream. Cancelling the future loses nothing.
    fn next(&mut self) -> impl Future<Output = io::Result<(Mono, &[u8])>> + Send;
}

/// Bytes of anything that tokio can wait for.
pub(crate) struct Readable<R> {
    from: R,
    buffer: Vec<u8>,
}

impl<R> Readable<R> {
    pub(crate) fn new(from: R) -> Readable<R> {
        Readable { from, buffer: vec![0; READ_BYTES] }
    }
}

impl<R: AsyncRead + Unpin + Send> Bytes for Readable<R> {
    async fn next(&mut self) -> io::Result<(Mono, &[u8])> {
        let length = self.from.read(&mut self.buffer).await?;
        let arrival = clocks::mono();
        Ok((arrival, self.buffer.get(..length).unwrap_or_default()))
    }
}

/// How a stream ended.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum End {
    /// The daemon wants no more.
    Stopped,
    /// The injector does not read its replies.
    Unread,
    /// The sender closed it.
    Finished,
    /// It broke.
    Broken(String),
}

impl End {
    /// The end in plain words.
    pub(crate) fn why(&self) -> String {
        match self {
            End::Stopped => "the daemon is stopping".to_owned(),
            End::Unread => format!("the injector does not read its replies: {REPLY_QUEUE} were waiting"),
            End::Finished => "the sender closed it".to_owned(),
            End::Broken(why) => why.clone(),
        }
    }
}

/// Reads a stream to its end.
///
/// `way_back` is where replies are written, for feeds that have one. A sender may close its half of a connection and still
/// wait for replies; it gets them if they come within `patience`.
pub(crate) async fn serve<T: From<FeedEvent> + Send>(
    spec: &Arc<FeedSpec>,
    output: &mut Output<T>,
    peer: String,
    bytes: &mut impl Bytes,
    way_back: Option<impl AsyncWrite + Unpin + Send + 'static>,
    patience: Duration,
) -> End {
    static STREAMS: AtomicU64 = AtomicU64::new(1);
    let stream = StreamId(STREAMS.fetch_add(1, Ordering::Relaxed));
    let feed = spec.name.clone();
    let (reply, Replies { queue, full }) = reply::channel(REPLY_QUEUE);
    let pings = Pings::default();
    let (reply, writer) = match way_back {
        Some(way_back) => (reply, Some(tokio::spawn(reply::write_replies(queue, way_back, pings.clone())))),
        None => (ReplySender::nowhere(), None),
    };
    let asks = Asks { pace: Pace::new(spec.ping_every.filter(|_| writer.is_some())), pings, reply: reply.clone() };
    let mut lines = Lines::new(stream, spec.clone(), reply.clone(), asks.pings.clone());
    tracing::info!(%feed, stream = stream.0, peer, "a stream began");

    let opened = FeedEvent::Opened { stream, feed: feed.clone(), peer, reply };
    let end = match output.send(opened).await {
        Err(Stopped) => {
            drop(asks);
            End::Stopped
        }
        Ok(()) => read_to_end(&mut lines, output, bytes, &full, asks).await,
    };
    for event in lines.finish() {
        output.last_word(event).await;
    }
    // Dropped here, so that the way back closes once the daemon has answered what it still holds.
    drop(lines);
    tracing::info!(%feed, stream = stream.0, "the stream ended: {}", end.why());
    output.last_word(FeedEvent::Closed { stream, feed, why: end.why() }).await;
    if let Some(mut writer) = writer {
        match end {
            End::Stopped => {}
            End::Unread => writer.abort(),
            End::Finished | End::Broken(_) => tokio::select! {
                _ = tokio::time::timeout(patience, &mut writer) => writer.abort(),
                () = output.stopped() => {}
            },
        }
        // A writer that has ended stays ended; one that has not may finish while the daemon stops.
        if !writer.is_finished() && tokio::time::timeout(LAST_REPLIES, &mut writer).await.is_err() {
            writer.abort();
        }
    }
    end
}

/// The stream's questions for the injector's clock. Dropped with the reading, so that the way back can close.
struct Asks {
    pace: Pace,
    pings: Pings,
    reply: ReplySender,
}

async fn read_to_end<T: From<FeedEvent> + Send>(
    lines: &mut Lines,
    output: &mut Output<T>,
    bytes: &mut impl Bytes,
    full: &Notify,
    mut asks: Asks,
) -> End {
    let due = tokio::time::sleep(Duration::ZERO);
    tokio::pin!(due);
    loop {
        let read = tokio::select! {
            () = output.stopped() => return End::Stopped,
            () = full.notified() => return End::Unread,
            read = bytes.next() => read,
            () = &mut due, if asks.pace.is_on() => {
                match asks.pace.ask(&asks.pings) {
                    Some(wait) => {
                        asks.reply.ping();
                        due.set(tokio::time::sleep(wait));
                    }
                    None => tracing::info!("the injector answers no ping and gets no more"),
                }
                continue;
            }
        };
        let events = match read {
            Ok((_, [])) => return End::Finished,
            Ok((arrival, bytes)) => lines.take(bytes, arrival),
            Err(error) => return End::Broken(error.to_string()),
        };
        if lines.greeted() && asks.pace.begin() {
            due.set(tokio::time::sleep(Duration::ZERO));
        }
        for event in events {
            if output.send(event).await == Err(Stopped) {
                return End::Stopped;
            }
        }
    }
}
