//! What a slot's stories say about one shot or one report. `chain` sums it up, `settle` and `elsewhere` use it.

use crate::table::ReportSeq;
use serde::{Deserialize, Serialize};

/// What the stories say about one shot: weights, not yet probabilities.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Weighed {
    /// Each report with the weight of the stories in which it is the shot's, and of those in which other shots have it too.
    pub(crate) reports: Vec<(ReportSeq, f64, f64)>,
    /// The weight of the stories in which no report of the slot is the shot's, but for how likely it is that a shot has none.
    pub(crate) none: f64,
    /// The share of all stories that is not in these numbers.
    pub(crate) lost: f64,
}

impl Weighed {
    /// The sum of all weights where a shot has no report with this probability.
    pub(crate) fn total(&self, none: f64) -> f64 {
        self.none * none + self.reports.iter().map(|report| report.1).sum::<f64>()
    }

    pub(crate) fn clear(&mut self) {
        self.reports.clear();
        (self.none, self.lost) = (0.0, 0.0);
    }

    /// Nothing is known: no report of the slot is the shot's.
    pub(crate) fn nothing(&mut self) {
        self.clear();
        self.none = 1.0;
    }
}

/// How likely it is that a report is not one of the slot's shots'.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Loose {
    /// It is nobody's.
    pub(crate) nobody: f64,
    /// It is somebody's, and counts more errors than that.
    pub(crate) spare: f64,
}
