//! The trace event `mce:mce_record`: one machine-check record, before any driver has looked at it.
//!
//! It is seen even where no EDAC driver is bound. Fields differ between kernels, so all but those that tell what
//! happened are optional. Source of the fields: `include/trace/events/mce.h`; the bits are `vocabulary::McStatus`.

use crate::fields::{DecodeError, IntAt};
use crate::format::{Format, FormatError};
use vocabulary::{MachineCheck, McStatus, Mono, Severity, Source, Span, Witness};

/// `X86_VENDOR_AMD` and `X86_VENDOR_HYGON` in `arch/x86/include/asm/processor.h`: one register layout.
const AMD: u8 = 2;
const HYGON: u8 = 9;

/// Where each field of the event is on this kernel.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct MceRecordLayout {
    id: u16,
    status: IntAt,
    bank: IntAt,
    cpu: IntAt,
    cpuvendor: IntAt,
    addr: Option<IntAt>,
    misc: Option<IntAt>,
    synd: Option<IntAt>,
    ipid: Option<IntAt>,
    tsc: Option<IntAt>,
    mcgstatus: Option<IntAt>,
    socketid: Option<IntAt>,
    walltime: Option<IntAt>,
}

/// One machine-check record. Names and meaning are the kernel's; 0 where this kernel has no such field.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct MceRecord {
    /// When the record went through the notifier chain, in the ring's clock.
    pub t: Mono,
    /// MCi_STATUS.
    pub status: u64,
    /// MCi_ADDR.
    pub addr: u64,
    /// MCi_MISC.
    pub misc: u64,
    /// MCA_SYND.
    pub synd: u64,
    /// MCA_IPID.
    pub ipid: u64,
    /// Time-stamp counter at capture; 0 where the periodic timer found it, and in records made up from firmware's.
    pub tsc: u64,
    /// MCG_STATUS.
    pub mcgstatus: u64,
    /// Whole seconds of CLOCK_REALTIME at capture.
    pub walltime: u64,
    /// The CPU that read the bank.
    pub cpu: u32,
    /// The socket.
    pub socketid: u32,
    /// The bank; 255 marks a record made up from a firmware record.
    pub bank: u8,
    /// 0 Intel, 2 AMD, 9 Hygon.
    pub cpuvendor: u8,
}

impl MceRecordLayout {
    /// The layout that a `format` file states.
    pub fn from_format(format: &Format) -> Result<MceRecordLayout, FormatError> {
        let need = |name| IntAt::need(format, name);
        let want = |name| IntAt::want(format, name);
        Ok(MceRecordLayout {
            id: format.id,
            status: need("status")?,
            bank: need("bank")?,
            cpu: need("cpu")?,
            cpuvendor: need("cpuvendor")?,
            addr: want("addr")?,
            misc: want("misc")?,
            synd: want("synd")?,
            ipid: want("ipid")?,
            tsc: want("tsc")?,
            mcgstatus: want("mcgstatus")?,
            socketid: want("socketid")?,
            walltime: want("walltime")?,
        })
    }

    /// The number in `common_type` of this event's records.
    #[must_use]
    pub fn id(&self) -> u16 {
        self.id
    }

    /// Decodes one record.
    pub fn decode(&self, payload: &[u8], t: Mono) -> Result<MceRecord, DecodeError> {
        let outside = |field| DecodeError { event: "mce_record", field, length: payload.len() };
        let need = |at: IntAt, field| at.bits(payload).ok_or_else(|| outside(field));
        let want = |at: Option<IntAt>, field| at.map_or(Ok(0), |at| need(at, field));
        Ok(MceRecord {
            t,
            status: need(self.status, "status")?,
            bank: need(self.bank, "bank")? as u8,
            cpu: need(self.cpu, "cpu")? as u32,
            cpuvendor: need(self.cpuvendor, "cpuvendor")? as u8,
            addr: want(self.addr, "addr")?,
            misc: want(self.misc, "misc")?,
            synd: want(self.synd, "synd")?,
            ipid: want(self.ipid, "ipid")?,
            tsc: want(self.tsc, "tsc")?,
            mcgstatus: want(self.mcgstatus, "mcgstatus")?,
            socketid: want(self.socketid, "socketid")? as u32,
            walltime: want(self.walltime, "walltime")?,
        })
    }
}

