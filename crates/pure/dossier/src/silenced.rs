//! The machine was set so that such an error is not reported at all.
//!
//! Source of the mechanisms: `arch/x86/kernel/cpu/mce/core.c`, `Documentation/ABI/testing/sysfs-mce`, `drivers/edac/edac_mc_sysfs.c`.

use crate::cause::{Cause, Strength};
use crate::facts::Facts;

const CORE: &str = "arch/x86/kernel/cpu/mce/core.c";
const KNOBS: &str = "/sys/devices/system/machinecheck/machinecheck0";

/// Linux not reading errors matters less where the firmware hands them on.
fn unread(facts: &Facts) -> Strength {
    if facts.is_firmware_first() { Strength::Possible } else { Strength::Likely }
}

/// Machine checks were turned off at boot.
pub(crate) fn machine_check_off(facts: &Facts) -> Option<Cause> {
    let parameter = ["mce=off", "nomce"].into_iter().find(|p| facts.is_booted_with(p))?;
    let what = "Machine checks are turned off at boot: the processor's memory errors reach nobody.";
    Some(Cause::new("machine_check_off", unread(facts), what, CORE).seen("/proc/cmdline", parameter))
}

/// A guest does not see the errors of its host.
pub(crate) fn guest(facts: &Facts) -> Option<Cause> {
    let settings = facts.settings.as_ref()?;
    let is_off = facts.is_booted_with("mce=off") || facts.is_booted_with("nomce");
    if !settings.x86 || settings.machine_check != Some(false) || is_off {
        return None;
    }
    let what =
        "The kernel sees no machine-check banks: this is probably a virtual machine, whose host gets the errors.";
    Some(Cause::new("guest", unread(facts), what, CORE).seen(KNOBS, "not there"))
}

/// Without a controller there is nobody to report.
pub(crate) fn no_controller(facts: &Facts) -> Option<Cause> {
    let controllers = facts.settings.as_ref()?.controllers.as_ref()?;
    let own = facts.controller.filter(|own| controllers.iter().all(|c| c.controller != *own));
    let told = match own {
        _ if controllers.is_empty() => "no controller is there".to_owned(),
        Some(own) => format!("mc{own} is not there"),
        None => return None,
    };
    let what = "The memory controller of this slot was not registered: nothing could be reported.";
    let cause = Cause::new("no_controller", Strength::Likely, what, "drivers/edac/edac_mc_sysfs.c");
    Some(cause.seen("/sys/devices/system/edac/mc", told))
}

/// Without error correction there is nothing to report.
pub(crate) fn no_ecc(facts: &Facts) -> Option<Cause> {
    // edac_caps in drivers/edac/edac_mc_sysfs.c: "Unknown" and "None" are its first two words.
    let (strength, what) = match facts.edac_mode.as_deref()? {
        "None" => (Strength::Likely, "The slot works without error correction: nothing could find the error."),
        "Unknown" => {
            (Strength::NotExcluded, "The slot may work without error correction: its driver does not know the mode.")
        }
        _ => return None,
    };
    let cause = Cause::new("no_ecc", strength, what, "drivers/edac/edac_mc_sysfs.c");
    Some(cause.seen("dimm_edac_mode", facts.edac_mode.as_deref().unwrap_or_default()))
}

/// Corrected errors stay in their banks.
pub(crate) fn ignore_ce(facts: &Facts) -> Option<Cause> {
    if !facts.expects_corrected() || facts.settings.as_ref()?.ignore_ce != Some(true) {
        return None;
    }
    let what = "The machine was set to leave corrected errors unread in their banks.";
    Some(Cause::new("ignore_ce", unread(facts), what, CORE).seen(format!("{KNOBS}/ignore_ce"), 1))
}

