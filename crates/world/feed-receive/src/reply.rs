//! Replies on their way back to the injector.
//!
//! The daemon never waits for an injector: a reply goes into a bounded queue of its stream, and a task of the stream's own
//! writes whatever is in the queue in one go. An injector that does not read its replies fills its own queue only; then its
//! stream is closed, since a stream with replies missing in it would lie.

use crate::pings::Pings;
use feed_lines::Reply;
use std::io;
use std::sync::Arc;
use tokio::io::{AsyncWrite, AsyncWriteExt};
use tokio::sync::{Notify, mpsc};

/// How many replies may wait for an injector to read them.
pub const REPLY_QUEUE: usize = 65_536;

/// How many replies go into one write.
const PER_WRITE: usize = 1024;

/// The way back to the sender of a line. Cheap to clone; the connection stays open until every clone is dropped.
#[derive(Clone, Debug)]
pub struct ReplySender {
    /// Nothing for a feed that has no way back.
    way: Option<Way>,
}

#[derive(Clone, Debug)]
struct Way {
    queue: mpsc::Sender<Reply>,
    full: Arc<Notify>,
}

impl ReplySender {
    /// Queues a reply without waiting. Says whether there was a way back for it: `false` for a file, for a stream that is
    /// gone, and for a full queue, which also ends the stream.
    pub fn send(&self, reply: Reply) -> bool {
        let Some(way) = &self.way else { return false };
        match way.queue.try_send(reply) {
            Ok(()) => true,
            Err(mpsc::error::TrySendError::Full(_)) => {
                way.full.notify_one();
                false
            }
            Err(mpsc::error::TrySendError::Closed(_)) => false,
        }
    }

    /// Queues a ping. Its number and its stamp are set when it is written.
    pub(crate) fn ping(&self) -> bool {
        self.send(Reply::Ping { n: 0, t_ns: vocabulary::Mono::default() })
    }

    /// A sender without a way back, as files have it.
    #[must_use]
    pub fn nowhere() -> ReplySender {
        ReplySender { way: None }
    }
}

/// The other end of a [`ReplySender`].
pub(crate) struct Replies {
    pub(crate) queue: mpsc::Receiver<Reply>,
    /// Woken when the queue was full.
    pub(crate) full: Arc<Notify>,
}

pub(crate) fn channel(queue: usize) -> (ReplySender, Replies) {
    let (to, from) = mpsc::channel(queue);
    let full = Arc::new(Notify::new());
    (ReplySender { way: Some(Way { queue: to, full: full.clone() }) }, Replies { queue: from, full })
}

/// Writes replies until every sender is gone and the queue is empty, then closes the way back.
pub(crate) async fn write_replies(
    mut queue: mpsc::Receiver<Reply>,
    mut to: impl AsyncWrite + Unpin,
    pings: Pings,
) -> io::Result<()> {
    let mut replies = Vec::new();
    let mut bytes = Vec::new();
    while queue.recv_many(&mut replies, PER_WRITE).await > 0 {
        for reply in replies.drain(..) {
            let Reply::Ping { .. } = reply else {
                reply.write_line(&mut bytes);
                continue;
            };
            // What stands before it may have to wait for the injector, and would make the ping look slow.
            to.write_all(&bytes).await?;
            bytes.clear();
            let t_ns = clocks::mono();
            Reply::Ping { n: pings.sent(t_ns), t_ns }.write_line(&mut bytes);
            to.write_all(&bytes).await?;
            bytes.clear();
        }
        to.write_all(&bytes).await?;
        to.flush().await?;
        bytes.clear();
    }
    // Everything is written; what has no end of its own, such as a serial line, need not be able to say one.
    let _ = to.shutdown().await;
    Ok(())
}
