//! The injector's line protocol: framing, parsing, replies. `docs/feed.md` is the same protocol for firmware writers.
//!
//! Bytes go through a [`LineSplitter`], every line through [`parse`] (or through [`Patterns`], where the injector prints
//! text of its own), and what the daemon answers is a [`Reply`]. What the injector's ticks mean on the kernel's clock is crate
//! `injector-clock`'s. The crate holds values and rules: it must never read a clock, a file or a socket. Its callers are the
//! feed receiver, the replay of recordings, and the daemon's pipeline.

mod error;
mod fields;
mod framing;
mod line;
mod parse;
mod pattern;
mod reply;
mod signals;
mod stamp;
mod written;

pub use error::{KNOWN_TYPES, LineError, Reason};
pub use framing::{Framed, LineSplitter, MAX_LINE};
pub use line::{FeedLine, Parsed, Unit};
pub use parse::{MAX_DURATION_US, MAX_SHOTS, parse};
pub use pattern::{Kind, Pattern, PatternError, Patterns};
pub use reply::Reply;
pub use signals::canonical_signal;
pub use stamp::Stamp;
pub use written::recorded;
