//! Judges the trace ring: without it there are only counters, which say neither when exactly nor what.
//!
//! Source of the names: `Documentation/trace/ftrace.rst`, `include/ras/ras_event.h`, `include/trace/events/mce.h`, and
//! `security/lockdown/lockdown.c` for what lockdown closes.

use crate::facts::{Found, MachineFacts};
use crate::finding::{Finding, evidence, unseen, without_value};

/// The clock that every stamp of a run is made with.
const CLOCK: &str = "mono";

pub(crate) fn judge(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    let events = &facts.trace_events;
    match &events.found {
        Found::Absent => {
            let what = "There is no tracefs: only counters will be read, so times are coarse and details missing.";
            let remedy = "mount it with \"mount -t tracefs nodev /sys/kernel/tracing\", and check that the kernel has \
                          CONFIG_FTRACE";
            findings.push(Finding::warns(what, without_value(events)).remedy(remedy));
            return;
        }
        Found::Unreadable(_) => {
            let what = "The trace ring may not be used: only counters will be read.";
            findings.push(Finding::warns(what, without_value(events)).remedy("run as root; lockdown must allow it"));
            return;
        }
        Found::Value(()) => {}
    }
    event(facts, findings);
    clock(facts, findings);
    let instances = &facts.instances;
    match &instances.found {
        Found::Value(true) => {}
        Found::Value(false) => {
            let what = "No trace instance can be made here: only counters will be read.";
            let told = format!("{}: may not be written to", instances.file);
            findings.push(Finding::warns(what, told).remedy("run as root, with tracefs mounted for writing"));
        }
        Found::Absent => {
            let what = "The kernel has no trace instances: only counters will be read.";
            let remedy = "take a kernel with CONFIG_TRACING and tracefs";
            findings.push(Finding::warns(what, without_value(instances)).remedy(remedy));
        }
        Found::Unreadable(_) => findings.extend(unseen(instances, "whether a trace instance can be made")),
    }
}

fn event(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    let event = &facts.mc_event;
    match &event.found {
        // The format is long, and its being there is the evidence.
        Found::Value(_) => {
            findings.push(Finding::fine("The trace event of memory controllers is there.", without_value(event)));
        }
        Found::Absent => {
            let what = "The kernel has no trace event of memory controllers: only counters will be read.";
            findings.push(Finding::warns(what, without_value(event)).remedy("take a kernel with CONFIG_RAS"));
        }
        Found::Unreadable(_) => findings.extend(unseen(event, "whether memory controllers have their trace event")),
    }
    if !facts.is_x86() {
        return;
    }
    let record = &facts.mce_record;
    if record.is_absent() {
        let what = "The kernel has no trace event of machine checks: errors that EDAC does not decode stay unseen.";
        findings.push(Finding::warns(what, without_value(record)).remedy("take a kernel with CONFIG_X86_MCE"));
    }
    findings.extend(unseen(record, "whether machine checks have their trace event"));
}

fn clock(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    let clocks = &facts.trace_clock;
    if let Some(list) = clocks.value() {
        // Documentation/trace/ftrace.rst: the chosen one stands in brackets.
        if list.split_whitespace().any(|word| word.trim_matches(['[', ']']) == CLOCK) {
            findings.push(Finding::fine("The trace ring can be stamped with the monotonic clock.", evidence(clocks)));
        } else {
            let what = "The trace ring cannot be stamped with the monotonic clock: only counters will be read.";
            findings.push(Finding::warns(what, evidence(clocks)).remedy("take a newer kernel"));
        }
    } else if clocks.is_absent() {
        let what = "The trace ring has no choice of clocks: only counters will be read.";
        findings.push(Finding::warns(what, without_value(clocks)).remedy("take a kernel with CONFIG_FTRACE"));
    }
    findings.extend(unseen(clocks, "which clocks the trace ring has"));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Fact;
    use crate::Weight::Warns;
    use crate::example::{fact, leads_to};

    fn absent<T>(fact: &mut Fact<T>) {
        fact.found = Found::Absent;
    }

    #[test]
    fn a_ring_that_cannot_be_used_leaves_counters_only() {
        // Documentation/trace/ftrace.rst; include/ras/ras_event.h; include/trace/events/mce.h.
        leads_to(|m| absent(&mut m.trace_events), Warns, "There is no tracefs: only counters", "events: not there");
        let closed = |m: &mut MachineFacts| m.trace_events.found = Found::Unreadable("Operation not permitted".into());
        leads_to(closed, Warns, "only counters will be read", "Operation not permitted");
        leads_to(|m| absent(&mut m.mc_event), Warns, "no trace event of memory controllers", "mc_event/format");
        leads_to(|m| absent(&mut m.mce_record), Warns, "no trace event of machine checks", "mce_record/format");
        leads_to(|m| absent(&mut m.instances), Warns, "no trace instances", "instances: not there");
        let fixed = |m: &mut MachineFacts| m.instances.found = Found::Value(false);
        leads_to(fixed, Warns, "No trace instance can be made", "may not be written to");
    }

    #[test]
    fn clocks() {
        // kernel/trace/trace.c, trace_clocks[].
        let clocks = |text: &'static str| move |m: &mut MachineFacts| m.trace_clock = fact("trace_clock", text.into());
        leads_to(clocks("[local] global mono_raw"), Warns, "monotonic clock", "trace_clock: [local] global mono_raw");
        leads_to(|m| absent(&mut m.trace_clock), Warns, "no choice of clocks", "trace_clock: not there");
        assert!(crate::example::faults(clocks("local global [mono]")).is_empty());
    }
}
