//! Statements about several slots at once: at which level each slot may be tested so that all of them hold together.
//!
//! The verdict on the whole machine needs no correction: it is met only if every slot is, and a machine with one bad slot
//! passes only if that slot passes by luck (the intersection-union principle: R. L. Berger, Technometrics 24 (1982) 295-300).
//! But whoever reads "A1 met, B1 not met" takes each of these for true, and among many slots some are lucky or unlucky. So both
//! statements are tested at levels that step down. Source: S. Holm, "A simple sequentially rejective multiple test procedure",
//! Scandinavian Journal of Statistics 6 (1979) 65-70. A round here tests all slots that are left at one level, and the next
//! round has as many fewer as it settled: the same as Holm's order by p-values, and it needs only the answers yes and no.

use crate::Verdict;

/// The verdict on a slot, and the levels at which its two statements were last tested.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Decided {
    pub(crate) verdict: Verdict,
    pub(crate) met_alpha: f64,
    pub(crate) not_met_alpha: f64,
}

impl Decided {
    /// The level of the statement that the verdict makes, or for want of one of "met".
    pub(crate) fn alpha(&self) -> f64 {
        if self.verdict == Verdict::NotMet { self.not_met_alpha } else { self.met_alpha }
    }
}

/// Decides `slots` slots. `met(slot, alpha)` says whether it is shown at that level that the slot meets the criterion, `not_met`
/// whether it is shown that it does not.
pub(crate) fn decide(
    slots: usize,
    alpha: f64,
    together: bool,
    met: impl Fn(usize, f64) -> bool,
    not_met: impl Fn(usize, f64) -> bool,
) -> Vec<Decided> {
    let met = step_down(slots, alpha, together, met);
    let not_met = step_down(slots, alpha, together, not_met);
    let decided = met.into_iter().zip(not_met).map(|((met, met_alpha), (not_met, not_met_alpha))| Decided {
        // Not both, since each level is below one half; if ever, the machine does not profit.
        verdict: match (met, not_met) {
            (_, true) => Verdict::NotMet,
            (true, false) => Verdict::Met,
            (false, false) => Verdict::NotEnough,
        },
        met_alpha,
        not_met_alpha,
    });
    decided.collect()
}

/// For each slot, whether its statement is shown, and the level at which it was last tested.
fn step_down(slots: usize, alpha: f64, together: bool, shown: impl Fn(usize, f64) -> bool) -> Vec<(bool, f64)> {
    let mut answers = vec![(false, alpha); slots];
    loop {
        let left = answers.iter().filter(|(shown, _)| !shown).count();
        let level = if together { statistics::several::for_each(alpha, left) } else { alpha };
        let mut settled = false;
        for (slot, answer) in answers.iter_mut().enumerate().filter(|(_, (shown, _))| !shown) {
            *answer = (shown(slot, level), level);
            settled |= answer.0;
        }
        if !settled || !together {
            return answers;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The same slots as by Holm's adjusted p-values.
        #[test]
        fn is_holms(p in proptest::collection::vec(0.0_f64..0.2, 0..40)) {
            let told: Vec<bool> =
                step_down(p.len(), 0.05, true, |slot, level| p[slot] <= level).into_iter().map(|(shown, _)| shown).collect();
            let adjusted = statistics::several::holm(&p).unwrap();
            let is: Vec<bool> = adjusted.iter().map(|p| *p <= 0.05).collect();
            prop_assert_eq!(told, is);
        }
    }

    #[test]
    fn by_hand() {
        // Holm 1979 with four: 0.005 ≤ 0.05/4, 0.01 ≤ 0.05/3, 0.03 > 0.05/2, so that 0.04 is not tested at 0.05.
        let p = [0.01, 0.04, 0.03, 0.005];
        let told = step_down(4, 0.05, true, |slot, level| p[slot] <= level);
        assert_eq!(told.iter().map(|(shown, _)| *shown).collect::<Vec<_>>(), [true, false, false, true]);
        assert_eq!(told[1].1, 0.025);
        let alone = step_down(4, 0.05, false, |slot, level| p[slot] <= level);
        assert!(alone.iter().all(|(shown, level)| *shown && *level == 0.05));
        assert!(decide(0, 0.05, true, |_, _| true, |_, _| true).is_empty());
    }
}
