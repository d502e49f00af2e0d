//! One raw observation from one source.

use crate::{Severity, Span};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Where an observation came from.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub enum Source {
    /// The trace event `ras:mc_event`.
    McEvent,
    /// The trace event `mce:mce_record`.
    MceRecord,
    /// A step of an EDAC counter in sysfs.
    Counter,
}

impl Source {
    /// The word for files, tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Source::McEvent => "mc_event",
            Source::MceRecord => "mce_record",
            Source::Counter => "counter",
        }
    }

    /// The source that a word names.
    #[must_use]
    pub fn parse(word: &str) -> Option<Source> {
        [Source::McEvent, Source::MceRecord, Source::Counter].into_iter().find(|s| s.word() == word)
    }
}

/// Layer positions as the kernel has them, top layer first; -1 is unknown, or a layer that the controller has not.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct Layers(pub [i16; 3]);

impl Layers {
    /// Nothing known.
    pub const UNKNOWN: Layers = Layers([-1; 3]);

    /// From a list as files have it, such as `[1,0]`; further positions are unknown.
    #[must_use]
    pub fn from_slice(positions: &[i16]) -> Layers {
        let mut layers = [-1; 3];
        for (to, from) in layers.iter_mut().zip(positions) {
            *to = *from;
        }
        Layers(layers)
    }

    /// The positions without the unknown ones at the end: what files show.
    #[must_use]
    pub fn trimmed(&self) -> &[i16] {
        let known = self.0.iter().rposition(|p| *p >= 0).map_or(0, |i| i + 1);
        self.0.get(..known).unwrap_or(&[])
    }
}

/// What `mce:mce_record` says beyond the common fields. Names as in the kernel's event.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct MachineCheck {
    /// The bank; 255 marks a record made up from a firmware record.
    pub bank: u8,
    /// MCi_STATUS.
    pub status: u64,
    /// MCi_MISC.
    pub misc: u64,
    /// The CPU that read the bank.
    pub cpu: u32,
    /// The time-stamp counter at capture; 0 proves that the periodic timer found it.
    pub tsc: u64,
    /// MCi_IPID, on processors that have it.
    pub ipid: u64,
    /// The processor's maker as the kernel numbers it: 0 Intel, 2 AMD.
    pub cpuvendor: u8,
}

/// One raw observation from one source.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Witness {
    /// When: a point for trace events, the interval between two reads for a counter step.
    pub span: Span,
    /// Where it came from.
    pub source: Source,
    /// The memory controller, if known.
    pub controller: Option<u16>,
    /// The position below the controller.
    pub layers: Layers,
    /// The slot label as the kernel printed it.
    pub label: Option<Arc<str>>,
    /// How bad.
    pub severity: Severity,
    /// How many errors it stands for; 0 is "at least one, number unknown".
    pub count: u32,
    /// The physical address, if there was one.
    pub address: Option<u64>,
    /// The syndrome, if there was one; its meaning is the driver's.
    pub syndrome: Option<u64>,
    /// The driver's message.
    pub message: Option<Arc<str>>,
    /// The driver's further text.
    pub detail: Option<Arc<str>>,
    /// The machine-check part of `mce:mce_record`.
    pub machine_check: Option<Box<MachineCheck>>,
}

impl Witness {
    /// A witness that knows nothing but its source, time and severity.
    #[must_use]
    pub fn new(source: Source, span: Span, severity: Severity) -> Witness {
        Witness {
            span,
            source,
            controller: None,
            layers: Layers::UNKNOWN,
            label: None,
            severity,
            count: 1,
            address: None,
            syndrome: None,
            message: None,
            detail: None,
            machine_check: None,
        }
    }

    /// Whether a machine-check record is about memory: a memory-controller code, or the memory-controller bank of AMD and
    /// Hygon processors (vendors 2 and 9).
    ///
    /// Source: `mce_is_memory_error()` in the kernel's `arch/x86/kernel/cpu/mce/core.c` for the mask, and
    /// `smca_hwid_mcatypes` in `amd.c` for the unified memory controller (hardware id 0x96, types 0 and 1).
    #[must_use]
    pub fn is_memory_error(&self) -> bool {
        let Some(mc) = &self.machine_check else { return true };
        let controller_code = mc.status & 0xef80 == 0x80;
        if !matches!(mc.cpuvendor, 2 | 9) {
            return controller_code;
        }
        let extended_code = (mc.status >> 16) & 0x1f;
        if mc.ipid != 0 {
            let (hwid, kind) = ((mc.ipid >> 32) & 0xfff, mc.ipid >> 48);
            return hwid == 0x96 && kind <= 1 && extended_code == 0;
        }
        controller_code || (mc.bank == 4 && extended_code == 8)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Mono;

    fn record(status: u64, cpuvendor: u8, ipid: u64, bank: u8) -> Witness {
        let mut w = Witness::new(Source::MceRecord, Span::point(Mono(0)), Severity::Corrected);
        w.machine_check = Some(Box::new(MachineCheck { status, cpuvendor, ipid, bank, ..MachineCheck::default() }));
        w
    }

    #[test]
    fn memory_controller_codes() {
        // arch/x86/kernel/cpu/mce/core.c: (status & 0xef80) == BIT(7); bit 12 filters and is masked out.
        assert!(record(0x8c00_0040_0001_0090, 0, 0, 8).is_memory_error());
        assert!(record(0x1092, 0, 0, 8).is_memory_error());
        assert!(record(0x9c00_0000_0000_009f, 0, 0, 255).is_memory_error());
        assert!(!record(0xbd80_0000_0010_0134, 0, 0, 1).is_memory_error());
        // arch/x86/kernel/cpu/mce/amd.c: HWID_MCATYPE(0x96, 0x0) is the unified memory controller.
        assert!(record(0x9c20_4000_0000_011b, 2, 0x0000_0096_0000_0000, 17).is_memory_error());
        assert!(!record(0x9c20_4000_0001_011b, 2, 0x0000_0096_0000_0000, 17).is_memory_error());
        assert!(!record(0x9c20_4000_0000_011b, 2, 0x0000_00b0_0000_0000, 5).is_memory_error());
    }

    #[test]
    fn layers_trim_and_fill() {
        assert_eq!(Layers::from_slice(&[1, 0]), Layers([1, 0, -1]));
        assert_eq!(Layers([1, 0, -1]).trimmed(), &[1, 0]);
        assert_eq!(Layers([-1, 0, -1]).trimmed(), &[-1, 0]);
        assert_eq!(Layers::UNKNOWN.trimmed(), &[] as &[i16]);
        assert_eq!(Layers::from_slice(&[1, 2, 3, 4]), Layers([1, 2, 3]));
    }
}
