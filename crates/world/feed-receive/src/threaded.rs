//! Bytes from a thread of their own, for what tokio cannot wait for: standard input, plain files, opening a FIFO.
//!
//! A thread that waits inside a read ends with the process, or at its next byte; it never holds up the daemon's stop.

use crate::stream::Bytes;
use std::io;
use std::thread::Builder;
use tokio::sync::mpsc;
use vocabulary::Mono;

/// How many reads may wait for the feed's task.
const READS_AHEAD: usize = 4;

/// What the thread tells.
pub(crate) enum News {
    /// A stream begins.
    Began,
    /// One read, and when it returned.
    Bytes(Mono, Vec<u8>),
    /// The stream ended; with a reason, if that was not its sender's wish.
    Ended(Option<String>),
    /// There is nothing to read from; it is tried again.
    Failed(String),
}

/// Starts a thread that tells its news until nobody listens any more.
pub(crate) fn start(
    name: &str,
    work: impl FnOnce(mpsc::Sender<News>) + Send + 'static,
) -> io::Result<mpsc::Receiver<News>> {
    let (to, from) = mpsc::channel(READS_AHEAD);
    Builder::new().name(name.to_owned()).spawn(move || work(to))?;
    Ok(from)
}

/// The bytes of one stream out of the thread's news.
pub(crate) struct FromThread<'a> {
    news: &'a mut mpsc::Receiver<News>,
    last: Vec<u8>,
}

impl<'a> FromThread<'a> {
    pub(crate) fn new(news: &'a mut mpsc::Receiver<News>) -> FromThread<'a> {
        FromThread { news, last: Vec::new() }
    }
}

impl Bytes for FromThread<'_> {
    async fn next(&mut self) -> io::Result<(Mono, &[u8])> {
        match self.news.recv().await {
            Some(News::Bytes(arrival, bytes)) => {
                self.last = bytes;
                Ok((arrival, &self.last))
            }
            Some(News::Ended(Some(why)) | News::Failed(why)) => Err(io::Error::other(why)),
            Some(News::Ended(None) | News::Began) | None => Ok((Mono::default(), &[])),
        }
    }
}