impl MceRecord {
    fn is_amd(&self) -> bool {
        matches!(self.cpuvendor, AMD | HYGON)
    }

    /// How bad: by the bits that all makers share, and AMD's bit for deferred errors.
    #[must_use]
    pub fn severity(&self) -> Severity {
        match McStatus(self.status) {
            s if s.uncorrected() && s.context_corrupt() => Severity::Fatal,
            s if s.uncorrected() => Severity::Uncorrected,
            s if s.deferred() && self.is_amd() => Severity::Deferred,
            _ => Severity::Corrected,
        }
    }

    /// How many errors: the bank's own count of corrected ones, which may be 0; one for anything else, and on AMD, where
    /// those bits mean something else.
    #[must_use]
    pub fn count(&self) -> u32 {
        let status = McStatus(self.status);
        if self.is_amd() || status.uncorrected() { 1 } else { status.corrected_count() }
    }

    /// The record as a witness: no place, since only a driver knows which slot a bank's numbers mean.
    #[must_use]
    pub fn to_witness(&self) -> Witness {
        let mut w = Witness::new(Source::MceRecord, Span::point(self.t), self.severity());
        w.count = self.count();
        let status = McStatus(self.status);
        w.address = status.address_valid().then_some(self.addr);
        w.syndrome = (self.is_amd() && status.syndrome_valid()).then_some(self.synd);
        w.machine_check = Some(Box::new(MachineCheck {
            bank: self.bank,
            status: self.status,
            misc: self.misc,
            cpu: self.cpu,
            tsc: self.tsc,
            ipid: self.ipid,
            cpuvendor: self.cpuvendor,
        }));
        w
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::build::{MCE_RECORD_FORMAT, RecordWriter};
    use vocabulary::FoundBy;

    fn record(status: u64, cpuvendor: u8) -> MceRecord {
        let format = Format::parse(MCE_RECORD_FORMAT).unwrap();
        let payload = RecordWriter::new(&format)
            .int("status", status)
            .int("cpuvendor", u64::from(cpuvendor))
            .int("bank", 8)
            .int("addr", 0x1234_5040)
            .int("synd", 0x77)
            .int("cpu", 3)
            .finish();
        MceRecordLayout::from_format(&format).unwrap().decode(&payload, Mono(9)).unwrap()
    }

    #[test]
    fn status_words() {
        // Bits: arch/x86/include/asm/mce.h. The first value is the example of
        // Documentation/firmware-guide/acpi/apei/einj.rst; 0x9c.., 0xbc.. and 0xbe..9f are what
        // arch/x86/kernel/cpu/mce/apei.c makes up from a firmware record.
        let table = [
            (0x8c00_0040_0001_0090, 0, Severity::Corrected, 1, true),
            (0xcc00_0080_0001_0091, 0, Severity::Corrected, 2, true),
            (0x8c00_0040_0008_00c1, 0, Severity::Corrected, 1, true),
            (0x9c00_0000_0000_009f, 0, Severity::Corrected, 0, true),
            (0xbc00_0000_0000_009f, 0, Severity::Uncorrected, 1, true),
            (0xbe00_0000_0000_009f, 0, Severity::Fatal, 1, true),
            (0xbd80_0000_0010_0134, 0, Severity::Uncorrected, 1, false),
            // AMD: deferred is bit 44, and bits 52:38 are no count.
            (0x9c20_5000_0000_011b, 2, Severity::Deferred, 1, false),
            (0x9c20_4040_0000_011b, 2, Severity::Corrected, 1, false),
            // The same bit 44 on Intel belongs to the count.
            (0x8c00_1000_0001_0090, 0, Severity::Corrected, 64, true),
        ];
        for (status, vendor, severity, count, memory) in table {
            let r = record(status, vendor);
            assert_eq!((r.severity(), r.count()), (severity, count), "{status:#x}");
            let w = r.to_witness();
            assert_eq!((w.severity, w.count, w.address), (severity, count, Some(0x1234_5040)), "{status:#x}");
            if vendor == 0 {
                assert_eq!(w.is_memory_error(), memory, "{status:#x}");
            }
        }
    }

    #[test]
    fn address_and_syndrome_only_where_the_status_says_so() {
        assert_eq!(record(0x8800_0040_0001_0090, 0).to_witness().address, None);
        assert_eq!(record(0x8c20_0040_0001_0090, 0).to_witness().syndrome, None);
        assert_eq!(record(0x9c20_4000_0000_011b, 2).to_witness().syndrome, Some(0x77));
        assert_eq!(record(0x9c00_4000_0000_011b, 2).to_witness().syndrome, None);
    }

    #[test]
    fn how_the_record_was_found() {
        // arch/x86/kernel/cpu/mce/core.c: the timer's machine_check_poll() takes no time stamp; mce/apei.c: bank -1, and no
        // time stamp below a panic; mce/apei.c leaves the count of corrected errors at 0.
        let format = Format::parse(MCE_RECORD_FORMAT).unwrap();
        let layout = MceRecordLayout::from_format(&format).unwrap();
        let found = |status: u64, bank: u64, tsc: u64| {
            let writer = RecordWriter::new(&format).int("status", status).int("bank", bank).int("tsc", tsc);
            let w = layout.decode(&writer.finish(), Mono(1)).unwrap().to_witness();
            (w.found_by(), w.count, w.machine_check.unwrap().is_synthetic())
        };
        assert_eq!(found(0x8c00_0040_0001_0090, 8, 77), (FoundBy::Interrupt, 1, false));
        assert_eq!(found(0x8c00_0040_0001_0090, 8, 0), (FoundBy::Polling, 1, false));
        assert_eq!(found(0x9c00_0000_0000_009f, 255, 0), (FoundBy::Firmware, 0, true));
        assert_eq!(found(0xbc00_0000_0000_009f, 255, 0), (FoundBy::Firmware, 1, true));
        assert_eq!(found(0xbe00_0000_0000_009f, 255, 77), (FoundBy::Firmware, 1, true));
    }

    #[test]
    fn fields_that_a_kernel_has_not_are_zero() {
        let text: String = MCE_RECORD_FORMAT
            .lines()
            .filter(|l| {
                !["synd", "ipid", "ppin", "microcode", "walltime"].iter().any(|n| l.contains(&format!(" {n};")))
            })
            .map(|l| format!("{l}\n"))
            .collect();
        let format = Format::parse(&text).unwrap();
        let payload = RecordWriter::new(&format).int("status", 0x8c00_0040_0001_0090).int("bank", 255).finish();
        let r = MceRecordLayout::from_format(&format).unwrap().decode(&payload, Mono(1)).unwrap();
        assert_eq!((r.synd, r.ipid, r.walltime, r.bank), (0, 0, 0, 255));
        assert!(r.to_witness().machine_check.unwrap().is_synthetic());
        let none = Format::parse(&text.replace(" status;", " state;")).unwrap();
        let error = MceRecordLayout::from_format(&none).unwrap_err().to_string();
        assert_eq!(error, "format of mce_record: the field status is missing");
        let short = MceRecordLayout::from_format(&format).unwrap().decode(&payload[..20], Mono(1)).unwrap_err();
        assert!(short.to_string().starts_with("mce_record record of 20 bytes: the field"), "{short}");
    }
}
