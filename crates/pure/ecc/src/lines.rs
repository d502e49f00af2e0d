//! Names of signals, and which lines of a word each one stands for.
//!
//! Spelling is that of the feed after it was read: `DQ17`, `CB3`, `DQS13`, and with the sub-channel at the end on DDR5, `DQ5_B`.

use crate::outcomes::{Forced, bits_of};
use std::fmt;
use vocabulary::Force;

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

/// A half of a DDR5 module.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum SubChannel {
    /// The one whose signals end in `_A`.
    A,
    /// The one whose signals end in `_B`.
    B,
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
/// Where the check lines begin among the bits of a mask, whatever the number of data lines.
const FIRST_CHECK: u32 = 64;

impl Signal {
    /// The signal that a name in canonical spelling stands for; nothing if no module has it.
    ///
    /// The ranges are those of 288-contact modules: JESD79-4 and JESD79-5 with the module standards built on them.
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
        let kind = match self.kind {
            SignalKind::Data => "DQ",
            SignalKind::Check => "CB",
            SignalKind::Strobe => "DQS",
        };
        let sub_channel = match self.sub_channel {
            None => "",
            Some(SubChannel::A) => "_A",
            Some(SubChannel::B) => "_B",
        };
        write!(f, "{kind}{}{sub_channel}", self.number)
    }
}

/// Why a line cannot be forced on this module.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum LineError {
    /// No module has such a signal.
    #[error("{line:?} is no signal of a memory module, such as DQ3, CB0 or DQS8, or DQ3_A on DDR5")]
    NoSignal {
        /// As it was named.
        line: String,
    },
    /// This module does not have it.
    #[error("the module has no {line}; it has {has}")]
    NotHere {
        /// As it was named.
        line: String,
        /// What the module has.
        has: String,
    },
    /// A DDR5 module has two lines of this name.
    #[error(
        "{line} does not say which sub-channel; this module has {line}_A and {line}_B, so name one of these or both"
    )]
    WhichSubChannel {
        /// As it was named.
        line: String,
    },
    /// Only DDR5 modules have sub-channels.
    #[error("{line} names a sub-channel, which only DDR5 modules have; this module has {has}")]
    NoSubChannels {
        /// As it was named.
        line: String,
        /// What the module has.
        has: String,
    },
    /// Some lines with a sub-channel, some without.
    #[error("{line} and {other} cannot be on one module: only one of them names a sub-channel")]
    Mixed {
        /// As it was named.
        line: String,
        /// Another line of the same injection.
        other: String,
    },
}

/// The mask bit of a data or check line.
pub(crate) fn bit(signal: Signal) -> Option<u32> {
    match signal.kind {
        SignalKind::Data => Some(u32::from(signal.number)),
        SignalKind::Check => Some(FIRST_CHECK + u32::from(signal.number)),
        SignalKind::Strobe => None,
    }
}

/// The name of the line of a mask bit.
pub(crate) fn name(bit: u32) -> String {
    if bit < FIRST_CHECK { format!("DQ{bit}") } else { format!("CB{}", bit - FIRST_CHECK) }
}

/// The names of the lines of a mask, in ranges.
pub(crate) fn names(mask: u128) -> String {
    let mut ranges: Vec<(u32, u32)> = Vec::new();
    for bit in bits_of(mask) {
        match ranges.last_mut() {
            Some((_, last)) if *last + 1 == bit && bit != FIRST_CHECK => *last = bit,
            _ => ranges.push((bit, bit)),
        }
    }
    let told = ranges.into_iter().map(|(first, last)| match first == last {
        true => name(first),
        false => format!("{} to {}", name(first), name(last)),
    });
    told.collect::<Vec<_>>().join(", ")
}

/// The data lines of a word that has so many.
pub(crate) fn data_lines(count: u32) -> u128 {
    (1 << count) - 1
}

/// All eight check lines.
pub(crate) const CHECK_LINES: u128 = 0xff << FIRST_CHECK;

/// Which lines a module, or one sub-channel of it, has.
#[derive(Clone, Debug)]
pub(crate) struct Wiring {
    /// Its data and check lines.
    lines: u128,
    /// The lines that each strobe latches; 0 where there is no such strobe.
    strobes: Vec<u128>,
}

impl Wiring {
    /// From the lines of a word and the width of the devices, where that is known.
    ///
    /// A strobe of an x4 device latches a nibble, one of a wider device a byte. Where the width is not known, the strobes that only x4
    /// modules have latch their nibble, and the others a byte.
    pub(crate) fn new(lines: u128, device_lines: Option<u8>) -> Wiring {
        let lanes = if lines & data_lines(64) > data_lines(32) { LANES_DDR4 } else { LANES_DDR5 };
        let lane = |n: u8| 0xff << if n < lanes { u32::from(n) * 8 } else { FIRST_CHECK };
        let low = |n: u8| lane(n) & 0x0f0f_0f0f_0f0f_0f0f_0f0f_0f0f_0f0f_0f0f;
        let x4 = device_lines.is_some_and(|width| width <= 4);
        let mut strobes: Vec<u128> = (0..=lanes).map(|n| lines & if x4 { low(n) } else { lane(n) }).collect();
        if x4 || device_lines.is_none() {
            strobes.extend((0..=lanes).map(|n| lines & low(n) << 4));
        }
        Wiring { lines, strobes }
    }

