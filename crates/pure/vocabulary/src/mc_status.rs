//! The status word of a machine-check bank, taken apart.
//!
//! Source of the bits: `arch/x86/include/asm/mce.h` (`MCI_STATUS_*`, `MCI_STATUS_CEC_SHIFT`, `MCI_STATUS_CEC_MASK`); of the
//! memory controller's code `000F 0000 1MMM CCCC`: the table in `drivers/edac/sb_edac.c` and `mce_is_memory_error()` in
//! `arch/x86/kernel/cpu/mce/core.c`. It says what the bits say; what an error means is for its caller, `kernel-bytes` and
//! [`Witness`](crate::Witness), to say.

/// MCi_STATUS.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct McStatus(pub u64);

/// What the memory controller was doing, from the MMM field of its code.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Access {
    /// 0: not said.
    Generic,
    /// 1: a read.
    Read,
    /// 2: a write.
    Write,
    /// 3: the address or command lines.
    AddressCommand,
    /// 4: the patrol scrubber.
    Scrub,
}

impl McStatus {
    /// Bit 63, VAL: the bank holds an error.
    #[must_use]
    pub fn valid(self) -> bool {
        self.bit(63)
    }

    /// Bit 62, OVER: a further error came before the bank was read; address and syndrome are those of one of them only.
    #[must_use]
    pub fn overflow(self) -> bool {
        self.bit(62)
    }

    /// Bit 61, UC: not corrected.
    #[must_use]
    pub fn uncorrected(self) -> bool {
        self.bit(61)
    }

    /// Bit 60, EN: reporting of this error was enabled.
    #[must_use]
    pub fn enabled(self) -> bool {
        self.bit(60)
    }

    /// Bit 59, MISCV: MCi_MISC holds something.
    #[must_use]
    pub fn misc_valid(self) -> bool {
        self.bit(59)
    }

    /// Bit 58, ADDRV: MCi_ADDR holds an address.
    #[must_use]
    pub fn address_valid(self) -> bool {
        self.bit(58)
    }

    /// Bit 57, PCC: the processor's context is corrupt.
    #[must_use]
    pub fn context_corrupt(self) -> bool {
        self.bit(57)
    }

    /// Bit 56, S, not on AMD: signalled by a machine-check exception.
    #[must_use]
    pub fn signaled(self) -> bool {
        self.bit(56)
    }

    /// Bit 55, AR, not on AMD: software must act before it goes on.
    #[must_use]
    pub fn action_required(self) -> bool {
        self.bit(55)
    }

    /// Bit 53, SYNDV, AMD only: MCA_SYND holds a syndrome.
    #[must_use]
    pub fn syndrome_valid(self) -> bool {
        self.bit(53)
    }

    /// Bit 44, AMD only: deferred.
    #[must_use]
    pub fn deferred(self) -> bool {
        self.bit(44)
    }

    /// Bits 52 to 38, not on AMD: how many corrected errors; 0 where the bank does not count.
    #[must_use]
    pub fn corrected_count(self) -> u32 {
        ((self.0 >> 38) & 0x7fff) as u32
    }

    /// Bits 31 to 16, MSCOD: the model's own code.
    #[must_use]
    pub fn model_code(self) -> u16 {
        ((self.0 >> 16) & 0xffff) as u16
    }

    /// Bits 15 to 0, MCACOD: the architecture's code.
    #[must_use]
    pub fn code(self) -> u16 {
        (self.0 & 0xffff) as u16
    }

    /// Whether the code is the memory controller's. Bit 12 only says that repeats may be filtered out.
    #[must_use]
    pub fn is_memory_controller(self) -> bool {
        self.0 & 0xef80 == 0x80
    }

    /// What the memory controller was doing; nothing for another code, or a number that means nothing.
    #[must_use]
    pub fn access(self) -> Option<Access> {
        match (self.is_memory_controller(), (self.0 >> 4) & 7) {
            (true, 0) => Some(Access::Generic),
            (true, 1) => Some(Access::Read),
            (true, 2) => Some(Access::Write),
            (true, 3) => Some(Access::AddressCommand),
            (true, 4) => Some(Access::Scrub),
            _ => None,
        }
    }

    /// The channel of a memory controller's code; nothing for another code, or where it says 15, "not given".
    #[must_use]
    pub fn channel(self) -> Option<u8> {
        let channel = (self.0 & 0xf) as u8;
        (self.is_memory_controller() && channel != 0xf).then_some(channel)
    }

