//! Connections, bounded in number and in idleness.
//!
//! The daemon must stay up for weeks beside whatever scrapes it: a client that opens connections and forgets them must not
//! use up the process's file descriptors, which the daemon needs for its kernel files.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::Sleep;

/// At most so many connections at once; further ones wait in the kernel's queue.
const CONNECTIONS: usize = 64;

/// A connection on which nothing moves for so long is closed. Longer than the usual scrape interval of a minute.
const IDLE: Duration = Duration::from_secs(90);

/// A listener that hands out a bounded number of connections.
pub(crate) struct Bounded {
    listener: TcpListener,
    seats: Arc<Semaphore>,
}

impl Bounded {
    pub(crate) fn new(listener: TcpListener) -> Bounded {
        Bounded { listener, seats: Arc::new(Semaphore::new(CONNECTIONS)) }
    }
}

impl axum::serve::Listener for Bounded {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        // The semaphore is never closed; were it, the connection would merely not be counted.
        let seat = self.seats.clone().acquire_owned().await.ok();
        // The listener of axum logs and outlives the errors that accept gives, such as too many open files.
        let (stream, from) = axum::serve::Listener::accept(&mut self.listener).await;
        // Answers are written whole: waiting for more to send would only delay them.
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%from, %error, "endpoint: no TCP_NODELAY");
        }
        (Connection { stream, quiet: Box::pin(tokio::time::sleep(IDLE)), _seat: seat }, from)
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A connection that ends itself when nothing moves, and gives its seat back.
pub(crate) struct Connection {
    stream: TcpStream,
    quiet: Pin<Box<Sleep>>,
    _seat: Option<OwnedSemaphorePermit>,
}

impl Connection {
    /// Passes on what the stream did; a stream that is not ready has failed once it was quiet for too long.
    fn or_idle<T>(&mut self, did: Poll<io::Result<T>>, cx: &mut Context<'_>) -> Poll<io::Result<T>> {
        match did {
            Poll::Ready(done) => {
                self.quiet.set(tokio::time::sleep(IDLE));
                Poll::Ready(done)
            }
            Poll::Pending => {
                ready!(self.quiet.as_mut().poll(cx));
                Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
            }
        }
    }
}

impl AsyncRead for Connection {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let did = Pin::new(&mut self.stream).poll_read(cx, buf);
        self.or_idle(did, cx)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let did = Pin::new(&mut self.stream).poll_write(cx, buf);
        self.or_idle(did, cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let did = Pin::new(&mut self.stream).poll_write_vectored(cx, bufs);
        self.or_idle(did, cx)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::serve::Listener;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::time::timeout;

    async fn bounded() -> (Bounded, SocketAddr) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let to = listener.local_addr().unwrap();
        (Bounded::new(listener), to)
    }

    /// Time is paused: it passes at once when nothing else can happen.
    #[tokio::test(start_paused = true)]
    async fn a_quiet_connection_ends_and_one_that_moves_does_not() {
        let (mut bounded, to) = bounded().await;
        let mut client = TcpStream::connect(to).await.unwrap();
        let (mut connection, _) = bounded.accept().await;
        let mut one = [0];
        for _ in 0..3 {
            tokio::time::sleep(IDLE - Duration::from_secs(1)).await;
            client.write_all(b"x").await.unwrap();
            connection.read_exact(&mut one).await.unwrap();
        }
        assert_eq!(connection.read(&mut one).await.unwrap_err().kind(), io::ErrorKind::TimedOut);
    }

    #[tokio::test]
    async fn no_more_connections_than_seats() {
        let (mut bounded, to) = bounded().await;
        let mut clients = Vec::new();
        let mut seated = Vec::new();
        for _ in 0..CONNECTIONS {
            clients.push(TcpStream::connect(to).await.unwrap());
            seated.push(bounded.accept().await);
        }
        clients.push(TcpStream::connect(to).await.unwrap());
        assert!(timeout(Duration::from_millis(50), bounded.accept()).await.is_err());
        seated.pop();
        bounded.accept().await;
    }
}
