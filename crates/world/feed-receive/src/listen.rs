//! A feed that listens: TCP or a Unix socket, many connections at once, each a stream of its own.

use crate::output::Output;
use crate::quiet::Quiet;
use crate::stream::{Readable, serve};
use crate::{FeedEvent, FeedSpec};
use feed_lines::Reply;
use socket2::{SockRef, TcpKeepalive};
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream, UnixListener};
use tokio::task::JoinSet;

/// How many connections one feed serves at once.
pub const MAX_STREAMS: usize = 64;

/// How long to wait after a failed accept; the usual reason, too many open files, does not go away at once.
const AFTER_FAILURE: Duration = Duration::from_millis(200);

/// How long a sender that has closed its half of the connection may wait for its last replies.
const PATIENCE: Duration = Duration::from_secs(10);

/// How long the streams may take to end once the daemon is stopping.
const STOPPING: Duration = Duration::from_secs(3);

/// A connection's two halves, and who is at its other end.
type Connection = (Box<dyn AsyncRead + Send + Unpin>, Box<dyn AsyncWrite + Send + Unpin>, String);

#[derive(Debug)]
pub(crate) enum Listener {
    Tcp(TcpListener),
    Unix(UnixListener),
}

impl Listener {
    async fn accept(&self) -> io::Result<Connection> {
        match self {
            Listener::Tcp(listener) => {
                let (stream, peer) = listener.accept().await?;
                // A connection that is dead already refuses its settings; its first read says so better.
                if let Err(error) = settle(&stream) {
                    tracing::debug!(%peer, "cannot set up the connection: {error}");
                }
                let (reader, writer) = stream.into_split();
                Ok((Box::new(reader), Box::new(writer), peer.to_string()))
            }
            Listener::Unix(listener) => {
                let (stream, _) = listener.accept().await?;
                let peer = match stream.peer_cred() {
                    Ok(peer) => format!("uid {} pid {}", peer.uid(), peer.pid().unwrap_or(0)),
                    Err(_) => "a local process".to_owned(),
                };
                let (reader, writer) = stream.into_split();
                Ok((Box::new(reader), Box::new(writer), peer))
            }
        }
    }
}

/// `accepted` must not wait for a fuller packet. An injector that lost its power says no goodbye: a probe after half a
/// minute of silence finds that out, and its place among the connections becomes free.
fn settle(stream: &TcpStream) -> io::Result<()> {
    stream.set_nodelay(true)?;
    let probe = TcpKeepalive::new().with_time(Duration::from_secs(30)).with_interval(Duration::from_secs(10));
    SockRef::from(stream).set_tcp_keepalive(&probe.with_retries(3))
}

pub(crate) async fn run<T: From<FeedEvent> + Send + 'static>(
    spec: &Arc<FeedSpec>,
    output: &mut Output<T>,
    listener: &Listener,
) {
    let mut streams = JoinSet::new();
    let mut quiet = Quiet::default();
    loop {
        let accepted = tokio::select! {
            () = output.stopped() => break,
            Some(_) = streams.join_next() => continue,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok(connection) if streams.len() >= MAX_STREAMS => {
                if let Some(unsaid) = quiet.may_speak(clocks::mono()) {
                    tracing::warn!(feed = %spec.name, unsaid, "turned {} away: {MAX_STREAMS} connections are open", connection.2);
                }
                turn_away(connection).await;
            }
            Ok((reader, writer, peer)) => {
                let (spec, mut output) = (spec.clone(), output.clone());
                streams.spawn(async move {
                    serve(&spec, &mut output, peer, &mut Readable::new(reader), Some(writer), PATIENCE).await
                });
            }
            Err(error) => {
                if let Some(unsaid) = quiet.may_speak(clocks::mono()) {
                    tracing::warn!(feed = %spec.name, unsaid, "cannot take a connection: {error}");
                }
                if output.pause(AFTER_FAILURE).await.is_err() {
                    break;
                }
            }
        }
    }
    let all = async { while streams.join_next().await.is_some() {} };
    // What does not end in time is ended by dropping the set.
    let _ = tokio::time::timeout(STOPPING, all).await;
}

/// Says why, and closes. Line 0 is the connection as a whole.
async fn turn_away((_, mut writer, _): Connection) {
    let why = format!("{MAX_STREAMS} connections are open on this feed already");
    let reply = Reply::Rejected { line: 0, why, id: None };
    // A fresh connection's buffer takes this at once; whoever went away meanwhile misses nothing.
    let _ = tokio::time::timeout(AFTER_FAILURE, writer.write_all(reply.to_line().as_bytes())).await;
}
