//! What a feed tells the daemon.

use crate::ReplySender;
use feed_lines::{FeedLine, Unit};
use std::sync::Arc;
use vocabulary::{Gap, Mono};

/// One connection, one opening of a device, or one reading of a file: numbered over all feeds of the process, from 1.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct StreamId(pub u64);

/// What happened on a feed.
#[derive(Debug)]
pub enum FeedEvent {
    /// A stream began.
    Opened {
        /// The stream.
        stream: StreamId,
        /// The feed's name.
        feed: Arc<str>,
        /// Who is at the other end, for people.
        peer: String,
        /// The way back. Whoever wants to ask without being asked, such as for the injector's clock, keeps this until
        /// the stream is closed, and not longer: the connection stays open for as long as it is kept.
        reply: ReplySender,
    },
    /// Lines that make sense, as many as one read gave.
    Lines(Batch),
    /// Lines that made none. Each was answered already; they are told for counting.
    Bad(Bad),
    /// A stream ended. Nothing more comes of it.
    Closed {
        /// The stream.
        stream: StreamId,
        /// The feed's name.
        feed: Arc<str>,
        /// Why, in plain words.
        why: String,
    },
    /// A feed cannot be read now: its device is gone, its file is not there. A [`FeedEvent::Gap`] ends it.
    Down {
        /// The feed's name.
        feed: Arc<str>,
        /// Since when.
        since: Mono,
        /// Why, in plain words.
        why: String,
    },
    /// Something about a feed that a run must say of itself, in plain words.
    Remark(String),
    /// A feed was not being read for a time that is over, or over with the feed itself.
    Gap(Gap),
}

/// The lines of one read.
#[derive(Debug)]
pub struct Batch {
    /// The stream.
    pub stream: StreamId,
    /// The feed's name.
    pub feed: Arc<str>,
    /// CLOCK_MONOTONIC right after the read returned. Lines that waited in the kernel because the daemon was behind are
    /// stamped late by that.
    pub arrival: Mono,
    /// The lines, in their order; possibly none where only `ignored` has something to say.
    pub lines: Vec<Received>,
    /// Lines of text that no pattern of the feed matches.
    pub ignored: u64,
    /// The way back to the sender of these lines. Drop it once all of them are answered.
    pub reply: ReplySender,
}

/// One line that makes sense.
#[derive(Clone, PartialEq, Debug)]
pub struct Received {
    /// Who sent it: the `who` of the stream's last hello, or the feed's name.
    pub injector: Arc<str>,
    /// What the sender's ticks count: the `unit` of the stream's last hello, or the feed's.
    pub unit: Unit,
    /// The line's number in its stream, from 1.
    pub number: u64,
    /// The line as it came, without its line end.
    pub raw: String,
    /// What it says.
    pub line: FeedLine,
    /// For a pong: when its ping was written.
    pub sent: Option<Mono>,
}

/// Lines of one read that were refused.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Bad {
    /// The stream.
    pub stream: StreamId,
    /// The feed's name.
    pub feed: Arc<str>,
    /// When the read returned.
    pub arrival: Mono,
    /// How many they are.
    pub count: u64,
    /// The number of the first of them in its stream.
    pub number: u64,
    /// Why the first of them was refused.
    pub why: String,
}
