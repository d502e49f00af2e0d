//! For tests: a machine with nothing to find fault with, and how to look for a finding.

use crate::{Directory, Fact, Finding, Found, MachineFacts, Weight, judge};
use std::time::Duration;
use vocabulary::{Dimm, Layer, Layers};

/// The window of these tests.
pub(crate) const WINDOW: Duration = Duration::from_secs(5);

pub(crate) fn fact<T>(file: &str, value: T) -> Fact<T> {
    Fact { file: file.to_owned(), found: Found::Value(value) }
}

fn text(file: &str, value: &str) -> Fact {
    fact(file, value.to_owned())
}

/// A slot of the first controller.
pub(crate) fn dimm(channel: i16, label: &str, mode: Option<&str>) -> Dimm {
    Dimm {
        controller: 0,
        layers: Layers([channel, 0, -1]),
        layer_kinds: vec![Layer::Channel, Layer::Slot],
        label: label.to_owned(),
        edac_mode: mode.map(str::to_owned),
        dev_type: Some("x8".to_owned()),
        mem_type: Some("Registered-DDR4".to_owned()),
        size_mb: Some(16384),
        rank: false,
    }
}

pub(crate) fn good() -> MachineFacts {
    MachineFacts {
        arch: text("proc/arch", "x86_64"),
        cmdline: text("proc/cmdline", "ro quiet ras=cec_disable"),
        controllers: fact("edac/mc", vec![(0, Some("Some Socket#0 IMC#0".to_owned()))]),
        dimms: vec![dimm(0, "A1", Some("SECDED")), dimm(1, "B1", Some("S4ECD4ED"))],
        panic_on_ue: text("edac_mc_panic_on_ue", "0"),
        poll_msec: text("edac_mc_poll_msec", "1000"),
        trace_events: fact("tracing/events", ()),
        trace_clock: text("tracing/trace_clock", "[local] global counter uptime perf mono mono_raw boot x86-tsc"),
        instances: fact("tracing/instances", true),
        mc_event: text("mc_event/format", "name: mc_event"),
        mce_record: text("mce_record/format", "name: mce_record"),
        machinecheck: fact("machinecheck0", ()),
        check_interval: text("check_interval", "1"),
        ignore_ce: text("ignore_ce", "0"),
        dont_log_ce: text("dont_log_ce", "0"),
        cmci_disabled: text("cmci_disabled", "0"),
        debugfs: fact("debug", true),
        collector: Fact { file: "debug/ras/cec".to_owned(), found: Found::Absent },
        lockdown: text("lockdown", "[none] integrity confidentiality"),
        clocksource: text("current_clocksource", "tsc"),
        mounts: text("mountinfo", "22 1 0:21 / / ro,relatime - nfs 192.0.2.1:/root ro"),
        database: fact("/data", Directory { writable: true, free_bytes: Some(1 << 40) }),
    }
}

/// What is found on the good machine after this change, without what is fine.
pub(crate) fn faults(change: impl FnOnce(&mut MachineFacts)) -> Vec<Finding> {
    let mut facts = good();
    change(&mut facts);
    let mut found = judge(&facts, WINDOW);
    found.retain(|finding| finding.weight != Weight::Fine);
    found
}

/// The change leads to this one fault and no other, with this in its evidence.
pub(crate) fn leads_to(change: impl FnOnce(&mut MachineFacts), weight: Weight, what: &str, evidence: &str) {
    let found = faults(change);
    let [finding] = found.as_slice() else { panic!("{what}: {found:#?}") };
    assert_eq!(finding.weight, weight, "{finding:#?}");
    assert!(finding.what.contains(what), "{what}: {finding:#?}");
    assert!(finding.evidence.contains(evidence), "{evidence}: {finding:#?}");
    assert!(finding.remedy.is_some() || finding.evidence.contains("garbage"), "{finding:#?}");
}
