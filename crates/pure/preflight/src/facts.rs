//! What was read from the machine, before anybody judges it.
//!
//! `kernel-watch` fills this in. There is no field for a conclusion: every value is a file's text, or that it is not there,
//! or why it could not be read.

use vocabulary::Dimm;

/// What a file or directory said.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Found<T> {
    /// It is there, and this is what it holds.
    Value(T),
    /// It is not there.
    Absent,
    /// It could not be read, and why.
    Unreadable(String),
}

/// One file or directory and what it said.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Fact<T = String> {
    /// Its path, as it was opened.
    pub file: String,
    /// What was found there.
    pub found: Found<T>,
}

impl<T> Fact<T> {
    /// What it holds, if it could be read.
    #[must_use]
    pub fn value(&self) -> Option<&T> {
        match &self.found {
            Found::Value(value) => Some(value),
            _ => None,
        }
    }

    /// Whether it is known not to be there.
    #[must_use]
    pub fn is_absent(&self) -> bool {
        matches!(self.found, Found::Absent)
    }
}

/// A directory that is to be written to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Directory {
    /// Whether this user may make files there.
    pub writable: bool,
    /// Bytes that this user may still write, where the file system tells.
    pub free_bytes: Option<u64>,
}

/// Everything that is judged. Texts are without the newline at their end.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct MachineFacts {
    /// The hardware's name as in `uname -m`.
    pub arch: Fact,
    /// The boot parameters.
    pub cmdline: Fact,
    /// EDAC's controllers: number and the driver's name for each, in order. The file is the directory that holds them.
    pub controllers: Fact<Vec<(u16, Option<String>)>>,
    /// The `dimm` and `rank` objects of all controllers.
    pub dimms: Vec<Dimm>,
    /// `edac_mc_panic_on_ue` of `edac_core`.
    pub panic_on_ue: Fact,
    /// `edac_mc_poll_msec` of `edac_core`.
    pub poll_msec: Fact,
    /// The directory of trace events.
    pub trace_events: Fact<()>,
    /// The clocks of the trace ring.
    pub trace_clock: Fact,
    /// The directory of trace instances: whether the own instance is there or can be made.
    pub instances: Fact<bool>,
    /// The format of the event of memory controllers.
    pub mc_event: Fact,
    /// The format of the event of machine checks.
    pub mce_record: Fact,
    /// The directory with the machine-check settings of the first CPU.
    pub machinecheck: Fact<()>,
    /// Seconds between two polls of the machine-check banks.
    pub check_interval: Fact,
    /// Whether corrected errors are left in their banks.
    pub ignore_ce: Fact,
    /// Whether corrected errors are dropped unlogged.
    pub dont_log_ce: Fact,
    /// Whether corrected errors raise no interrupt.
    pub cmci_disabled: Fact,
    /// The mount of debugfs: whether anything is mounted there.
    pub debugfs: Fact<bool>,
    /// The directory of the collector of corrected errors.
    pub collector: Fact<()>,
    /// The kernel's lockdown, with the chosen word in brackets.
    pub lockdown: Fact,
    /// The clock source.
    pub clocksource: Fact,
    /// The mounts of this process, as in `mountinfo`.
    pub mounts: Fact,
    /// The directory of the database.
    pub database: Fact<Directory>,
}

/// Whether the hardware of this name, as in `uname -m`, is of the x86 kind.
#[must_use]
pub fn is_x86(arch: &str) -> bool {
    // The words are i386 to i686, and x86_64.
    arch == "x86_64" || (arch.starts_with('i') && arch.ends_with("86"))
}

impl MachineFacts {
    /// Whether this is an x86 machine: only those have the machine-check files.
    pub(crate) fn is_x86(&self) -> bool {
        self.arch.value().is_some_and(|arch| is_x86(arch))
    }

    /// Whether the firmware reads the errors first and hands them on: its driver is the one with this name.
    pub(crate) fn is_firmware_first(&self) -> bool {
        // drivers/edac/ghes_edac.c: ctl_name.
        let controllers = self.controllers.value().map(Vec::as_slice).unwrap_or_default();
        controllers.iter().any(|(_, name)| name.as_deref() == Some("ghes_edac"))
    }

    /// Whether this is among the boot parameters.
    pub(crate) fn is_booted_with(&self, parameter: &str) -> bool {
        self.cmdline.value().is_some_and(|line| line.split_whitespace().any(|word| word == parameter))
    }
}
