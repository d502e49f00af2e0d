//! The firmware stands between the error and the kernel, and did not hand it on.
//!
//! Source of the mechanisms: `drivers/acpi/apei/ghes.c`, `drivers/edac/ghes_edac.c`, `arch/x86/kernel/acpi/apei.c`.

use crate::cause::{Cause, Strength};
use crate::facts::{Facts, Place, seconds};

/// Records with the same content are dropped for so long (`GHES_ESTATUS_IN_CACHE_MAX_NSEC` in `drivers/acpi/apei/ghes.c`).
const REPEAT_NS: i64 = 10_000_000_000;
/// So many shots missed in a row say that reporting has stopped.
const STOPPED: u32 = 5;
/// So many make one think of it.
const MAYBE_STOPPED: u32 = 2;

/// The firmware hands on only some corrected errors.
pub(crate) fn threshold(facts: &Facts) -> Option<Cause> {
    if !facts.is_firmware_first() || !facts.expects_corrected() {
        return None;
    }
    let what = "The firmware owns error reporting here, and may hand on only every so many corrected errors.";
    let source = "drivers/edac/ghes_edac.c";
    Some(Cause::new("firmware_threshold", Strength::Possible, what, source).seen(name(facts), "ghes_edac"))
}

/// The same error again within a few seconds is dropped on some of the firmware's ways.
pub(crate) fn repeat_suppressed(facts: &Facts) -> Option<Cause> {
    if !facts.is_firmware_first() {
        return None;
    }
    let last = facts.before.iter().find(|r| r.place == Place::Here)?;
    if facts.fired.from.since(last.seen) > REPEAT_NS {
        return None;
    }
    let what = "The kernel drops a firmware record that is the same as one of the last ten seconds, and this slot had just been \
                reported: leave more time between shots, or change the address.";
    let cause = Cause::new("repeat_suppressed", Strength::Possible, what, "drivers/acpi/apei/ghes.c");
    Some(cause.seen(name(facts), "ghes_edac").and([last.told(facts)]))
}

/// Nothing of this controller was reported any more, though it was shot at.
pub(crate) fn reporting_stopped(facts: &Facts) -> Option<Cause> {
    let after = facts.shots_after;
    let last = facts.before.iter().find(|r| r.is_same_controller())?;
    let reported_since = facts.within.iter().chain(&facts.after).any(|r| r.is_same_controller());
    if reported_since || after.then_detected || after.missed_in_a_row < MAYBE_STOPPED {
        return None;
    }
    let strength = if after.missed_in_a_row >= STOPPED { Strength::Likely } else { Strength::Possible };
    let what = "Nothing was reported any more on all slots of this memory controller although it was shot at: the firmware may have \
                turned reporting off after too many errors, until the next start.";
    let cause = Cause::new("reporting_stopped", strength, what, "arch/x86/kernel/acpi/apei.c");
    let silence = format!("{}, the last one of this controller", seconds(facts.fired.from.since(last.seen).max(0)));
    Some(
        cause.and([last.told(facts)]).seen("from that report to the shot", silence).seen(
            "shots at this controller after this one",
            format!("{} missed, none detected", after.missed_in_a_row),
        ),
    )
}

fn name(facts: &Facts) -> String {
    let number = facts.controller.map_or_else(|| "*".to_owned(), |n| n.to_string());
    format!("/sys/devices/system/edac/mc/mc{number}/mc_name")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ShotsAfter;
    use crate::example::{WINDOW_MS, at_ms, quiet, report, tells};
    use vocabulary::{ControllerName, Severity};

    fn ghes() -> Facts {
        let mut facts = quiet();
        facts.edit(|s| {
            s.controllers = Some(vec![ControllerName { controller: 0, name: Some("ghes_edac".into()) }]);
        });
        facts
    }

    #[test]
    fn the_firmwares_threshold() {
        // drivers/edac/ghes_edac.c: ctl_name.
        tells(&ghes(), threshold, Strength::Possible, "mc/mc0/mc_name: ghes_edac");
        assert_eq!(threshold(&Facts { expect: Some(Severity::Uncorrected), ..ghes() }), None);
        assert_eq!(threshold(&quiet()), None);
    }

    #[test]
    fn the_same_error_again() {
        // ghes_estatus_cached in drivers/acpi/apei/ghes.c: ten seconds.
        let facts = Facts { before: vec![report(7, at_ms(-9_900))], ..ghes() };
        tells(&facts, repeat_suppressed, Strength::Possible, "report 7: 1 corrected on this slot, 9.9 s before");
        assert_eq!(repeat_suppressed(&Facts { before: vec![report(7, at_ms(-10_100))], ..ghes() }), None);
        assert_eq!(repeat_suppressed(&Facts { before: facts.before, ..quiet() }), None);
    }

    #[test]
    fn reporting_that_stopped() {
        // arch/x86/kernel/acpi/apei.c: with firmware-first banks the kernel hears what the firmware tells, and nothing else.
        let stopped = |missed_in_a_row, then_detected| Facts {
            before: vec![report(7, at_ms(-60_000))],
            shots_after: ShotsAfter { missed_in_a_row, then_detected },
            ..quiet()
        };
        tells(&stopped(5, false), reporting_stopped, Strength::Likely, "5 missed, none detected");
        tells(&stopped(2, false), reporting_stopped, Strength::Possible, "60.0 s, the last one");
        assert_eq!(reporting_stopped(&stopped(1, false)), None);
        assert_eq!(reporting_stopped(&stopped(5, true)), None);
        let still = Facts { after: vec![report(8, at_ms(WINDOW_MS + 100))], ..stopped(9, false) };
        assert_eq!(reporting_stopped(&still), None);
        let never = Facts { before: vec![], ..stopped(9, false) };
        assert_eq!(reporting_stopped(&never), None);
    }
}
