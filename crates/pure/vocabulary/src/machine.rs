//! What a machine shows of itself beside its reports: what its machine-check layer counted, and how it was set.
//!
//! A run keeps these so that a missed shot can be looked into. They take no part in pairing.

use crate::Mono;
use serde::{Deserialize, Serialize};

/// Totals that only grow within a boot. Nothing where the machine does not show one.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default, Serialize, Deserialize)]
pub struct MachineCounts {
    /// Machine-check exceptions of all CPUs: row `MCE` of `/proc/interrupts`.
    pub mce: Option<u64>,
    /// Looks into the machine-check banks, by timer or interrupt: row `MCP`.
    pub mcp: Option<u64>,
    /// Threshold and corrected-error interrupts: row `THR`.
    pub thr: Option<u64>,
    /// Deferred-error interrupts: row `DFR`.
    pub dfr: Option<u64>,
    /// Errors that the collector of corrected errors took in: `CEs` in `ras/cec/array` of debugfs.
    pub collected: Option<u64>,
    /// Pages that it took out of use: `offlined pages` there.
    pub offlined: Option<u64>,
    /// KiB of memory out of use after errors: `HardwareCorrupted` of `/proc/meminfo`.
    pub corrupted_kb: Option<u64>,
}

/// How a machine is set. What could not be read is nothing.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct MachineSettings {
    /// Whether the machine is of the x86 kind: only those have the machine-check files.
    pub x86: bool,
    /// Whether machine-check banks are shown at all.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub machine_check: Option<bool>,
    /// Seconds between two polls of the banks; 0 for none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub check_interval_s: Option<u64>,
    /// Corrected errors are left in their banks.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ignore_ce: Option<bool>,
    /// Corrected errors are dropped unlogged.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dont_log_ce: Option<bool>,
    /// Corrected errors raise no interrupt.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cmci_disabled: Option<bool>,
    /// Milliseconds between two looks of EDAC at controllers that raise no interrupt.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub edac_poll_ms: Option<u64>,
    /// EDAC's controllers with the names that their drivers give; nothing where they could not be listed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub controllers: Option<Vec<ControllerName>>,
    /// Whether the collector of corrected errors is there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub collector: Option<bool>,
    /// The boot parameters that concern errors: those that begin with `mce` or `ras`, and `nomce`.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub boot: Vec<String>,
}

/// A memory controller and its driver's name for it.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub struct ControllerName {
    /// The number in `mc<N>`.
    pub controller: u16,
    /// What its `mc_name` says.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
}

/// One look at the machine, kept because something had changed since the look before.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct MachineSample {
    /// The look before this one; the same as `at` for the first of a watch.
    pub from: Mono,
    /// This look.
    pub at: Mono,
    /// What it saw.
    pub counts: MachineCounts,
    /// How the machine is set, if that is new.
    pub settings: Option<Box<MachineSettings>>,
}

impl MachineSettings {
    /// Whether the firmware reads the errors of a controller first, or those of any if no controller is named.
    ///
    /// Source: `ctl_name` in the kernel's `drivers/edac/ghes_edac.c`.
    #[must_use]
    pub fn is_firmware_first(&self, controller: Option<u16>) -> bool {
        let all = self.controllers.as_deref().unwrap_or_default();
        all.iter()
            .filter(|c| controller.is_none_or(|n| n == c.controller))
            .any(|c| c.name.as_deref() == Some("ghes_edac"))
    }

    /// Whether the kernel was booted with this.
    #[must_use]
    pub fn is_booted_with(&self, parameter: &str) -> bool {
        self.boot.iter().any(|word| word == parameter)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_survive_json_and_leave_out_what_is_not_known() {
        assert_eq!(serde_json::to_string(&MachineSettings::default()).unwrap(), r#"{"x86":false}"#);
        let names = vec![ControllerName { controller: 1, name: Some("ghes_edac".into()) }];
        let settings = MachineSettings {
            ignore_ce: Some(false),
            controllers: Some(names),
            boot: vec!["mce=no_cmci".into()],
            ..MachineSettings::default()
        };
        let text = serde_json::to_string(&settings).unwrap();
        assert_eq!(serde_json::from_str::<MachineSettings>(&text).unwrap(), settings);
        // drivers/edac/ghes_edac.c: ctl_name.
        assert!(settings.is_firmware_first(Some(1)) && settings.is_firmware_first(None));
        assert!(!settings.is_firmware_first(Some(0)));
        assert!(settings.is_booted_with("mce=no_cmci") && !settings.is_booted_with("mce"));
    }
}
