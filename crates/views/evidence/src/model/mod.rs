//! What the page shows, as plain values: no rows of the database, no text that is already formatted.
//!
//! Numbers carry their unit in their name or in [`Quantity`]; shares are fractions from 0 to 1; dates are [`Wall`] times. What
//! is not known or cannot be inferred is `None`, and the page says so. Every list is as long as the page shows it: whoever fills
//! the model bounds it, and says in the totals beside it how many there are. Nothing here decides or calculates anything.

mod clock;
mod findings;
mod latency;
mod lines;
mod method;
mod slots;
mod time;
mod verdict;

pub use clock::{ClockFit, Rail, RailBin};
pub use findings::{Cause, CauseCount, Miss, Misses, Orphan, OrphanRate, Orphans, Seen};
pub use latency::{Curve, Estimator, Latency, Quantile, Step};
pub use lines::{LineCell, LineGrid, LineRow};
pub use method::{Formula, Method, NotCounted, Recipe, Section};
pub use slots::{Blamed, Interval, Inventory, Slot, SlotCounts};
pub use time::{Excursion, Gap, SlotEvents, TimeBin, TimeLine};
pub use verdict::{Answer, Bound, Criterion, Quantity, SlotAnswer, Verdict};

use vocabulary::Wall;

/// Everything that the page shows, in its order.
#[derive(Clone, PartialEq, Debug)]
pub struct Paper {
    /// The run, and what must be known before its numbers are believed.
    pub run: Run,
    /// Criteria, and whether they are met.
    pub verdict: Verdict,
    /// The machine beside its slots.
    pub machine: Machine,
    /// All slots in the order of the database, those without shots too.
    pub slots: Vec<Slot>,
    /// How late reports came.
    pub latency: Latency,
    /// What happened when.
    pub time: TimeLine,
    /// Forced lines against outcomes: one grid, or one for each sub-channel.
    pub lines: Vec<LineGrid>,
    /// Shots that were missed.
    pub misses: Misses,
    /// Reports that no shot explains.
    pub orphans: Orphans,
    /// How each injector's clock was related to the machine's.
    pub clocks: Vec<ClockFit>,
    /// Supply rails.
    pub rails: Vec<Rail>,
    /// How it was measured.
    pub method: Method,
    /// How each table can be made again.
    pub recipes: Vec<Recipe>,
}

/// What kind of run it was.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// The real machine.
    Watch,
    /// A simulated one: its numbers say nothing about hardware.
    Rehearse,
    /// A recorded capture.
    Replay,
}

/// The run.
#[derive(Clone, PartialEq, Debug)]
pub struct Run {
    /// Its number in the database.
    pub number: i64,
    /// Its name.
    pub name: String,
    /// What kind of run.
    pub kind: Kind,
    /// Whether the data are made up, as in an example: the page then says so at its top.
    pub invented: bool,
    /// The machine's name.
    pub host: Option<String>,
    /// When it began.
    pub started: Wall,
    /// When it was ended on purpose; nothing while it goes on, and after a crash: the page is then marked "so far".
    pub ended: Option<Wall>,
    /// Up to when the machine is known to have been watched.
    pub watched_until: Option<Wall>,
    /// For how long it was watched in all, nanoseconds, gaps taken off.
    pub watched_ns: i64,
    /// The version of flipwitness that began the run.
    pub version: String,
    /// The version of flipwitness that made the page.
    pub page_version: String,
    /// When the page was made.
    pub page_made: Wall,
    /// The database that it was made from, as the user named it.
    pub database: String,
    /// The version of the database's schema.
    pub schema: i64,
    /// What was counted over the whole run.
    pub totals: Totals,
    /// Why single answers are not to be trusted, if they are not.
    pub caution: Option<String>,
    /// What the run says of itself, warnings first.
    pub remarks: Vec<Remark>,
}

/// What was counted over the whole run.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Totals {
    /// Orders from the feeds.
    pub injections: i64,
    /// Shots: detected + missed + unknowable + open.
    pub shots: i64,
    /// Shots with a report that fits.
    pub detected: i64,
    /// Shots without one, while everything was watched.
    pub missed: i64,
    /// Shots that nobody can know about.
    pub unknowable: i64,
    /// Shots that are not settled yet.
    pub open: i64,
    /// Reports of the kernel: matches + echoes + orphans.
    pub reports: i64,
    /// Reports that detected a shot.
    pub matches: i64,
    /// Further reports of shots that were detected already.
    pub echoes: i64,
    /// Reports that no shot explains.
    pub orphans: i64,
    /// Shots whose answer is less than 90 % sure.
    pub unsure: i64,
}

/// Something that the run says of itself.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Remark {
    /// Whether it limits what the numbers prove.
    pub warning: bool,
    /// In plain words.
    pub text: String,
    /// When; the first time, if it was said several times.
    pub at: Option<Wall>,
}

/// The machine beside its slots.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Machine {
    /// The boots of the run.
    pub boots: Vec<Boot>,
    /// How the machine was set and what it is, one fact a row.
    pub facts: Vec<Fact>,
}

/// One boot of the run.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Boot {
    /// The kernel's boot id.
    pub boot_id: String,
    /// The kernel's release.
    pub kernel: String,
    /// When the run began in this boot.
    pub first: Option<Wall>,
    /// Up to when the boot was watched.
    pub watched: Option<Wall>,
}

/// One fact about the machine or about the settings.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Fact {
    /// What.
    pub what: String,
    /// Its value, as it was read.
    pub value: String,
    /// Where it was read, such as a file of the kernel.
    pub source: Option<String>,
}
