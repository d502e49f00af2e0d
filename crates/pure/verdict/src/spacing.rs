//! How far apart shots must be so that the kernel finds each of them, in the way it is meant to.
//!
//! A corrected error waits in a register bank of the machine-check hardware, one record for each bank, until an interrupt or a
//! poll fetches it. Too fast, and the kernel takes it for a storm and polls, or two errors become one record. Which slots share
//! a bank differs between processors: usually those of a channel or of a controller. It cannot be read from the kernel and is a
//! parameter. `plan` calls this.

use serde::Serialize;
use vocabulary::{FIRMWARE_DUPLICATE_NS, MachineSettings};

/// Set bits of a bank's history with which a storm begins. Source: `STORM_BEGIN_THRESHOLD` in the kernel's
/// `arch/x86/kernel/cpu/mce/internal.h`.
const STORM_BEGIN: u32 = 5;
/// Milliseconds between shots at one bank that never start a storm: a whole second more than the 15 s at which it never begins.
pub const CALM_MS: u64 = 16_000;
/// Polls without an error after which a storm is over, one a second. Source: `STORM_END_POLL_THRESHOLD` (29, counted from 0) in
/// `arch/x86/kernel/cpu/mce/internal.h`.
pub const STORM_END_POLLS: u32 = 30;
/// Seconds between two polls of the banks unless set otherwise. Source: `CHECK_INTERVAL` in `arch/x86/kernel/cpu/mce/internal.h`.
pub const CHECK_INTERVAL_S: u64 = 300;
/// Milliseconds between two polls of EDAC unless set otherwise. Source: `edac_mc_poll_msec` in `drivers/edac/edac_mc_sysfs.c`.
pub const EDAC_POLL_MS: u64 = 1000;

/// How a corrected error is found.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Way {
    /// Every one raises an interrupt.
    Interrupt,
    /// A timer looks into the banks; 0 for never.
    Polling {
        /// Seconds from one look to the next.
        every_s: u64,
    },
    /// EDAC's driver looks at its controller.
    EdacPolling {
        /// Milliseconds from one look to the next.
        every_ms: u64,
    },
    /// Firmware reads it first and tells the kernel.
    Firmware,
}

impl Way {
    /// What a machine's settings say. They do not say everything: an interrupt that comes only after thousands of errors, as
    /// the threshold interrupt of AMD processors does by default (`THRESHOLD_MAX` in `arch/x86/kernel/cpu/mce/amd.c`), looks
    /// like one that comes with each. Who knows better says so.
    #[must_use]
    pub fn of(settings: &MachineSettings) -> Way {
        let polling = Way::Polling { every_s: settings.check_interval_s.unwrap_or(CHECK_INTERVAL_S) };
        if settings.is_firmware_first(None) {
            Way::Firmware
        } else if settings.cmci_disabled == Some(true) || settings.is_booted_with("mce=no_cmci") {
            polling
        } else if settings.x86 {
            Way::Interrupt
        } else {
            Way::EdacPolling { every_ms: settings.edac_poll_ms.unwrap_or(EDAC_POLL_MS) }
        }
    }

    /// The shortest time between two shots at slots that share a bank, in milliseconds, and why.
    #[must_use]
    pub fn apart(self) -> (u64, String) {
        match self {
            Way::Interrupt => (
                CALM_MS,
                format!(
                    "five corrected-error interrupts of one bank, each less than 15 s after the one before, start a storm, in which the \
                     bank is polled once a second until {STORM_END_POLLS} polls found nothing (arch/x86/kernel/cpu/mce/threshold.c)"
                ),
            ),
            Way::Polling { every_s: 0 } => (CALM_MS, "the banks are never polled: set check_interval first".to_owned()),
            Way::Polling { every_s } => (
                every_s.saturating_add(1).saturating_mul(1000),
                format!(
                    "the banks are polled every {every_s} s, in whole seconds, and a bank keeps one record from poll to poll \
                     (mce_timer_fn in arch/x86/kernel/cpu/mce/core.c)"
                ),
            ),
            Way::EdacPolling { every_ms } => (
                every_ms.saturating_mul(2),
                format!("EDAC looks every {every_ms} ms, and two errors between two looks are one report or a count"),
            ),
            Way::Firmware => (
                FIRMWARE_DUPLICATE_NS.unsigned_abs() / 1_000_000 + 1000,
                "a record of firmware that equals one of the last 10 s can be taken for the same (drivers/acpi/apei/ghes.c)".to_owned(),
            ),
        }
    }

