//! A model whose machine, run and numbers are all made up, for the example and the tests. The same call gives the same model.
#![allow(dead_code, clippy::unwrap_used, reason = "shared by a test and an example, and neither uses all of it")]

mod parts;

use evidence::formulas;
use evidence::model::*;
use vocabulary::Wall;

/// Numbers that look random and are always the same (Numerical Recipes' linear congruential generator).
pub(crate) struct Dice(pub(crate) u32);

impl Dice {
    /// A number from 0 to 1.
    pub(crate) fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(self.0 >> 8) / f64::from(1u32 << 24)
    }

    /// A whole number below this.
    pub(crate) fn below(&mut self, n: i64) -> i64 {
        (self.roll() * n as f64) as i64
    }
}

pub(crate) const SECOND: i64 = 1_000_000_000;

/// When the made-up run began.
pub(crate) fn start() -> Wall {
    Wall::parse_rfc3339("2031-04-07T17:42:10Z").unwrap()
}

/// So many seconds after the run began.
pub(crate) fn after(seconds: i64) -> Wall {
    Wall(start().0 + seconds * SECOND)
}

/// The name of a slot: two processors, channels A to H, two slots each; more processors for more slots.
pub(crate) fn name(n: usize) -> String {
    format!("CPU{}_{}{}", n / 16, char::from(b'A' + u8::try_from(n / 2 % 8).unwrap()), n % 2 + 1)
}

/// A run of 14 hours on a machine with so many slots: one slot with misses, one misplaced, orphans at a third, one gap, one rail that
/// went too low.
pub(crate) fn paper(slots: usize, bins: usize) -> Paper {
    let slots_told: Vec<Slot> = (0..slots).map(|n| parts::slot(n, slots)).collect();
    let sum = |of: fn(&SlotCounts) -> i64| slots_told.iter().map(|s| of(&s.counts)).sum::<i64>();
    let totals = Totals {
        injections: sum(|c| c.shots) / 4,
        shots: sum(|c| c.shots),
        detected: sum(|c| c.detected),
        missed: sum(|c| c.missed),
        unknowable: sum(|c| c.unknowable),
        open: 0,
        reports: sum(|c| c.detected + c.echoes + c.orphans) + 1,
        matches: sum(|c| c.detected),
        echoes: sum(|c| c.echoes),
        orphans: sum(|c| c.orphans) + 1,
        unsure: sum(|c| c.unsure),
    };
    Paper {
        run: run(totals),
        verdict: parts::verdict(&slots_told),
        machine: machine(),
        latency: parts::latency(&slots_told),
        time: parts::time_line(&slots_told, bins),
        lines: vec![parts::lines(&slots_told)],
        misses: parts::misses(&slots_told),
        orphans: parts::orphans(&slots_told),
        clocks: vec![clock()],
        rails: parts::rails(),
        method: method(totals),
        recipes: recipes(),
        slots: slots_told,
    }
}

fn run(totals: Totals) -> Run {
    Run {
        number: 7,
        name: "example-burn-in".to_owned(),
        kind: Kind::Watch,
        invented: true,
        host: Some("no-such-machine".to_owned()),
        started: start(),
        ended: Some(after(14 * 3600)),
        watched_until: Some(after(14 * 3600)),
        watched_ns: 14 * 3600 * SECOND - 131 * SECOND,
        version: "0.1.0".to_owned(),
        page_version: "0.1.0".to_owned(),
        page_made: after(15 * 3600 + 11),
        database: "/var/lib/flipwitness/runs.db".to_owned(),
        schema: 3,
        totals,
        caution: None,
        remarks: vec![
            Remark {
                warning: true,
                text:
                    "ras:mce_record cannot be read on this kernel: why a shot was missed is told from counters alone."
                        .to_owned(),
                at: Some(start()),
            },
            Remark {
                warning: false,
                text: "The label CPU0_C2 was given by two objects; the second has its numbers added.".to_owned(),
                at: None,
            },
        ],
    }
}

