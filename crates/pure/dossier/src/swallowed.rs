//! The hardware found the error, and something between it and EDAC kept it.
//!
//! Source of the mechanisms: `drivers/ras/cec.c`, `arch/x86/kernel/cpu/mce/core.c` and `genpool.c`, `mm/memory-failure.c`.

use crate::cause::{Cause, Evidence, Strength};
use crate::facts::Facts;
use vocabulary::Class;

/// The collector of corrected errors takes corrected memory errors with an address before EDAC's drivers see them.
pub(crate) fn collector(facts: &Facts) -> Option<Cause> {
    let there = facts.settings.as_ref().and_then(|s| s.collector);
    if !facts.expects_corrected() {
        return None;
    }
    // cec_notifier: only corrected memory errors with a usable address are taken.
    let takes = |class: Class, has_address: bool| class == Class::Corrected && has_address;
    let record = facts.records.iter().find(|r| takes(r.class, r.has_address) && r.bank != 255);
    let missed = facts.moved.as_ref().map_or(1, |m| m.missed);
    let has_driver = facts.settings.as_ref().and_then(|s| s.controllers.as_ref()).is_none_or(|c| !c.is_empty());
    let strength = match (there, record) {
        (Some(false), _) => return None,
        // What was taken may have been another missed shot's error.
        _ if facts.collected() > 0 && facts.collected() < missed => Strength::Possible,
        _ if facts.collected() > 0 => Strength::Likely,
        (Some(true), Some(_)) => Strength::Likely,
        (None, Some(_)) if has_driver => Strength::Possible,
        (None, Some(_)) => return None,
        (Some(true), None) if facts.unexplained_interrupts().is_some() => Strength::Likely,
        (Some(true), None) => Strength::NotExcluded,
        (None, None) => return None,
    };
    let what = match strength {
        Strength::Likely => {
            "The kernel's collector of corrected errors probably took the error: it counts errors by page and hides them from \
             EDAC until a page has had too many."
        }
        _ => "The kernel's collector of corrected errors may have taken the error: it hides them from EDAC.",
    };
    let mut cause = Cause::new("collector", strength, what, "drivers/ras/cec.c");
    if let (Some(moved), true) = (&facts.moved, facts.collected() > 0) {
        let value = format!("+{} {}", facts.collected(), facts.between(moved.span));
        cause = cause.seen("/sys/kernel/debug/ras/cec/array, CEs", value);
        if missed > 1 {
            cause = cause.seen("missed shots in that time", missed);
        }
    }
    cause = cause.and(record.map(|record| record.told(facts)));
    cause = match there {
        Some(_) => cause.seen("/sys/kernel/debug/ras/cec", "is there"),
        None => cause.seen("/sys/kernel/debug/ras/cec", "could not be seen"),
    };
    if facts.unexplained_interrupts().is_some() {
        cause = cause.and(facts.interrupt_rows());
    }
    Some(cause)
}

/// A machine-check record that no driver of EDAC made an event of.
pub(crate) fn not_decoded(facts: &Facts) -> Option<Cause> {
    let record = facts.records.first()?;
    let collector = facts.settings.as_ref().and_then(|s| s.collector);
    // The collector leaves alone what was not corrected, and what has no address.
    let may_be_taken = collector != Some(false) && record.class == Class::Corrected && record.has_address;
    let strength = if may_be_taken { Strength::Possible } else { Strength::Likely };
    let what = "The machine-check layer logged a memory error and EDAC made nothing of it: its driver may be absent, or may not \
                be able to decode the error.";
    let mut cause =
        Cause::new("not_decoded", strength, what, "arch/x86/kernel/cpu/mce/core.c").and([record.told(facts)]);
    if facts.records.len() > 1 {
        cause = cause.seen("further records without an event", facts.records.len() - 1);
    }
    if let Some(names) = facts.settings.as_ref().and_then(|s| s.controllers.as_ref()) {
        let named = |c: &vocabulary::ControllerName| {
            format!("mc{} is {}", c.controller, c.name.as_deref().unwrap_or("without a name"))
        };
        let told: Vec<String> = names.iter().map(named).collect();
        let told = if told.is_empty() { "no controller is there".to_owned() } else { told.join(", ") };
        cause = cause.seen("/sys/devices/system/edac/mc", told);
    }
    Some(cause)
}

/// An interrupt came, and nothing was logged at all.
pub(crate) fn lost_in_kernel(facts: &Facts) -> Option<Cause> {
    facts.unexplained_interrupts()?;
    let what = "The processor told the kernel of an error around that time and nothing was logged: the error was probably found \
                and lost, as when the queue of records is full or what it found was thrown away.";
    let cause = Cause::new("lost_in_kernel", Strength::Likely, what, "arch/x86/kernel/cpu/mce/genpool.c");
    Some(cause.and(facts.interrupt_rows()))
}

