//! For tests: a shot with nothing around it on a machine that is set well, and how to look for a cause.

use crate::{Cause, Evidence, Facts, LoneRecord, Moved, Nearby, Place, RailOutside, ShotsAfter, Strength};
use vocabulary::{Class, ControllerName, MachineCounts, MachineSettings, Mono, Role, Severity, Span};

/// The window of these tests.
pub(crate) const WINDOW_MS: i64 = 5000;
const FIRED: Mono = Mono(1_000_000_000_000);

/// An instant so long after the shot.
pub(crate) fn at_ms(ms: i64) -> Mono {
    FIRED.plus(ms * 1_000_000)
}

/// An x86 machine with working interrupts, on which nothing happened around the shot.
pub(crate) fn quiet() -> Facts {
    let counts = |mce, mcp, thr, dfr| MachineCounts {
        mce: Some(mce),
        mcp: Some(mcp),
        thr: Some(thr),
        dfr: Some(dfr),
        collected: Some(0),
        offlined: Some(0),
        corrupted_kb: Some(0),
    };
    Facts {
        told_by_record: false,
        fired: Span::point(FIRED),
        end: at_ms(WINDOW_MS),
        hold_ns: 250_000,
        window_ns: WINDOW_MS * 1_000_000,
        lines: vec!["DQ3".to_owned()],
        force: Some("low".to_owned()),
        expect: Some(Severity::Corrected),
        controller: Some(0),
        edac_mode: Some("SECDED".to_owned()),
        settings: Some(MachineSettings {
            x86: true,
            machine_check: Some(true),
            check_interval_s: Some(1),
            ignore_ce: Some(false),
            dont_log_ce: Some(false),
            cmci_disabled: Some(false),
            edac_poll_ms: Some(1000),
            controllers: Some(vec![ControllerName { controller: 0, name: Some("Some IMC#0".to_owned()) }]),
            collector: Some(false),
            boot: vec![],
        }),
        moved: Some(Moved {
            span: Span::new(at_ms(-500), at_ms(WINDOW_MS + 500)),
            by: counts(0, 5, 0, 0),
            reports: 0,
            missed: 1,
            since_start: counts(0, 500, 20, 0),
        }),
        records: vec![],
        amd: Some(false),
        within: vec![],
        before: vec![],
        after: vec![],
        shots_after: ShotsAfter::default(),
        rails: vec![],
    }
}

/// VDD of the slot, for some of the window below the limits of JESD79-4 as data sheets have them: 1.14 V to 1.26 V.
pub(crate) fn low_vdd() -> RailOutside {
    RailOutside {
        name: "VDD".to_owned(),
        slot: Some("A1".to_owned()),
        range_uv: (1_132_000, 1_201_500),
        limits_uv: (1_140_000, 1_260_000),
        of_vdd: false,
        absolute_uv: Some((-300_000, 1_500_000)),
        limits_from: "DDR4: a data sheet".to_owned(),
        outside_ns: 800_000_000,
        around_ns: 6_000_000_000,
    }
}

/// A corrected report on the injected slot that belongs to another shot.
pub(crate) fn report(number: i64, seen: Mono) -> Nearby {
    Nearby {
        report: number,
        seen,
        place: Place::Here,
        severity: Severity::Corrected,
        count: 1,
        role: Role::Match,
        message: None,
        polled: false,
    }
}

/// A corrected machine-check record with an address. The status is that of the worked example in the kernel's
/// Documentation/firmware-guide/acpi/apei/einj.rst.
pub(crate) fn record(seen: Mono) -> LoneRecord {
    LoneRecord {
        seen,
        bank: 7,
        status: 0x8c00_0040_0001_0090,
        class: Class::Corrected,
        has_address: true,
        polled: false,
    }
}

impl Facts {
    pub(crate) fn edit(&mut self, change: impl Fn(&mut MachineSettings)) {
        change(self.settings.as_mut().unwrap());
    }
}

/// The quiet facts with other settings.
pub(crate) fn with(change: impl Fn(&mut MachineSettings)) -> Facts {
    let mut facts = quiet();
    facts.edit(change);
    facts
}

/// The rule tells a cause of this strength, and some line of its evidence has these words.
pub(crate) fn tells(facts: &Facts, rule: fn(&Facts) -> Option<Cause>, strength: Strength, words: &str) {
    let cause = rule(facts).unwrap_or_else(|| panic!("no cause in {facts:#?}"));
    assert_eq!(cause.strength, strength, "{cause:#?}");
    let line = |e: &Evidence| format!("{}: {}", e.fact, e.value).contains(words);
    assert!(cause.evidence.iter().any(line), "{words:?} is not in {cause:#?}");
}

/// Facts with every combination of a few findings, for what must hold of all.
pub(crate) fn many() -> Vec<Facts> {
    let changes: [fn(&mut Facts); 11] = [
        |f| f.records.push(record(at_ms(20))),
        |f| f.edit(|s| s.collector = Some(true)),
        |f| f.edit(|s| s.check_interval_s = Some(300)),
        |f| f.edit(|s| s.ignore_ce = Some(true)),
        |f| {
            f.edit(|s| {
                s.controllers = Some(vec![ControllerName { controller: 0, name: Some("ghes_edac".into()) }]);
            })
        },
        |f| f.moved.iter_mut().for_each(|m| m.by.thr = Some(2)),
        |f| f.moved = None,
        |f| f.settings.iter_mut().for_each(|s| *s = MachineSettings::default()),
        |f| f.within.push(Nearby { role: Role::Orphan, place: Place::Unknown, ..report(3, at_ms(30)) }),
        |f| f.rails.push(low_vdd()),
        |f| f.told_by_record = true,
    ];
    (0..1_u32 << changes.len())
        .map(|chosen| {
            let mut facts = quiet();
            for (n, change) in changes.iter().enumerate() {
                if chosen >> n & 1 == 1 {
                    change(&mut facts);
                }
            }
            facts
        })
        .collect()
}
