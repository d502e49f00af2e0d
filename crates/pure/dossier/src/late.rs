//! The error was found, or will be, but not within the window; or the window stands in the wrong place.
//!
//! Source of the mechanisms: `mce_timer_fn` in `arch/x86/kernel/cpu/mce/core.c`, `intel.c` and `amd.c` there, and
//! `drivers/edac/edac_mc.c`.

use crate::cause::{Cause, Strength};
use crate::facts::{Facts, Nearby, seconds};
use vocabulary::Role;

const CORE: &str = "arch/x86/kernel/cpu/mce/core.c";
const KNOBS: &str = "/sys/devices/system/machinecheck/machinecheck0";
const SECOND_NS: i64 = 1_000_000_000;
/// A start that is known no better than this is worth telling.
const VAGUE_NS: i64 = 100_000_000;

/// The interval of the kernel's own polling in nanoseconds; 0 for none.
fn check_interval_ns(facts: &Facts) -> Option<i64> {
    let seconds = facts.settings.as_ref()?.check_interval_s?;
    Some(i64::try_from(seconds).unwrap_or(i64::MAX).saturating_mul(SECOND_NS))
}

/// A report that no shot explains, behind the window: perhaps this shot's.
pub(crate) fn after_window(facts: &Facts) -> Option<Cause> {
    let stray = |r: &&Nearby| r.role == Role::Orphan && r.may_be_here();
    let late = facts.after.iter().find(stray)?;
    let behind = late.seen.since(facts.end);
    let polling = check_interval_ns(facts).unwrap_or(0).max(facts.window_ns);
    let certain = late.place == crate::Place::Here;
    let strength = match behind {
        _ if certain && behind <= facts.window_ns => Strength::Likely,
        _ if late.polled && behind <= polling => Strength::Likely,
        _ if behind <= polling.saturating_mul(2) => Strength::Possible,
        _ => return None,
    };
    let scrubbed = late.message.as_ref().is_some_and(|m| m.contains("scrub"));
    let mut what = format!(
        "An error that nobody else provoked was reported {} behind the window, and is {} this shot's: make the window longer.",
        seconds(behind.max(0)),
        if strength == Strength::Likely { "probably" } else { "perhaps" }
    );
    if scrubbed {
        what += " The patrol scrubber found it, which comes by in its own time.";
    }
    let cause = Cause::new("after_window", strength, what, CORE).and([late.told(facts)]);
    Some(cause.seen("window_ns", facts.window_ns))
}

/// The banks are polled less often than a window lasts.
pub(crate) fn polling(facts: &Facts) -> Option<Cause> {
    let settings = facts.settings.as_ref()?;
    let interval = check_interval_ns(facts)?;
    if !settings.x86 || facts.is_firmware_first() || (interval > 0 && interval <= facts.window_ns) {
        return None;
    }
    let no_interrupt = settings.cmci_disabled == Some(true) || facts.is_booted_with("mce=no_cmci");
    let by_poll = facts.before.iter().chain(&facts.after).any(|r| r.polled);
    let rarely = no_interrupt || by_poll || facts.amd == Some(true) || facts.raises_interrupts() == Some(false);
    let what = match (interval, rarely) {
        // cmci_disabled and check_interval 0: nobody ever looks.
        (0, true) => {
            "The machine-check banks are not polled, and corrected errors seem to raise no interrupt: nobody looks."
                .to_owned()
        }
        (0, false) => return None,
        _ => format!(
            "The machine-check banks are polled every {}, longer than the window of {}: an error that raises no interrupt is \
             found too late.",
            seconds(interval),
            seconds(facts.window_ns)
        ),
    };
    let strength = match (interval, rarely) {
        (0, _) => Strength::Likely,
        (_, true) => Strength::Possible,
        (_, false) => Strength::NotExcluded,
    };
    let mut cause = Cause::new("polling", strength, what, CORE)
        .seen(format!("{KNOBS}/check_interval"), settings.check_interval_s.unwrap_or_default());
    if no_interrupt {
        cause = cause.seen(format!("{KNOBS}/cmci_disabled"), 1);
    }
    if by_poll {
        cause = cause.seen("mce_record", "others were found by the kernel's timer (tsc is 0)");
    }
    if facts.amd == Some(true) {
        // THRESHOLD_MAX in arch/x86/kernel/cpu/mce/amd.c.
        cause = cause.seen("mce_record, cpuvendor", "AMD: an interrupt comes only after up to 4095 errors of one bank");
    }
    if facts.raises_interrupts() == Some(false) {
        cause = cause.seen("/proc/interrupts", "MCE, THR and DFR have not moved in this boot");
    }
    Some(cause)
}

