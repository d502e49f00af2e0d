//! Fuses witnesses into reports and pairs reports with shots.
//!
//! The crate decides and does nothing else: values in, values out, no clock, no I/O, no async. The daemon pushes what it
//! learned, in any order, and says up to when it has learned everything ([`Engine::advance`]); the engine works through
//! its inputs in one canonical order and answers each shot and each report exactly once. Therefore the answers depend on
//! the inputs alone, never on how they were batched or interleaved, and a replay gives what the live run gave.
//!
//! The way through the modules: [`Engine`] keeps the order of inputs and timers, `fuse` makes reports out of witnesses,
//! `table` holds what is still open, `chain` weighs all stories of a slot, `elsewhere` what other slots said, `settle` answers,
//! `crowd` decides between shots that want the same reports, and `rates` and `latencies` keep what was learned.

mod assign;
mod chain;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::indexing_slicing)]
mod chain_oracle;
mod checkpoint;
mod crowd;
mod elsewhere;
mod engine;
mod fingerprints;
mod fuse;
mod latencies;
mod latency;
mod model;
mod rates;
mod settle;
mod sorted;
mod story;
mod table;
mod upcoming;
mod weighed;

pub use assign::cheapest;
pub use checkpoint::{Checkpoint, NotResumed};
pub use engine::{Answer, Engine, Input, Order};

/// What the answers depend on besides the inputs. All times in nanoseconds.
#[derive(Clone, Copy, PartialEq, Eq, Debug, serde::Serialize, serde::Deserialize)]
pub struct Settings {
    /// From a shot's end of forcing to the end of its window: a report after that is not its.
    pub window_ns: i64,
    /// A report later than this after the start of the forcing is late; nothing is late without it.
    pub deadline_ns: Option<i64>,
    /// How long a machine-check record waits for the memory-controller event about the same error.
    ///
    /// The kernel's EINJ guide (`firmware-guide/acpi/apei/einj.rst`) shows 0.785 s between the two in its example.
    pub fuse_ns: i64,
    /// The interval between two counter reads: a step of a counter is known that much later at the most.
    pub counter_interval_ns: i64,
    /// How long a counter step waits for the trace event that explains it.
    pub counter_grace_ns: i64,
    /// How late the feed may tell of an injection that was fired already.
    pub feed_late_ns: i64,
}

impl Default for Settings {
    fn default() -> Settings {
        Settings {
            window_ns: 5_000_000_000,
            deadline_ns: None,
            fuse_ns: 2_000_000_000,
            counter_interval_ns: 100_000_000,
            counter_grace_ns: 500_000_000,
            feed_late_ns: 1_000_000_000,
        }
    }
}

impl Settings {
    /// How long after a shot's window the last report about it can become known.
    #[must_use]
    pub fn settle_ns(&self) -> i64 {
        self.fuse_ns.max(self.counter_interval_ns.saturating_add(self.counter_grace_ns))
    }

    /// How long a report stays open at the least: until the counters and the feed had their time to add to it. An injection
    /// that is told of later than this after it was fired comes too late for its reports.
    #[must_use]
    pub fn open_ns(&self) -> i64 {
        self.feed_late_ns.max(self.settle_ns())
    }

    /// How far back inputs can matter to answers that are still open: what a restart must load.
    #[must_use]
    pub fn memory_ns(&self) -> i64 {
        self.window_ns.saturating_add(self.settle_ns()).saturating_add(self.feed_late_ns).saturating_mul(2)
    }
}