    /// The longest that finding takes, where that is known, in milliseconds.
    #[must_use]
    pub fn slowest_ms(self) -> Option<u64> {
        match self {
            Way::Interrupt | Way::Firmware | Way::Polling { every_s: 0 } => None,
            Way::Polling { every_s } => Some(every_s.saturating_mul(1000)),
            Way::EdacPolling { every_ms } => Some(every_ms),
        }
    }
}

/// With which of equally spaced interrupts of one bank a storm begins, if ever: the kernel's history of 64 bits, which moves on
/// by one bit for each begun second and takes a set bit for each error.
///
/// Source: `cmci_storm_begin()` and `mce_track_storm()` in `arch/x86/kernel/cpu/mce/threshold.c`.
#[must_use]
pub fn storm_begins_at(spacing_ms: u64) -> Option<u32> {
    let moves = u32::try_from(spacing_ms / 1000).unwrap_or(u32::MAX).saturating_add(1);
    let mut history = 0_u64;
    for error in 1..=64 {
        history = history.checked_shl(moves).unwrap_or(0) | 1;
        if history.count_ones() >= STORM_BEGIN {
            return Some(error);
        }
    }
    None
}

/// Which slots share a bank.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Banks {
    /// Those of one channel of a controller.
    #[default]
    Channel,
    /// Those of one controller.
    Controller,
    /// All.
    Machine,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn storms() {
        // Calculated from threshold.c of Linux 6.12: every 14 s a storm at the 5th, every 15 s never; five within a second at
        // the 5th.
        assert_eq!([0, 100, 14_000, 14_999].map(storm_begins_at), [Some(5); 4]);
        assert_eq!([15_000, CALM_MS, 63_000, 300_000, u64::MAX].map(storm_begins_at), [None; 5]);
    }

    #[test]
    fn ways_and_their_spacing() {
        let told = |edit: fn(&mut MachineSettings)| {
            let mut settings = MachineSettings { x86: true, ..MachineSettings::default() };
            edit(&mut settings);
            let way = Way::of(&settings);
            (way, way.apart().0)
        };
        assert_eq!(told(|_| ()), (Way::Interrupt, 16_000));
        // CHECK_INTERVAL in mce/internal.h is 5 * 60; edac_mc_poll_msec in edac_mc_sysfs.c is 1000.
        assert_eq!(told(|s| s.cmci_disabled = Some(true)), (Way::Polling { every_s: 300 }, 301_000));
        assert_eq!(
            told(|s| (s.boot, s.check_interval_s) = (vec!["mce=no_cmci".into()], Some(1))),
            (Way::Polling { every_s: 1 }, 2000)
        );
        assert_eq!(told(|s| s.x86 = false), (Way::EdacPolling { every_ms: 1000 }, 2000));
        let ghes = |s: &mut MachineSettings| {
            let name = Some("ghes_edac".into());
            s.controllers = Some(vec![vocabulary::ControllerName { controller: 0, name }]);
        };
        assert_eq!(told(ghes), (Way::Firmware, 11_000));
        assert_eq!(Way::Polling { every_s: 0 }.slowest_ms(), None);
        assert_eq!(Way::Polling { every_s: 300 }.slowest_ms(), Some(300_000));
    }
}