/// The firmware's threshold decides when an interrupt comes.
pub(crate) fn interrupt_threshold(facts: &Facts) -> Option<Cause> {
    let parameter = "mce=bios_cmci_threshold";
    if !facts.is_booted_with(parameter) || !facts.expects_corrected() {
        return None;
    }
    let what = "The firmware's threshold stands: an interrupt may come only after several corrected errors.";
    let source = "arch/x86/kernel/cpu/mce/intel.c";
    Some(Cause::new("interrupt_threshold", Strength::Possible, what, source).seen("/proc/cmdline", parameter))
}

/// EDAC looks at its controllers less often than a window lasts.
pub(crate) fn edac_polling(facts: &Facts) -> Option<Cause> {
    let ms = facts.settings.as_ref()?.edac_poll_ms?;
    let interval = i64::try_from(ms).unwrap_or(i64::MAX).saturating_mul(1_000_000);
    if interval <= facts.window_ns {
        return None;
    }
    let what = format!(
        "EDAC looks at controllers that raise no interrupt every {}, longer than the window of {}.",
        seconds(interval),
        seconds(facts.window_ns)
    );
    let cause = Cause::new("edac_polling", Strength::NotExcluded, what, "drivers/edac/edac_mc.c");
    Some(cause.seen("/sys/module/edac_core/parameters/edac_mc_poll_msec", ms))
}

