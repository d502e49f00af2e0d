//! The injectors' clocks: how each was put on the machine's.

use crate::{ClockRow, QuestionError, Snapshot};
use evidence::model::ClockFit;

/// More rows are not shown.
const MOST_CLOCKS: usize = 100;

impl Snapshot<'_> {
    /// One row for each injector and boot, since a clock is compared with a boot's.
    pub(super) fn paper_clocks(&self) -> Result<Vec<ClockFit>, QuestionError> {
        let several = self.boots.len() > 1;
        Ok(self.clocks()?.into_iter().take(MOST_CLOCKS).map(|clock| fit(clock, several)).collect())
    }
}

fn fit(clock: ClockRow, several_boots: bool) -> ClockFit {
    let how = match clock.how.as_str() {
        "two-way" => "four time stamps of pings and their answers",
        "one-way" => "one-way ticks, by the fastest of them",
        _ => "by the arrival of its lines",
    };
    ClockFit {
        injector: if several_boots { format!("{}, boot {}", clock.injector, clock.boot) } else { clock.injector },
        how: how.to_owned(),
        samples: clock.ticks.saturating_add(clock.pongs),
        drift_ppm: clock.drift_ppm,
        drift_bound_ppm: clock.drift_bound_ppm,
        typical_ns: clock.uncertainty_ns.map(|width| width / 2),
        worst_ns: None,
        jumps: clock.jumps.saturating_add(clock.resets).saturating_add(clock.wraps),
        remarks: vec![super::capital(&clock.means) + "."],
    }
}
