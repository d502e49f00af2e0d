//! Expectations from a matrix that is known: exact counting.
//!
//! A code is linear, and so is the question. Forced bits that are wrong half of the time, each by itself, make each set of them
//! equally likely; their syndromes are then spread evenly over the span of their columns. What the decoder takes such a syndrome
//! for is counted with ranks instead of by trying the sets, so that sixty forced lines cost hardly more than six. This module must
//! not guess: where the matrix is not known, `counted` answers.

use crate::code::{Code, Symbol, Word};
use crate::outcomes::{Forced, Outcomes, bits_of, half_to};
use crate::span::Span;

/// A code as one module sees it.
#[derive(Clone, Debug)]
pub(crate) struct Matrix {
    check_bits: u32,
    /// By mask bit of the line: the columns of its bits in one word.
    columns: Vec<Vec<u64>>,
    /// By mask bit of the line: the symbols that it is in.
    symbols_of: Vec<Vec<Own>>,
    /// The columns of each symbol, on whatever channel.
    symbols: Vec<Vec<u64>>,
    /// One bit for each syndrome: whether it is taken for an error in some symbol. Empty where there are too many syndromes.
    taken: Vec<u64>,
    /// How many syndromes are taken for an error in some symbol.
    corrected: f64,
    /// How many bits of one line are in a word.
    pub(crate) beats: u32,
    /// Whether the syndromes can be foretold.
    pub(crate) ordered: bool,
}

/// Up to so many bits of a syndrome, a table of all syndromes is kept: 8 KiB.
const MOST_BITS: u32 = 16;
/// Spans up to this rank are looked through: 512 syndromes.
const LOOKED_AT: usize = 9;

/// A symbol that this module carries.
#[derive(Clone, Copy, Debug)]
struct Own {
    lines: u128,
    bits_per_line: u32,
}

impl Matrix {
    /// For a module on this channel. It matters only where a word is spread over channels: the module is on the one with this number
    /// modulo theirs, and where that is not said, the first is as good as another, but for the syndromes.
    pub(crate) fn new(code: &Code, channel: Option<u16>) -> Matrix {
        let (part, beats) = match code.word() {
            Word::Beats(beats) => (None, beats),
            Word::Channels(channels) => (Some(channel.map_or(0, u32::from) % channels), 1),
        };
        let mut columns = vec![Vec::new(); 128];
        for row in &code.rows {
            let own = row.columns.iter().zip(0..).filter(|(_, n)| part.is_none_or(|part| part == *n));
            if let Some(kept) = row.line.and_then(|bit| columns.get_mut(bit as usize)) {
                kept.extend(own.filter_map(|(column, _)| *column));
            }
        }
        let here = |symbol: &&Symbol| part.is_none_or(|part| part == symbol.channel);
        let own = code.symbols().iter().filter(here).map(|s| Own { lines: s.lines, bits_per_line: s.bits_per_line });
        let own: Vec<Own> = own.collect();
        let of_line = |bit: u32| own.iter().filter(|symbol| symbol.lines >> bit & 1 == 1).copied().collect();
        let vectors = || code.symbols().iter().map(|symbol| symbol.vectors.as_slice());
        Matrix {
            check_bits: code.check_bits(),
            columns,
            symbols_of: (0..128).map(of_line).collect(),
            symbols: vectors().map(<[u64]>::to_vec).collect(),
            taken: taken(code),
            corrected: vectors().map(|vectors| two_to(vectors.len()) - 1.0).sum(),
            beats,
            ordered: code.ordered && (part.is_none() || channel.is_some()),
        }
    }

    /// The sum of the bits that are wrong for certain, and the span of those that may be.
    fn syndromes_of(&self, forced: Forced) -> (u64, Span) {
        let columns = |lines| bits_of(lines).filter_map(|bit| self.columns.get(bit as usize)).flatten().copied();
        (columns(forced.fixed).fold(0, |sum, column| sum ^ column), Span::of(columns(forced.random)))
    }

    /// What becomes of one word.
    pub(crate) fn outcomes(&self, forced: Forced) -> Outcomes {
        let (certain, span) = self.syndromes_of(forced);
        let bits = forced.random.count_ones() * self.beats;
        // Each of the equally likely syndromes, and each of the equally likely sets of bits.
        let (each, set) = (half_to(span.rank() as u32), half_to(bits));
        let none = if forced.fixed == 0 { set } else { 0.0 };
        let clean = if span.has(certain) { each } else { 0.0 };
        let reported = self.taken_for_an_error(certain, &span) * each;
        let right = self.rightly(forced) * set;
        Outcomes {
            none,
            corrected: right,
            uncorrected: (1.0 - clean - reported).max(0.0),
            miscorrected: reported - right,
            silent: clean - none,
        }
    }

    /// How many of the syndromes `certain` + `span` the decoder takes for an error that it can correct.
    fn taken_for_an_error(&self, certain: u64, span: &Span) -> f64 {
        if span.rank() as u32 == self.check_bits {
            self.corrected
        } else if span.rank() <= LOOKED_AT && !self.taken.is_empty() {
            self.looked_at_each(certain, span)
        } else {
            self.by_ranks(certain, span)
        }
    }

