//! One feed: takes hold of what its specification names, and reads it until the daemon says stop.

use crate::listen::{self, Listener};
use crate::output::Output;
use crate::unix::{self, SocketFile};
use crate::{FeedEvent, FeedSpec, Transport, file, serial, stdio};
use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use thiserror::Error;
use tokio::net::{TcpListener, TcpSocket};
use tokio::sync::{mpsc, watch};

/// Why a feed cannot be opened. Devices and files that are not there yet are no such reason: they are waited for.
#[derive(Debug, Error)]
pub enum BindError {
    /// The address cannot be listened on.
    #[error("feed {feed}: cannot listen on {address}: {source}")]
    Tcp {
        /// The feed's name.
        feed: Arc<str>,
        /// The address.
        address: SocketAddr,
        /// The kernel's reason.
        source: io::Error,
    },
    /// The socket file cannot be made.
    #[error("feed {feed}: cannot listen on {}: {source}", path.display())]
    Unix {
        /// The feed's name.
        feed: Arc<str>,
        /// The socket file.
        path: PathBuf,
        /// The kernel's reason.
        source: io::Error,
    },
    /// Somebody listens there.
    #[error("feed {feed}: another process listens on {}", path.display())]
    InUse {
        /// The feed's name.
        feed: Arc<str>,
        /// The socket file.
        path: PathBuf,
    },
    /// Something else has that name.
    #[error("feed {feed}: {} is there already and is not a socket", path.display())]
    NotASocket {
        /// The feed's name.
        feed: Arc<str>,
        /// The path.
        path: PathBuf,
    },
}

/// A feed that was taken hold of and is not read yet.
#[derive(Debug)]
pub struct Feed {
    spec: Arc<FeedSpec>,
    listener: Option<Listener>,
    /// Removes the socket file when the feed ends, however it ends.
    _socket: Option<SocketFile>,
}

impl Feed {
    /// Takes hold of what `spec` names: listens, for those that listen. Must be called inside a tokio runtime.
    ///
    /// # Errors
    ///
    /// Where the address or the socket file cannot be had.
    pub fn bind(spec: FeedSpec) -> Result<Feed, BindError> {
        let spec = Arc::new(spec);
        let (listener, socket) = match &spec.transport {
            Transport::Tcp(address) => {
                let listener = listen_on(*address).map_err(|source| BindError::Tcp {
                    feed: spec.name.clone(),
                    address: *address,
                    source,
                })?;
                (Some(Listener::Tcp(listener)), None)
            }
            Transport::Unix(path) => {
                let (listener, file) = unix::listen_on(&spec.name, path)?;
                (Some(Listener::Unix(listener)), Some(file))
            }
            Transport::Serial { .. } | Transport::File(_) | Transport::Stdin => (None, None),
        };
        Ok(Feed { spec, listener, _socket: socket })
    }

    /// The address that is listened on, with the real port where the specification has port 0.
    #[must_use]
    pub fn local_addr(&self) -> Option<SocketAddr> {
        match &self.listener {
            Some(Listener::Tcp(listener)) => listener.local_addr().ok(),
            _ => None,
        }
    }

    /// What the feed was made from.
    #[must_use]
    pub fn spec(&self) -> &FeedSpec {
        &self.spec
    }

    /// Reads the feed until `stop` becomes true or its sender is dropped, or `to` has no receiver any more; standard input
    /// also ends by itself. Everything that happens goes to `to`, which should be bounded: while it is full the feed
    /// waits, and so do its senders.
    pub async fn run<T>(self, to: mpsc::Sender<T>, stop: watch::Receiver<bool>)
    where
        T: From<FeedEvent> + Send + 'static,
    {
        let (spec, mut output) = (&self.spec, Output::new(to, stop));
        match (&self.listener, &self.spec.transport) {
            (Some(listener), _) => listen::run(spec, &mut output, listener).await,
            (None, Transport::Serial { path, baud }) => serial::run(spec, &mut output, path, *baud).await,
            (None, Transport::File(path)) => file::run(spec, &mut output, path.clone()).await,
            // A feed that listens always has its listener: `bind` is the only way to make one.
            (None, Transport::Stdin | Transport::Tcp(_) | Transport::Unix(_)) => stdio::run(spec, &mut output).await,
        }
    }
}

fn listen_on(address: SocketAddr) -> io::Result<TcpListener> {
    let socket = if address.is_ipv4() { TcpSocket::new_v4() } else { TcpSocket::new_v6() }?;
    // Connections of the last run that are still winding down must not keep the next one from starting.
    socket.set_reuseaddr(true)?;
    socket.bind(address)?;
    socket.listen(128)
}
