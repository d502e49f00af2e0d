//! The injector's clock, and supply rails.

use vocabulary::Wall;

/// How an injector's clock was related to the machine's.
#[derive(Clone, PartialEq, Debug)]
pub struct ClockFit {
    /// The injector.
    pub injector: String,
    /// How, in plain words: four time stamps, one-way ticks, or the time of arrival.
    pub how: String,
    /// Ticks or exchanges behind it.
    pub samples: i64,
    /// How much faster the injector's clock runs, parts in a million; nothing where it is not estimable.
    pub drift_ppm: Option<f64>,
    /// How far that can be off.
    pub drift_bound_ppm: Option<f64>,
    /// Half the interval of a time of its clock, nanoseconds, as it was known last; nothing where its times are not used.
    pub typical_ns: Option<i64>,
    /// The same, at worst, where that is kept.
    pub worst_ns: Option<i64>,
    /// Jumps of the injector's counter: resets and wraps.
    pub jumps: i64,
    /// What should be known beside, such as what a serial bridge adds.
    pub remarks: Vec<String>,
}

/// A supply rail.
#[derive(Clone, PartialEq, Debug)]
pub struct Rail {
    /// Its name.
    pub name: String,
    /// The slot that it feeds, if it feeds one.
    pub slot: Option<String>,
    /// Lower limit for operation, millivolts.
    pub low_mv: Option<f64>,
    /// Upper limit for operation, millivolts.
    pub high_mv: Option<f64>,
    /// Where the limits come from.
    pub limits_from: Option<String>,
    /// How many readings.
    pub readings: i64,
    /// The least of them, millivolts.
    pub least_mv: f64,
    /// Their mean, millivolts.
    pub mean_mv: f64,
    /// The most of them, millivolts.
    pub most_mv: f64,
    /// For how long it was outside its limits, nanoseconds; nothing without limits.
    pub outside_ns: Option<i64>,
    /// Along the time, at most about 200, in order; times without readings are left out. Without any the rail is not drawn.
    pub bins: Vec<RailBin>,
}

/// The readings of a rail in one stretch of time.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RailBin {
    /// Where it begins.
    pub from: Wall,
    /// Where it ends.
    pub to: Wall,
    /// The least reading, millivolts.
    pub least_mv: f64,
    /// The mean.
    pub mean_mv: f64,
    /// The most.
    pub most_mv: f64,
}
