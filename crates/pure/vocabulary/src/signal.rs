//! The JEDEC names of a module's signals, and where on the module they lie.
//!
//! `DQ17`, `CB3`, `DQS13`, and on DDR5 with the sub-channel at the end, `DQ5_B`. The feed, criteria, ECC codes and the printed page all
//! read names here, so that they cannot differ in what a module has.

use std::fmt;

/// What a signal carries.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum SignalKind {
    /// A data line.
    Data,
    /// A check line.
    Check,
    /// A data strobe.
    Strobe,
}

impl SignalKind {
    /// What the names of this kind begin with.
    #[must_use]
    pub fn stem(self) -> &'static str {
        match self {
            SignalKind::Data => "DQ",
            SignalKind::Check => "CB",
            SignalKind::Strobe => "DQS",
        }
    }
}

/// A half of a DDR5 module.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum SubChannel {
    /// The one whose signals end in `_A`.
    A,
    /// The one whose signals end in `_B`.
    B,
}

impl SubChannel {
    /// What stands behind the names of its signals.
    #[must_use]
    pub fn letter(self) -> char {
        match self {
            SubChannel::A => 'A',
            SubChannel::B => 'B',
        }
    }
}

/// A signal of a module, by its JEDEC name.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Signal {
    /// What it carries.
    pub kind: SignalKind,
    /// Its number among its kind.
    pub number: u8,
    /// Its half of the module, on DDR5.
    pub sub_channel: Option<SubChannel>,
}

/// Byte lanes of data: a word of 64 data lines has eight, one of 32 has four. The check lines are one lane more.
const LANES_DDR4: u8 = 8;
const LANES_DDR5: u8 = 4;

impl Signal {
    /// The signal that a name in canonical spelling stands for; nothing if no module has it.
    ///
    /// The ranges are those of 288-contact modules: those built on JESD79-4 carry DQ0 to DQ63, CB0 to CB7 and, with x4 devices, strobes
    /// DQS0 to DQS17; those built on JESD79-5 have two sub-channels, each with 32 data lines, up to 8 check lines and up to 10
    /// strobes, named with the sub-channel at the end. Numbers have no leading zeros, so that one signal has one name.
    #[must_use]
    pub fn parse(name: &str) -> Option<Signal> {
        let (stem, sub_channel) = match (name.strip_suffix("_A"), name.strip_suffix("_B")) {
            (Some(stem), _) => (stem, Some(SubChannel::A)),
            (_, Some(stem)) => (stem, Some(SubChannel::B)),
            _ => (name, None),
        };
        let split = sub_channel.is_some();
        let (kind, digits, highest) = if let Some(digits) = stem.strip_prefix("DQS") {
            (SignalKind::Strobe, digits, if split { 9 } else { 17 })
        } else if let Some(digits) = stem.strip_prefix("DQ") {
            (SignalKind::Data, digits, if split { 31 } else { 63 })
        } else {
            (SignalKind::Check, stem.strip_prefix("CB")?, 7)
        };
        let number = match digits.as_bytes() {
            [one] => one.checked_sub(b'0').filter(|n| *n < 10)?,
            [ten @ b'1'..=b'9', one @ b'0'..=b'9'] => (ten - b'0') * 10 + (one - b'0'),
            _ => return None,
        };
        (number <= highest).then_some(Signal { kind, number, sub_channel })
    }

    fn lanes(self) -> u8 {
        if self.sub_channel.is_some() { LANES_DDR5 } else { LANES_DDR4 }
    }

    /// The byte lane of a data or check line: `DQ37` is in lane 4; check lines are the last lane.
    #[must_use]
    pub fn byte_lane(self) -> Option<u8> {
        match self.kind {
            SignalKind::Data => Some(self.number / 8),
            SignalKind::Check => Some(self.lanes()),
            SignalKind::Strobe => None,
        }
    }

    /// The nibble of a data or check line: `DQ37` is in nibble 9; check lines are the last two.
    #[must_use]
    pub fn nibble(self) -> Option<u8> {
        let low = self.byte_lane()? * 2;
        Some(low + (self.number % 8) / 4)
    }

    /// The strobe of this line on a module of x4 devices. Common practice of registered modules: the first strobes serve the low
    /// nibbles of the lanes, and as many again the high ones.
    #[must_use]
    pub fn x4_strobe(self) -> Option<Signal> {
        let high = self.nibble()? % 2 == 1;
        let number = self.byte_lane()? + if high { self.lanes() + 1 } else { 0 };
        Some(Signal { kind: SignalKind::Strobe, number, sub_channel: self.sub_channel })
    }

    /// The byte of a DDR4 module's SPD that tells how this line's nibble is wired from the connector to the device (JEDEC 21-C,
    /// annex L, bytes 60 to 77). An injector between slot and module works on the connector's names.
    #[must_use]
    pub fn ddr4_spd_byte(self) -> Option<u8> {
        let nibble = self.nibble().filter(|_| self.sub_channel.is_none())?;
        Some(match nibble {
            0..8 => 60 + nibble,
            8..16 => 62 + nibble,
            _ => 52 + nibble,
        })
    }
}

impl fmt::Display for Signal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{}", self.kind.stem(), self.number)?;
        self.sub_channel.map_or(Ok(()), |sub_channel| write!(f, "_{}", sub_channel.letter()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lanes_nibbles_and_strobes() {
        // Arithmetic on the names: nibble n is DQ[4n..4n+3], lane n is DQ[8n..8n+7]. Strobes: common practice.
        let place = |name: &str| {
            let signal = Signal::parse(name).unwrap();
            (signal.nibble().unwrap(), signal.byte_lane().unwrap(), signal.x4_strobe().unwrap().to_string())
        };
        assert_eq!(place("DQ37"), (9, 4, "DQS13".to_owned()));
        assert_eq!(place("DQ0"), (0, 0, "DQS0".to_owned()));
        assert_eq!(place("DQ63"), (15, 7, "DQS16".to_owned()));
        assert_eq!(place("CB3"), (16, 8, "DQS8".to_owned()));
        assert_eq!(place("CB4"), (17, 8, "DQS17".to_owned()));
        assert_eq!(place("DQ31_B"), (7, 3, "DQS8_B".to_owned()));
        assert_eq!(place("CB7_A"), (9, 4, "DQS9_A".to_owned()));
        assert_eq!(Signal::parse("DQS3").unwrap().nibble(), None);
    }

    #[test]
    fn bytes_of_the_spd() {
        // JEDEC 21-C annex L, release 3: bytes 60 to 67 are DQ0 to DQ31, 68 and 69 the check lines, 70 to 77 DQ32 to DQ63.
        let rows =
            [(60, "DQ0", "DQ3"), (67, "DQ28", "DQ31"), (68, "CB0", "CB3"), (69, "CB4", "CB7"), (70, "DQ32", "DQ35")];
        for (byte, first, last) in rows.into_iter().chain([(77, "DQ60", "DQ63")]) {
            for name in [first, last] {
                assert_eq!(Signal::parse(name).unwrap().ddr4_spd_byte(), Some(byte), "{name}");
            }
        }
        assert_eq!(Signal::parse("DQ0_A").unwrap().ddr4_spd_byte(), None);
    }
}
