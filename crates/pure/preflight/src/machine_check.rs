//! Judges the x86 machine-check layer: who finds a corrected error, when, and who may swallow it.
//!
//! Called for x86 only. Source of the names: `Documentation/ABI/testing/sysfs-mce`,
//! `Documentation/arch/x86/x86_64/boot-options.rst`, `arch/x86/kernel/cpu/mce/core.c` and `drivers/ras/cec.c`.

use crate::facts::{Found, MachineFacts};
use crate::finding::{Finding, Weight, evidence, number, unseen, without_value};
use std::time::Duration;

pub(crate) fn judge(facts: &MachineFacts, window: Duration, findings: &mut Vec<Finding>) {
    boot(facts, findings);
    files(facts, window, findings);
    collector(facts, findings);
}

/// How much it matters that Linux does not read corrected errors itself: where the firmware hands them on, less.
fn unread(facts: &MachineFacts) -> Weight {
    if facts.is_firmware_first() { Weight::Warns } else { Weight::Blocks }
}

fn boot(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    findings.extend(unseen(&facts.cmdline, "what the kernel was booted with"));
    let booted = |parameter: &str| facts.is_booted_with(parameter);
    let mut add = |weight: Weight, parameter: &str, what: &str| {
        if booted(parameter) {
            let told = format!("{}: {parameter}", facts.cmdline.file);
            let remedy = format!("take {parameter} out of the boot parameters and start the machine again");
            findings.push(Finding::new(weight, what, told).remedy(remedy));
        }
    };
    for parameter in ["mce=off", "nomce"] {
        let what = "Machine checks are turned off at boot: the processor's memory errors reach nobody.";
        add(Weight::Blocks, parameter, what);
    }
    let what = "Corrected errors are left unread in their banks since boot.";
    add(unread(facts), "mce=ignore_ce", what);
    let what = "Corrected errors are dropped unlogged since boot.";
    add(unread(facts), "mce=dont_log_ce", what);
    let what = "Corrected errors raise no interrupt since boot: they are found by polling only, late, and maybe twice.";
    add(Weight::Warns, "mce=no_cmci", what);
    let what = "The firmware's threshold of corrected errors is kept: only every Nth error is told.";
    add(Weight::Warns, "mce=bios_cmci_threshold", what);
}

fn files(facts: &MachineFacts, window: Duration, findings: &mut Vec<Finding>) {
    let dir = &facts.machinecheck;
    match &dir.found {
        // With machine checks turned off the directory is not made, and that has been told.
        Found::Absent if facts.is_booted_with("mce=off") || facts.is_booted_with("nomce") => return,
        Found::Absent => {
            let what = "The kernel sees no machine-check banks: this is probably a virtual machine, whose host gets the \
                        errors.";
            findings.push(Finding::warns(what, without_value(dir)).remedy("run on the machine itself, not in a guest"));
            return;
        }
        Found::Unreadable(_) => {
            findings.extend(unseen(dir, "how machine checks are set"));
            return;
        }
        Found::Value(()) => {}
    }
    interval(facts, window, findings);
    let off = "Corrected errors are left unread in their banks.";
    let dropped = "Corrected errors are dropped unlogged.";
    let polled = "Corrected errors raise no interrupt: they are found by polling only.";
    for (fact, weight, subject, what) in [
        (&facts.ignore_ce, unread(facts), "whether corrected errors are read", off),
        (&facts.dont_log_ce, unread(facts), "whether corrected errors are logged", dropped),
        (&facts.cmci_disabled, Weight::Warns, "whether corrected errors raise an interrupt", polled),
    ] {
        if number(fact, subject, findings).is_some_and(|on| on != 0) {
            let remedy = format!("write 0 to {}", fact.file);
            findings.push(Finding::new(weight, what, evidence(fact)).remedy(remedy));
        }
    }
}

fn interval(facts: &MachineFacts, window: Duration, findings: &mut Vec<Finding>) {
    let fact = &facts.check_interval;
    // The file holds decimal text: device_show_int, whatever the ABI page says.
    let Some(seconds) = number(fact, "how often the machine-check banks are polled", findings) else { return };
    let remedy = format!("write 1 to {} during the burn-in, and {seconds} again after it", fact.file);
    if seconds == 0 {
        let what = "The machine-check banks are not polled: an error that raises no interrupt is never found.";
        findings.push(Finding::warns(what, evidence(fact)).remedy(remedy));
    } else if Duration::from_secs(seconds) > window {
        let what = format!(
            "An error found by polling can take up to {seconds} s, longer than the window of {:.3} s.",
            window.as_secs_f64()
        );
        findings.push(Finding::warns(what, evidence(fact)).remedy(remedy));
    } else {
        let what = format!("An error found by polling takes up to {seconds} s, within the window.");
        findings.push(Finding::fine(what, evidence(fact)));
    }
}

