//! Why a line of a feed was refused, in words that go back to the injector.

use crate::framing::MAX_LINE;
use thiserror::Error;

/// The types of lines that an injector may send, as the refusal of another one lists them.
pub const KNOWN_TYPES: &str = "hello, injection, tick, rail, pong, bye";

/// A line that was refused, and the injection that it was about, as far as that could be read.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
#[error("{why}")]
pub struct LineError {
    /// Why.
    pub why: Reason,
    /// The line's `id`, if it has a usable one: an injector finds its own injection by it.
    pub id: Option<String>,
}

impl From<Reason> for LineError {
    fn from(why: Reason) -> LineError {
        LineError { why, id: None }
    }
}

/// Why a line was refused.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
pub enum Reason {
    /// Longer than [`MAX_LINE`].
    #[error("the line is longer than {MAX_LINE} bytes")]
    Oversized,
    /// Not UTF-8.
    #[error("the line is not valid UTF-8 from byte {byte} on")]
    NotUtf8 {
        /// The first byte that cannot be read, from 1.
        byte: usize,
    },
    /// A piece of a line at the end of the stream.
    #[error("the stream ended inside this line")]
    CutShort,
    /// Not JSON.
    #[error("not JSON: {0}")]
    NotJson(String),
    /// JSON, but not an object.
    #[error("a line must be one JSON object; this is {0}")]
    NotAnObject(String),
    /// A `type` that nobody knows.
    #[error("unknown type {0:?}; known types are {KNOWN_TYPES}")]
    UnknownType(String),
    /// A field that must be there is not.
    #[error("`{field}` is missing: {wanted}")]
    Missing {
        /// The field.
        field: String,
        /// What belongs there.
        wanted: String,
    },
    /// A field holds something else than it should.
    #[error("`{field}` must be {wanted}; found {found}")]
    Wrong {
        /// The field.
        field: String,
        /// What belongs there.
        wanted: String,
        /// What was there, shortened.
        found: String,
    },
    /// A signal that no DIMM has.
    #[error(
        "`lines` names {0:?}, which is no JEDEC line: DQ0 to DQ63, CB0 to CB7, DQS0 to DQS17, or per DDR5 sub-channel \
         DQ0_A to DQ31_A, CB0_A to CB7_A, DQS0_A to DQS9_A and the same with _B"
    )]
    UnknownSignal(String),
    /// A signal named twice.
    #[error("`lines` names {0} twice")]
    DoubledSignal(String),
    /// A pong that answers nothing: its ping was never sent on this connection, or has its answer already.
    #[error("no ping with `n` {0} waits for an answer on this connection; each is answered once")]
    NoSuchPing(u64),
    /// Several shots without the time between them.
    #[error("`spacing_us` is missing: with `shots` of 2 or more it says the time from one shot's start to the next")]
    NoSpacing,
}
