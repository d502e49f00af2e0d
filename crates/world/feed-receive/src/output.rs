//! The way of a feed's events to the daemon, and the daemon's order to stop.

use crate::FeedEvent;
use std::time::Duration;
use tokio::sync::{mpsc, watch};

/// How long a last word may wait for a daemon that is busy stopping.
const LAST_WORD: Duration = Duration::from_secs(1);

/// The daemon wants no more: it said stop, or is gone.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Stopped;

/// Where events go. Waits while the daemon is behind, so that the kernel's buffers and then the sender have to wait too.
#[derive(Debug)]
pub(crate) struct Output<T> {
    to: mpsc::Sender<T>,
    stop: watch::Receiver<bool>,
}

impl<T> Clone for Output<T> {
    fn clone(&self) -> Output<T> {
        Output { to: self.to.clone(), stop: self.stop.clone() }
    }
}

impl<T: From<FeedEvent> + Send> Output<T> {
    pub(crate) fn new(to: mpsc::Sender<T>, stop: watch::Receiver<bool>) -> Output<T> {
        Output { to, stop }
    }

    /// Sends an event, unless the order to stop comes first. An event lost to that was never accepted.
    pub(crate) async fn send(&mut self, event: FeedEvent) -> Result<(), Stopped> {
        let Output { to, stop } = self;
        tokio::select! {
            sent = to.send(event.into()) => sent.map_err(|_| Stopped),
            _ = stop.wait_for(|stop| *stop) => Err(Stopped),
        }
    }

    /// Sends an event even though the order to stop was given: how a stream ended, which gap remained.
    pub(crate) async fn last_word(&self, event: FeedEvent) {
        // A daemon that is gone or does not listen any more has no use for it.
        let _ = tokio::time::timeout(LAST_WORD, self.to.send(event.into())).await;
    }

    /// Returns once the daemon wants no more.
    pub(crate) async fn stopped(&mut self) {
        let Output { to, stop } = self;
        tokio::select! {
            _ = stop.wait_for(|stop| *stop) => {}
            () = to.closed() => {}
        }
    }

    /// Waits, and says whether the time passed without an order to stop.
    pub(crate) async fn pause(&mut self, time: Duration) -> Result<(), Stopped> {
        tokio::time::timeout(time, self.stopped()).await.map_or(Ok(()), |()| Err(Stopped))
    }
}