fn collector(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    // parse_cec_param in drivers/ras/cec.c.
    let off = "ras=cec_disable";
    if facts.is_booted_with(off) {
        let told = format!("{}: {off}", facts.cmdline.file);
        findings.push(Finding::fine("The collector of corrected errors is turned off: it hides nothing.", told));
        return;
    }
    let dir = &facts.collector;
    let remedy = format!("add {off} to the boot parameters and start the machine again");
    match (&dir.found, &facts.debugfs.found) {
        (Found::Value(()), _) => {
            let what = "The collector of corrected errors is active: it hides corrected errors from EDAC, and takes \
                        pages out of use.";
            findings.push(Finding::warns(what, without_value(dir)).remedy(remedy));
        }
        (Found::Absent, Found::Value(true)) => {
            let what = "The collector of corrected errors is not active.";
            findings.push(Finding::fine(what, without_value(dir)));
        }
        (found, debugfs) => {
            let what = "Whether the collector of corrected errors hides errors could not be seen.";
            let told = match (found, debugfs) {
                (Found::Unreadable(_), _) => without_value(dir),
                (_, Found::Value(_)) => format!("{}: nothing is mounted there", facts.debugfs.file),
                _ => without_value(&facts.debugfs),
            };
            let mount = format!("run as root with debugfs mounted; or {remedy}");
            findings.push(Finding::warns(what, told).remedy(mount));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Weight::{Blocks, Warns};
    use crate::example::{WINDOW, fact, faults, good, leads_to};

    fn boot(parameters: &'static str) -> impl Fn(&mut MachineFacts) {
        move |m| m.cmdline = fact("proc/cmdline", format!("quiet {parameters}"))
    }

    fn firmware_first(m: &mut MachineFacts) {
        m.controllers = fact("edac/mc", vec![(0, Some("ghes_edac".into()))]);
    }

    #[test]
    fn boot_parameters() {
        // Documentation/arch/x86/x86_64/boot-options.rst and mcheck_enable in arch/x86/kernel/cpu/mce/core.c.
        for (parameter, weight, what) in [
            ("mce=off", Blocks, "turned off at boot"),
            ("nomce", Blocks, "turned off at boot"),
            ("mce=ignore_ce", Blocks, "left unread"),
            ("mce=dont_log_ce", Blocks, "dropped unlogged"),
            ("mce=no_cmci", Warns, "by polling only"),
            ("mce=bios_cmci_threshold", Warns, "every Nth error"),
        ] {
            leads_to(boot(parameter), weight, what, &format!("proc/cmdline: {parameter}"));
        }
        // Whole words only.
        for harmless in ["mce=bootlog", "xmce=off", "mce=offline", "ras=debug"] {
            assert!(faults(boot(harmless)).is_empty(), "{harmless}");
        }
        // The directory is not made then (mcheck_init_device), which is not a finding of its own.
        let off = |m: &mut MachineFacts| {
            boot("mce=off")(m);
            m.machinecheck.found = Found::Absent;
        };
        leads_to(off, Blocks, "turned off at boot", "mce=off");
    }

    #[test]
    fn settings_that_silence_corrected_errors() {
        // Documentation/ABI/testing/sysfs-mce.
        let on = || "1".to_owned();
        leads_to(|m| m.ignore_ce = fact("ignore_ce", on()), Blocks, "left unread", "ignore_ce: 1");
        leads_to(|m| m.dont_log_ce = fact("dont_log_ce", on()), Blocks, "dropped unlogged", "dont_log_ce: 1");
        leads_to(|m| m.cmci_disabled = fact("cmci", on()), Warns, "by polling only", "cmci: 1");
        // Where the firmware hands errors on, they come another way.
        let both = faults(|m| {
            firmware_first(m);
            m.ignore_ce = fact("ignore_ce", on());
        });
        assert!(both.iter().all(|f| f.weight == Warns), "{both:#?}");
        assert_eq!(both.len(), 2);
    }

    #[test]
    fn polling() {
        // mce_timer_fn in arch/x86/kernel/cpu/mce/core.c: 300 s is the default, 0 stops it.
        let every = |s: &'static str| move |m: &mut MachineFacts| m.check_interval = fact("check_interval", s.into());
        leads_to(every("0"), Warns, "not polled", "check_interval: 0");
        leads_to(every("300"), Warns, "up to 300 s, longer than the window of 5.000 s", "check_interval: 300");
        leads_to(every("6"), Warns, "up to 6 s", "check_interval: 6");
        leads_to(every("garbage"), Warns, "no number", "check_interval: garbage");
        assert!(faults(every("5")).is_empty());
        let told = faults(every("300"));
        let remedy = told.first().and_then(|f| f.remedy.clone()).unwrap();
        assert_eq!(remedy, "write 1 to check_interval during the burn-in, and 300 again after it");
        // A window that is long enough needs no change.
        let mut facts = good();
        every("300")(&mut facts);
        let long = crate::judge(&facts, Duration::from_secs(300));
        assert_eq!(crate::Readiness::of(&long), crate::Readiness::Ready);
        assert!(WINDOW < Duration::from_secs(6));
    }

    #[test]
    fn a_guest() {
        // mce_available in arch/x86/kernel/cpu/mce/core.c: without the processor's flags nothing is registered.
        let guest = |m: &mut MachineFacts| m.machinecheck.found = Found::Absent;
        leads_to(guest, Warns, "probably a virtual machine", "machinecheck0: not there");
    }

    #[test]
    fn the_collector() {
        // drivers/ras/cec.c: create_debugfs_nodes, parse_cec_param.
        let seen = |collector: Found<()>, debugfs: Found<bool>| {
            move |m: &mut MachineFacts| {
                boot("")(m);
                (m.collector.found, m.debugfs.found) = (collector, debugfs);
            }
        };
        let active = "collector of corrected errors is active";
        leads_to(seen(Found::Value(()), Found::Value(true)), Warns, active, "debug/ras/cec: is there");
        assert!(faults(seen(Found::Absent, Found::Value(true))).is_empty());
        let unseen = "could not be seen";
        leads_to(seen(Found::Absent, Found::Value(false)), Warns, unseen, "debug: nothing is mounted");
        leads_to(seen(Found::Absent, Found::Absent), Warns, unseen, "debug: not there");
        let denied = || "Permission denied".to_owned();
        leads_to(
            seen(Found::Unreadable(denied()), Found::Unreadable(denied())),
            Warns,
            unseen,
            "cec: could not be read",
        );
        let off = faults(|m| m.collector.found = Found::Unreadable(denied()));
        assert!(off.is_empty(), "ras=cec_disable says enough: {off:#?}");
    }
}
