//! What is known of an injector's clock, in numbers.

use crate::Queue;
use vocabulary::Mono;

/// How an injector's times are put on the kernel's clock.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum How {
    /// By pings and pongs: nothing is assumed of queues.
    TwoWay,
    /// By its ticks alone: the fastest line of the last minute is assumed to have been on its way no longer than the slack.
    OneWay,
    /// It tells nothing of its clock: an injection's time is when its line arrived.
    Arrival,
}

impl How {
    /// The word in the database and the answers.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            How::TwoWay => "two-way",
            How::OneWay => "one-way",
            How::Arrival => "arrival",
        }
    }
}

/// What is known of an injector's clock.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Summary {
    /// How its times are put on the kernel's clock.
    pub how: How,
    /// When its last line with a reading of its clock arrived, or of any line where none had one.
    pub at: Mono,
    /// How wide a time of its clock is at that moment, in nanoseconds.
    pub uncertainty_ns: Option<i64>,
    /// The shortest round trip of a ping, in nanoseconds.
    pub round_trip_ns: Option<i64>,
    /// By how many parts per billion its clock is fast, once that was measured; slow is negative.
    pub drift_ppb: Option<i64>,
    /// The truth is within this many parts per billion of `drift_ppb`, or of 0 as long as nothing was measured.
    pub drift_bound_ppb: Option<i64>,
    /// Tick lines.
    pub ticks: u64,
    /// Pings that were answered.
    pub pongs: u64,
    /// How often its counter went back.
    pub resets: u64,
    /// How often its counter went around at 32 bits.
    pub wraps: u64,
    /// How often it went ahead or back by more than drift explains.
    pub jumps: u64,
    /// How often ticks and pongs contradicted each other.
    pub contradictions: u64,
    /// How long its lines were on their way, beyond the fastest.
    pub queue: Option<Queue>,
}
