//! The error went into another report, or stands somewhere else.
//!
//! Source of the mechanisms: `machine_check_poll` in `arch/x86/kernel/cpu/mce/core.c`, `threshold.c` there, and
//! `drivers/edac/edac_mc.c`.

use crate::cause::{Cause, Strength};
use crate::facts::{Facts, Nearby, Place};
use vocabulary::{Class, Role};

/// Interrupts closer than this, so often, begin a storm: `STORM_BEGIN_THRESHOLD` in `arch/x86/kernel/cpu/mce/internal.h`.
const STORM_APART_NS: i64 = 15_000_000_000;
const STORM_INTERRUPTS: usize = 5;
/// A storm ends after thirty looks without an error, one a second: `STORM_END_POLL_THRESHOLD` there.
const STORM_LASTS_NS: i64 = 31_000_000_000;
/// Between an error and the reading of its bank, by interrupt and in a storm.
const READ_SOON_NS: i64 = 50_000_000;
const READ_IN_STORM_NS: i64 = 1_000_000_000;

/// Whether every report around the shot had an interrupt of its own: in a storm the threshold is set so high that none comes
/// (`CMCI_STORM_THRESHOLD` in `arch/x86/kernel/cpu/mce/intel.c`).
fn each_interrupted(facts: &Facts) -> bool {
    facts.moved.as_ref().is_some_and(|m| m.reports > 0 && m.by.thr.is_some_and(|thr| thr >= m.reports))
}

/// The corrected reports that may have begun a storm, which was not over at the shot: how many, one close after the other.
fn storm_of(facts: &Facts) -> Option<usize> {
    let corrected = facts.before.iter().filter(|r| r.is_same_controller() && r.severity.class() == Class::Corrected);
    let seen: Vec<i64> = corrected.map(|r| r.seen.0).collect();
    let last = seen.first()?;
    let close = seen.iter().zip(seen.iter().skip(1)).take_while(|(later, earlier)| *later - *earlier < STORM_APART_NS);
    let in_row = close.count() + 1;
    let is_one = facts.fired.from.0 - last < STORM_LASTS_NS && in_row >= STORM_INTERRUPTS && !each_interrupted(facts);
    is_one.then_some(in_row)
}

/// Many corrected errors put the processor into polling once a second.
pub(crate) fn storm(facts: &Facts) -> Option<Cause> {
    let in_row = storm_of(facts)?;
    let settings = facts.settings.as_ref()?;
    // What never raises an interrupt has no storm.
    if !settings.x86
        || facts.is_firmware_first()
        || settings.cmci_disabled == Some(true)
        || facts.raises_interrupts() == Some(false)
    {
        return None;
    }
    let short = facts.window_ns < READ_IN_STORM_NS + READ_SOON_NS;
    let strength = if short { Strength::Possible } else { Strength::NotExcluded };
    let what = "So many corrected errors came so close before that their bank may have been polled once a second only: errors \
                within one second then make one record. Leave 16 s between shots at one bank.";
    let cause = Cause::new("storm", strength, what, "arch/x86/kernel/cpu/mce/threshold.c");
    let newest = facts.before.iter().find(|r| r.is_same_controller());
    Some(
        cause
            .seen(
                "corrected reports of this controller, less than 15 s apart",
                format!("{in_row} just before the shot"),
            )
            .and(newest.map(|r| r.told(facts))),
    )
}

/// A bank holds one record until it is read: a second error before that is a count at best.
pub(crate) fn merged(facts: &Facts) -> Option<Cause> {
    let soon = if storm_of(facts).is_some() { READ_IN_STORM_NS } else { READ_SOON_NS };
    let reach = facts.fired.to.plus(facts.hold_ns).plus(soon);
    let other = facts.within.iter().find(|r| r.is_same_controller() && r.role != Role::Orphan && r.seen <= reach)?;
    let what = match (other.severity.class(), facts.expects_corrected()) {
        (Class::NotCorrected, true) => {
            "An error of this controller that was not corrected was reported right then: in a machine-check bank it takes the place \
             of a corrected one."
        }
        _ => {
            "Another error of this controller was reported right then: a machine-check bank holds one record until it is read, so \
             both may have become one."
        }
    };
    let strength = if other.count > 1 { Strength::Likely } else { Strength::Possible };
    Some(Cause::new("merged", strength, what, "arch/x86/kernel/cpu/mce/core.c").and([other.told(facts)]))
}

