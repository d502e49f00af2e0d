//! The sums that the database keeps of each slot's shots, as questions read them.
//!
//! `store` keeps them as it writes; here they are read, added up and divided. `slots`, `summary`, `chance` and `kept` call this.

use crate::slots::Doubt;
use crate::{QuestionError, Snapshot};
use rusqlite::Row;
use std::collections::BTreeMap;
use vocabulary::WHOLE_PPM;

/// Lists the columns of `slot_total` that are sums, once for all that is done with them.
macro_rules! sums {
    ($($column:ident),+ $(,)?) => {
        /// The sums of a slot's shots, or of several slots'.
        #[derive(Clone, Copy, Default)]
        pub(crate) struct Sums {
            $(pub(crate) $column: i64,)+
            /// The least and the greatest latency of the detected shots, in nanoseconds.
            pub(crate) latency: Option<(i64, i64)>,
            /// How far apart the least and the greatest value of one of these latencies can be.
            pub(crate) latency_width: Option<i64>,
        }

        impl Sums {
            const ASK: &str = concat!(
                "SELECT slot, latency_least_ns, latency_most_ns, latency_width_ns", $(", ", stringify!($column),)+
                " FROM slot_total WHERE run = ?1"
            );

            fn read(row: &Row<'_>) -> rusqlite::Result<Sums> {
                let (least, most): (Option<i64>, Option<i64>) = (row.get(1)?, row.get(2)?);
                let latency_width = row.get(3)?;
                Ok(Sums { $($column: row.get(stringify!($column))?,)+ latency: least.zip(most), latency_width })
            }

            pub(crate) fn add(&mut self, other: &Sums) {
                $(self.$column += other.$column;)+
                self.latency = match (self.latency, other.latency) {
                    (Some((a, b)), Some((c, d))) => Some((a.min(c), b.max(d))),
                    (one, other) => one.or(other),
                };
                self.latency_width = self.latency_width.max(other.latency_width);
            }
        }
    };
}

sums! {
    injections, shots, detected, missed, unknowable, misplaced, misgraded, late, shared, rated, rated_ppb, unsure, guessed,
    watched, watched_misplaced, watched_misgraded, watched_late, watched_rated, watched_rated_ppb, watched_spread_ppb, echoes,
    dangerous, watched_dangerous, watched_placed, foreseen, foreseen_ppm,
}

/// Counts in the database are never negative; one that is would be damage, and counts as none.
pub(crate) fn count(n: i64) -> u64 {
    u64::try_from(n).unwrap_or(0)
}

/// part / whole, where there is anything to divide by.
pub(crate) fn share(part: i64, whole: i64) -> Option<f64> {
    // Counts of shots are far below 2^53, from where on an f64 cannot hold every whole number.
    (whole > 0).then(|| part as f64 / whole as f64)
}

impl Sums {
    /// Shots that were detected or missed.
    pub(crate) fn judged(&self) -> i64 {
        self.detected + self.missed
    }

    /// Shots that are not settled yet.
    pub(crate) fn open(&self) -> i64 {
        self.shots - self.detected - self.missed - self.unknowable
    }

    pub(crate) fn detection_rate(&self) -> Option<f64> {
        share(self.detected, self.judged())
    }

    pub(crate) fn detection_estimate(&self) -> Option<f64> {
        (self.rated > 0).then(|| self.rated_ppb as f64 / 1e9 / self.rated as f64)
    }

    /// The mean probability that a shot made an error that was read and reported.
    pub(crate) fn seen_p(&self) -> Option<f64> {
        share(self.foreseen_ppm, self.foreseen).map(|ppm| ppm / f64::from(WHOLE_PPM))
    }

    pub(crate) fn doubt(&self) -> Doubt {
        Doubt { unsure: self.unsure, guessed: self.guessed, unsure_share: share(self.unsure, self.judged()) }
    }
}

impl Snapshot<'_> {
    /// What the database keeps of each slot that has shots.
    pub(crate) fn sums(&self) -> Result<BTreeMap<i64, Sums>, QuestionError> {
        let mut ask = self.db.prepare_cached(Sums::ASK)?;
        let sums = ask.query_map([self.run], |row| Ok((row.get(0)?, Sums::read(row)?)))?;
        Ok(sums.collect::<rusqlite::Result<_>>()?)
    }
}