/// The injector's clock and the kernel's may not be one.
pub(crate) fn clock(facts: &Facts) -> Option<Cause> {
    let stray = |r: &&Nearby| {
        r.role == Role::Orphan && r.place == crate::Place::Here && facts.fired.from.since(r.seen) <= facts.window_ns
    };
    let early = facts.before.iter().find(stray);
    let width = facts.fired.to.since(facts.fired.from);
    let strength = match early {
        Some(_) => Strength::Possible,
        None if width > VAGUE_NS && width > facts.window_ns / 2 => Strength::NotExcluded,
        None => return None,
    };
    let what = match early {
        Some(_) => {
            "An error that nobody else provoked was reported on this slot just before the shot: the injector may have stated a \
             time that is too late."
        }
        None => "When the shot was fired is not known well: its window may stand in the wrong place.",
    };
    let cause = Cause::new("clock", strength, what, "RFC 5905").and(early.map(|r| r.told(facts)));
    Some(cause.seen("fired_ns to fired_to_ns", format!("{} apart", seconds(width))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Place;
    use crate::example::{WINDOW_MS, at_ms, quiet, report, tells, with};
    use vocabulary::{MachineSettings, Span};

    #[test]
    fn a_report_behind_the_window() {
        // mce_timer_fn in arch/x86/kernel/cpu/mce/core.c: found by polling, an error is as late as the interval is long.
        let after = |ms: i64, place: Place, polled: bool| {
            let orphan = Nearby { role: Role::Orphan, place, polled, ..report(9, at_ms(WINDOW_MS + ms)) };
            Facts { after: vec![report(8, at_ms(WINDOW_MS + 1)), orphan], ..with(|s| s.check_interval_s = Some(300)) }
        };
        tells(
            &after(900, Place::Here, false),
            after_window,
            Strength::Likely,
            "report 9: 1 corrected on this slot, 5.9 s",
        );
        tells(&after(200_000, Place::Unknown, true), after_window, Strength::Likely, "found by the kernel's timer");
        tells(&after(200_000, Place::Here, false), after_window, Strength::Possible, "window_ns: 5000000000");
        assert_eq!(after_window(&after(700_000, Place::Here, false)), None);
        assert_eq!(after_window(&after(900, Place::SameController("B2".into()), false)), None);
        let mut match_only = after(900, Place::Here, false);
        match_only.after.truncate(1);
        assert_eq!(after_window(&match_only), None);
        // The driver's message of a patrol scrub: skx_mce_output_error in drivers/edac/skx_common.c.
        let mut scrubbed = after(900, Place::Here, false);
        scrubbed.after[1].message = Some("memory scrubbing error".into());
        assert!(after_window(&scrubbed).unwrap().what.contains("patrol scrubber"));
    }

    #[test]
    fn polling_that_is_too_slow() {
        // mce_timer_fn in arch/x86/kernel/cpu/mce/core.c: 300 s is the default, 0 stops it.
        let slow = |s: &mut MachineSettings| s.check_interval_s = Some(300);
        tells(&with(slow), polling, Strength::NotExcluded, "check_interval: 300");
        let no_interrupt = with(|s| (s.check_interval_s, s.cmci_disabled) = (Some(300), Some(true)));
        tells(&no_interrupt, polling, Strength::Possible, "cmci_disabled: 1");
        let never = with(|s| (s.check_interval_s, s.cmci_disabled) = (Some(0), Some(true)));
        tells(&never, polling, Strength::Likely, "check_interval: 0");
        assert_eq!(polling(&with(|s| s.check_interval_s = Some(0))), None);
        assert_eq!(polling(&with(|s| s.check_interval_s = Some(5))), None);
        // arch/x86/kernel/cpu/mce/amd.c: THRESHOLD_MAX.
        tells(&Facts { amd: Some(true), ..with(slow) }, polling, Strength::Possible, "up to 4095 errors");
        let mut silent = with(slow);
        silent.moved.as_mut().unwrap().since_start.thr = Some(0);
        tells(&silent, polling, Strength::Possible, "have not moved in this boot");
        let polled = Nearby { polled: true, ..report(3, at_ms(-4000)) };
        tells(&Facts { before: vec![polled], ..with(slow) }, polling, Strength::Possible, "tsc is 0");
    }

    #[test]
    fn other_intervals_and_thresholds() {
        // intel_init_cmci and cmci_discover in arch/x86/kernel/cpu/mce/intel.c.
        let threshold = with(|s| s.boot = vec!["mce=bios_cmci_threshold".into()]);
        tells(&threshold, interrupt_threshold, Strength::Possible, "bios_cmci_threshold");
        // edac_mc_poll_msec in drivers/edac/edac_mc_sysfs.c, edac_mc_workq_function in edac_mc.c.
        tells(&with(|s| s.edac_poll_ms = Some(6000)), edac_polling, Strength::NotExcluded, "edac_mc_poll_msec: 6000");
        assert_eq!(edac_polling(&with(|s| s.edac_poll_ms = Some(5000))), None);
        assert_eq!((interrupt_threshold(&quiet()), edac_polling(&quiet())), (None, None));
    }

    #[test]
    fn clocks_that_are_not_one() {
        // RFC 5905 section 8: an offset is known no better than half the delay.
        assert_eq!(clock(&quiet()), None);
        let mut facts = quiet();
        facts.before = vec![Nearby { role: Role::Orphan, ..report(4, at_ms(-300)) }];
        tells(&facts, clock, Strength::Possible, "report 4: 1 corrected on this slot, 300 ms before the shot");
        facts.before[0].seen = at_ms(-6000);
        assert_eq!(clock(&facts), None);
        facts.fired = Span::new(at_ms(0), at_ms(4000));
        tells(&facts, clock, Strength::NotExcluded, "4.0 s apart");
    }
}
