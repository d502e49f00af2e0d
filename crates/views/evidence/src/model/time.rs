//! What happened when.

use vocabulary::Wall;

/// The run along its time.
#[derive(Clone, PartialEq, Debug)]
pub struct TimeLine {
    /// Where the axis begins: the first bin's beginning.
    pub from: Wall,
    /// Length of a bin, nanoseconds.
    pub bin_ns: i64,
    /// The bins, one after the other, at most about 400.
    pub bins: Vec<TimeBin>,
    /// Slots that had misses or orphans, at most about 40; in the order of the slots.
    pub slots: Vec<SlotEvents>,
    /// How many slots had some that are not in `slots`.
    pub slots_left_out: i64,
    /// When something was not watched; the longest, in order of time, at most about 50.
    pub gaps: Vec<Gap>,
    /// How many gaps there are in all.
    pub gap_count: i64,
    /// For how long something was not watched, overlaps counted once, nanoseconds.
    pub gap_ns: i64,
    /// Rails outside their limits; the longest, in order of time, at most about 50.
    pub excursions: Vec<Excursion>,
    /// How many excursions there are in all.
    pub excursion_count: i64,
}

/// What happened in one bin.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct TimeBin {
    /// Shots fired in it that were detected.
    pub detected: i64,
    /// That were missed.
    pub missed: i64,
    /// That nobody can know about.
    pub unknowable: i64,
    /// That are not settled yet.
    pub open: i64,
    /// Reports seen in it that no shot explains.
    pub orphans: i64,
}

/// The misses and orphans of one slot along the time.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SlotEvents {
    /// The slot.
    pub slot: String,
    /// Bins with misses: the bin's index, and how many.
    pub missed: Vec<(usize, i64)>,
    /// Bins with orphans: the bin's index, and how many.
    pub orphans: Vec<(usize, i64)>,
}

/// An interval in which something was not watched.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Gap {
    /// From.
    pub from: Wall,
    /// To.
    pub to: Wall,
    /// What was blind: a source, a feed, the daemon.
    pub source: String,
    /// The only controller that was blind, if not all were.
    pub controller: Option<i64>,
    /// In plain words.
    pub why: String,
}

/// A rail outside its limits.
#[derive(Clone, PartialEq, Debug)]
pub struct Excursion {
    /// From the first reading outside.
    pub from: Wall,
    /// To the last.
    pub to: Wall,
    /// The rail.
    pub rail: String,
    /// The slot that it feeds, if it feeds one.
    pub slot: Option<String>,
    /// The reading that was farthest outside, millivolts.
    pub worst_mv: f64,
    /// Shots whose windows it overlaps.
    pub shots: i64,
}
