//! Judges controllers, slots and EDAC's own settings: who counts errors, and can a slot be named?
//!
//! Source of the words: `drivers/edac/edac_mc_sysfs.c`, `edac_mc.c` and `Documentation/ABI/testing/sysfs-devices-edac`.

use crate::facts::{Found, MachineFacts};
use crate::finding::{Finding, evidence, number, some, without_value};
use std::collections::BTreeMap;
use std::time::Duration;
use vocabulary::{Dimm, SlotBook};

/// The longest label that the kernel keeps: `EDAC_MC_LABEL_LEN` in `include/linux/edac.h`, less the closing NUL.
const LONGEST_LABEL: usize = 31;

pub(crate) fn judge(facts: &MachineFacts, window: Duration, findings: &mut Vec<Finding>) {
    controllers(facts, findings);
    modes(facts, findings);
    labels(facts, findings);
    settings(facts, window, findings);
}

fn controllers(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    let fact = &facts.controllers;
    let list = match &fact.found {
        Found::Value(list) if !list.is_empty() => list,
        Found::Unreadable(_) => {
            let what = "The memory controllers cannot be listed: nothing can be watched.";
            findings.push(Finding::blocks(what, without_value(fact)).remedy("run as a user who may read sysfs"));
            return;
        }
        Found::Value(_) | Found::Absent => {
            let what = "No memory controller is registered: nothing can be reported.";
            findings.push(Finding::blocks(what, format!("{}: no controller is there", fact.file)).remedy(
                "load the EDAC driver of the platform's memory controller, and check that the kernel has CONFIG_EDAC; \
                 where the firmware owns error reporting the driver may refuse to load; virtual machines usually have \
                 none; modules without ECC have none either",
            ));
            return;
        }
    };
    let names: Vec<String> = list
        .iter()
        .map(|(index, name)| format!("mc{index} is {}", name.as_deref().unwrap_or("without a name")))
        .collect();
    let told = format!("{}: {}", fact.file, some(&names));
    if facts.is_firmware_first() {
        let what = "The firmware owns error reporting: it decides when, and whether, the kernel is told of an error.";
        findings.push(Finding::warns(what, told).remedy(
            "in the firmware's settings, set its threshold for corrected errors to 1 and take away its limits, or turn \
             firmware-first reporting off; make the window longer than the firmware's way to a report",
        ));
    } else {
        let what = match list.len() {
            1 => "A memory controller is registered, and its driver reads the errors.".to_owned(),
            n => format!("{n} memory controllers are registered, and their driver reads the errors."),
        };
        findings.push(Finding::fine(what, told));
    }
    let silent: Vec<String> = list
        .iter()
        .filter(|(index, _)| facts.dimms.iter().all(|dimm| dimm.controller != *index))
        .map(|(index, _)| format!("mc{index}"))
        .collect();
    if !silent.is_empty() {
        let what = "A controller shows no memory module: its errors cannot be blamed on a slot.";
        findings.push(Finding::warns(what, format!("{}: none below {}", fact.file, some(&silent))).remedy(
            "read in the kernel's log what its driver says; a controller without modules is nothing to worry about",
        ));
    }
}

/// Where an object is, in words that the kernel's files have too.
fn place(dimm: &Dimm) -> String {
    let position: Vec<String> = dimm.layers.trimmed().iter().map(ToString::to_string).collect();
    let object = if dimm.rank { "rank" } else { "dimm" };
    format!("mc{} {object} at {}", dimm.controller, position.join(":"))
}

