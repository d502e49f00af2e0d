//! A code as data: which syndrome each wrong bit makes, and what the decoder takes which syndrome for.
//!
//! A code comes from a text file, built in or a user's, through `parse`. It knows lines and beats, and nothing of slots or of
//! forcing: `matrix` puts that on top.

use crate::lines::{name, names};
use crate::outcomes::bits_of;
use crate::span::Span;

/// How the decoder goes on from a syndrome.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// Corrects one wrong bit; every two are told apart from one and reported as uncorrected.
    SecDed,
    /// Corrects any wrong bits within one symbol, such as all lines of one device.
    Symbol,
    /// Corrects nothing and reports every syndrome but 0.
    Detect,
}

/// What the decoder looks at as a whole.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Word {
    /// So many beats of one module, one after the other.
    Beats(u32),
    /// One beat of so many modules side by side, on channels that run in step; this module is one of them.
    Channels(u32),
}

impl Word {
    /// How many columns the row of a line has.
    #[must_use]
    pub fn parts(self) -> u32 {
        match self {
            Word::Beats(n) | Word::Channels(n) => n,
        }
    }
}

/// Bits that the decoder corrects together: one bit of a SEC-DED code, or a device's share of a symbol code.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Symbol {
    /// The channel that its lines are on, from 0; 0 where a word is on one channel.
    pub(crate) channel: u32,
    /// Its lines, without those that no module carries.
    pub(crate) lines: u128,
    /// How many bits of each line are in it.
    pub(crate) bits_per_line: u32,
    /// The columns of its bits.
    pub(crate) vectors: Vec<u64>,
}

impl Symbol {
    /// The channel that its lines are on, from 0; 0 where a word is on one channel.
    #[must_use]
    pub fn channel(&self) -> u32 {
        self.channel
    }

    /// Its lines, in rising order; none where no module carries them.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        bits_of(self.lines).map(name).collect()
    }

    /// The columns of its bits. Their sums are the syndromes of all errors within this symbol.
    #[must_use]
    pub fn vectors(&self) -> &[u64] {
        &self.vectors
    }

    /// For people.
    pub(crate) fn told(&self, word: Word) -> String {
        let lines = if self.lines == 0 { "lines that no module carries".to_owned() } else { names(self.lines) };
        match word {
            Word::Channels(_) => format!("{lines} of channel {}", self.channel),
            Word::Beats(_) => lines,
        }
    }
}

/// What a decoder makes of a syndrome.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Decoded<'a> {
    /// The word is taken as right.
    Clean,
    /// Bits of this symbol are changed, and a corrected error is reported.
    Corrects(&'a Symbol),
    /// An uncorrected error is reported.
    Uncorrectable,
}

/// One row of a code's file: a line, or bits of the code that no line carries, and its columns.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Row {
    /// The mask bit of the line.
    pub(crate) line: Option<u32>,
    /// One column for each part of the word; nothing where a row without a line has no bit.
    pub(crate) columns: Vec<Option<u64>>,
}

/// A code: parity-check matrix and decoder. It was checked when it was read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Code {
    pub(crate) name: String,
    pub(crate) kind: Kind,
    pub(crate) check_bits: u32,
    pub(crate) word: Word,
    /// Whether it is known which line of a symbol has which column.
    pub(crate) ordered: bool,
    pub(crate) rows: Vec<Row>,
    /// What the decoder can correct; empty where it only detects.
    pub(crate) symbols: Vec<Symbol>,
}

/// The files of the built-in codes.
const BUILT_IN: [&str; 8] = [
    include_str!("../codes/hsiao-72-64.txt"),
    include_str!("../codes/hamming-72-64.txt"),
    include_str!("../codes/nxp-72-64.txt"),
    include_str!("../codes/hsiao-40-32.txt"),
    include_str!("../codes/hsiao-36-32-two-beats.txt"),
    include_str!("../codes/detect-36-32.txt"),
    include_str!("../codes/amd-x4.txt"),
    include_str!("../codes/amd-x8.txt"),
];

/// The names of the built-in codes.
pub(crate) const BUILT_IN_NAMES: [&str; 8] = [
    "hsiao-72-64",
    "hamming-72-64",
    "nxp-72-64",
    "hsiao-40-32",
    "hsiao-36-32-two-beats",
    "detect-36-32",
    "amd-x4",
    "amd-x8",
];

impl Code {
    /// The built-in code of this name.
    #[must_use]
    pub fn builtin(name: &str) -> Option<Code> {
        let (_, text) = BUILT_IN_NAMES.iter().zip(BUILT_IN).find(|(known, _)| **known == name)?;
        Code::parse(text).ok()
    }

    /// Its name, as its file has it.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// How its decoder goes on from a syndrome.
    #[must_use]
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// How many bits a syndrome has.
    #[must_use]
    pub fn check_bits(&self) -> u32 {
        self.check_bits
    }

    /// What the decoder looks at as a whole.
    #[must_use]
    pub fn word(&self) -> Word {
        self.word
    }

    /// What the decoder can correct, in the order of the file; empty where it only detects.
    #[must_use]
    pub fn symbols(&self) -> &[Symbol] {
        &self.symbols
    }

    /// The columns of a data or check line, one for each beat or channel of the word; empty if the code does not have the line.
    #[must_use]
    pub fn columns(&self, line: &str) -> Vec<u64> {
        let row = self.rows.iter().find(|row| row.line.is_some_and(|bit| name(bit) == line));
        row.map(|row| row.columns.iter().filter_map(|column| *column).collect()).unwrap_or_default()
    }

    /// What the decoder makes of a syndrome. Symbols share no syndrome, so that there is at most one to correct.
    #[must_use]
    pub fn decode(&self, syndrome: u64) -> Decoded<'_> {
        if syndrome == 0 {
            return Decoded::Clean;
        }
        let found = self.symbols.iter().find(|symbol| match symbol.vectors.as_slice() {
            [one] => *one == syndrome,
            several => Span::of(several.iter().copied()).has(syndrome),
        });
        found.map_or(Decoded::Uncorrectable, Decoded::Corrects)
    }

    /// The lines that the code has, as a mask.
    pub(crate) fn lines(&self) -> u128 {
        self.rows.iter().filter_map(|row| row.line).fold(0, |mask, bit| mask | 1 << bit)
    }

    /// Whether a word has 32 data lines, as a sub-channel of DDR5 has, and not 64.
    pub(crate) fn is_for_sub_channels(&self) -> bool {
        self.lines() & crate::lines::data_lines(64) <= crate::lines::data_lines(32)
    }
}
