//! What the injector says it did.

use crate::{Expected, Mono, Severity, SlotId, Span};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// The slot that an injection names, before it is looked up.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum At {
    /// By the slot's label.
    Label(String),
    /// By numbers.
    Numbers {
        /// The memory controller.
        controller: u16,
        /// The channel, where the controller has channels.
        channel: Option<u16>,
        /// The slot in the channel, or the only number that there is.
        slot: u16,
    },
}

/// How the lines are forced.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Force {
    /// Held low.
    Low,
    /// Held high.
    High,
    /// Driven to the opposite of what they should be.
    Invert,
}

impl Force {
    /// The word in the feed.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Force::Low => "low",
            Force::High => "high",
            Force::Invert => "invert",
        }
    }
}

/// One order from the feed: which slot, which lines, how long, how many shots.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Injection {
    /// The injector's own name for it; unique per injector.
    pub id: String,
    /// The feed's `t` as it was sent, or nothing: then the arrival is the time.
    pub t: Option<String>,
    /// The slot.
    pub at: At,
    /// JEDEC names of the forced lines.
    pub lines: Vec<String>,
    /// How long the lines are forced, in microseconds.
    pub hold_us: u64,
    /// How many shots.
    pub shots: u32,
    /// From one shot's start to the next, in microseconds.
    pub spacing_us: u64,
    /// How the lines are forced, if said.
    pub force: Option<Force>,
    /// The severity that a working machine reports, where the sender knows.
    pub expect: Option<Severity>,
    /// Free text.
    pub note: Option<String>,
}

/// Names one shot: the injection's number in the run, and the shot's within it, from 1.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct ShotKey {
    /// The injection's number in the database.
    pub injection: i64,
    /// The shot within the injection, from 1.
    pub n: u32,
}

/// One window in which lines were really forced, on the kernel's clock.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Shot {
    /// Which.
    pub key: ShotKey,
    /// Injector and id, so that equal-time shots have an order that does not depend on how they arrived.
    pub name: Arc<str>,
    /// The slot whose lines were forced.
    pub slot: SlotId,
    /// When the lines began to be forced: an interval, since both clocks are never exactly one.
    pub fired: Span,
    /// How long they were forced, in nanoseconds.
    pub hold_ns: i64,
    /// Which reports a working machine may give.
    pub expect: Expected,
    /// Names the forced lines and the way of forcing, from [`forced`]: what a syndrome depends on.
    pub forced: u64,
    /// When the pipeline learned of it.
    pub known: Mono,
}

/// A number that is the same for the same lines forced in the same way, in whatever order they are named, and most likely
/// another for others; 0 where no line is named.
///
/// FNV-1a in 64 bits (Fowler, Noll and Vo; RFC 9923).
#[must_use]
pub fn forced<'a>(lines: impl IntoIterator<Item = &'a str>, force: Option<Force>) -> u64 {
    let mut lines: Vec<String> = lines.into_iter().map(str::to_ascii_uppercase).collect();
    if lines.is_empty() {
        return 0;
    }
    lines.sort_unstable();
    lines.dedup();
    let words = lines.iter().map(String::as_str).chain([force.map_or("", Force::word)]);
    let bytes = words.flat_map(|word| word.bytes().chain([0]));
    bytes.fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_have_one_name_in_any_order() {
        let name = |lines: &[&str], force| forced(lines.iter().copied(), force);
        assert_eq!(name(&["DQ3", "DQ1"], Some(Force::Low)), name(&["dq1", "DQ3", "DQ1"], Some(Force::Low)));
        assert_ne!(name(&["DQ3", "DQ1"], Some(Force::Low)), name(&["DQ3", "DQ1"], Some(Force::High)));
        assert_ne!(name(&["DQ31"], None), name(&["DQ3", "1"], None));
        assert_eq!(name(&[], Some(Force::Low)), 0);
    }
}
