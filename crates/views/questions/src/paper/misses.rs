//! The missed shots: how often each cause is the likeliest, and the first of them.

use super::{Case, recipes::command};
use crate::{OutcomeWord, Page, QuestionError, ShotFilter, ShotRow, Snapshot};
use evidence::model::{Cause, CauseCount, Miss, Misses, Seen};
use std::collections::BTreeMap;
use vocabulary::Mono;

/// So many misses are looked into for the counts, the first ones of the run.
pub(super) const LOOKED_INTO: usize = 500;
/// So many are shown one by one.
const SHOWN: usize = 50;

impl Snapshot<'_> {
    pub(super) fn paper_misses(&self, case: &Case<'_>) -> Result<Misses, QuestionError> {
        let filter = ShotFilter { outcome: Some(OutcomeWord::Missed), ..ShotFilter::default() };
        let shots = self.shots_with_causes(&filter, &Page::first(LOOKED_INTO))?.items;
        let mut counts: BTreeMap<&str, CauseCount> = BTreeMap::new();
        for cause in shots.iter().filter_map(|shot| shot.causes.as_ref()?.first()) {
            let count = || CauseCount { word: cause.word.to_owned(), what: cause.what.clone(), shots: 0 };
            counts.entry(cause.word).or_insert_with(count).shots += 1;
        }
        let mut by_cause: Vec<CauseCount> = counts.into_values().collect();
        // The sort keeps the order of the words among equals.
        by_cause.sort_by_key(|count| std::cmp::Reverse(count.shots));
        Ok(Misses {
            total: case.summary.totals.missed,
            looked_into: i64::try_from(shots.len()).unwrap_or(i64::MAX),
            by_cause,
            first: shots.into_iter().take(SHOWN).map(|shot| miss(shot, case)).collect(),
            all: command(case, "shots", "--missed --why"),
        })
    }
}

fn miss(shot: ShotRow, case: &Case<'_>) -> Miss {
    let cause = |cause: crate::Cause| Cause {
        word: cause.word.to_owned(),
        strength: cause.strength.words().to_owned(),
        what: cause.what,
        seen: cause.evidence.into_iter().map(|seen| Seen { fact: seen.fact, value: seen.value }).collect(),
    };
    Miss {
        injection: shot.injection,
        shot: shot.shot,
        slot: shot.slot.as_deref().unwrap_or_default().to_owned(),
        lines: shot.lines,
        fired: case.calendar.wall(shot.boot, Mono(shot.fired_ns)),
        confidence: shot.confidence,
        causes: shot.causes.unwrap_or_default().into_iter().map(cause).collect(),
    }
}
