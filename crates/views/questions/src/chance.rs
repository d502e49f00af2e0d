//! What chance alone would have done at a slot: unprovoked reports, and how often they pass for detections.
//!
//! The background of a slot is the rate of its orphans: their number divided by the time in which the slot was watched. The
//! formulas, their sources and what they assume are in crate `statistics`; here is only what goes into them. Orphans that
//! name no slot, or several, belong to no slot's background. `slots` and `summary` call this.

use crate::sums::Sums;
use crate::{QuestionError, Snapshot};
use serde::Serialize;
use statistics::chance;
use std::collections::BTreeMap;

/// Unprovoked reports at a slot, and what they could have done to its shots. All null where the run was not watched for any time,
/// or keeps no window.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize)]
pub struct Chance {
    /// Orphans of the slot for each hour in which it was watched.
    pub orphans_per_hour: Option<f64>,
    /// Probability that an unprovoked report fell into a shot's window.
    pub chance: Option<f64>,
    /// How many of the detected and missed shots have one in their window, on average.
    pub accidental: Option<f64>,
    /// The counted detection rate without what chance detected; null also where chance alone would detect nearly everything, so
    /// that nothing can be inferred.
    pub detection_corrected: Option<f64>,
}

/// What the chances of all slots are calculated from.
pub(crate) struct Background {
    /// Boot, from, to.
    boots: Vec<(i64, i64, i64)>,
    gaps: Vec<Blind>,
    window_ns: Option<i64>,
    watched_ns: BTreeMap<Option<i64>, i64>,
}

/// A gap in which a report could go unseen.
struct Blind {
    boot: i64,
    from: i64,
    to: i64,
    controller: Option<i64>,
}

impl Snapshot<'_> {
    /// What the chances of all slots are calculated from.
    pub(crate) fn background(&self) -> Result<Background, QuestionError> {
        let mut ask = self.db.prepare_cached("SELECT boot, first_ns, watched_ns FROM boot WHERE run = ?1")?;
        let boots = ask
            .query_map([self.run], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
            .collect::<rusqlite::Result<_>>()?;
        // A feed that is not read hides no report.
        let mut ask = self.db.prepare_cached(
            "SELECT boot, from_ns, to_ns, controller FROM gap WHERE run = ?1 AND source <> 'feed' ORDER BY boot, from_ns",
        )?;
        let gaps = ask
            .query_map([self.run], |row| {
                Ok(Blind { boot: row.get(0)?, from: row.get(1)?, to: row.get(2)?, controller: row.get(3)? })
            })?
            .collect::<rusqlite::Result<_>>()?;
        let window_ns = self.window_ns()?;
        let mut background = Background { boots, gaps, window_ns, watched_ns: BTreeMap::new() };
        for facts in self.slots.values() {
            if !background.watched_ns.contains_key(&facts.controller) {
                let watched =
                    background.watched_ns(|gap| gap.is_none() || facts.controller.is_none() || gap == facts.controller);
                background.watched_ns.insert(facts.controller, watched);
            }
        }
        Ok(background)
    }
}

impl Background {
    /// The chances at a slot of this controller.
    pub(crate) fn chance(&self, controller: Option<i64>, orphans: i64, sums: &Sums) -> Chance {
        let watched_s = self.slot_watched_ns(controller) as f64 / 1e9;
        let (true, Some(window_ns)) = (watched_s > 0.0, self.window_ns) else { return Chance::default() };
        let rate_per_s = orphans as f64 / watched_s;
        let in_window = chance::in_window(rate_per_s, window_ns as f64 / 1e9);
        Chance {
            orphans_per_hour: Some(rate_per_s * 3600.0),
            chance: Some(in_window),
            accidental: Some(chance::accidental(sums.judged().unsigned_abs(), in_window)),
            detection_corrected: sums.detection_rate().and_then(|rate| chance::corrected(rate, in_window)),
        }
    }

    /// The time in which a slot of this controller was watched, in nanoseconds.
    pub(crate) fn slot_watched_ns(&self, controller: Option<i64>) -> i64 {
        self.watched_ns.get(&controller).copied().unwrap_or(0)
    }

    /// The time in which everything was watched, in nanoseconds.
    pub(crate) fn all_watched_ns(&self) -> i64 {
        self.watched_ns(|_| true)
    }

    /// The time of all boots without the gaps whose controller counts; where gaps overlap, the time is taken once.
    fn watched_ns(&self, counts: impl Fn(Option<i64>) -> bool) -> i64 {
        let mut watched = 0_i64;
        for (boot, first, last) in &self.boots {
            watched = watched.saturating_add(last.saturating_sub(*first).max(0));
            let mut from = *first;
            for gap in self.gaps.iter().filter(|gap| gap.boot == *boot && counts(gap.controller)) {
                let (begin, end) = (gap.from.max(from), gap.to.min(*last));
                if end > begin {
                    watched = watched.saturating_sub(end - begin);
                    from = end;
                }
            }
        }
        watched
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gaps_are_taken_from_the_time_once() {
        let gap = |boot, from, to, controller| Blind { boot, from, to, controller };
        let background = Background {
            boots: vec![(1, 100, 200), (2, 0, 50)],
            gaps: vec![
                gap(1, 0, 110, None),
                gap(1, 120, 140, None),
                gap(1, 130, 135, Some(0)),
                gap(1, 135, 150, Some(1)),
                gap(1, 190, 300, None),
                gap(2, 60, 70, None),
            ],
            window_ns: None,
            watched_ns: BTreeMap::new(),
        };
        // 10 at the beginning, 30 in the middle, 10 at the end; 10 of the middle are the second controller's alone.
        assert_eq!(background.all_watched_ns(), 50 + 50);
        assert_eq!(background.watched_ns(|c| c.is_none_or(|c| c == 0)), 60 + 50);
    }
}