    fn of(&self, signal: Signal) -> Option<u128> {
        let mask = match bit(signal) {
            Some(bit) => 1 << bit & self.lines,
            None => self.strobes.get(usize::from(signal.number)).copied()?,
        };
        (mask != 0).then_some(mask)
    }

    fn told(&self, sub_channels: bool) -> String {
        let count = self.strobes.iter().rposition(|mask| *mask != 0).unwrap_or(0);
        let all = format!("{}, DQS0 to DQS{count}", names(self.lines));
        if sub_channels { format!("{all}, each with _A or _B") } else { all }
    }
}

/// What is forced: the one word of a module without sub-channels, or that of A and that of B.
pub(crate) struct Resolved {
    pub(crate) sub_channels: bool,
    pub(crate) words: [Forced; 2],
}

/// Looks the lines up on a module that is of one kind, or of the other, or of which that is not known.
pub(crate) fn resolve<L: AsRef<str>>(
    lines: &[L],
    force: Option<Force>,
    whole: Option<&Wiring>,
    split: Option<&Wiring>,
) -> Result<Resolved, LineError> {
    let mut words = [Forced::default(); 2];
    let mut sub_channels = None;
    for line in lines.iter().map(AsRef::as_ref) {
        let owned = || line.to_owned();
        let signal = Signal::parse(line).ok_or_else(|| LineError::NoSignal { line: owned() })?;
        let named = signal.sub_channel.is_some();
        let wiring = match (whole, split) {
            (Some(whole), _) if !named => whole,
            (_, Some(split)) if named => split,
            (Some(whole), _) => return Err(LineError::NoSubChannels { line: owned(), has: whole.told(false) }),
            (None, Some(split)) => {
                let on_a = Signal { sub_channel: Some(SubChannel::A), ..signal };
                return Err(match split.of(on_a) {
                    Some(_) => LineError::WhichSubChannel { line: owned() },
                    None => LineError::NotHere { line: owned(), has: split.told(true) },
                });
            }
            (None, None) => {
                return Err(LineError::NotHere { line: owned(), has: "no lines that are known".to_owned() });
            }
        };
        if sub_channels.is_some_and(|before| before != named) {
            let other = lines.first().map_or_else(owned, |first| first.as_ref().to_owned());
            return Err(LineError::Mixed { line: owned(), other });
        }
        sub_channels = Some(named);
        let mask = wiring.of(signal).ok_or_else(|| LineError::NotHere { line: owned(), has: wiring.told(named) })?;
        let word = match signal.sub_channel {
            Some(SubChannel::B) => &mut words[1],
            _ => &mut words[0],
        };
        // A strobe that is not as it should be latches what happens to be there, however it is forced.
        if force == Some(Force::Invert) && signal.kind != SignalKind::Strobe {
            word.fixed |= mask;
        } else {
            word.random |= mask;
        }
    }
    for word in &mut words {
        word.fixed &= !word.random;
    }
    Ok(Resolved { sub_channels: sub_channels == Some(true), words })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_signal_of_the_feed_is_known_here() {
        for prefix in ["DQ", "CB", "DQS", "DM", "dq", ""] {
            for number in 0..100 {
                for suffix in ["", "_A", "_B", "_C"] {
                    let name = format!("{prefix}{number}{suffix}");
                    let there = feed_lines::canonical_signal(&name).is_some_and(|canonical| canonical == name);
                    assert_eq!(Signal::parse(&name).map(|s| s.to_string()), there.then(|| name.clone()), "{name}");
                }
            }
        }
        for name in ["", "DQ", "DQ00", "DQ07", "DQ100", "DQ-1", "DQ+1", "DQ 1", "DQé", "_A", "CB_A", "DQ1_A_A"] {
            assert_eq!(Signal::parse(name), None, "{name:?}");
        }
    }

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

    #[test]
    fn strobes_latch_their_device() {
        let ddr4 = data_lines(64) | CHECK_LINES;
        let latched = |width, name: &str| {
            let wiring = Wiring::new(ddr4, width);
            wiring.of(Signal::parse(name).unwrap()).map(names)
        };
        assert_eq!(latched(Some(4), "DQS13").as_deref(), Some("DQ36 to DQ39"));
        assert_eq!(latched(Some(4), "DQS8").as_deref(), Some("CB0 to CB3"));
        assert_eq!(latched(Some(4), "DQS17").as_deref(), Some("CB4 to CB7"));
        assert_eq!(latched(Some(8), "DQS7").as_deref(), Some("DQ56 to DQ63"));
        assert_eq!(latched(Some(8), "DQS9"), None);
        assert_eq!(latched(None, "DQS0").as_deref(), Some("DQ0 to DQ7"));
        assert_eq!(latched(None, "DQS9").as_deref(), Some("DQ4 to DQ7"));
        let ddr5 = Wiring::new(data_lines(32) | CHECK_LINES, Some(4));
        assert_eq!(ddr5.of(Signal::parse("DQS9_B").unwrap()).map(names).as_deref(), Some("CB4 to CB7"));
        let narrow = Wiring::new(data_lines(32) | 0xf << 64, Some(4));
        assert_eq!(narrow.of(Signal::parse("DQS9_B").unwrap()), None);
        assert_eq!(narrow.told(true), "DQ0 to DQ31, CB0 to CB3, DQS0 to DQS8, each with _A or _B");
    }
}