/// A report that no shot explains stands in the window, with another place or none.
pub(crate) fn elsewhere(facts: &Facts) -> Option<Cause> {
    let stray = |r: &&Nearby| r.role == Role::Orphan && r.place != Place::Here;
    let strays: Vec<&Nearby> = facts.within.iter().filter(stray).collect();
    let first = strays.first()?;
    let what = match first.place {
        Place::Unknown => {
            "An error without a certain place that nobody else provoked was reported in the window: it may be this shot's, with its \
             place lost."
        }
        _ => {
            "An error that nobody else provoked was reported in the window on another slot: it may be this shot's, with the wrong \
             place."
        }
    };
    let cause = Cause::new("elsewhere", Strength::Possible, what, "drivers/edac/edac_mc.c");
    Some(cause.and(strays.iter().take(3).map(|r| r.told(facts))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::{at_ms, quiet, report, tells};
    use vocabulary::Severity;

    #[test]
    fn a_storm() {
        // arch/x86/kernel/cpu/mce/internal.h: STORM_BEGIN_THRESHOLD 5, STORM_END_POLL_THRESHOLD 29; mce_track_storm in
        // threshold.c shifts its history by one a second.
        let every = |s: i64, n: i64| (1..=n).map(|k| report(10 - k, at_ms(-s * 1000 * k))).collect::<Vec<_>>();
        let facts = |before| Facts { before, ..quiet() };
        tells(&facts(every(14, 5)), storm, Strength::NotExcluded, "5 just before the shot");
        assert_eq!(storm(&facts(every(14, 4))), None);
        assert_eq!(storm(&facts(every(15, 5))), None);
        let old = every(1, 5).into_iter().map(|r| Nearby { seen: r.seen.minus(31_000_000_000), ..r }).collect();
        assert_eq!(storm(&facts(old)), None);
        let short = Facts { window_ns: 500_000_000, ..facts(every(14, 5)) };
        tells(&short, storm, Strength::Possible, "report 9");
        // Interrupts that still come with each report: intel.c there raises the threshold in a storm.
        let mut interrupted = facts(every(14, 5));
        let moved = interrupted.moved.as_mut().unwrap();
        (moved.by.thr, moved.reports) = (Some(3), 3);
        assert_eq!(storm(&interrupted), None);
        let mut off = facts(every(14, 5));
        off.edit(|s| s.cmci_disabled = Some(true));
        assert_eq!(storm(&off), None);
    }

    #[test]
    fn two_errors_in_one_record() {
        // machine_check_poll in arch/x86/kernel/cpu/mce/core.c reads a bank and clears it; the OVER bit is all that is left of
        // what came meanwhile (arch/x86/include/asm/mce.h).
        let with = |r: Nearby| Facts { within: vec![r], ..quiet() };
        let other = Nearby { place: Place::SameController("A2".into()), ..report(5, at_ms(40)) };
        tells(&with(other.clone()), merged, Strength::Possible, "report 5: 1 corrected on A2, 40 ms after");
        tells(&with(Nearby { count: 2, ..other.clone() }), merged, Strength::Likely, "2 corrected");
        assert_eq!(merged(&with(Nearby { seen: at_ms(300), ..other.clone() })), None);
        assert_eq!(merged(&with(Nearby { place: Place::Elsewhere("C1".into()), ..other.clone() })), None);
        let worse = with(Nearby { severity: Severity::Uncorrected, ..other.clone() });
        assert!(merged(&worse).unwrap().what.contains("takes the place"));
        // In a storm the bank is read once a second.
        let before = (1..=5).map(|k| report(k, at_ms(-1000 * k))).collect();
        let storm = Facts { before, ..with(Nearby { seen: at_ms(300), ..other }) };
        tells(&storm, merged, Strength::Possible, "300 ms after");
    }

    #[test]
    fn a_report_somewhere_else() {
        // edac_mc_handle_error in drivers/edac/edac_mc.c: a place as far as the driver knows it, "any memory" otherwise.
        let with =
            |place: Place, role| Facts { within: vec![Nearby { place, role, ..report(6, at_ms(70)) }], ..quiet() };
        tells(&with(Place::Elsewhere("C1".into()), Role::Orphan), elsewhere, Strength::Possible, "1 corrected on C1");
        tells(&with(Place::Unknown, Role::Orphan), elsewhere, Strength::Possible, "no certain place");
        assert_eq!(elsewhere(&with(Place::Elsewhere("C1".into()), Role::Match)), None);
        assert_eq!(elsewhere(&quiet()), None);
    }
}