    /// The same where the syndromes are few: each is looked up.
    fn looked_at_each(&self, certain: u64, span: &Span) -> f64 {
        let taken = |sum: &u64| self.taken.get((sum >> 6) as usize).is_some_and(|bits| bits >> (sum & 63) & 1 == 1);
        span.sums(certain).filter(taken).count() as f64
    }

    /// The same for any number of syndromes.
    fn by_ranks(&self, certain: u64, span: &Span) -> f64 {
        let offset = span.residue(certain);
        let room = self.check_bits as usize - span.rank();
        let mut left = Span::new();
        let symbol = |vectors: &Vec<u64>| {
            // Vectors of the symbol that differ by something in the span leave the same residue: the symbol and the span share 2
            // to the power of what the rank loses. When there is room for no more, the rest is lost without a look.
            left.clear();
            for vector in vectors {
                if left.rank() == room {
                    break;
                }
                left.put(span.residue(*vector));
            }
            let shared = two_to(vectors.len() - left.rank());
            match (offset, left.has(offset)) {
                (_, false) => 0.0,
                // The syndrome 0 is in every symbol, and is no error.
                (0, true) => shared - 1.0,
                (_, true) => shared,
            }
        };
        self.symbols.iter().map(symbol).fold(0.0, add)
    }

    /// The number of sets of wrong bits that all lie in one symbol, and are not empty.
    fn rightly(&self, forced: Forced) -> f64 {
        let of_line = |bit: u32| self.symbols_of.get(bit as usize).into_iter().flatten();
        let sets = |symbol: &Own| two_to(((forced.random & symbol.lines).count_ones() * symbol.bits_per_line) as usize);
        if let Some(first) = bits_of(forced.fixed).next() {
            // All bits of all fixed lines are wrong, so that only a symbol which has them all is right.
            let whole = |s: &&Own| forced.fixed & !s.lines == 0 && s.bits_per_line == self.beats;
            of_line(first).filter(whole).map(sets).fold(0.0, add)
        } else {
            // Each symbol once: with the first of its lines that is forced.
            let first = |bit: u32| of_line(bit).filter(move |s| (forced.random & s.lines).trailing_zeros() == bit);
            bits_of(forced.random).flat_map(first).map(|symbol| sets(symbol) - 1.0).fold(0.0, add)
        }
    }

    /// Every syndrome that these lines can make, but 0, in rising order; nothing if there are more than 2 to the power `rank`.
    pub(crate) fn syndromes(&self, forced: Forced, rank: usize) -> Option<Vec<u64>> {
        let (certain, span) = self.syndromes_of(forced);
        if span.rank() > rank {
            return None;
        }
        let mut all: Vec<u64> = span.sums(certain).filter(|syndrome| *syndrome != 0).collect();
        all.sort_unstable();
        Some(all)
    }
}

/// One bit for each syndrome of a code: whether it is taken for an error that can be corrected.
fn taken(code: &Code) -> Vec<u64> {
    if code.check_bits() > MOST_BITS {
        return Vec::new();
    }
    let mut taken = vec![0_u64; (1 << code.check_bits() >> 6).max(1)];
    for symbol in code.symbols() {
        for sum in Span::of(symbol.vectors().iter().copied()).sums(0).filter(|sum| *sum != 0) {
            if let Some(bits) = taken.get_mut((sum >> 6) as usize) {
                *bits |= 1 << (sum & 63);
            }
        }
    }
    taken
}

/// Unlike `sum`, a fold with this from 0 makes of nothing a 0 without a sign, which people will read.
fn add(sum: f64, more: f64) -> f64 {
    sum + more
}

fn two_to(exponent: usize) -> f64 {
    1.0 / half_to(exponent as u32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::code::BUILT_IN_NAMES;

    #[test]
    fn looking_at_each_and_counting_by_ranks_are_the_same() {
        // Numbers that look random: steps of Knuth's linear congruential generator (The Art of Computer Programming, 3.3.4).
        let mut state = 7_u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            state >> 20
        };
        for name in BUILT_IN_NAMES {
            let code = Code::builtin(name).unwrap();
            let matrix = Matrix::new(&code, Some(1));
            let syndromes = (1 << code.check_bits()) - 1;
            let mut found = 0.0;
            for rank in (0..=code.check_bits() as usize).cycle().take(200) {
                let span = Span::of((0..rank).map(|_| next() & syndromes));
                let certain = if rank % 3 == 0 { 0 } else { next() & syndromes };
                let each = matrix.looked_at_each(certain, &span);
                assert_eq!(matrix.by_ranks(certain, &span), each, "{name}");
                assert_eq!(matrix.taken_for_an_error(certain, &span), each, "{name}");
                found += each;
            }
            assert!(found > 0.0 || name == "detect-36-32");
        }
    }
}
