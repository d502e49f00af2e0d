//! Forced lines against outcomes.

/// A grid: slots down, lines across.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct LineGrid {
    /// Which lines these are, such as `sub-channel A`; nothing where there is one grid only.
    pub title: Option<String>,
    /// JEDEC names of the lines, in the order of the connector's numbers.
    pub lines: Vec<String>,
    /// The slots.
    pub rows: Vec<LineRow>,
}

/// The lines of one slot.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct LineRow {
    /// The slot.
    pub slot: String,
    /// One cell for each line; nothing where the line was never forced there.
    pub cells: Vec<Option<LineCell>>,
}

/// The settled and watched shots in which a line was forced, alone or with others.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct LineCell {
    /// Detected and missed.
    pub shots: i64,
    /// Missed.
    pub missed: i64,
}
