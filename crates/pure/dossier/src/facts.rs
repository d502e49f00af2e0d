//! What is known about one shot and its surroundings, before anybody draws a conclusion; and how it reads as evidence.
//!
//! The crate `questions` fills this in. Times are all on the clock of the shot's boot.

use crate::cause::Evidence;
use vocabulary::{Class, MachineCounts, MachineSettings, Mono, Role, Severity, Span};

/// Where a report lies, seen from the shot.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Place {
    /// On the slot that was injected.
    Here,
    /// On another slot of the same memory controller; its name.
    SameController(String),
    /// On a slot of another controller; its name.
    Elsewhere(String),
    /// It names no slot, or several.
    Unknown,
}

/// A report around the shot.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Nearby {
    /// Its number in the run.
    pub report: i64,
    /// When the kernel said it.
    pub seen: Mono,
    /// Where.
    pub place: Place,
    /// How bad.
    pub severity: Severity,
    /// How many errors it stands for; 0 is "at least one".
    pub count: u32,
    /// What it turned out to be.
    pub role: Role,
    /// The driver's words.
    pub message: Option<String>,
    /// Whether it is told by a machine-check record that the kernel's timer found.
    pub polled: bool,
}

/// A machine-check record about memory that no event of a memory controller has taken up.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct LoneRecord {
    /// When.
    pub seen: Mono,
    /// The bank; 255 marks a record that the kernel made from a firmware record.
    pub bank: u8,
    /// MCi_STATUS.
    pub status: u64,
    /// Whether it was corrected.
    pub class: Class,
    /// Whether it has an address, which the collector needs.
    pub has_address: bool,
    /// Whether the kernel's timer found it.
    pub polled: bool,
}

/// What the machine counted around the shot.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Moved {
    /// From the last look before the window to the first one behind it.
    pub span: Span,
    /// By how much each total has grown in that time.
    pub by: MachineCounts,
    /// How many errors were reported in that time, machine-check records that are not about memory included.
    pub reports: u64,
    /// How many shots that were missed began in that time, this one included.
    pub missed: u64,
    /// By how much each total had grown by then, since the first look of the boot.
    pub since_start: MachineCounts,
}

/// A supply rail that was outside its limits while the window was open.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct RailOutside {
    /// Its JEDEC name.
    pub name: String,
    /// The slot that it feeds, where it feeds one.
    pub slot: Option<String>,
    /// The least and the most that was read or held in the seconds of the window, in microvolts.
    pub range_uv: (i64, i64),
    /// Its limits, in microvolts.
    pub limits_uv: (i64, i64),
    /// The limits move with VDD, and those above are only the nominal ones.
    pub of_vdd: bool,
    /// Beyond these the module may be damaged, in microvolts.
    pub absolute_uv: Option<(i64, i64)>,
    /// Where the limits come from.
    pub limits_from: String,
    /// For how long it was outside, in nanoseconds; 0 where no later reading says for how long.
    pub outside_ns: i64,
    /// Of how much time, in nanoseconds: the whole seconds that the window touches.
    pub around_ns: i64,
}

/// What became of the shots at this memory controller that came after this one.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct ShotsAfter {
    /// How many of the next ones were missed, one after the other.
    pub missed_in_a_row: u32,
    /// Whether one was detected then.
    pub then_detected: bool,
}

/// Everything that the rules look at.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Facts {
    /// The shot is not missed: a machine-check record tells of it, and nothing else does.
    pub told_by_record: bool,
    /// When the forcing began: the earliest and the latest.
    pub fired: Span,
    /// The end of the window.
    pub end: Mono,
    /// How long the lines were forced.
    pub hold_ns: i64,
    /// How long after the forcing a report is still the shot's.
    pub window_ns: i64,
    /// The lines that were forced.
    pub lines: Vec<String>,
    /// How they were forced: low, high or invert, if the injector said.
    pub force: Option<String>,
    /// The severity that a working machine would have reported, if known.
    pub expect: Option<Severity>,
    /// The memory controller of the slot.
    pub controller: Option<u16>,
    /// The slot's mode of error correction, as EDAC says it.
    pub edac_mode: Option<String>,
    /// How the machine was set; nothing if that was not kept.
    pub settings: Option<MachineSettings>,
    /// What it counted; nothing if that was not kept.
    pub moved: Option<Moved>,
    /// Machine-check records in the window that nobody else took up.
    pub records: Vec<LoneRecord>,
    /// Whether the processor is AMD's or Hygon's; nothing if no record says.
    pub amd: Option<bool>,
    /// Reports within the window, in order of time. None of them is this shot's.
    pub within: Vec<Nearby>,
    /// Reports before the shot, the nearest first; not all of them.
    pub before: Vec<Nearby>,
    /// Reports behind the window, the nearest first; not all of them.
    pub after: Vec<Nearby>,
    /// The shots at this controller that came after.
    pub shots_after: ShotsAfter,
    /// Supply rails, of the slot or of no slot, that were outside their limits within the window.
    pub rails: Vec<RailOutside>,
}

impl Facts {
    /// Whether a corrected error is what should have been reported.
    pub(crate) fn expects_corrected(&self) -> bool {
        self.expect.is_none_or(|severity| severity.class() == Class::Corrected)
    }

    /// Whether the firmware reads the errors of the shot's controller first.
    pub(crate) fn is_firmware_first(&self) -> bool {
        self.settings.as_ref().is_some_and(|s| s.is_firmware_first(self.controller))
    }