/// Corrected errors are cleared without a word.
pub(crate) fn dont_log_ce(facts: &Facts) -> Option<Cause> {
    if !facts.expects_corrected() || facts.settings.as_ref()?.dont_log_ce != Some(true) {
        return None;
    }
    // machine_check_poll: since version 5.5 only errors without a usable address are dropped.
    let dropped = facts.unexplained_interrupts().is_some();
    let strength = if dropped { Strength::Likely } else { Strength::Possible };
    let what =
        "The machine was set to drop corrected errors unlogged; newer kernels drop only those without an address.";
    let cause = Cause::new("dont_log_ce", strength, what, CORE).seen(format!("{KNOBS}/dont_log_ce"), 1);
    Some(if dropped { cause.and(facts.interrupt_rows()) } else { cause })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::{quiet, tells, with};
    use vocabulary::{ControllerName, MachineSettings, Severity};

    fn ghes(s: &mut MachineSettings) {
        s.controllers = Some(vec![ControllerName { controller: 0, name: Some("ghes_edac".into()) }]);
    }

    #[test]
    fn turned_off_at_boot() {
        // mcheck_enable and mcheck_disable in arch/x86/kernel/cpu/mce/core.c.
        for parameter in ["mce=off", "nomce"] {
            let facts = with(|s| s.boot = vec![parameter.to_owned()]);
            tells(&facts, machine_check_off, Strength::Likely, &format!("/proc/cmdline: {parameter}"));
        }
        let both = with(|s| {
            ghes(s);
            s.boot = vec!["mce=off".into()];
            s.machine_check = Some(false);
        });
        tells(&both, machine_check_off, Strength::Possible, "mce=off");
        assert_eq!(guest(&both), None);
        assert_eq!(machine_check_off(&quiet()), None);
    }

    #[test]
    fn a_guest() {
        // mce_available in arch/x86/kernel/cpu/mce/core.c.
        tells(&with(|s| s.machine_check = Some(false)), guest, Strength::Likely, "machinecheck0: not there");
        assert_eq!(guest(&with(|s| (s.machine_check, s.x86) = (Some(false), false))), None);
        assert_eq!(guest(&with(|s| s.machine_check = None)), None);
    }

    #[test]
    fn no_controller_and_no_error_correction() {
        // drivers/edac/edac_mc_sysfs.c.
        tells(&with(|s| s.controllers = Some(vec![])), no_controller, Strength::Likely, "no controller is there");
        let other = with(|s| s.controllers = Some(vec![ControllerName { controller: 3, name: None }]));
        tells(&other, no_controller, Strength::Likely, "mc0 is not there");
        assert_eq!(no_controller(&with(|s| s.controllers = None)), None);
        for (mode, strength) in [("None", Strength::Likely), ("Unknown", Strength::NotExcluded)] {
            let facts = Facts { edac_mode: Some(mode.to_owned()), ..quiet() };
            tells(&facts, no_ecc, strength, &format!("dimm_edac_mode: {mode}"));
        }
        assert_eq!(no_ecc(&quiet()), None);
    }

    #[test]
    fn settings_that_silence_corrected_errors() {
        // Documentation/ABI/testing/sysfs-mce; machine_check_poll in arch/x86/kernel/cpu/mce/core.c.
        let ignored = with(|s| s.ignore_ce = Some(true));
        tells(&ignored, ignore_ce, Strength::Likely, "ignore_ce: 1");
        tells(
            &with(|s| {
                ghes(s);
                s.ignore_ce = Some(true);
            }),
            ignore_ce,
            Strength::Possible,
            "ignore_ce: 1",
        );
        assert_eq!(ignore_ce(&Facts { expect: Some(Severity::Fatal), ..ignored }), None);
        let mut dropped = with(|s| s.dont_log_ce = Some(true));
        tells(&dropped, dont_log_ce, Strength::Possible, "dont_log_ce: 1");
        dropped.moved.as_mut().unwrap().by.thr = Some(1);
        tells(&dropped, dont_log_ce, Strength::Likely, "THR +1");
        assert_eq!((ignore_ce(&quiet()), dont_log_ce(&quiet())), (None, None));
    }
}
