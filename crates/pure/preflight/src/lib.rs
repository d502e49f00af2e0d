//! Whether a machine can report memory errors at all, from what its kernel says of itself.
//!
//! Facts in ([`MachineFacts`]: plain texts, each with the file that it came from), [`Finding`]s out, worst first. Nothing
//! is read here: `kernel-watch` reads the facts, and the command line shows the findings. What could not be read is never
//! taken for good or bad: it is a finding of its own.

mod facts;
mod finding;
mod machine_check;
mod memory;
mod surroundings;
mod trace;

#[cfg(test)]
mod example;

pub use facts::{Directory, Fact, Found, MachineFacts, is_x86};
pub use finding::{Finding, Readiness, Weight};

use std::time::Duration;

/// Judges a machine. `window` is how long after its forcing has ended a report is still a shot's.
///
/// The findings come worst first, and in one order for the same facts.
#[must_use]
pub fn judge(facts: &MachineFacts, window: Duration) -> Vec<Finding> {
    let mut findings = Vec::new();
    memory::judge(facts, window, &mut findings);
    trace::judge(facts, &mut findings);
    if facts.is_x86() {
        machine_check::judge(facts, window, &mut findings);
    }
    surroundings::judge(facts, &mut findings);
    findings.sort_by_key(|finding| finding.weight);
    findings
}

#[cfg(test)]
mod tests {
    use super::*;
    use example::{WINDOW, faults, good};

    /// Everything that can be unreadable is, one after the other.
    fn unreadable() -> Vec<(&'static str, MachineFacts)> {
        macro_rules! each {
            ($($field:ident),*) => {
                vec![$({
                    let mut facts = good();
                    facts.$field.found = Found::Unreadable("Permission denied".to_owned());
                    (stringify!($field), facts)
                }),*]
            };
        }
        each!(
            cmdline,
            controllers,
            panic_on_ue,
            poll_msec,
            trace_events,
            trace_clock,
            instances,
            mc_event,
            mce_record,
            machinecheck,
            check_interval,
            ignore_ce,
            dont_log_ce,
            cmci_disabled,
            lockdown,
            clocksource,
            mounts,
            database
        )
    }

    #[test]
    fn a_good_machine_is_ready() {
        let found = judge(&good(), WINDOW);
        assert_eq!(Readiness::of(&found), Readiness::Ready, "{found:#?}");
        // What is good is said too: a reader sees that it was looked at.
        assert_eq!(found.len(), 11, "{found:#?}");
    }

    #[test]
    fn what_could_not_be_read_is_said_and_why() {
        for (field, facts) in unreadable() {
            let found = judge(&facts, WINDOW);
            assert_ne!(Readiness::of(&found), Readiness::Ready, "{field}");
            assert!(found.iter().any(|f| f.evidence.contains("could not be read: Permission denied")), "{field}");
        }
    }

    #[test]
    fn the_worst_comes_first_and_decides() {
        let found = faults(|facts| {
            facts.controllers.found = Found::Absent;
            facts.dimms.clear();
            facts.check_interval = example::fact("check_interval", "300".to_owned());
        });
        assert_eq!(found.iter().map(|f| f.weight).collect::<Vec<_>>(), [Weight::Blocks, Weight::Warns]);
        assert_eq!(Readiness::of(&found), Readiness::NotAble);
        assert_eq!(Readiness::of(found.get(1..).unwrap()), Readiness::ReadyWithWarnings);
        assert_eq!(Readiness::of(&[]), Readiness::Ready);
    }

    #[test]
    fn another_architecture_has_no_machine_check_files() {
        // arch/x86/kernel/cpu/mce is where they come from; `uname -m` of others from arch/*/Makefile.
        for (arch, faults_seen) in [("aarch64", 0), ("riscv64", 0), ("ia64", 0), ("x86_64", 2), ("i686", 2)] {
            let found = faults(|facts| {
                facts.arch = example::fact("arch", arch.to_owned());
                facts.machinecheck.found = Found::Absent;
                facts.mce_record.found = Found::Absent;
            });
            assert_eq!(found.len(), faults_seen, "{arch}: {found:#?}");
        }
    }
}
