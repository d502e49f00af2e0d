//! The module or its surroundings were not supplied as they must be: what happened then is no statement about reporting.
//!
//! Source of the limits: JESD79-4 and JESD79-5, "Recommended DC operating conditions"; the values are those of crate `rails`, each with
//! its own origin, which is part of the evidence.

use crate::cause::{Cause, Evidence, Strength};
use crate::facts::{Facts, RailOutside, seconds};

/// A rail was read outside its limits within the window.
pub(crate) fn rail_outside(facts: &Facts) -> Option<Cause> {
    let first = facts.rails.first()?;
    let damaging = facts.rails.iter().any(RailOutside::is_damaging);
    let mut what = format!(
        "{} was outside its limits while the window was open: what a module does then says nothing about reporting. Look at supply, \
         connector, adapter and load, bring the rail back within its limits, and repeat the shot.",
        first.called()
    );
    if damaging {
        what += " It was beyond the absolute maximum: the module may be damaged, and should not be trusted any more.";
    }
    // The shot may still have been missed for another reason.
    let cause =
        Cause::new("rail_outside", Strength::Possible, what, "JESD79-4, JESD79-5: recommended DC operating conditions");
    Some(cause.and(facts.rails.iter().map(RailOutside::told)))
}

impl RailOutside {
    fn called(&self) -> String {
        match &self.slot {
            Some(slot) => format!("{} of {slot}", self.name),
            None => self.name.clone(),
        }
    }

    fn is_damaging(&self) -> bool {
        self.absolute_uv.is_some_and(|(min, max)| self.range_uv.0 < min || self.range_uv.1 > max)
    }

    /// As evidence: `at 1132 mV, below 1140 mV, for 800 ms of the 6.0 s around the window`.
    fn told(&self) -> Evidence {
        let (min, max) = self.range_uv;
        let low = (min < self.limits_uv.0).then(|| format!("at {} mV, below {} mV", mv(min), mv(self.limits_uv.0)));
        let high = (max > self.limits_uv.1).then(|| format!("at {} mV, above {} mV", mv(max), mv(self.limits_uv.1)));
        let range = match (low, high) {
            _ if self.of_vdd => format!("from {} mV to {} mV, outside its share of VDD", mv(min), mv(max)),
            (Some(low), Some(high)) => format!("{low}, and {high}"),
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => format!("from {} mV to {} mV", mv(min), mv(max)),
        };
        let time = match self.outside_ns {
            0 => "for how long is not known".to_owned(),
            ns => format!("for {} of the {} around the window", seconds(ns), seconds(self.around_ns)),
        };
        Evidence { fact: self.called(), value: format!("{range}, {time} (limits: {})", self.limits_from) }
    }
}

/// Microvolts as millivolts, without digits that say nothing.
fn mv(uv: i64) -> String {
    let text = format!("{:.3}", uv as f64 / 1e3);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::{low_vdd, quiet, tells};

    #[test]
    fn a_rail_outside_its_limits() {
        // JESD79-4 by the data sheet of Transcend TS1GSH72V1H, p. 5: 1.14 V to 1.26 V, at the most 1.5 V.
        assert_eq!(rail_outside(&quiet()), None);
        let with = |change: fn(&mut RailOutside)| {
            let mut facts = quiet();
            let mut rail = low_vdd();
            change(&mut rail);
            facts.rails.push(rail);
            facts
        };
        let low = "VDD of A1: at 1132 mV, below 1140 mV, for 800 ms of the 6.0 s around the window (limits: DDR4";
        tells(&with(|_| ()), rail_outside, Strength::Possible, low);
        assert!(!rail_outside(&with(|_| ())).unwrap().what.contains("damaged"));
        let both = with(|r| (r.range_uv, r.outside_ns) = ((1_132_250, 1_600_000), 0));
        let told = "at 1132.25 mV, below 1140 mV, and at 1600 mV, above 1260 mV, for how long is not known";
        tells(&both, rail_outside, Strength::Possible, told);
        assert!(rail_outside(&both).unwrap().what.contains("may be damaged"));
        let share = with(|r| {
            (r.name, r.slot, r.of_vdd) = ("VREFCA".to_owned(), None, true);
            (r.range_uv, r.limits_uv, r.absolute_uv) = ((570_000, 600_000), (588_000, 612_000), None);
        });
        tells(&share, rail_outside, Strength::Possible, "VREFCA: from 570 mV to 600 mV, outside its share of VDD");
    }
}
