//! Expectations where the matrix is not known, only what the code promises.
//!
//! Makers do not publish their matrices, and the kernel says no more than `SECDED` or `S4ECD4ED`. What such a code does is known
//! as long as no more is wrong than it promises to handle; beyond, it is a matter of the matrix, and this module says what is
//! usual. It counts how many of the units that the code works in (lines, or devices) are wrong, and has a row of
//! outcomes for each count. It must not foretell syndromes.

use crate::code::{Code, Kind};
use crate::lines::data_lines;
use crate::outcomes::{Forced, Outcomes, bits_of, half_to};
use std::sync::OnceLock;

/// What becomes of a word, by the number of its wrong units.
#[derive(Clone, Debug)]
pub(crate) struct Counted {
    /// By mask bit of a line: the lines of its unit.
    unit_of: Vec<u128>,
    /// How many bits of one line are in a word.
    pub(crate) beats: u32,
    /// By count; the last row stands for all counts from there on.
    by_count: Vec<Outcomes>,
}

/// More units than any module has lines.
const MOST: usize = 80;

/// The share of double errors that a code which corrects one device, and does not promise to detect two, takes for an error in a
/// third: that of the x8 table in the kernel's `drivers/edac/amd64_edac.c`, which is built in as `amd-x8`.
const LOOKS_LIKE_ONE_DEVICE: f64 = 1.0 / 15.0;
/// The same for three or more devices, where two are detected: the share of all syndromes but 0 that stand for a single device in the
/// x4 table of the same file, built in as `amd-x4`.
const LOOKS_LIKE_ONE_DEVICE_X4: f64 = 540.0 / 65_535.0;
/// The share of errors that have the syndrome 0, far beyond what a code promises: as if 16 check bits were dice.
const LOOKS_LIKE_NONE: f64 = 1.0 / 65_536.0;

const NONE: Outcomes = Outcomes { none: 1.0, corrected: 0.0, uncorrected: 0.0, miscorrected: 0.0, silent: 0.0 };
const CORRECTED: Outcomes = Outcomes { none: 0.0, corrected: 1.0, ..NONE };
const UNCORRECTED: Outcomes = Outcomes { none: 0.0, uncorrected: 1.0, ..NONE };
const SILENT: Outcomes = Outcomes { none: 0.0, silent: 1.0, ..NONE };

fn mostly_uncorrected(miscorrected: f64, silent: f64) -> Outcomes {
    Outcomes { none: 0.0, corrected: 0.0, uncorrected: 1.0 - miscorrected - silent, miscorrected, silent }
}

impl Counted {
    /// A SEC-DED code with one word in each beat: one wrong line is corrected and two are detected, whatever the matrix.
    /// For more, the average over all sets of so many lines in the built-in matrix of Hsiao's type.
    pub(crate) fn sec_ded(lines: u128) -> Counted {
        static USUAL: [OnceLock<Vec<Outcomes>>; 2] = [OnceLock::new(), OnceLock::new()];
        let [wide, narrow] = &USUAL;
        let usual = if lines & data_lines(64) > data_lines(32) {
            wide.get_or_init(|| average("hsiao-72-64"))
        } else {
            narrow.get_or_init(|| average("hsiao-40-32"))
        };
        Counted { unit_of: by_line(&each(lines)), beats: 1, by_count: usual.clone() }
    }

    /// A code that corrects whatever goes wrong within one device, and detects two devices or does not promise to. A word is two
    /// beats, the least that leaves check bits enough for devices of 4 lines on 72.
    pub(crate) fn devices(lines: u128, width: u8, detects_two: bool) -> Counted {
        let by_count = if detects_two {
            let three = mostly_uncorrected(LOOKS_LIKE_ONE_DEVICE_X4, 0.0);
            let more = mostly_uncorrected(LOOKS_LIKE_ONE_DEVICE_X4, LOOKS_LIKE_NONE);
            vec![NONE, CORRECTED, UNCORRECTED, three, more]
        } else {
            let two = mostly_uncorrected(LOOKS_LIKE_ONE_DEVICE, 0.0);
            let more = mostly_uncorrected(LOOKS_LIKE_ONE_DEVICE, LOOKS_LIKE_NONE);
            vec![NONE, CORRECTED, two, more]
        };
        Counted { unit_of: by_line(&devices(lines, width)), beats: 2, by_count }
    }

    /// A code that only detects. How much it detects for certain is not said; all that one wrong line makes is.
    pub(crate) fn detect(lines: u128) -> Counted {
        let more = mostly_uncorrected(0.0, half_to(8));
        Counted { unit_of: by_line(&each(lines)), beats: 1, by_count: vec![NONE, UNCORRECTED, more] }
    }

    /// Parity. An odd number of wrong lines is seen; an even one is if it spreads over several parity bits, and the kernel does not say
    /// of what each is the parity.
    pub(crate) fn parity(lines: u128) -> Counted {
        let even = mostly_uncorrected(0.0, 0.5);
        let row = |count: usize| if count.is_multiple_of(2) { even } else { UNCORRECTED };
        let by_count = std::iter::once(NONE).chain((1..MOST).map(row)).collect();
        Counted { unit_of: by_line(&each(lines)), beats: 1, by_count }
    }

    /// No code: what is wrong stays wrong, and nobody says so.
    pub(crate) fn no_ecc(lines: u128) -> Counted {
        Counted { unit_of: by_line(&each(lines)), beats: 1, by_count: vec![NONE, SILENT] }
    }