fn modes(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    if facts.dimms.is_empty() {
        return;
    }
    let of = |wanted: fn(Option<&str>) -> bool| -> Vec<String> {
        let chosen = facts.dimms.iter().filter(|dimm| wanted(dimm.edac_mode.as_deref()));
        chosen.map(|dimm| format!("{} says {}", place(dimm), dimm.edac_mode.as_deref().unwrap_or("nothing"))).collect()
    };
    // edac_caps in drivers/edac/edac_mc_sysfs.c: "Unknown" and "None" are the first two words.
    let off = of(|mode| matches!(mode, Some("None" | "Unknown")));
    let untold = of(|mode| mode.is_none());
    let told = |names: &[String]| format!("{}/mc*/*/dimm_edac_mode: {}", facts.controllers.file, some(names));
    let remedy = "seat modules with ECC, and turn ECC on in the firmware's settings";
    if off.len() == facts.dimms.len() {
        let what = "No memory module works with ECC: there is nothing that could correct or report an error.";
        findings.push(Finding::blocks(what, told(&off)).remedy(remedy));
    } else if !off.is_empty() {
        let what = format!("{} of {} memory modules work without ECC, or do not say.", off.len(), facts.dimms.len());
        findings.push(Finding::warns(what, told(&off)).remedy(remedy));
    }
    if !untold.is_empty() {
        let what = "Whether all memory modules work with ECC could not be seen.";
        findings
            .push(Finding::warns(what, told(&untold)).remedy("see whether the firmware's settings say that it is on"));
    }
    if off.is_empty() && untold.is_empty() {
        findings.push(Finding::fine("All memory modules work with ECC.", told(&of(|_| true))));
    }
}

fn labels(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    let mut book = SlotBook::new();
    for dimm in &facts.dimms {
        book.add(dimm.clone());
    }
    let told = |names: &[String]| format!("{}/mc*/*/dimm_label: {}", facts.controllers.file, some(names));
    let set = "write the board's own names into dimm_label before the run, each at most 31 characters and only once";
    let mut bad = |what: &str, names: &[String]| {
        if !names.is_empty() {
            findings.push(Finding::warns(what, told(names)).remedy(set));
        }
    };

    let missing = facts.dimms.iter().filter(|dimm| dimm.label.trim().is_empty());
    bad("A slot has no label: it can only be named by its numbers.", &missing.map(place).collect::<Vec<_>>());

    // Two ranks of one slot may well have one label, so slots are compared and not objects.
    let mut uses: BTreeMap<&str, usize> = BTreeMap::new();
    for slot in book.slots().iter().filter(|slot| !slot.label.trim().is_empty()) {
        *uses.entry(&slot.label).or_default() += 1;
    }
    let doubled = uses.iter().filter(|(_, n)| **n > 1).map(|(label, n)| format!("{label:?} is at {n} slots"));
    bad("Several slots have the same label: blame by label is not certain.", &doubled.collect::<Vec<_>>());

    let cut = facts.dimms.iter().filter(|dimm| dimm.label.len() >= LONGEST_LABEL);
    let cut = cut.map(|dimm| format!("{:?} has {} characters", dimm.label, dimm.label.len()));
    bad("A label is as long as the kernel lets it be: its end may be cut off.", &cut.collect::<Vec<_>>());
}

