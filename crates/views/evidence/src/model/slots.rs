//! The slots: what is in them, and what was found.

/// One slot.
#[derive(Clone, PartialEq, Debug)]
pub struct Slot {
    /// The slot's name, unique in the run.
    pub name: String,
    /// What is in it, as the machine says.
    pub inventory: Inventory,
    /// What was counted.
    pub counts: SlotCounts,
    /// The detection rate among the shots that count; nothing where it is not estimable.
    pub detection: Option<Interval>,
    /// How many of its detections chance alone would have made, on average; nothing where it is not known.
    pub accidental: Option<f64>,
    /// The slots that took the blame for its misplaced shots, most first.
    pub blamed_on: Vec<Blamed>,
}

/// What is in a slot, as the machine says.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Inventory {
    /// The memory controller.
    pub controller: Option<i64>,
    /// The channel.
    pub channel: Option<i64>,
    /// The slot's number in the channel.
    pub number: Option<i64>,
    /// Its label as the kernel has it.
    pub label: Option<String>,
    /// Size in MiB.
    pub size_mb: Option<i64>,
    /// Such as `Registered-DDR4`.
    pub memory: Option<String>,
    /// Width of its devices, such as `x4`.
    pub devices: Option<String>,
    /// How many EDAC objects it has: several where one is a rank.
    pub objects: i64,
    /// The ECC mode that the driver states.
    pub ecc_stated: Option<String>,
    /// The code that expectations were made from.
    pub ecc_assumed: Option<String>,
    /// Whence the assumed code: from the driver, or from the settings, in plain words.
    pub ecc_because: Option<String>,
}

/// What was counted at a slot.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct SlotCounts {
    /// Shots: detected + missed + unknowable + open.
    pub shots: i64,
    /// With a report that fits.
    pub detected: i64,
    /// Of these, those whose window overlaps a gap: had one been missed, nobody would know, so it does not count as detected.
    pub unwatched: i64,
    /// Without one, while everything was watched.
    pub missed: i64,
    /// Nobody can know.
    pub unknowable: i64,
    /// Not settled yet.
    pub open: i64,
    /// Blamed on another slot.
    pub misplaced: i64,
    /// Reported with a severity that a working machine does not give.
    pub misgraded: i64,
    /// Reported as corrected where the code more likely than not took several wrong bits for another one: the data are wrong.
    pub dangerous: i64,
    /// Of these, those that are not unwatched. They are no pass and no miss, and do not count.
    pub dangerous_watched: i64,
    /// Detected after the deadline.
    pub late: i64,
    /// Sharing a report with another shot.
    pub shared: i64,
    /// Further reports of detected shots.
    pub echoes: i64,
    /// Reports that blame the slot and that no shot explains.
    pub orphans: i64,
    /// Shots whose answer is less than 90 % sure.
    pub unsure: i64,
}

impl SlotCounts {
    /// The shots that count: settled, watched in their whole window, and not dangerous.
    #[must_use]
    pub fn judged(&self) -> i64 {
        self.detected - self.unwatched - self.dangerous_watched + self.missed
    }
}

/// An estimated share and how sure it is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Interval {
    /// The best single number, 0 to 1.
    pub estimate: f64,
    /// Lower end of the two-sided interval.
    pub low: f64,
    /// Upper end of the two-sided interval.
    pub high: f64,
    /// Confidence of the two-sided interval, such as 0.95.
    pub confidence: f64,
    /// One-sided lower bound: what is compared with a criterion.
    pub at_least: f64,
    /// Confidence of the one-sided bound.
    pub at_least_confidence: f64,
}

/// A slot that took the blame for another.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Blamed {
    /// Its name.
    pub slot: String,
    /// How many shots.
    pub shots: i64,
}
