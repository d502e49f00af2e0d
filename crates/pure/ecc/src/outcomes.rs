//! What can become of one word, and of the words of a burst.

/// Probabilities of what becomes of one word that is read while lines are forced. They add up to 1.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Outcomes {
    /// No bit is wrong.
    pub none: f64,
    /// Wrong bits, all corrected, and reported as corrected.
    pub corrected: f64,
    /// Wrong bits, reported as not corrected.
    pub uncorrected: f64,
    /// Wrong bits, reported as corrected, and the data is still wrong.
    pub miscorrected: f64,
    /// Wrong bits, and no report.
    pub silent: f64,
}

impl Outcomes {
    /// Of several words that are equally likely to be the one that is read; the numbers beside them do not count.
    pub(crate) fn mean(words: &[(Outcomes, u32)]) -> Outcomes {
        let n = words.len().max(1) as f64;
        let mean = |what: fn(&Outcomes) -> f64| words.iter().map(|(word, _)| what(word)).sum::<f64>() / n;
        Outcomes {
            none: mean(|w| w.none),
            corrected: mean(|w| w.corrected),
            uncorrected: mean(|w| w.uncorrected),
            miscorrected: mean(|w| w.miscorrected),
            silent: mean(|w| w.silent),
        }
    }
}

/// The bits of a word that are forced, one mask bit for each line.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(crate) struct Forced {
    /// Lines that are wrong in every beat.
    pub(crate) fixed: u128,
    /// Lines that are wrong in half of the beats, each by itself: a line held low is wrong where a one was meant.
    pub(crate) random: u128,
}

/// The lines of a mask, in rising order.
pub(crate) fn bits_of(mask: u128) -> impl Iterator<Item = u32> {
    let mut left = mask;
    std::iter::from_fn(move || {
        let bit = left.trailing_zeros();
        left &= left.wrapping_sub(1);
        (bit < 128).then_some(bit)
    })
}

/// A number to a small power, the same on every machine.
pub(crate) fn power(base: f64, exponent: u32) -> f64 {
    (0..exponent).fold(1.0, |product, _| product * base)
}

/// One half to a power: exact.
pub(crate) fn half_to(exponent: u32) -> f64 {
    // The exponent of an f64 stands in its bits from 52 on, with 1023 added; one that is too small for it makes a 0.
    f64::from_bits(u64::from(1023_u32.saturating_sub(exponent)) << 52)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_of_a_mask() {
        assert_eq!(bits_of(1 | 1 << 64 | 1 << 127).collect::<Vec<_>>(), [0, 64, 127]);
        assert_eq!(bits_of(0).count() + bits_of(u128::MAX).count(), 128);
    }

    #[test]
    fn powers() {
        for n in 0..200 {
            assert_eq!(half_to(n), power(0.5, n));
        }
        assert_eq!(half_to(5000), 0.0);
        assert_eq!(power(0.75, 2), 0.5625);
    }
}
