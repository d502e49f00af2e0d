//! What happens in a rehearsal: an invented list of injections and of what the simulated machine makes of each.
//!
//! The list goes round in cycles of two and a half windows. In each, every slot is shot at once or twice and keeps its habit;
//! the order and the distances are such that only one answer is right, and delays only make distances longer. The rules
//! are in the tests. Pure: a seed gives a list, `play` carries it out.

use super::board::{LEFT_A1, LEFT_A2, LEFT_B1, LEFT_B2, RIGHT_C1, RIGHT_C2, RIGHT_D1, RIGHT_D2, Slot};
use super::random::Random;
use std::time::Duration;
use vocabulary::Severity;

/// How long the lines are forced.
pub(super) const HOLD: Duration = Duration::from_micros(250);

/// Some of its shots go unreported.
const FORGETFUL: Slot = LEFT_B1;
/// Some of its errors are reported as those of the slot beside it,
const CONFUSED: Slot = RIGHT_C1;
/// which is this one.
const ACCUSED: Slot = RIGHT_C2;
/// Has errors that nobody provoked.
const RESTLESS: Slot = RIGHT_D2;
/// Once gets three shots and answers them with one report.
const SUMMING: Slot = LEFT_A1;
/// Is once reported after the deadline.
const SLOW: Slot = LEFT_A2;
/// Has one corrected error reported as an uncorrected one.
const GRAVE: Slot = RIGHT_D1;
/// Reports everything as it should; its supply is too low for a moment.
const PLAIN: Slot = LEFT_B2;

/// What the simulated machine does at a slot, in words.
pub(super) fn habit(slot: Slot) -> &'static str {
    match slot {
        FORGETFUL => "some of its errors are not reported",
        CONFUSED => "some of its errors are blamed on the slot beside it",
        ACCUSED => "gets the blame for errors of the slot beside it",
        RESTLESS => "has errors that nobody provoked",
        SUMMING => "once reports three shots as one report with a count of 3",
        SLOW => "once reports after the deadline",
        GRAVE => "once reports a corrected error as uncorrected",
        PLAIN => "reports everything; once its VDD is too low",
        _ => "reports everything as it should",
    }
}

/// What a scenario is made from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Plan {
    pub(super) seed: u64,
    /// About how long it takes.
    pub(super) length: Duration,
    /// How long after a shot a report is still the shot's.
    pub(super) window: Duration,
    /// A report later than this is late.
    pub(super) deadline: Option<Duration>,
}

/// One thing that happens.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Act {
    /// From the beginning of the act before to the beginning of this one, at the least.
    pub(super) wait: Duration,
    pub(super) what: What,
}

#[derive(Clone, PartialEq, Debug)]
pub(super) enum What {
    /// The injector gives an order.
    Fire(Fire),
    /// The machine reports an error at this slot that nobody provoked.
    Unprovoked(Slot),
    /// The injector tells of a supply.
    Supply(Supply),
}

/// A reading of VDD.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Supply {
    pub(super) slot: Slot,
    pub(super) millivolts: f64,
    /// Whether that is outside the limits of the simulated machine's DDR4 modules.
    pub(super) outside: bool,
}

/// Supplies are told once, each with the half step of the first cycle at which it stands.
const SUPPLIES: [(u64, Supply); 4] = [
    (19, Supply { slot: PLAIN, millivolts: 1200.5, outside: false }),
    // Data sheets of DDR4 modules: 1.14 V at the least.
    (21, Supply { slot: PLAIN, millivolts: 1128.0, outside: true }),
    (25, Supply { slot: PLAIN, millivolts: 1199.0, outside: false }),
    (27, Supply { slot: PLAIN, millivolts: 1200.0, outside: false }),
];

/// An injection and what comes of it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Fire {
    pub(super) slot: Slot,
    /// The one line that is forced: one wrong bit, which any ECC corrects.
    pub(super) line: String,
    pub(super) shots: u32,
    /// From one shot to the next.
    pub(super) spacing: Duration,
    pub(super) fate: Fate,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Fate {
    /// The machine says nothing, since no error happened: nothing was read while the line was forced.
    Silent,
    /// The machine says nothing, since its collector of corrected errors took the error, so long after the shot.
    Collected(Duration),
    /// One report, so long after the last shot, which counts all shots.
    Reported { after: Duration, blamed: Slot, severity: Severity },
}

/// A cycle's length in steps; each step is three twentieths of a window.
const STEPS: u32 = 16;

impl Plan {
    fn step(&self) -> Duration {
        self.window * 3 / 20
    }

    /// How often the cycle fits; once at the least. The steps are a little longer than they must be.
    fn cycles(&self) -> u64 {
        let cycle = self.step() * STEPS * 26 / 25;
        u64::try_from(self.length.as_nanos() / cycle.as_nanos().max(1)).unwrap_or(u64::MAX).max(1)
    }