/// Memory was taken out of use before the shot: what the injector hits there is not used any more.
pub(crate) fn page_offline(facts: &Facts) -> Option<Cause> {
    let moved = facts.moved.as_ref()?;
    let (pages, kb) = (moved.since_start.offlined.unwrap_or(0), moved.since_start.corrupted_kb.unwrap_or(0));
    if pages == 0 && kb == 0 {
        return None;
    }
    let what = "Memory has been taken out of use after errors in this boot: if the program that reads the slot lost its pages, \
                later shots there meet no read.";
    let row = |fact: &str, value: String| Evidence { fact: fact.to_owned(), value };
    let pages = (pages > 0).then(|| {
        row("/sys/kernel/debug/ras/cec/array, offlined pages", format!("+{pages} since the first look of this boot"))
    });
    let kb = (kb > 0)
        .then(|| row("/proc/meminfo, HardwareCorrupted", format!("+{kb} kB since the first look of this boot")));
    let cause = Cause::new("page_offline", Strength::Possible, what, "mm/memory-failure.c");
    Some(cause.and(pages).and(kb))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::{at_ms, quiet, record, tells};
    use vocabulary::Severity;

    #[test]
    fn the_collector() {
        // drivers/ras/cec.c: cec_notifier takes correctable memory errors with a usable address and marks them as handled.
        let mut facts = quiet();
        facts.edit(|s| s.collector = Some(true));
        tells(&facts, collector, Strength::NotExcluded, "is there");
        facts.moved.as_mut().unwrap().by.collected = Some(1);
        tells(&facts, collector, Strength::Likely, "+1 from 500 ms before the shot to 5.5 s after the shot");
        // Two shots were missed meanwhile, and one of them was taken.
        facts.moved.as_mut().unwrap().missed = 2;
        tells(&facts, collector, Strength::Possible, "missed shots in that time: 2");
        // Without its statistics, which need CONFIG_RAS_CEC_DEBUG, the record is the evidence.
        facts.moved.as_mut().unwrap().by.collected = None;
        facts.records = vec![record(at_ms(20))];
        tells(&facts, collector, Strength::Likely, "corrected, bank 7, told by an interrupt");
        facts.edit(|s| s.collector = None);
        tells(&facts, collector, Strength::Possible, "could not be seen");
        facts.edit(|s| s.collector = Some(false));
        assert_eq!(collector(&facts), None);
        // It takes neither what was not corrected nor what has no address.
        facts.edit(|s| s.collector = Some(true));
        facts.records[0].class = Class::NotCorrected;
        assert_eq!(collector(&facts).map(|c| c.strength), Some(Strength::NotExcluded));
        facts.records = vec![crate::LoneRecord { has_address: false, ..record(at_ms(20)) }];
        assert_eq!(collector(&facts).map(|c| c.strength), Some(Strength::NotExcluded));
        facts.expect = Some(Severity::Uncorrected);
        assert_eq!(collector(&facts), None);
    }

    #[test]
    fn the_collector_of_older_kernels_leaves_no_record() {
        // mce_first_notifier in arch/x86/kernel/cpu/mce/core.c up to version 5.6 stopped before the trace event.
        let mut facts = quiet();
        facts.edit(|s| s.collector = Some(true));
        facts.moved.as_mut().unwrap().by.thr = Some(1);
        tells(&facts, collector, Strength::Likely, "MCE +0, THR +1, DFR +0, MCP +5");
    }

    #[test]
    fn a_record_that_edac_made_nothing_of() {
        // arch/x86/kernel/cpu/mce/core.c: the trace event is emitted whether an EDAC driver is bound or not.
        let mut facts = quiet();
        assert_eq!(not_decoded(&facts), None);
        facts.records = vec![record(at_ms(20)), record(at_ms(30))];
        facts.edit(|s| s.collector = Some(false));
        tells(&facts, not_decoded, Strength::Likely, "mc0 is Some IMC#0");
        tells(&facts, not_decoded, Strength::Likely, "without an event: 1");
        facts.edit(|s| s.controllers = Some(vec![]));
        tells(&facts, not_decoded, Strength::Likely, "no controller is there");
        facts.edit(|s| s.collector = Some(true));
        tells(&facts, not_decoded, Strength::Possible, "status 0x8c00004000010090, 20 ms after the shot");
        // arch/x86/kernel/cpu/mce/apei.c: bank 255 in the trace marks a record made from a firmware record.
        facts.records = vec![crate::LoneRecord { bank: 255, class: Class::NotCorrected, ..record(at_ms(20)) }];
        tells(&facts, not_decoded, Strength::Likely, "made by the kernel from a firmware record");
    }

    #[test]
    fn an_interrupt_without_a_record() {
        // arch/x86/kernel/cpu/mce/genpool.c: "MCE records pool full!"; arch/x86/kernel/irq.c for the rows.
        let mut facts = quiet();
        assert_eq!(lost_in_kernel(&facts), None);
        facts.moved.as_mut().unwrap().by.dfr = Some(2);
        tells(&facts, lost_in_kernel, Strength::Likely, "DFR +2");
        // What else was reported explains it.
        facts.moved.as_mut().unwrap().reports = 1;
        assert_eq!(lost_in_kernel(&facts), None);
    }

    #[test]
    fn memory_out_of_use() {
        // drivers/ras/cec.c: a page at the action threshold is soft-offlined; mm/memory-failure.c counts it.
        let mut facts = quiet();
        assert_eq!(page_offline(&facts), None);
        facts.moved.as_mut().unwrap().since_start.corrupted_kb = Some(8);
        tells(&facts, page_offline, Strength::Possible, "HardwareCorrupted: +8 kB");
        facts.moved.as_mut().unwrap().since_start.offlined = Some(2);
        tells(&facts, page_offline, Strength::Possible, "offlined pages: +2");
    }
}
