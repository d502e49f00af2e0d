//! Receives the injector's feed: TCP, Unix socket, serial line, file, standard input.
//!
//! [`Feed::bind`] takes hold of what a [`FeedSpec`] names, [`Feed::run`] is the task that reads it: it stamps every read,
//! cuts and parses the lines, answers bad ones itself, and hands the rest to the daemon as [`FeedEvent`]s through a bounded
//! channel. Replies go back through a [`ReplySender`], which never makes the daemon wait. The crate must not decide
//! anything about an injection: whether its slot exists, whether it is known already, when it is durable. Its caller is the
//! daemon. `docs/feed.md` is the protocol, crate `feed-lines` its rules.

mod bridge;
mod down;
mod event;
mod feed;
mod file;
mod lines;
mod listen;
mod output;
mod pings;
mod quiet;
mod reply;
mod serial;
mod spec;
mod stdio;
mod stream;
mod threaded;
mod unix;

pub use event::{Bad, Batch, FeedEvent, Received, StreamId};
pub use feed::{BindError, Feed};
pub use listen::MAX_STREAMS;
pub use reply::{REPLY_QUEUE, ReplySender};
pub use spec::{FeedSpec, SpecError, Transport};