    /// The list.
    pub(super) fn acts(&self) -> Vec<Act> {
        let mut random = Random::new(self.seed);
        let (mut acts, mut last) = (Vec::new(), 0);
        let cycles = self.cycles();
        for cycle in 0..cycles {
            let begins = cycle * 2 * u64::from(STEPS);
            for (half_steps, what) in self.cycle(cycle, cycles, &mut random) {
                let at = begins + half_steps;
                let steps = u32::try_from(at - last).unwrap_or(0);
                let jitter = match what {
                    What::Supply(_) => Duration::ZERO,
                    _ => self.step() * u32::try_from(random.between(0, 80)).unwrap_or(0) / 1000,
                };
                acts.push(Act { wait: self.step() * steps / 2 + jitter, what });
                last = at;
            }
        }
        acts
    }

    /// One cycle, each act with the half step at which it stands.
    ///
    /// The first cycle has a miss, a wrong blame and an unprovoked error in any case; what happens only once is spread over
    /// the cycles that there are.
    fn cycle(&self, cycle: u64, cycles: u64, random: &mut Random) -> Vec<(u64, What)> {
        let first = cycle == 0;
        let is_missed = random.chance(60) || first;
        let is_blamed = random.chance(75) || first;
        let is_restless = random.chance(60) || first;
        let mut acts = Vec::new();
        let mut fire = |step: u64, fire: Fire| acts.push((2 * step, What::Fire(fire)));

        let forgotten = plain(FORGETFUL, random);
        fire(
            0,
            match forgotten.fate {
                // By turns, so that both causes of a miss happen in a rehearsal of any length above the shortest.
                Fate::Reported { after, .. } if is_missed && cycle.is_multiple_of(2) => {
                    Fire { fate: Fate::Collected(after), ..forgotten }
                }
                _ if is_missed => Fire { fate: Fate::Silent, ..forgotten },
                _ => forgotten,
            },
        );
        for (step, slot) in [(1, RESTLESS), (2, CONFUSED), (3, SUMMING), (4, SLOW), (5, PLAIN), (6, GRAVE)] {
            fire(step, plain(slot, random));
        }
        // The window of the forgotten shot is over by now: nothing from here on can be taken for its report.
        fire(8, plain(FORGETFUL, random));
        fire(9, plain(RESTLESS, random));
        let confused = plain(CONFUSED, random);
        fire(10, if is_blamed { with(confused, |_, blamed, _| *blamed = ACCUSED) } else { confused });
        let summing = plain(SUMMING, random);
        let three = Fire { shots: 3, spacing: self.window * 3 / 50, ..summing.clone() };
        fire(11, if cycle == 0 { three } else { summing });
        let slow = plain(SLOW, random);
        fire(12, if cycle == 2 % cycles { self.slowed(slow) } else { slow });
        fire(13, plain(PLAIN, random));
        let grave = plain(GRAVE, random);
        let once = cycle == 1 % cycles;
        fire(14, if once { with(grave, |_, _, severity| *severity = Severity::Uncorrected) } else { grave });
        fire(15, plain(ACCUSED, random));
        if is_restless {
            // Just before the slot's own second shot, when no window of its first one is open.
            acts.push((17, What::Unprovoked(RESTLESS)));
        }
        if first {
            acts.extend(SUPPLIES.map(|(at, supply)| (at, What::Supply(supply))));
        }
        acts.sort_by_key(|(at, _)| *at);
        acts
    }

    /// Reported after the deadline and inside the window, if there is anything in between.
    fn slowed(&self, fire: Fire) -> Fire {
        match self.deadline.filter(|deadline| *deadline < self.window) {
            Some(deadline) => with(fire, |after, _, _| *after = deadline + (self.window - deadline) / 4),
            None => fire,
        }
    }
}

/// An ordinary injection: one shot, one report on its own slot, a few milliseconds or tens of milliseconds later.
fn plain(slot: Slot, random: &mut Random) -> Fire {
    let line = random.between(0, 71);
    let after = Duration::from_micros(random.between(2_000, 40_000));
    Fire {
        slot,
        line: if line < 64 { format!("DQ{line}") } else { format!("CB{}", line - 64) },
        shots: 1,
        spacing: Duration::ZERO,
        fate: Fate::Reported { after, blamed: slot, severity: Severity::Corrected },
    }
}

