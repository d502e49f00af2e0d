//! Criteria, and whether they are met.

/// Whether something is met.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Answer {
    /// The evidence shows that it is.
    Met,
    /// The evidence shows that it is not.
    NotMet,
    /// The evidence shows neither.
    NotEnough,
}

/// A number with its unit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Quantity {
    /// A fraction from 0 to 1.
    Share(f64),
    /// A length of time in nanoseconds.
    Nanoseconds(f64),
    /// So many in an hour.
    PerHour(f64),
    /// A whole number.
    Count(i64),
    /// A voltage in millivolts.
    Millivolts(f64),
}

/// What is shown with the confidence of the criterion.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Bound {
    /// The true number is at least this.
    AtLeast(Quantity),
    /// The true number is at most this.
    AtMost(Quantity),
}

/// The verdict of the run.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Verdict {
    /// Of the whole run; nothing where no criteria were given.
    pub answer: Option<Answer>,
    /// Why, one sentence each, the weightiest first.
    pub reasons: Vec<String>,
    /// Where the criteria come from, such as a file's name.
    pub criteria_from: Option<String>,
    /// The criteria as they were written, word for word.
    pub criteria_text: Option<String>,
    /// The plan of the test and how confidence is shared over the slots, in plain words.
    pub plan: Option<String>,
    /// Each criterion.
    pub criteria: Vec<Criterion>,
}

/// One criterion.
#[derive(Clone, PartialEq, Debug)]
pub struct Criterion {
    /// A short name, such as `Detection`.
    pub name: String,
    /// What it demands, in plain words.
    pub demand: String,
    /// The limit as a number, where it is one.
    pub limit: Option<Quantity>,
    /// Whether the limit is the share of detected shots: the bars of section 4 then show it.
    pub judges_detection: bool,
    /// For the whole run.
    pub answer: Answer,
    /// For each slot that it judges, in the order of the slots; empty where it judges only the run.
    pub slots: Vec<SlotAnswer>,
    /// For the whole run, where it is judged as a whole.
    pub whole: Option<SlotAnswer>,
}

/// A criterion at one slot, or for the whole run.
#[derive(Clone, PartialEq, Debug)]
pub struct SlotAnswer {
    /// The slot's name; empty for the whole run.
    pub slot: String,
    /// Whether it is met there.
    pub answer: Answer,
    /// The best single number.
    pub estimate: Option<Quantity>,
    /// The bound that decides: on the side of the limit where it is met or might be, on the other side where it is not met. Nothing
    /// where it is not estimable.
    pub bound: Option<Bound>,
    /// How many shots or reports count against it, such as misses.
    pub against: i64,
    /// Out of how many.
    pub of: i64,
    /// What should be known beside, such as how many more shots are needed.
    pub note: Option<String>,
}
