//! One raw observation from one source.

use crate::{FoundBy, McStatus, Severity, Span};
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
    /// The time-stamp counter at capture; 0 where the periodic timer found it, and in records made up from firmware's.
    pub tsc: u64,
    /// MCi_IPID, on processors that have it.
    pub ipid: u64,
    /// The processor's maker as the kernel numbers it: 0 Intel, 2 AMD.
    pub cpuvendor: u8,
}

impl MachineCheck {
    /// Whether the kernel made the record up from a firmware record: `apei_mce_report_mem_error()` in
    /// `arch/x86/kernel/cpu/mce/apei.c` puts -1 into the bank, a number of eight bits.
    #[must_use]
    pub fn is_synthetic(&self) -> bool {
        self.bank == 255
    }

    /// Whether the registers are AMD's: `X86_VENDOR_AMD` and `X86_VENDOR_HYGON` in `arch/x86/include/asm/processor.h`.
    fn is_amd(&self) -> bool {
        matches!(self.cpuvendor, 2 | 9)
    }

    /// Whether the record is a hardware bank's on an AMD processor whose banks have identities.
    fn is_scalable_amd(&self) -> bool {
        self.is_amd() && self.ipid != 0 && !self.is_synthetic()
    }
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
        let controller_code = McStatus(mc.status).is_memory_controller();
        if !mc.is_amd() {
            return controller_code;
        }
        let extended_code = (mc.status >> 16) & 0x1f;
        if mc.ipid != 0 {
            let (hwid, kind) = ((mc.ipid >> 32) & 0xfff, mc.ipid >> 48);
            return hwid == 0x96 && kind <= 1 && extended_code == 0;
        }
        controller_code || (mc.bank == 4 && extended_code == 8)
    }

    /// How the error was found.
    ///
    /// A machine-check record has a time stamp unless the periodic timer found it: `machine_check_poll()` in
    /// `arch/x86/kernel/cpu/mce/core.c` takes one only under `MCP_TIMESTAMP`, which the interrupts set and the timer does not. A
    /// record made up from a firmware record has none either (`arch/x86/kernel/cpu/mce/apei.c`). The driver for firmware's
    /// records puts `APEI location:` before everything else that it has to say (`drivers/edac/ghes_edac.c`).
    #[must_use]
    pub fn found_by(&self) -> FoundBy {
        let by_firmware = |detail: &str| detail.trim_start().starts_with("APEI location:");
        match (self.source, &self.machine_check) {
            (Source::Counter, _) => FoundBy::Counter,
            (Source::McEvent, _) if self.detail.as_deref().is_some_and(by_firmware) => FoundBy::Firmware,
            (Source::MceRecord, Some(mc)) if mc.is_synthetic() => FoundBy::Firmware,
            (Source::MceRecord, Some(mc)) if mc.tsc == 0 => FoundBy::Polling,
            _ => FoundBy::Interrupt,
        }
    }

    /// The address, where it is one of the whole machine's: what two witnesses of one error have in common.
    ///
    /// A memory-controller bank of an AMD processor has the controller's own address, which the driver translates
    /// (`decode_umc_error()` in `drivers/edac/amd64_edac.c`): it is not the address of the driver's event.
    #[must_use]
    pub fn physical_address(&self) -> Option<u64> {
        let own = self.machine_check.as_ref().is_some_and(|mc| mc.is_scalable_amd());
        self.address.filter(|_| !own)
    }

    /// The syndrome as the driver puts it into its event.
    ///
    /// An AMD record has the whole register MCA_SYND: bits 23 to 18 say how many bits the syndrome has, which begins at bit 32
    /// (`decode_umc_error()` in `drivers/edac/amd64_edac.c`, which takes it for corrected errors only).
    #[must_use]
    pub fn driver_syndrome(&self) -> Option<u64> {
        let Some(mc) = self.machine_check.as_ref().filter(|mc| mc.is_amd()) else { return self.syndrome };
        let register = self.syndrome.filter(|_| mc.is_scalable_amd() && self.severity == Severity::Corrected)?;
        let length = (register >> 18) & 0x3f;
        let syndrome = (register >> 32) & !(u64::MAX << length);
        (syndrome != 0).then_some(syndrome)
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
    fn how_an_error_was_found() {
        let found = |tsc, bank| {
            let mut w = record(0x8c00_0040_0001_0090, 0, 0, bank);
            w.machine_check.as_mut().unwrap().tsc = tsc;
            w.found_by()
        };
        // arch/x86/kernel/cpu/mce/core.c: no MCP_TIMESTAMP from mce_timer_fn(). mce/apei.c: no time stamp below a panic.
        assert_eq!([found(1, 8), found(0, 8)], [FoundBy::Interrupt, FoundBy::Polling]);
        assert_eq!([found(1, 255), found(0, 255)], [FoundBy::Firmware, FoundBy::Firmware]);
        let event = |detail: Option<&str>| {
            let mut w = Witness::new(Source::McEvent, Span::point(Mono(0)), Severity::Corrected);
            w.detail = detail.map(Into::into);
            w.found_by()
        };
        // drivers/edac/ghes_edac.c, print_mem_error_other_detail(); skx_common.c, skx_mce_output_error().
        assert_eq!(event(Some("APEI location: node:0 card:1 ")), FoundBy::Firmware);
        assert_eq!(event(Some(" err_code:0x0001:0x0090")), FoundBy::Interrupt);
        assert_eq!(event(None), FoundBy::Interrupt);
        let step = Witness::new(Source::Counter, Span::new(Mono(0), Mono(9)), Severity::Corrected);
        assert_eq!(step.found_by(), FoundBy::Counter);
    }

    #[test]
    fn what_an_amd_record_has_in_common_with_its_event() {
        // drivers/edac/amd64_edac.c, decode_umc_error(): the address is normalized, the syndrome is
        // (synd >> 32) & GENMASK(length - 1, 0) with length = (synd >> 18) & 0x3f.
        let umc = |synd: u64, severity| {
            let mut w = record(0x9c20_4000_0000_011b, 2, 0x0000_0096_0000_0000, 17);
            (w.address, w.syndrome, w.severity) = (Some(0x1234_5040), Some(synd), severity);
            (w.physical_address(), w.driver_syndrome())
        };
        assert_eq!(umc(0xabcd_1234_0000_0001 | 16 << 18, Severity::Corrected), (None, Some(0x1234)));
        assert_eq!(umc(0xabcd_1234_0000_0001 | 32 << 18, Severity::Corrected), (None, Some(0xabcd_1234)));
        assert_eq!(umc(0xabcd_1234_0000_0001 | 63 << 18, Severity::Corrected), (None, Some(0xabcd_1234)));
        assert_eq!(umc(0xabcd_1234_0000_0001, Severity::Corrected), (None, None));
        assert_eq!(umc(0xabcd_1234_0000_0001 | 16 << 18, Severity::Uncorrected), (None, None));
        // Intel's record has the address of the event, and firmware's record an address of the whole machine on any processor.
        for mut other in [record(0x8c00_0040_0001_0090, 0, 0, 8), record(0x9c00_0000_0000_009f, 2, 0, 255)] {
            other.address = Some(0x1234_5040);
            assert_eq!((other.physical_address(), other.driver_syndrome()), (Some(0x1234_5040), None));
        }
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