    /// Whether the kernel was booted with this.
    pub(crate) fn is_booted_with(&self, parameter: &str) -> bool {
        self.settings.as_ref().is_some_and(|s| s.is_booted_with(parameter))
    }

    /// Interrupts that tell of an error, around the shot; nothing where the machine shows none.
    pub(crate) fn interrupts(&self) -> Option<u64> {
        let by = self.moved.as_ref()?.by;
        sum([by.thr, by.dfr, by.mce])
    }

    /// The same, where nothing was reported that could explain them.
    pub(crate) fn unexplained_interrupts(&self) -> Option<u64> {
        let nothing_else = self.records.is_empty() && self.moved.as_ref().is_some_and(|m| m.reports == 0);
        self.interrupts().filter(|n| *n > 0 && nothing_else)
    }

    /// How many errors the collector took in around the shot.
    pub(crate) fn collected(&self) -> u64 {
        self.moved.as_ref().and_then(|m| m.by.collected).unwrap_or(0)
    }

    /// Whether the machine has ever raised an interrupt for an error in this boot; nothing where it shows none.
    pub(crate) fn raises_interrupts(&self) -> Option<bool> {
        let since = self.moved.as_ref()?.since_start;
        sum([since.thr, since.dfr, since.mce]).map(|n| n > 0)
    }

    /// An instant as people take it in: so long before or after the beginning of the shot.
    pub(crate) fn relative(&self, at: Mono) -> String {
        let ns = at.since(self.fired.from);
        let side = match ns {
            0 => return "the shot".to_owned(),
            ..0 => "before",
            _ => "after",
        };
        format!("{} {side} the shot", seconds(ns.saturating_abs()))
    }

    /// What the machine counted, as evidence: all rows that it shows.
    pub(crate) fn interrupt_rows(&self) -> Vec<Evidence> {
        let Some(moved) = &self.moved else { return Vec::new() };
        let rows = [("MCE", moved.by.mce), ("THR", moved.by.thr), ("DFR", moved.by.dfr), ("MCP", moved.by.mcp)];
        let shown: Vec<String> = rows.iter().filter_map(|(row, by)| by.map(|by| format!("{row} +{by}"))).collect();
        if shown.is_empty() {
            return Vec::new();
        }
        let value = format!("{} {}", shown.join(", "), self.between(moved.span));
        let reported = format!("{} reported in that time, other errors", moved.reports);
        [("/proc/interrupts", value), ("reports", reported)]
            .into_iter()
            .map(|(fact, value)| Evidence { fact: fact.to_owned(), value })
            .collect()
    }

    /// `from 0.2 s before the shot to 1.3 s after it`.
    pub(crate) fn between(&self, span: Span) -> String {
        format!("from {} to {}", self.relative(span.from), self.relative(span.to))
    }
}

impl Nearby {
    /// As evidence: the report's number, and what it said.
    pub(crate) fn told(&self, facts: &Facts) -> Evidence {
        let place = match &self.place {
            Place::Here => "this slot".to_owned(),
            Place::SameController(name) | Place::Elsewhere(name) => name.clone(),
            Place::Unknown => "no certain place".to_owned(),
        };
        let count = if self.count == 0 { "1 or more".to_owned() } else { self.count.to_string() };
        let message = self.message.as_ref().filter(|m| !m.is_empty()).map(|m| format!(", {m:?}")).unwrap_or_default();
        let polled = if self.polled { ", found by the kernel's timer" } else { "" };
        Evidence {
            fact: format!("report {}", self.report),
            value: format!(
                "{count} {} on {place}, {}{polled}{message}",
                self.severity.word(),
                facts.relative(self.seen)
            ),
        }
    }

    /// Whether it could be about an error of the injected slot, as far as its place goes.
    pub(crate) fn may_be_here(&self) -> bool {
        matches!(self.place, Place::Here | Place::Unknown)
    }

    /// Whether it is about the controller of the injected slot for certain.
    pub(crate) fn is_same_controller(&self) -> bool {
        matches!(self.place, Place::Here | Place::SameController(_))
    }
}

impl LoneRecord {
    /// As evidence.
    pub(crate) fn told(&self, facts: &Facts) -> Evidence {
        let how = match (self.bank, self.polled) {
            (255, _) => "made by the kernel from a firmware record".to_owned(),
            (bank, true) => format!("bank {bank}, found by the kernel's timer"),
            (bank, false) => format!("bank {bank}, told by an interrupt"),
        };
        let what = if self.class == Class::Corrected { "corrected" } else { "not corrected" };
        Evidence {
            fact: "mce_record without mc_event".to_owned(),
            value: format!("{what}, {how}, status {:#x}, {}", self.status, facts.relative(self.seen)),
        }
    }
}

/// Seconds with as many digits as people want to read.
pub(crate) fn seconds(ns: i64) -> String {
    let seconds = ns as f64 / 1e9;
    match ns {
        0..1_000_000 => format!("{:.3} ms", seconds * 1e3),
        1_000_000..1_000_000_000 => format!("{:.0} ms", seconds * 1e3),
        _ if seconds < 100.0 => format!("{seconds:.1} s"),
        _ => format!("{seconds:.0} s"),
    }
}

/// The sum of what is known; nothing if none is.
fn sum(counts: [Option<u64>; 3]) -> Option<u64> {
    counts.iter().flatten().copied().reduce(u64::saturating_add)
}