fn settings(facts: &MachineFacts, window: Duration, findings: &mut Vec<Finding>) {
    if number(&facts.panic_on_ue, "what an uncorrected error does", findings).is_some_and(|on| on != 0) {
        let what = "An uncorrected error will panic the kernel: the trace ring and what is in it are lost then.";
        let remedy = format!("write 0 to {} before uncorrectable errors are injected", facts.panic_on_ue.file);
        findings.push(Finding::warns(what, evidence(&facts.panic_on_ue)).remedy(remedy));
    }
    let subject = "how often EDAC looks at controllers that raise no interrupt";
    if let Some(ms) = number(&facts.poll_msec, subject, findings) {
        let told = evidence(&facts.poll_msec);
        if u128::from(ms) > window.as_millis() {
            // edac_set_poll_msec in drivers/edac/edac_mc_sysfs.c refuses less than 1000.
            let what =
                format!("EDAC looks at controllers that raise no interrupt every {ms} ms, longer than the window.");
            let remedy = format!("write 1000 to {}, or make the window longer", facts.poll_msec.file);
            findings.push(Finding::warns(what, told).remedy(remedy));
        } else {
            let what = format!("EDAC looks at controllers that raise no interrupt every {ms} ms, within the window.");
            findings.push(Finding::fine(what, told));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Weight::{Blocks, Warns};
    use crate::example::{dimm, fact, faults, leads_to};
    use vocabulary::{Layer, Layers};

    #[test]
    fn controllers_and_who_owns_reporting() {
        // edac_mc_sysfs.c: the directory mc is made with the subsystem, and its children by the drivers.
        let none = |found| move |m: &mut MachineFacts| (m.controllers.found, m.dimms) = (found, Vec::new());
        leads_to(none(Found::Absent), Blocks, "No memory controller", "edac/mc: no controller");
        leads_to(none(Found::Value(vec![])), Blocks, "No memory controller", "edac/mc: no controller");
        leads_to(none(Found::Unreadable("no".into())), Blocks, "cannot be listed", "edac/mc: could not be read: no");
        // drivers/edac/ghes_edac.c: ctl_name "ghes_edac".
        let firmware = |m: &mut MachineFacts| m.controllers = fact("edac/mc", vec![(0, Some("ghes_edac".into()))]);
        leads_to(firmware, Warns, "firmware owns error reporting", "mc0 is ghes_edac");
        let more = |m: &mut MachineFacts| m.controllers = fact("edac/mc", vec![(0, None), (7, None)]);
        leads_to(more, Warns, "shows no memory module", "none below mc7");
    }

    #[test]
    fn modes_of_error_correction() {
        // edac_caps in drivers/edac/edac_mc_sysfs.c.
        let modes = |modes: [Option<&'static str>; 2]| {
            move |m: &mut MachineFacts| {
                m.dimms.iter_mut().zip(modes).for_each(|(d, mode)| d.edac_mode = mode.map(Into::into))
            }
        };
        for mode in ["None", "Unknown"] {
            leads_to(modes([Some(mode); 2]), Blocks, "No memory module works with ECC", &format!("0:0 says {mode}"));
            leads_to(modes([Some("SECDED"), Some(mode)]), Warns, "1 of 2", &format!("mc0 dimm at 1:0 says {mode}"));
        }
        leads_to(modes([None, Some("SECDED")]), Warns, "could not be seen", "mc0 dimm at 0:0 says nothing");
        for mode in ["EC", "SECDED", "S2ECD2ED", "S4ECD4ED", "S8ECD8ED", "S16ECD16ED"] {
            assert!(faults(modes([Some(mode); 2])).is_empty(), "{mode}");
        }
    }

    #[test]
    fn labels_that_are_missing_doubled_or_cut() {
        // include/linux/edac.h: EDAC_MC_LABEL_LEN; dimmdev_label_store in edac_mc_sysfs.c.
        let labels = |a: &'static str, b: &'static str| {
            move |m: &mut MachineFacts| m.dimms = vec![dimm(0, a, Some("SECDED")), dimm(1, b, Some("SECDED"))]
        };
        leads_to(labels("", "B1"), Warns, "has no label", "mc0 dimm at 0:0");
        leads_to(labels("A1", "A1"), Warns, "same label", "\"A1\" is at 2 slots");
        leads_to(labels("CPU_SrcID#10_MC#10_Chan#10_DIMM", "B1"), Warns, "may be cut off", "has 31 characters");
        assert!(faults(labels("CPU_SrcID#10_MC#10_Chan#1_DIMM", "B1")).is_empty());
    }

    #[test]
    fn two_ranks_of_one_slot_may_share_a_label() {
        // edac_create_dimm_object: "rank" where a layer is a chip select; umc_get_err_info in amd64_edac.c has the pairs.
        let rank = |select: i16| Dimm {
            layers: Layers([select, 0, -1]),
            layer_kinds: vec![Layer::Csrow, Layer::Channel],
            rank: true,
            ..dimm(0, "A1", Some("SECDED"))
        };
        assert!(faults(|m| m.dimms = vec![rank(0), rank(1)]).is_empty());
        leads_to(|m| m.dimms = vec![rank(0), rank(2)], Warns, "same label", "\"A1\" is at 2 slots");
    }

    #[test]
    fn settings_of_edac() {
        // Module parameters of edac_core: drivers/edac/edac_mc_sysfs.c.
        let panics = |m: &mut MachineFacts| m.panic_on_ue = fact("panic_on_ue", "1".into());
        leads_to(panics, Warns, "will panic", "panic_on_ue: 1");
        let slow = |m: &mut MachineFacts| m.poll_msec = fact("poll_msec", "5001".into());
        leads_to(slow, Warns, "every 5001 ms, longer than the window", "poll_msec: 5001");
        let garbled = |m: &mut MachineFacts| m.poll_msec = fact("poll_msec", "garbage".into());
        leads_to(garbled, Warns, "no number", "poll_msec: garbage");
        assert!(faults(|m| m.poll_msec = fact("poll_msec", "5000".into())).is_empty());
    }
}
