//! Which lines of a word each signal stands for, and why a module may not have one.

use crate::outcomes::{Forced, bits_of};
use vocabulary::{Force, Signal, SignalKind, SubChannel};

/// Where the check lines begin among the bits of a mask, whatever the number of data lines.
const FIRST_CHECK: u32 = 64;

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
        // Byte lanes of data; the check lines are one lane more.
        let lanes = if lines & data_lines(64) > data_lines(32) { 8 } else { 4 };
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