    fn bit(self, n: u32) -> bool {
        self.0 >> n & 1 == 1
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// VAL, OVER, UC, EN, MISCV, ADDRV, PCC, S, AR as a word of letters.
    fn letters(s: McStatus) -> String {
        let bits = [
            (s.valid(), 'V'),
            (s.overflow(), 'O'),
            (s.uncorrected(), 'U'),
            (s.enabled(), 'E'),
            (s.misc_valid(), 'M'),
            (s.address_valid(), 'A'),
            (s.context_corrupt(), 'P'),
            (s.signaled(), 'S'),
            (s.action_required(), 'R'),
        ];
        bits.iter().filter(|(set, _)| *set).map(|(_, letter)| letter).collect()
    }

    #[test]
    fn status_words() {
        // The first is the example of Documentation/firmware-guide/acpi/apei/einj.rst, the next two are made from the bits of
        // arch/x86/include/asm/mce.h and the code of drivers/edac/sb_edac.c, the three with ..9f are what
        // apei_mce_report_mem_error() in arch/x86/kernel/cpu/mce/apei.c makes up, the last is a data load (0x134).
        let table = [
            (0x8c00_0040_0001_0090, "VMA", 1, 0x0001, Some(Access::Read), Some(0)),
            (0xcc00_0080_0001_0091, "VOMA", 2, 0x0001, Some(Access::Read), Some(1)),
            (0x8c00_0040_0008_00c1, "VMA", 1, 0x0008, Some(Access::Scrub), Some(1)),
            (0x9c00_0000_0000_009f, "VEMA", 0, 0, Some(Access::Read), None),
            (0xbc00_0000_0000_009f, "VUEMA", 0, 0, Some(Access::Read), None),
            (0xbe00_0000_0000_009f, "VUEMAP", 0, 0, Some(Access::Read), None),
            (0xbd80_0000_0010_0134, "VUEMASR", 0, 0x0010, None, None),
        ];
        for (word, bits, count, model, access, channel) in table {
            let s = McStatus(word);
            assert_eq!(letters(s), bits, "{word:#x}");
            assert_eq!((s.corrected_count(), s.model_code()), (count, model), "{word:#x}");
            assert_eq!((s.access(), s.channel()), (access, channel), "{word:#x}");
            assert_eq!(s.is_memory_controller(), access.is_some(), "{word:#x}");
        }
        assert_eq!(McStatus(0xbd80_0000_0010_0134).code(), 0x134);
    }

    #[test]
    fn the_mask_of_the_memory_controllers_code() {
        // mce_is_memory_error() in arch/x86/kernel/cpu/mce/core.c: (status & 0xef80) == BIT(7); bit 12 is masked out.
        for (code, is) in [(0x0090, true), (0x1092, true), (0x009f, true), (0x00ff, true), (0x0080, true)] {
            assert_eq!(McStatus(code).is_memory_controller(), is, "{code:#x}");
        }
        // Near memory of two levels (0x0280), caches, buses and the rest are something else.
        for code in [0x0000, 0x0010, 0x0134, 0x0180, 0x0280, 0x0400, 0x0800, 0x2090, 0x8090] {
            assert!(!McStatus(code).is_memory_controller(), "{code:#x}");
        }
        // drivers/edac/sb_edac.c: MMM 0 generic, 1 read, 2 write, 3 address and command, 4 scrub.
        let of = |mmm: u64| McStatus(0x80 | mmm << 4).access();
        assert_eq!([of(0), of(2), of(3)], [Some(Access::Generic), Some(Access::Write), Some(Access::AddressCommand)]);
        assert_eq!([of(5), of(6), of(7)], [None; 3]);
    }

    #[test]
    fn all_bits_set_or_clear_is_a_word_too() {
        let (all, none) = (McStatus(u64::MAX), McStatus(0));
        assert_eq!((all.corrected_count(), none.corrected_count()), (0x7fff, 0));
        assert_eq!((all.access(), none.access(), all.channel()), (None, None, None));
        assert_eq!((letters(all).as_str(), letters(none).as_str()), ("VOUEMAPSR", ""));
        assert!(all.deferred() && all.syndrome_valid() && !none.deferred() && !none.syndrome_valid());
    }
}