fn machine() -> Machine {
    let fact = |what: &str, value: &str, source: &str| Fact {
        what: what.to_owned(),
        value: value.to_owned(),
        source: Some(source.to_owned()),
    };
    Machine {
        boots: vec![
            Boot {
                boot_id: "0f6a1d52-0000-4000-8000-000000000001".to_owned(),
                kernel: "6.12.0-invented".to_owned(),
                first: Some(start()),
                watched: Some(after(9 * 3600)),
            },
            Boot {
                boot_id: "0f6a1d52-0000-4000-8000-000000000002".to_owned(),
                kernel: "6.12.0-invented".to_owned(),
                first: Some(after(9 * 3600 + 126)),
                watched: Some(after(14 * 3600)),
            },
        ],
        facts: vec![
            fact("Memory controllers", "4", "/sys/devices/system/edac/mc"),
            fact(
                "Machine-check polling",
                "every 300 s",
                "/sys/devices/system/machinecheck/machinecheck0/check_interval",
            ),
            fact("Corrected errors ignored", "no", "/sys/devices/system/machinecheck/machinecheck0/ignore_ce"),
            fact("Collector of corrected errors", "not there", "/sys/kernel/debug/ras/cec"),
            fact("Boot parameters about errors", "none", "/proc/cmdline"),
        ],
    }
}

fn clock() -> ClockFit {
    ClockFit {
        injector: "invented-injector".to_owned(),
        how: "one-way ticks, lower envelope".to_owned(),
        samples: 50_400,
        drift_ppm: Some(-11.42),
        drift_bound_ppm: Some(0.03),
        typical_ns: Some(610_000),
        worst_ns: Some(17_200_000),
        jumps: 1,
        remarks: vec!["Ticks arrive in groups 16 ms apart: a serial bridge holds them back.".to_owned()],
    }
}

fn method(totals: Totals) -> Method {
    let setting = |what: &str, value: &str| Fact { what: what.to_owned(), value: value.to_owned(), source: None };
    Method {
        window_ns: 10 * SECOND,
        deadline_ns: Some(2 * SECOND),
        sources: vec!["ras:mc_event".to_owned(), "EDAC's counters".to_owned()],
        formulas: vec![
            formulas::PAIRING,
            formulas::EXACT_BOUND,
            formulas::EXACT_INTERVAL,
            formulas::HOLM,
            formulas::POISSON_INTERVAL,
            formulas::KAPLAN_MEIER,
            formulas::ORDER_STATISTICS,
            formulas::CHANCE,
            formulas::ENVELOPE,
        ],
        not_counted: vec![NotCounted {
            what: "Shots that nobody can know about".to_owned(),
            count: totals.unknowable,
            why: "Their windows overlap a gap, and nothing reported them.".to_owned(),
        }],
        limits: vec!["Lines of check bits were forced at one slot only.".to_owned()],
        settings: vec![
            setting("pairing.window_ms", "10000"),
            setting("pairing.deadline_ms", "2000"),
            setting("counters.interval_ms", "500"),
        ],
    }
}

fn recipes() -> Vec<Recipe> {
    let recipe = |section, what: &str, command: Option<&str>, sql: Option<&str>| Recipe {
        section,
        what: what.to_owned(),
        command: command.map(str::to_owned),
        sql: sql.map(str::to_owned),
    };
    let per_slot = "SELECT slot, shots, detected, missed, unknowable, detection_rate\nFROM detection\nWHERE run = 'example-burn-in';";
    let lines = "SELECT s.name AS slot, j.value AS line, count(*) AS shots, sum(h.outcome = 'missed') AS missed\nFROM shot h JOIN injection i \
        USING (injection) JOIN slot s ON s.run = h.run AND s.slot = h.slot, json_each(i.lines) j\nWHERE h.run = 7 AND h.outcome IN \
        ('detected', 'missed')\nGROUP BY 1, 2;";
    let misses = "SELECT * FROM shots_told WHERE run = 'example-burn-in' AND outcome = 'missed';";
    vec![
        recipe(Section::Verdict, "Criteria and verdict", Some("flipwitness verdict --run 7 --json"), None),
        recipe(
            Section::Machine,
            "Slots of the machine",
            None,
            Some("SELECT * FROM slots_seen WHERE run = 'example-burn-in';"),
        ),
        recipe(Section::Slots, "Detection and all counts", Some("flipwitness slots --run 7"), Some(per_slot)),
        recipe(Section::Lines, "Lines against outcomes", None, Some(lines)),
        recipe(Section::Misses, "Missed shots", Some("flipwitness shots --run 7 --missed --why"), Some(misses)),
        recipe(
            Section::Orphans,
            "Orphans",
            Some("flipwitness orphans --run 7"),
            Some("SELECT * FROM orphans_told WHERE run = 'example-burn-in';"),
        ),
    ]
}