    /// What becomes of one word.
    pub(crate) fn outcomes(&self, forced: Forced) -> Outcomes {
        // chance[n]: that n units are wrong, of those looked at so far.
        let mut chance = [0.0; MOST];
        if let [first, ..] = chance.as_mut_slice() {
            *first = 1.0;
        }
        let mut reach = 1;
        let all = forced.fixed | forced.random;
        for bit in bits_of(all) {
            let unit = self.unit_of.get(bit as usize).copied().unwrap_or(0);
            // Each unit once: with the first of its lines that is forced.
            if (all & unit).trailing_zeros() != bit {
                continue;
            }
            let random = (forced.random & unit).count_ones() * self.beats;
            let wrong = if forced.fixed & unit != 0 { 1.0 } else { 1.0 - half_to(random) };
            reach += 1;
            let mut carried = 0.0;
            for chance in chance.iter_mut().take(reach) {
                let moved = *chance * wrong;
                *chance = (*chance - moved) + carried;
                carried = moved;
            }
        }
        let mut sum = Outcomes::default();
        let last = self.by_count.last();
        for (count, chance) in chance.iter().take(reach).enumerate() {
            let Some(row) = self.by_count.get(count).or(last) else { break };
            sum.none += chance * row.none;
            sum.corrected += chance * row.corrected;
            sum.uncorrected += chance * row.uncorrected;
            sum.miscorrected += chance * row.miscorrected;
            sum.silent += chance * row.silent;
        }
        sum
    }
}

/// The unit of each line, by mask bit; none for lines that the word does not have.
fn by_line(units: &[u128]) -> Vec<u128> {
    (0..128).map(|bit| units.iter().find(|unit| *unit >> bit & 1 == 1).copied().unwrap_or(0)).collect()
}

/// Each line a unit of its own.
fn each(lines: u128) -> Vec<u128> {
    bits_of(lines).map(|bit| 1 << bit).collect()
}

/// The lines of each device. Check lines are on devices of their own.
fn devices(lines: u128, width: u8) -> Vec<u128> {
    let width = usize::from(width.max(1));
    let device = (1_u128 << width.min(64)) - 1;
    let data = (0..64).step_by(width).map(|first| device << first & data_lines(64));
    let check = (0..8).step_by(width).map(|first| device << (64 + first));
    data.chain(check).map(|unit| unit & lines).filter(|unit| *unit != 0).collect()
}

/// What becomes of a word of a SEC-DED code by the number of wrong bits, on the average over all sets of so many.
fn average(name: &str) -> Vec<Outcomes> {
    let Some(code) = Code::builtin(name).filter(|code| code.kind() == Kind::SecDed) else { return vec![NONE] };
    let columns: Vec<usize> = code.symbols().iter().flat_map(|s| s.vectors()).map(|c| *c as usize).collect();
    let syndromes = 1_usize << code.check_bits();
    let at = |ways: &[Vec<f64>], count: usize, syndrome: usize| {
        ways.get(count).and_then(|row| row.get(syndrome)).copied().unwrap_or(0.0)
    };
    // ways[n][s]: how many sets of n of the bits looked at so far have the syndrome s.
    let mut ways = vec![(0..syndromes).map(|s| if s == 0 { 1.0 } else { 0.0 }).collect::<Vec<f64>>()];
    for (before, column) in columns.iter().enumerate() {
        let with_it = |count: usize, s: usize| count.checked_sub(1).map_or(0.0, |less| at(&ways, less, s ^ column));
        let row = |count: usize| (0..syndromes).map(|s| at(&ways, count, s) + with_it(count, s)).collect();
        ways = (0..=before + 1).map(row).collect();
    }
    let row = |(count, sets): (usize, &Vec<f64>)| {
        let all: f64 = sets.iter().sum();
        let reported = columns.iter().map(|column| at(&ways, count, *column)).sum::<f64>() / all;
        let silent = at(&ways, count, 0) / all;
        match count {
            0 => NONE,
            1 => CORRECTED,
            _ => mostly_uncorrected(reported, silent),
        }
    };
    ways.iter().enumerate().map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lines::CHECK_LINES;

    #[test]
    fn usual_outcomes_by_the_number_of_wrong_lines() {
        // Hsiao's matrix with the rotations of 1f: code words of weight 4 number 8392, so that of the 59,640 triples four times
        // as many are miscorrected, and of the 1,028,790 quadruples as many are silent (computed; 56.28 % from memory of Hsiao 1970).
        let usual = average("hsiao-72-64");
        assert_eq!(usual.len(), 73);
        assert_eq!((usual[1], usual[2]), (CORRECTED, UNCORRECTED));
        assert!((usual[3].miscorrected - 4.0 * 8392.0 / 59_640.0).abs() < 1e-12);
        assert!((usual[4].silent - 8392.0 / 1_028_790.0).abs() < 1e-12);
        assert_eq!((usual[3].silent, usual[4].miscorrected), (0.0, 0.0));
        for row in &usual {
            assert!((row.none + row.corrected + row.uncorrected + row.miscorrected + row.silent - 1.0).abs() < 1e-12);
        }
        // Computed by pairs of pairs: 760 code words of weight 4.
        let narrow = average("hsiao-40-32");
        assert!((narrow[3].miscorrected - 4.0 * 760.0 / 9880.0).abs() < 1e-12);
    }

    #[test]
    fn devices_of_a_module() {
        let ddr4 = data_lines(64) | CHECK_LINES;
        // 18 devices of 4 lines or 9 of 8 on 72 lines; a device of 16 does not divide the check lines.
        assert_eq!([2, 4, 8, 16].map(|width| devices(ddr4, width).len()), [36, 18, 9, 5]);
        assert_eq!(devices(data_lines(32) | CHECK_LINES, 4).len(), 10);
        assert_eq!(devices(ddr4, 4)[16], 0xf << 64);
        for width in [1, 2, 4, 8, 16] {
            assert_eq!(devices(ddr4, width).iter().sum::<u128>(), ddr4);
        }
    }
}
