//! The totals that the store keeps as it writes, so that questions need not count a million rows.
//!
//! A batch adds up what it changes, slot by slot, and writes the sums once before it is committed: in the same transaction as
//! the rows, so that both say the same after any crash. Triggers would be shorter, and halve the rate at which shots are
//! stored. Sums are whole numbers, so that they do not depend on how records were batched. What is counted where is said
//! twice, here and in `totals.sql`, and a test compares the two. `write` and `restore` call this.

use rusqlite::{CachedStatement, Connection, ToSql, params};
use std::collections::BTreeMap;
use vocabulary::{Foreseen, LatencyCell, Outcome, ReportAnswer, Role, ShotAnswer};

/// SQL that counts all totals anew, for databases that were filled by hand: those of tests and benchmarks.
pub const RECOUNT: &str = include_str!("totals.sql");

/// Below this confidence an answer is unsure.
const SURE: f64 = 0.9;
/// Below this it is more likely wrong than right.
const GUESSED: f64 = 0.5;
/// Probabilities are added up in billionths.
const BILLION: i64 = 1_000_000_000;

/// What is added to a row of a table: the columns are listed once, and the statement is made from the list.
macro_rules! sums {
    ($(#[$doc:meta])* $name:ident { $($column:ident),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Default)]
        struct $name { $($column: i64),+ }

        impl $name {
            const COLUMNS: &[&str] = &[$(stringify!($column)),+];

            fn values(&self) -> [i64; Self::COLUMNS.len()] {
                [$(self.$column),+]
            }

            fn add(&mut self, more: &$name) {
                $(self.$column += more.$column;)+
            }
        }
    };
}

sums! {
    /// Of a slot, in `slot_total`.
    OfSlot {
        injections, shots, detected, missed, unknowable, misplaced, misgraded, late, shared, rated, rated_ppb, unsure, guessed,
        watched, watched_misplaced, watched_misgraded, watched_late, watched_rated, watched_rated_ppb, watched_spread_ppb,
        echoes, dangerous, watched_dangerous, watched_placed, foreseen, foreseen_ppm,
    }
}

sums! {
    /// Of a line of a slot, in `line_total`.
    OfLine { shots, detected, missed, unknowable, watched }
}

sums! {
    /// Of a cell of a slot's latencies, in `latency_cell`.
    OfCell { shots, watched }
}

/// What a transaction adds to the totals of a run.
#[derive(Default)]
pub(crate) struct Totals {
    slots: BTreeMap<i64, OfSlot>,
    latencies: BTreeMap<i64, Latencies>,
    /// By slot, and by the JSON of all lines that a shot forced: taken apart only when they are written.
    lines: BTreeMap<i64, BTreeMap<Box<str>, OfLine>>,
    cells: BTreeMap<(i64, LatencyCell), OfCell>,
    /// By slot and the slot that was blamed.
    blamed: BTreeMap<(i64, i64), i64>,
    reports: BTreeMap<(&'static str, i64), i64>,
}

/// The latencies of a slot, in nanoseconds.
struct Latencies {
    least: i64,
    most: i64,
    /// The greatest distance between what a latency is at the least and at the most.
    width: Option<i64>,
}

impl Totals {
    /// An injection that is new, with its shots and its lines as a JSON array.
    pub(crate) fn injection(&mut self, slot: i64, lines: &str, shots: u32, foreseen: &Foreseen) {
        let of = self.slots.entry(slot).or_default();
        of.injections += 1;
        of.shots += i64::from(shots);
        if let Some(ppm) = foreseen.seen_ppm {
            of.foreseen += i64::from(shots);
            of.foreseen_ppm += i64::from(shots) * i64::from(ppm);
        }
        self.lines(slot, lines).shots += i64::from(shots);
    }

    /// Shots of a slot and of these lines that were open, and that nobody can know anything about any more.
    pub(crate) fn unknowable(&mut self, slot: i64, lines: &str, shots: i64) {
        self.slots.entry(slot).or_default().unknowable += shots;
        self.lines(slot, lines).unknowable += shots;
    }

    /// The answer about a shot of a slot and of these lines that was open.
    pub(crate) fn shot(&mut self, slot: i64, lines: &str, a: &ShotAnswer) {
        let one = i64::from;
        let detected = a.outcome == Outcome::Detected;
        let of_line = OfLine {
            shots: 0,
            detected: one(detected),
            missed: one(a.outcome == Outcome::Missed),
            unknowable: one(a.outcome == Outcome::Unknowable),
            watched: one(detected && a.watched),
        };
        self.lines(slot, lines).add(&of_line);

        let mut of_slot = OfSlot {
            detected: of_line.detected,
            missed: of_line.missed,
            unknowable: of_line.unknowable,
            misplaced: one(a.misplaced),
            misgraded: one(a.misgraded),
            dangerous: one(a.dangerous),
            watched_dangerous: one(a.watched && a.dangerous),
            watched_placed: one(detected && a.watched && a.blamed.is_some()),
            late: one(a.late),
            shared: one(a.shared),
            unsure: one(a.confidence.is_some_and(|c| c < SURE)),
            guessed: one(a.confidence.is_some_and(|c| c < GUESSED)),
            watched: of_line.watched,
            watched_misplaced: one(a.watched && a.misplaced),
            watched_misgraded: one(a.watched && a.misgraded),
            watched_late: one(a.watched && a.late),
            ..OfSlot::default()
        };
        if let Some(p) = a.detected_p {
            let ppb = (p * BILLION as f64).round() as i64;
            (of_slot.rated, of_slot.rated_ppb) = (1, ppb);
            if a.watched {
                (of_slot.watched_rated, of_slot.watched_rated_ppb) = (1, ppb);
                of_slot.watched_spread_ppb = ppb.saturating_mul(BILLION - ppb) / BILLION;
            }
        }
        self.slots.entry(slot).or_default().add(&of_slot);

        if let (true, Some(latency)) = (detected, a.latency_ns) {
            let cell = LatencyCell::of(a.latency_min_ns.unwrap_or(0), latency);
            self.cells.entry((slot, cell)).or_default().add(&OfCell { shots: 1, watched: of_line.watched });
            let of = self.latencies.entry(slot).or_insert(Latencies { least: latency, most: latency, width: None });
            (of.least, of.most) = (latency.min(of.least), latency.max(of.most));
            of.width = of.width.max(a.latency_min_ns.map(|least| latency.saturating_sub(least)));
        }
        if let (true, Some(blamed)) = (a.misplaced, a.blamed) {
            *self.blamed.entry((slot, i64::from(blamed.0))).or_default() += 1;
        }
    }

    /// A report that is new; an echo with the slot of the shot that explains it.
    pub(crate) fn report(&mut self, a: &ReportAnswer, explained: Option<i64>) {
        let slot = a.slot.map_or(-1, |slot| i64::from(slot.0));
        *self.reports.entry((a.role.word(), slot)).or_default() += 1;
        if let (Role::Echo, Some(slot)) = (a.role, explained) {
            self.slots.entry(slot).or_default().echoes += 1;
        }
    }

    fn lines(&mut self, slot: i64, lines: &str) -> &mut OfLine {
        self.lines.entry(slot).or_default().entry(lines.into()).or_default()
    }

    /// Adds everything to what is kept.
    pub(crate) fn write(&self, conn: &Connection, run: i64) -> rusqlite::Result<()> {
        let mut to = Adding::to(conn, "slot_total", &["run", "slot"], OfSlot::COLUMNS)?;
        for (slot, of) in &self.slots {
            to.row(&[&run, slot], &of.values())?;
        }
        let mut extremes = conn.prepare_cached(
            "UPDATE slot_total SET latency_least_ns = min(?3, coalesce(latency_least_ns, ?3)),
                                   latency_most_ns = max(?4, coalesce(latency_most_ns, ?4)),
                                   latency_width_ns = max(coalesce(?5, latency_width_ns), coalesce(latency_width_ns, ?5))
             WHERE run = ?1 AND slot = ?2",
        )?;
        for (slot, of) in &self.latencies {
            extremes.execute(params![run, slot, of.least, of.most, of.width])?;
        }
        let mut to = Adding::to(conn, "latency_cell", &["run", "slot", "to_ns", "from_ns"], OfCell::COLUMNS)?;
        for ((slot, cell), of) in &self.cells {
            to.row(&[&run, slot, &cell.to_ns, &cell.from_ns], &of.values())?;
        }
        let mut to = Adding::to(conn, "line_total", &["run", "slot", "line"], OfLine::COLUMNS)?;
        for ((slot, line), of) in self.each_line() {
            to.row(&[&run, &slot, &line], &of.values())?;
        }
        let mut to = Adding::to(conn, "blame_total", &["run", "slot", "blamed_slot"], &["shots"])?;
        for ((slot, blamed), shots) in &self.blamed {
            to.row(&[&run, slot, blamed], &[*shots])?;
        }
        let mut to = Adding::to(conn, "report_total", &["run", "role", "slot"], &["reports"])?;
        for ((role, slot), reports) in &self.reports {
            to.row(&[&run, role, slot], &[*reports])?;
        }
        Ok(())
    }

    /// A shot counts for each of its lines.
    fn each_line(&self) -> BTreeMap<(i64, String), OfLine> {
        let mut each: BTreeMap<(i64, String), OfLine> = BTreeMap::new();
        for (slot, by_lines) in &self.lines {
            for (lines, of) in by_lines {
                let names: Vec<String> = serde_json::from_str(lines).unwrap_or_default();
                for name in names {
                    each.entry((*slot, name)).or_default().add(of);
                }
            }
        }
        each
    }
}

/// Adds to the rows of one table, and makes those that are not there yet.
struct Adding<'c>(CachedStatement<'c>);

impl<'c> Adding<'c> {
    fn to(conn: &'c Connection, table: &str, keys: &[&str], sums: &[&str]) -> rusqlite::Result<Adding<'c>> {
        let all = [keys, sums].concat();
        let more: Vec<String> = sums.iter().map(|sum| format!("{sum} = {sum} + excluded.{sum}")).collect();
        conn.prepare_cached(&format!(
            "INSERT INTO {table} ({}) VALUES ({}) ON CONFLICT ({}) DO UPDATE SET {}",
            all.join(", "),
            vec!["?"; all.len()].join(", "),
            keys.join(", "),
            more.join(", ")
        ))
        .map(Adding)
    }

    fn row(&mut self, keys: &[&dyn ToSql], sums: &[i64]) -> rusqlite::Result<()> {
        let sums = sums.iter().map(|sum| sum as &dyn ToSql);
        for (place, value) in (1..).zip(keys.iter().copied().chain(sums)) {
            self.0.raw_bind_parameter(place, value)?;
        }
        self.0.raw_execute().map(drop)
    }
}