/// The same injection with its report changed.
fn with(mut fire: Fire, change: impl FnOnce(&mut Duration, &mut Slot, &mut Severity)) -> Fire {
    if let Fate::Reported { after, blamed, severity } = &mut fire.fate {
        change(after, blamed, severity);
    }
    fire
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(seed: u64, seconds: u64) -> Plan {
        let [window, deadline] = [1000, 250].map(Duration::from_millis);
        Plan { seed, length: Duration::from_secs(seconds), window, deadline: Some(deadline) }
    }

    /// Acts with the time at which each begins, if nothing delays it.
    fn timed(plan: Plan) -> Vec<(Duration, What)> {
        let mut at = Duration::ZERO;
        plan.acts()
            .into_iter()
            .map(|act| {
                at += act.wait;
                (at, act.what)
            })
            .collect()
    }

    fn fires(acts: &[(Duration, What)]) -> Vec<(Duration, &Fire)> {
        acts.iter().filter_map(|(at, what)| if let What::Fire(f) = what { Some((*at, f)) } else { None }).collect()
    }

    /// Whether a report at `seen` could be taken for that of a shot that was fired at `fired`, with some to spare.
    fn is_near(plan: Plan, fired: Duration, seen: Duration) -> bool {
        fired <= seen && seen <= fired + plan.window + plan.window / 20
    }

    #[test]
    fn only_one_answer_is_right() {
        for seed in 0..200 {
            for seconds in [4, 5, 20, 60] {
                let plan = plan(seed, seconds);
                let acts = timed(plan);
                let fires = fires(&acts);
                for (i, (at, fire)) in fires.iter().enumerate() {
                    let last = *at + fire.spacing * (fire.shots - 1);
                    for (again, other) in &fires[i + 1..] {
                        assert!(
                            other.slot != fire.slot || !is_near(plan, last, *again),
                            "{seed}: {} twice",
                            fire.slot.label()
                        );
                    }
                }
                // A report that is not on the slot of its own shot: no shot of the slot that it blames, and no other
                // shot without a report of its own, may be near.
                let strays = acts.iter().filter_map(|(at, what)| match what {
                    What::Unprovoked(slot) => Some((*at, *slot, None)),
                    What::Fire(Fire { slot, fate: Fate::Reported { after, blamed, .. }, .. }) if blamed != slot => {
                        Some((*at + *after, *blamed, Some(*at)))
                    }
                    What::Fire(_) | What::Supply(_) => None,
                });
                for (seen, slot, own) in strays {
                    for (at, fire) in &fires {
                        let has_own = matches!(fire.fate, Fate::Reported { blamed, .. } if blamed == fire.slot);
                        let is_itself = own == Some(*at);
                        let may_take = fire.slot == slot || (!has_own && !is_itself);
                        assert!(
                            !may_take || !is_near(plan, *at, seen),
                            "{seed}: {at:?} takes what is seen at {seen:?}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn every_habit_shows_in_the_shortest_rehearsal_and_in_the_usual_one() {
        for (seconds, most) in [(1, 3), (4, 4), (5, 5), (20, 20)] {
            for seed in 1..50 {
                let plan = plan(seed, seconds);
                let acts = timed(plan);
                assert!(acts.last().unwrap().0 <= Duration::from_secs(most), "{seconds} s become {:?}", acts.last());
                let fires = fires(&acts);
                let count = |is: &dyn Fn(&Fire) -> bool| fires.iter().filter(|(_, f)| is(f)).count();
                let reported = |f: &Fire| match f.fate {
                    Fate::Reported { after, blamed, severity } => Some((after, blamed, severity)),
                    Fate::Silent | Fate::Collected(_) => None,
                };
                assert!(count(&|f| f.slot == FORGETFUL && reported(f).is_none()) >= 1);
                assert!(count(&|f| reported(f).is_some_and(|(_, blamed, _)| blamed != f.slot)) >= 1);
                assert!(acts.iter().any(|(_, what)| *what == What::Unprovoked(RESTLESS)));
                let is_low = |what: &What| matches!(what, What::Supply(supply) if supply.outside);
                assert_eq!(acts.iter().filter(|(_, what)| is_low(what)).count(), 1);
                assert_eq!(count(&|f| f.shots == 3), 1);
                assert_eq!(count(&|f| reported(f).is_some_and(|(after, ..)| after > plan.deadline.unwrap())), 1);
                assert_eq!(count(&|f| reported(f).is_some_and(|(.., s)| s == Severity::Uncorrected)), 1);
                assert!(fires.iter().all(|(_, f)| reported(f).is_none_or(|(after, ..)| after < plan.window)));
            }
        }
    }

    #[test]
    fn a_seed_is_a_rehearsal() {
        assert_eq!(plan(1, 20).acts(), plan(1, 20).acts());
        assert_ne!(plan(1, 20).acts(), plan(2, 20).acts());
        let without = Plan { deadline: None, ..plan(1, 20) };
        assert_eq!(without.acts().len(), plan(1, 20).acts().len());
    }
}
